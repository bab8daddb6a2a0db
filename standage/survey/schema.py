"""The tables of a survey, column by column: the single source for the checks, the empty forms and
the column reference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

KINDS = ("identifier", "reference", "text", "code", "number", "whole", "date")


@dataclass(frozen=True)
class Column:
    """One column of a survey table.

    required: "yes", "" (optional), or the condition in words. kind: one of `KINDS`. unit: of a
    number, "" for none. codes: the words allowed. low, high: range allowed, ends included, save
    that low is excluded with `above_low`. default: what a blank means, filled in on reading (""
    where the default depends on another table: see meaning). refers_to: the table whose identifier
    the cell repeats. example: the cell in the example row of an empty form. sd, at_least, until:
    the columns for its standard deviation, for whether it is a bound, and for the end of a range
    that begins with it. earlier_names: under which it is still read. kept: it is only kept, for
    tables and cards; no model reads it.
    """

    name: str
    kind: str
    meaning: str
    required: str = ""
    unit: str = ""
    codes: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    above_low: bool = False
    default: str = ""
    refers_to: str = ""
    example: str = ""
    sd: str = ""
    at_least: str = ""
    until: str = ""
    earlier_names: tuple[str, ...] = ()
    kept: bool = False

    @property
    def is_number(self) -> bool:
        return self.kind in ("number", "whole")

    def limits(self) -> tuple[float, float]:
        """The least and the most that a cell may hold, infinite where there is no limit."""
        return (
            -math.inf if self.low is None else self.low,
            math.inf if self.high is None else self.high,
        )

    @property
    def allowed(self) -> str:
        """What a cell may hold, in words."""
        if self.kind == "code":
            return ", ".join(self.codes)
        if self.kind == "date":
            return "a date written YYYY-MM-DD"
        if self.kind == "identifier":
            return "a name used once in this table"
        if self.kind == "reference":
            return f"a {self.name} of {self.refers_to}.csv"
        if not self.is_number:
            return "free text"
        noun = "a whole number" if self.kind == "whole" else "a number"
        unit = f" {self.unit}" if self.unit and self.unit != "calendar year" else ""
        if self.low is None or self.high is None:
            return noun
        if self.above_low:
            return f"{noun} above {self.low:.12g} and up to {self.high:.12g}{unit}"
        return f"{noun} from {self.low:.12g} to {self.high:.12g}{unit}"


@dataclass(frozen=True)
class Table:
    """One table of a survey. one_row: what a row stands for. needed: a survey cannot begin without
    it. like: tables whose headings it takes as well.
    """

    name: str
    one_row: str
    columns: tuple[Column, ...]
    needed: bool = False
    like: tuple[str, ...] = ()

    def __hash__(self) -> int:
        # tables are keys of caches, asked for each cell of a header: all columns would be hashed
        return hash(self.name)

    @property
    def file(self) -> str:
        return f"{self.name}.csv"

    @property
    def identifier(self) -> str | None:
        """The column that names a row, None where rows have no name."""
        return next((column.name for column in self.columns if column.kind == "identifier"), None)

    def column(self, name: str) -> Column:
        """The column of that name. Raises KeyError."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"{self.file} has no column {name}")


def _number(name: str, unit: str, low: float, high: float, meaning: str, **more: Any) -> Column:
    return Column(name, "number", meaning, unit=unit, low=low, high=high, **more)


def _positive(name: str, unit: str, high: float, meaning: str, **more: Any) -> Column:
    return Column(name, "number", meaning, unit=unit, low=0, high=high, above_low=True, **more)


def _whole(name: str, unit: str, low: float, high: float, meaning: str, **more: Any) -> Column:
    return Column(name, "whole", meaning, unit=unit, low=low, high=high, **more)


def _year(name: str, meaning: str, **more: Any) -> Column:
    return Column(name, "whole", meaning, unit="calendar year", low=1000, high=2100, **more)


def _code(name: str, codes: str, meaning: str, **more: Any) -> Column:
    return Column(name, "code", meaning, codes=tuple(codes.split()), **more)


def _name(name: str, meaning: str, example: str) -> Column:
    return Column(name, "identifier", meaning, required="yes", example=example)


def _of(name: str, table: str, meaning: str, *, required: str = "", example: str = "") -> Column:
    return Column(name, "reference", meaning, required=required, refers_to=table, example=example)


NOTE = Column("note", "text", "remarks, not read", kept=True)
ONE_OF_TWO = "one of first_ring_year and ring_count, unless centre is rotten"
ONE_READ = "one of first_ring_year and ring_count"
# The widest diameter accepted, 250 cm, is beyond any southern pine: a larger figure is a unit
# mistaken or a slip of the pen.
WIDEST_DBH_CM = 250

STANDS = Table(
    "stands",
    "a stand",
    needed=True,
    columns=(
        _name("stand", "identifier of the stand", "north"),
        Column(
            "community",
            "text",
            "natural community or forest type; results compare communities of two or more stands",
            example="sandhill",
        ),
        Column(
            "survey_date", "date", "date of the field work", required="yes", example="2021-07-14"
        ),
        _code(
            "origin",
            "natural planted mixed unknown",
            "how the stand came about; planted: its stems without an origin of their own are"
            " planted",
            default="natural",
            example="natural",
        ),
        _positive("area_ha", "ha", 1e6, "area of the whole stand", example="24.5", kept=True),
        _number("latitude", "degrees", -90, 90, "in the tables of stands", kept=True),
        _number("longitude", "degrees", -180, 180, "in the tables of stands", kept=True),
        NOTE,
    ),
)

PLOTS = Table(
    "plots",
    "a plot; plots do not overlap. Without plots, results are about the sampled trees only. Prism"
    " points have no area: leave `plot` blank for their trees",
    columns=(
        _name("plot", "identifier of the plot", "north-1"),
        _of("stand", "stands", "the stand the plot lies in", required="yes", example="north"),
        _positive(
            "area_m2",
            "m2",
            1e7,
            "horizontal area in which every live stem within the diameter limits was listed",
            required="yes",
            example="1000",
        ),
        _number(
            "min_dbh_cm",
            "cm",
            0,
            WIDEST_DBH_CM,
            "smallest diameter listed; never guessed",
            required="yes",
            example="2.5",
        ),
        _positive(
            "max_dbh_cm",
            "cm",
            WIDEST_DBH_CM,
            "largest diameter listed; blank = no limit. Nested plots: give each ring as a plot",
        ),
        _code(
            "placement",
            "random systematic chosen",
            "how the place of the plot was decided",
            example="random",
            kept=True,
        ),
    ),
)

TREES = Table(
    "trees",
    "a stem, cored or not",
    needed=True,
    columns=(
        _name("tree", "identifier of the stem, unique in the survey", "north-1-01"),
        _of("stand", "stands", "the stand it grows in", required="yes", example="north"),
        _of(
            "plot",
            "plots",
            "blank = outside the plots (picked by eye, or no plots): dated, but not part of stems"
            " per hectare and rates, and of the relation of size and age unless the survey has no"
            " plots",
            example="north-1",
        ),
        Column(
            "species",
            "text",
            "key of a species profile, e.g. `longleaf-pine`; stems of species without a profile are"
            " tallied and left out",
            required="yes",
            example="longleaf-pine",
        ),
        _number(
            "dbh_cm",
            "cm",
            0,
            WIDEST_DBH_CM,
            "diameter at breast height (1.37 m), over bark; 0 = the stem is not that tall. A cored"
            " stem in a plot without it is dated by its core alone",
            required="live stems in plots, unless cored",
            example="38.4",
        ),
        _code(
            "status",
            "live dead stump",
            "dead stems are dated, and stay out of the age structure of the living stand",
            default="live",
            example="live",
        ),
        _year(
            "death_year",
            "dead stems: year of death, where known other than from the core",
            sd="death_year_sd",
        ),
        _number("death_year_sd", "years", 0, 300, "standard deviation of death_year"),
        _code(
            "origin",
            "natural planted unknown",
            "planted stems stay out of the recruitment process and of the grass stage. In a stand"
            " of origin planted, blank = planted",
            default="natural",
            example="natural",
        ),
        _year("planted_year", "planted stems: year of planting"),
        _year(
            "alive_in_year",
            "earliest year in which it is known to have reached the height of its"
            " lowest core (without a core, breast height)",
        ),
        _code(
            "alive_source",
            "scar witness_tree inventory photograph other",
            "what that rests on: a scar, a survey's witness tree, a list with"
            " diameters, a photograph; other: say in note",
            required="alive_in_year is given",
            kept=True,
        ),
        _code(
            "crown_class",
            "open dominant codominant intermediate suppressed upper",
            "crown class; upper = dominant or codominant, not told apart",
            kept=True,
            example="dominant",
            earlier_names=("canopy_position",),
        ),
        _code(
            "core_outcome",
            "taken no_sound_wood unreadable not_tried not_allowed",
            "what came of coring it. Default: taken where cores.csv has "
            "a core of the tree, not_tried elsewhere",
            kept=True,
            example="taken",
        ),
        _code(
            "scar",
            "none fire turpentine lightning other",
            "scar on the stem",
            example="none",
            kept=True,
        ),
        _number("x_m", "m", -1e8, 1e8, "position, any local origin", kept=True),
        _number("y_m", "m", -1e8, 1e8, "position, any local origin", kept=True),
        replace(NOTE, meaning="remarks, not read; beside the tree in old_trees.csv"),
    ),
)

CORES = Table(
    "cores",
    "a core or disc; several of a tree are read jointly",
    needed=True,
    columns=(
        _name("core", "identifier of the core", "north-1-01-a"),
        _of("tree", "trees", "the stem it was taken from", required="yes", example="north-1-01"),
        _number(
            "height_cm",
            "cm",
            0,
            300,
            "height above mineral soil. Blank = not recorded: the tree is dated at coring height"
            " only and carries no establishment date of its own",
            example="30",
        ),
        Column(
            "core_date",
            "date",
            "day the core was taken. Default: survey_date of the stand",
            example="2021-07-14",
        ),
        _year(
            "first_ring_year",
            "calendar year of the innermost ring seen",
            required=ONE_OF_TWO,
            example="1921",
            sd="count_sd",
            at_least="at_least",
        ),
        _whole(
            "ring_count",
            "rings",
            1,
            1500,
            "complete rings from the last ring to the innermost seen",
            required=ONE_OF_TWO,
            example="100",
            sd="count_sd",
            at_least="at_least",
        ),
        _code(
            "at_least",
            "yes no",
            "yes = the rings seen are a least number, as in 63+:"
            " nothing is assumed of rings further in",
            default="no",
        ),
        _code(
            "dating",
            "crossdated counted",
            "how the rings got their years",
            default="counted",
            example="counted",
        ),
        _year(
            "crossdated_back_to_year",
            "crossdated cores: where the secure part ends; rings inside it are counted",
        ),
        _year("last_ring_year", "calendar year of the outermost ring", example="2020"),
        _code(
            "outer_ring",
            "complete partial lost unknown",
            "complete = dormant, or full latewood; partial = growing; lost = sapwood or outer rings"
            " missing",
            default="unknown",
            example="partial",
        ),
        _number(
            "count_sd",
            "rings",
            0,
            500,
            "how far the reader's count may be off: about two in three lie within it",
        ),
        _code(
            "centre",
            "pith arcs straight rotten unknown",
            "pith = in the core; arcs = inner rings curve, pith close; straight = no curvature to "
            "see; rotten = centre rotten or hollow; unknown = nothing recorded (archived series)",
            required="yes",
            example="arcs",
        ),
        _positive(
            "arc_chord_mm",
            "mm",
            1000,
            "chord of the pithward edge of the innermost ring seen",
            example="5",
        ),
        _positive("arc_height_mm", "mm", 500, "height (sagitta) of that arc", example="0.6"),
        _number(
            "pith_distance_mm",
            "mm",
            0,
            1500,
            "estimated distance from there to the pith (concentric circles, or other)",
            sd="pith_distance_mm_sd",
            earlier_names=("missing_mm",),
        ),
        _number(
            "pith_distance_mm_sd",
            "mm",
            0,
            1500,
            "its standard deviation",
            earlier_names=("missing_mm_sd",),
        ),
        _number(
            "rings_to_pith",
            "rings",
            0,
            500,
            "the reader's own estimate of the rings from the innermost seen to the pith; wins over"
            " the arc and pith_distance_mm",
            sd="rings_to_pith_sd",
            earlier_names=("missing_rings",),
        ),
        _number(
            "rings_to_pith_sd",
            "rings",
            0,
            500,
            "its standard deviation",
            earlier_names=("missing_rings_sd",),
        ),
        _positive(
            "inner_ring_mm",
            "mm",
            50,
            "mean width of the innermost five to ten rings",
            example="1.8",
        ),
        _positive(
            "core_length_mm",
            "mm",
            1500,
            "wood from the cambium to the innermost ring seen",
            example="172",
        ),
        _positive(
            "diameter_at_core_cm",
            "cm",
            350,
            "diameter over bark at the height of the core",
            example="43.5",
        ),
        _number("bark_mm", "mm", 0, 200, "bark at the height of the core, one side", example="18"),
        _code(
            "core_state",
            "fresh dry",
            "state of the core when it was measured",
            default="dry",
            example="dry",
        ),
        Column(
            "reader",
            "text",
            "who read the rings, by initials or a letter; compared with the others of"
            " core_readings.csv",
            example="A",
        ),
        NOTE,
    ),
)

CORE_READINGS = Table(
    "core_readings",
    "a further reading of a core, by another reader, or by the same on"
    " another day. Counts are used together with cores.csv, and readers compared",
    columns=(
        _of("core", "cores", "the core", required="yes", example="north-1-01-a"),
        Column("reader", "text", "who read it", required="yes", example="B"),
        Column("read_date", "date", "day of the reading", example="2021-11-03", kept=True),
        _year("first_ring_year", "calendar year of the innermost ring seen", required=ONE_READ),
        _whole(
            "ring_count",
            "rings",
            1,
            1500,
            "complete rings from the last ring to the innermost seen",
            required=ONE_READ,
            example="101",
        ),
        _code(
            "dating",
            "crossdated counted",
            "how the rings got their years; a crossdated reading belongs into cores, and the count"
            " here",
            example="counted",
            kept=True,
        ),
        _code(
            "blind",
            "yes no",
            "whether the reader did not know what others had read",
            example="yes",
        ),
        NOTE,
    ),
)

COUNTS = Table(
    "counts",
    "a subplot and stage: stems too small to core, counted in subplots inside plots. A stage"
    " without a row was not searched",
    columns=(
        _of("plot", "plots", "the plot the subplot lies in", required="yes", example="north-1"),
        Column(
            "subplot",
            "text",
            "number or name of the subplot within its plot: shows one entered twice",
            example="1",
            kept=True,
        ),
        _code(
            "stage",
            "germinant grass emerging sapling",
            "germinant = in its first growing season, or, from October to February, at its end:"
            " seedlings that came up since (longleaf pine with cotyledons) begin it after the"
            " survey; give them age_high_years 0, and they are left out; grass = no stem yet;"
            " emerging = stem started, below breast height; sapling = breast height reached, below"
            " min_dbh_cm",
            required="yes",
            example="grass",
        ),
        Column(
            "species", "text", "default: the main species of the survey", example="longleaf-pine"
        ),
        _positive("area_m2", "m2", 1e7, "area searched", required="yes", example="100"),
        _whole(
            "count",
            "stems",
            0,
            1e6,
            "0 is a finding and must be given",
            required="yes",
            example="14",
        ),
        _number(
            "age_low_years",
            "years",
            0,
            100,
            "age range of the stems counted, youngest",
            until="age_high_years",
        ),
        _number("age_high_years", "years", 0, 100, "age range of the stems counted, oldest"),
        _code("age_basis", "judged seed_crop", "what the age range rests on", kept=True),
        _number(
            "collar_low_mm",
            "mm",
            0,
            300,
            "diameter class at the root collar, lower limit, where tallied so",
            until="collar_high_mm",
            kept=True,
        ),
        _number(
            "collar_high_mm",
            "mm",
            0,
            300,
            "diameter class at the root collar, upper limit",
            kept=True,
        ),
    ),
)

KNOWN_AGE_STEMS = Table(
    "known_age_stems",
    "a small stem of known age, or cut and read: local evidence on the years before the core",
    columns=(
        _name("stem", "identifier", "north-s1"),
        _of("stand", "stands", "the stand it grew in", required="yes", example="north"),
        Column(
            "species", "text", "default: the main species of the survey", example="longleaf-pine"
        ),
        _code(
            "known_from",
            "records tagged rings",
            "what the age is known from; ring counts at the collar miss years of the grass stage",
            required="yes",
            example="tagged",
        ),
        _code("still_in_grass", "yes no", "no stem yet when cut or last seen", example="no"),
        _number("age_years", "years", 0, 200, "age, where truly known", example="9"),
        _number(
            "grass_years",
            "years",
            0,
            100,
            "growing seasons without a stem, where truly known",
            example="5",
        ),
        _number(
            "height_cm",
            "cm",
            0,
            300,
            "height at which rings_at_height was read; without rings there, height of the plant"
            " itself at age_years",
            example="60",
        ),
        _whole("rings_at_ground", "rings", 0, 200, "rings at the ground", example="6"),
        _whole("rings_at_height", "rings", 0, 200, "rings at height_cm", example="3"),
    ),
)

EVENTS = Table(
    "events",
    "something known of the history of the site",
    columns=(
        _name("event", "identifier", "first-logging"),
        _of("stand", "stands", "blank = all stands", example="north"),
        _code(
            "kind",
            "logging thinning storm fire fire-exclusion fire-resumed turpentining planting"
            " site-preparation field-abandoned grazing-end insects seed-crop other",
            "what happened",
            required="yes",
            example="logging",
        ),
        _year(
            "first_year",
            "earliest year in which it may have begun",
            required="yes",
            example="1905",
            until="last_year",
        ),
        _year(
            "last_year",
            "latest year in which it may have begun: uncertainty, not duration",
            required="yes",
            example="1912",
        ),
        _year("ended_year", "end of a period"),
        _code("opens_canopy", "yes no", "whether it let light to the ground", example="yes"),
        _number(
            "share_removed",
            "share of stems",
            0,
            1,
            "share of the stems in reach that a cut took, where known",
        ),
        _number(
            "removed_dbh_low_cm",
            "cm",
            0,
            WIDEST_DBH_CM,
            "smallest diameter a cut took, where known",
            example="30",
        ),
        _number(
            "removed_dbh_high_cm",
            "cm",
            0,
            WIDEST_DBH_CM,
            "largest diameter a cut took, where known",
        ),
        _code(
            "source",
            "record scar witness stumps release",
            "how it is known; a release is not combined with the ring widths it came from",
            example="record",
        ),
    ),
)

RING_WIDTHS = Table(
    "ring_widths",
    "a ring of a core",
    columns=(
        _of("core", "cores", "the core", required="yes", example="north-1-01-a"),
        _year("year", "calendar year of the ring", required="yes", example="1921"),
        _number(
            "width_mm",
            "mm",
            0,
            50,
            "width of the ring; 0 = absent in this core",
            required="yes",
            example="1.62",
        ),
    ),
)

TABLES: tuple[Table, ...] = (
    STANDS,
    PLOTS,
    TREES,
    CORES,
    CORE_READINGS,
    COUNTS,
    KNOWN_AGE_STEMS,
    EVENTS,
    RING_WIDTHS,
)


def table(name: str) -> Table:
    """The table of that name. Raises KeyError."""
    for candidate in TABLES:
        if candidate.name == name:
            return candidate
    raise KeyError(f"a survey has no table {name}")
