"""Everything that a survey lists, accounted for: what is evidence of a stand's history, what is
dated by itself, what is only tallied, and what is left out and why.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standage.evidence.known_age import germinated_after_the_season
from standage.evidence.participation import (
    GROUP,
    Participation,
    participation,
    profiles_of,
    stands_with_plots,
)
from standage.profiles import Profile, profile_keys
from standage.survey.accounted import (
    IN_HISTORY,
    LEFT_OUT,
    MUCH,
    TALLIED,
    Account,
    Missing,
    Tally,
    tally,
)
from standage.survey.synonyms import is_no_pine

if TYPE_CHECKING:
    from standage.survey.survey import Survey

NO_HISTORY = "no history of its stand and species"
NOT_IN_PLOTS = "no stem of its stand is listed in a plot"
NO_HEIGHT = "without coring heights plots and counts can't be used"
FIRST_SEASON_LATER = "they begin their first growing season after the survey"
NO_GRASS_STAGE = "the species has no grass stage by its profile"
NEVER_USED = (NO_GRASS_STAGE, FIRST_SEASON_LATER)
KNOWN_FROM = ("records", "tagged")
"""From what the years of a small stem in the grass stage are truly known."""


def account(survey: Survey, *, profile_folder: str | None = None) -> Account:
    """What becomes of all that a survey lists; what the stand model is built from is the same.

    Raises SurveyError for a profile that can't be used.
    """
    profiles, known = profiles_of(survey, profile_folder), profile_keys(profile_folder)
    taking_part = participation(survey, profiles)
    stems, cores = taking_part.stems, taking_part.cores
    counts = counts_taking_part(survey, taking_part, profiles, known)
    tallies = [
        tally("stems", stems["part"], stems["reason"], _named(survey, "trees", "tree")),
        tally("cores", cores["part"], cores["reason"], _named(survey, "cores", "core")),
        tally("plots", *_plots(survey, taking_part)),
        tally(
            "stage counts",
            counts["part"],
            counts["reason"],
            _named(survey, "counts", "plot", "stage"),
        ),
        tally("stems of known age", *_sections(survey, taking_part, profiles, known)),
        tally("events", *_events(survey, taking_part)),
        _ring_series(survey, cores),
    ]
    if len(survey.core_readings):
        tallies.append(tally("further readings", *_further_readings(survey, cores)))
    histories = len(taking_part.modelled)
    missing = _missing(survey, stems, counts) if histories else []
    return Account(tuple(tallies), tuple(missing), histories)


def _named(survey: Survey, table: str, *columns: str) -> list[tuple[str, int, str]]:
    """Names of the rows of a table, where they stand in its file, and in which of its sheets."""
    rows: pd.DataFrame = getattr(survey, table)
    names = [" ".join(cells) for cells in zip(*(rows[name] for name in columns), strict=True)]
    sheets = survey.sheets.get(table, ())
    if len(sheets) != len(rows):  # of one sheet
        sheets = ("",) * len(rows)
    return list(zip(names, rows["row"].tolist(), sheets, strict=True))


def _in_words(
    conditions: Sequence[pd.Series | NDArray[np.bool_]], reasons: Sequence[tuple[str, str]]
) -> tuple[NDArray, NDArray]:
    """Part and reason of each row: the first condition that holds gives (part, reason)."""
    part = np.select(conditions, [part for part, _ in reasons], IN_HISTORY).astype(object)
    return part, np.select(conditions, [reason for _, reason in reasons], "").astype(object)


def _groups_of(rows: pd.DataFrame, taking_part: Participation) -> pd.DataFrame:
    """The group of each row by its stand and species: `modelled` and `at_coring_height`, False
    where there is none.
    """
    own = taking_part.groups.reindex(pd.MultiIndex.from_frame(rows[GROUP]))
    return own[["modelled", "at_coring_height"]].fillna(False).astype(bool)


def counts_taking_part(
    survey: Survey,
    taking_part: Participation,
    profiles: dict[str, Profile],
    known: Sequence[str],
) -> pd.DataFrame:
    """A row a row of counts.csv: `stand`, `species`, `count`, `part`, `reason`. profiles: of the
    species listed as trees. known: all species that have one.
    """
    counts = survey.counts
    stand = survey.stands_of_counts().astype(object)
    rows = counts[["species", "count"]].assign(stand=stand)
    own = _groups_of(rows, taking_part)
    without = [key for key, profile in profiles.items() if not profile.has_grass_stage]
    grass = (counts["stage"] == "grass") & rows["species"].isin(without)
    later = np.zeros(len(counts), dtype=bool)
    for profile in profiles.values():
        later |= germinated_after_the_season(survey, profile).to_numpy(dtype=bool)
    rows["part"], rows["reason"] = _in_words(
        [
            ~rows["species"].isin(known),
            ~rows["stand"].isin(stands_with_plots(survey)),
            ~own["modelled"].to_numpy(dtype=bool),
            own["at_coring_height"].to_numpy(dtype=bool),
            grass,
            later,
        ],
        [
            (TALLIED, ""),
            (LEFT_OUT, NOT_IN_PLOTS),
            (LEFT_OUT, NO_HISTORY),
            (LEFT_OUT, NO_HEIGHT),
            (LEFT_OUT, NO_GRASS_STAGE),
            (LEFT_OUT, FIRST_SEASON_LATER),
        ],
    )
    return rows


def _plots(survey: Survey, taking_part: Participation) -> tuple[NDArray, NDArray]:
    groups = taking_part.groups[taking_part.groups["modelled"].to_numpy(dtype=bool)]
    with_history = groups.index.get_level_values("stand")
    sized = with_history[~groups["at_coring_height"].to_numpy(dtype=bool)]
    stand = survey.plots["stand"]
    return _in_words(
        [
            ~stand.isin(stands_with_plots(survey)),
            ~stand.isin(with_history),
            ~stand.isin(sized),
        ],
        [
            (LEFT_OUT, NOT_IN_PLOTS),
            (LEFT_OUT, "no history of its stand"),
            (LEFT_OUT, NO_HEIGHT),
        ],
    )


def _sections(
    survey: Survey,
    taking_part: Participation,
    profiles: dict[str, Profile],
    known: Sequence[str],
) -> tuple[NDArray, NDArray]:
    sections = survey.known_age_stems
    rows = sections.assign(species=sections["species"].replace("", survey.main_species))
    own = _groups_of(rows, taking_part)
    grass = rows["species"].isin([key for key, each in profiles.items() if each.has_grass_stage])
    of_grass = (
        grass
        & rows["known_from"].isin(KNOWN_FROM)
        & (
            rows["grass_years"].notna()
            | (rows["age_years"].notna() & rows["still_in_grass"].isin(["yes", "no"]))
        )
    )
    of_growth = rows[["height_cm", "rings_at_ground", "rings_at_height"]].notna().all(axis=1)
    start = rows["species"].map(
        {
            key: each["grass_stage.emergence_height_cm"] * each.has_grass_stage
            for key, each in profiles.items()
        }
    )
    of_growth |= (
        rows["known_from"].isin(KNOWN_FROM)
        & rows["age_years"].notna()
        & rows["rings_at_height"].isna()
        & (rows["height_cm"] >= start)
        & (rows["still_in_grass"] != "yes")
    )
    return _in_words(
        [
            ~rows["species"].isin(known),
            ~own["modelled"].to_numpy(dtype=bool),
            own["at_coring_height"].to_numpy(dtype=bool),
            ~(of_grass | of_growth),
        ],
        [
            (TALLIED, ""),
            (LEFT_OUT, NO_HISTORY),
            (LEFT_OUT, "no coring height is recorded"),
            (
                LEFT_OUT,
                "neither grass stage nor height at a known age, nor rings at two heights",
            ),
        ],
    )


def _events(survey: Survey, taking_part: Participation) -> tuple[NDArray, NDArray]:
    """An event is held against the dates of the stands it is of, if it came before their survey."""
    all_seasons = survey.survey_seasons()
    stands = taking_part.modelled.get_level_values("stand")
    seasons = {stand: all_seasons[stand] for stand in dict.fromkeys(stands)}
    last = survey.events["stand"].map(seasons | {"": max(seasons.values(), default=np.nan)})
    return _in_words(
        [last.isna(), survey.events["first_year"] > last],
        [(LEFT_OUT, "no history of its stand"), (LEFT_OUT, "after the survey")],
    )


def _ring_series(survey: Survey, cores: pd.DataFrame) -> Tally:
    """A series is what its core is; of what it says about releases, growth decides later."""
    own = cores.set_index("core").loc[survey.ring_widths["core"].unique()]
    lost = len(survey.unused_series)
    return tally(
        "ring series",
        [*own["part"], *[LEFT_OUT] * lost],
        [*("its core: " + own["reason"]), *["no core of its name"] * lost],
    )


def _further_readings(survey: Survey, cores: pd.DataFrame) -> tuple[NDArray, NDArray]:
    """A further reading is what its core is, where that was counted: years that are crossdated and
    least numbers are not averaged with counts.
    """
    rows = survey.core_readings["core"]
    own = cores.set_index("core").loc[rows]
    read = survey.cores.set_index("core").loc[rows]
    alone = (read["dating"] == "crossdated") | (read["at_least"] == "yes")
    unused = alone.to_numpy(dtype=bool) & (own["part"] != LEFT_OUT).to_numpy(dtype=bool)
    part = np.where(unused, LEFT_OUT, own["part"]).astype(object)
    reason = np.where(
        unused, "its core is crossdated or a least number: compared only", own["reason"]
    )
    return part, reason.astype(object)


def _missing(survey: Survey, stems: pd.DataFrame, counts: pd.DataFrame) -> list[Missing]:
    """Stands of which `MUCH` of the live stems, of their basal area, or of the counts takes no
    part, save stems dated by themselves; each once, by what is missed most. Trees that are plainly
    no pines are no part of either: no model here dates them.
    """
    trees = survey.trees
    live = (trees["status"] == "live").to_numpy(dtype=bool)
    area = trees["dbh_cm"].fillna(0.0) ** 2
    none = (counts["reason"] == NO_HISTORY) & (counts["count"] == 0)  # of a species not there
    found: dict[str, Missing] = {}
    for what, rows, amount in (
        ("live stems", stems[live], np.ones(int(live.sum()))),
        ("basal area of the live stems", stems[live], area[live].to_numpy(float)),
        ("rows of counts", counts, (~counts["reason"].isin(NEVER_USED) & ~none).to_numpy(float)),
        ("plants counted", counts, counts["count"].to_numpy(float)),
    ):
        rows, amount = rows[mine := _may_be_dated(rows)], amount[mine]
        lost = rows["part"].isin([TALLIED, LEFT_OUT]).to_numpy(dtype=bool)
        table = pd.DataFrame({"all": amount, "lost": amount * lost})
        sums = table.groupby(rows["stand"].to_numpy(object), sort=False).sum()
        shares = sums["lost"] / sums["all"].where(sums["all"] > 0)
        for stand, share in shares[shares >= MUCH].items():
            if str(stand) not in found or found[str(stand)].share < share:
                here = lost & (rows["stand"] == stand).to_numpy(dtype=bool)
                why = tally("", rows["part"][here], rows["reason"][here])
                words = [why.why()] if why.left_out else []
                if why.parts[TALLIED]:
                    tallied = here & (rows["part"] == TALLIED).to_numpy(dtype=bool)
                    words.append(f"{why.parts[TALLIED]} of {_names(rows['species'][tallied])}")
                found[str(stand)] = Missing(str(stand), what, float(share), "; ".join(words))
    return [found[stand] for stand in survey.stands["stand"] if stand in found]


def _may_be_dated(rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Which rows are not of trees that are plainly no pines and have no profile."""
    others = {species for species in rows["species"].unique() if is_no_pine(species)}
    return ~(rows["species"].isin(others) & (rows["part"] == TALLIED)).to_numpy(dtype=bool)


def _names(species: pd.Series) -> str:
    names = list(dict.fromkeys(species))
    more = f" and {len(names) - 3} more species" if len(names) > 3 else ""
    return f"{', '.join(names[:3])}{more} (no profile)"
