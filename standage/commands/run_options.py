"""What a run may be asked: the one list of its options. The command line is made from it,
provenance records it, and a run is repeated from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import Field, asdict, dataclass, field, fields
from typing import Any, Literal, Self, get_args, get_origin, get_type_hints

from standage.choices import Coordinates, FigureStyle, ReleaseCriterion, Units
from standage.errors import StandageError

LARGEST_SEED = 2**63 - 1
NO_EMERGENCE = (
    "Openings on record are no longer let change how soon plants leave the grass stage: surveys"
    " hardly tell it (docs/changes.md). Leave --emergence out."
)


def _option(
    default: Any,
    help: str,
    *,
    flag: str = "",
    least: float | None = None,
    most: float | None = None,
) -> Any:
    """A field with what the command line says of it; flag: where it isn't the field's name."""
    return field(
        default=default, metadata={"help": help, "flag": flag, "least": least, "most": most}
    )


@dataclass(frozen=True)
class RunOptions:
    """Everything that changes what a run writes, in the order in which `--help` lists it. What
    makes no difference to it, such as processors, doesn't belong here. Raises StandageError for a
    value that an option can't have.
    """

    seed: int = _option(
        1, "Same survey, seed and versions give the same results.", least=0, most=LARGEST_SEED
    )
    level: float = _option(0.9, "Share of probability inside each interval.", least=0.5, most=0.999)
    profile_folder: str | None = _option(
        None, "Folder with your own species profiles (TOML).", flag="--profiles"
    )
    draws: int = _option(
        2000,
        "Draws of each of the chains at most; from 500 on they end when they are enough.",
        least=50,
        most=1_000_000,
    )
    chains: int = _option(4, "Chains.", least=2, most=32)
    coordinates: Coordinates = _option(
        "as-given",
        "How exactly latitude and longitude are in all that is written: rounded to 0.1 degrees, or"
        " left out.",
        flag="--coordinates-to",
    )
    diameter_limit: float = _option(
        0.0,
        "Smallest diameter in cm of the stems that shares and age classes are of; 0 is the survey's"
        " largest lower limit.",
        least=0,
        most=250,
    )
    age_over: int = _option(
        0,
        "An age whose share of the stems is given beside 100, 120 and 150 years, and by which old"
        " trees are ranked; 0 for none.",
        least=0,
        most=1000,
    )
    stocking: float = _option(
        740.0,
        "Grass-stage and emerging plants per hectare that regeneration is held against; 740 is 300"
        " per acre.",
        least=0,
        most=1_000_000,
    )
    units: Units = _option("metric", "Metric; us: acres, inches, feet beside.")
    style: FigureStyle = _option(
        "screen",
        "Of the figures: screen, PNG; print, SVG and PNG as wide as a journal's page; grey, the"
        " same without colour.",
    )
    xlsx: bool = _option(False, "The result tables as one workbook too, results.xlsx.")
    release_criterion: ReleaseCriterion = _option(
        "change_point",
        "How releases are told from ring widths: by the model change_point, or by means (Nowacki &"
        " Abrams 1997), medians (Rubino & McCarthy 2004), sustained growth (Lorimer & Frelich 1989)"
        " or absolute increase (Fraver & White 2005). See docs/disturbance.md.",
    )
    accept_left_out: bool = _option(
        False,
        "Go on though a quarter or more of a stand's stems, basal area or counts takes no part.",
    )

    def __post_init__(self) -> None:
        for each in OPTIONS:
            _check(each, getattr(self, each.name))

    def recorded(self) -> dict[str, Any]:
        """By name, as provenance.json holds them under `options`. A subclass may know more; that
        isn't recorded.
        """
        return {name: value for name, value in asdict(self).items() if name in OPTION_NAMES}

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> Self:
        """What `recorded` gave. Raises StandageError where an option is missing, is none that this
        version knows, or can't have its value.
        """
        record = without_emergence(record)
        odd = sorted(set(record) ^ set(OPTION_NAMES))
        if odd:
            raise StandageError(f"option {odd[0]!r} is not one that both versions of standage know")
        return cls(**record)


OPTIONS: tuple[Field[Any], ...] = fields(RunOptions)
OPTION_NAMES = tuple(each.name for each in OPTIONS)
TYPES = get_type_hints(RunOptions)


def without_emergence(record: Mapping[str, Any]) -> Mapping[str, Any]:
    """A record without the option `emergence`, which earlier results have. Raises StandageError
    where it was not `off`.
    """
    if record.get("emergence", "off") != "off":
        raise StandageError(NO_EMERGENCE)
    return {name: value for name, value in record.items() if name != "emergence"}


def flag_of(option: Field[Any]) -> str:
    """The option as the command line has it: `--release-criterion`."""
    return option.metadata["flag"] or f"--{option.name.replace('_', '-')}"


def choices_of(option: Field[Any]) -> tuple[str, ...]:
    """The names an option may be; none where it is a number, a flag or a path."""
    kind = TYPES[option.name]
    return get_args(kind) if get_origin(kind) is Literal else ()


def _check(option: Field[Any], value: Any) -> None:
    choices, least, most = choices_of(option), option.metadata["least"], option.metadata["most"]
    if choices:
        fine, expected = value in choices, ", ".join(choices)
    elif least is not None:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        whole = TYPES[option.name] is float or isinstance(value, int)
        # a value that is no number is not between any two
        fine, expected = number and whole and least <= value <= most, f"{least:,} to {most:,}"
    else:
        fine = isinstance(value, TYPES[option.name])
        expected = "yes or no" if TYPES[option.name] is bool else "the path of a folder"
    if not fine:
        raise StandageError.at(flag_of(option), repr(value), expected, "Choose one of these.")
