"""Life-history profiles: the numbers about a species that a stand's own survey cannot supply.

A profile is one TOML file. Every number in it has a unit, a source, a reason and a status, so that
a reader can see which of them are published and which are somebody's judgement. The shipped
profiles live in `models/`; people copy one, edit it and name its folder.
"""

from __future__ import annotations

import difflib
import hashlib
import math
import os
import re
import tomllib
import warnings
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from standage.errors import Problem, SurveyError
from standage.notices import Notice

STATUS_MARKS = {
    "published": "p",
    "derived": "d",
    "common practice": "c",
    "from memory": "m",
    "assumed": "a",
}
STATUSES = tuple(STATUS_MARKS)
_PARTS = ("value", "unit", "source", "reason", "status")
_HEADINGS = ("key", "name", "species", "checked")
_YES_OR_NO = "1 = yes, 0 = no"
_Teller = Callable[[str, object, str, str], None]  # key, found, expected, what to do


SEEN = "text without control characters"
LARGEST_PROFILE = 1_000_000
"""Bytes of a file (assumption: a hundred times a shipped one)."""

FAR_BEYOND = 1e100
"""Above any number of a profile, whatever its unit."""


class UncheckedProfile(Notice):
    """Warned when a profile is loaded that no test of this package holds to outside sources."""


@dataclass(frozen=True)
class Quantity:
    """What a profile key means, the one unit it may have, and the range that is not a slip of the
    pen. default: what stands for it in a profile without it; None where it is needed.
    """

    unit: str
    lowest: float
    highest: float
    meaning: str
    default: float | None = None


QUANTITIES: dict[str, Quantity] = {
    "grass_stage.present": Quantity(
        _YES_OR_NO, 0, 1, "whether young plants stay without a stem for a time"
    ),
    "grass_stage.median_years": Quantity(
        "growing seasons", 0.5, 25, "median seasons without a stem, in the middle stand"
    ),
    "grass_stage.median_log_sd": Quantity(
        "log units", 0.01, 2, "how far the median may be wrong for the species as a whole"
    ),
    "grass_stage.between_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in their median"
    ),
    "grass_stage.within_stand_log_sd": Quantity(
        "log units", 0.05, 2, "how plants of one stand differ"
    ),
    "grass_stage.within_log_sd": Quantity(
        "log units", 0.01, 2, "how far the line above may be wrong, as a factor"
    ),
    "grass_stage.longest_years": Quantity(
        "growing seasons", 1, 80, "longest grass stage the model allows"
    ),
    "grass_stage.emergence_height_cm": Quantity(
        "cm", 0, 100, "height at which the stem has started; 0 without a grass stage"
    ),
    "height_growth.years_to_breast_height": Quantity(
        "growing seasons", 0.5, 80, "mean from emergence (else establishment) to 1.37 m"
    ),
    "height_growth.years_log_sd": Quantity(
        "log units", 0.01, 2, "how far that mean may be wrong for the species as a whole"
    ),
    "height_growth.between_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in that mean"
    ),
    "height_growth.exponent": Quantity(
        "power of height",
        0.2,
        3,
        "seasons go with this power of height: 1 = even pace, less = slow start",
    ),
    "height_growth.dispersion": Quantity(
        "variance / mean", 1.01, 20, "how plants of one stand differ in the years taken"
    ),
    "height_growth.longest_height_years": Quantity(
        "growing seasons", 3, 250, "longest time to any coring height the model allows"
    ),
    "survival.adult_hazard_per_year": Quantity(
        "per year", 1e-4, 0.1, "death rate of established trees"
    ),
    "survival.seedling_hazard_per_year": Quantity(
        "per year", 0, 5, "death rate of new seedlings on top of that"
    ),
    "survival.seedling_decline_years": Quantity(
        "years", 0.5, 50, "age by which the seedlings' extra rate has fallen to 37 %"
    ),
    "survival.slope_sd": Quantity(
        "log units per century", 0.01, 5, "freedom of the long trend in living stems by age"
    ),
    "survival.early_sd": Quantity("log units", 0.01, 5, "freedom of the first two decades"),
    "size.growth_cm_per_year": Quantity(
        "cm of dbh per year",
        0.05,
        4,
        "median diameter growth when breast height has just been passed",
    ),
    "size.growth_log_sd": Quantity(
        "log units", 0.01, 2, "how far that growth may be wrong for the species as a whole"
    ),
    "size.growth_between_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in that growth"
    ),
    "size.asymptote_cm": Quantity("cm", 10, 500, "diameter that the median tree tends to"),
    "size.asymptote_log_sd": Quantity("log units", 0.01, 2, "how far that diameter may be wrong"),
    "size.scatter": Quantity("log units", 0.05, 1.5, "how trees of one age differ in diameter"),
    "size.scatter_log_sd": Quantity(
        "log units", 0.01, 2, "how far the scatter may be wrong, as a factor"
    ),
    "size.epoch_log_sd": Quantity(
        "log units", 0.01, 1, "how growth differed between periods a few decades long"
    ),
    "core.pith_radius_mm": Quantity("mm", 0, 10, "radius of the pith itself, which is not wood"),
    "core.early_growth_mm_per_year": Quantity(
        "mm per year", 0.1, 20, "median radial growth next to the pith"
    ),
    "core.early_growth_log_sd": Quantity(
        "log units", 0.05, 2, "how trees of one stand differ in early growth"
    ),
    "core.early_growth_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in early growth"
    ),
    "core.early_to_inner_ratio": Quantity(
        "ratio", 0.2, 5, "growth in the missed part over growth in the innermost rings seen"
    ),
    "core.bark_share_of_diameter": Quantity(
        "share of diameter, one side", 0, 0.25, "bark thickness on one side over diameter over bark"
    ),
    "core.taper_per_m": Quantity(
        "share of dbh per m", 0, 0.3, "diameter lost per metre above breast height, gained below it"
    ),
    "core.eccentricity_log_sd": Quantity(
        "log units", 0.01, 1, "how far the cored radius differs from half the diameter"
    ),
    "core.dry_shrinkage_share": Quantity(
        "share of length", 0, 0.2, "radial length lost when a core dries"
    ),
    "core.unknown_pith_share": Quantity(
        "share of cores",
        0,
        1,
        "cores that hold the pith where nothing about the centre is recorded",
    ),
    "core.unknown_missing_rings_median": Quantity(
        "rings", 0.5, 100, "median rings missed by the others"
    ),
    "core.unknown_missing_rings_log_sd": Quantity(
        "log units", 0.1, 3, "how far one such core may differ from that"
    ),
    "rings.false_per_100": Quantity(
        "rings per 100 counted", 0, 30, "false rings taken for annual ones"
    ),
    "rings.absent_per_100": Quantity(
        "rings per 100 visible", 0, 30, "years without a visible ring"
    ),
    "rings.bias_sd": Quantity(
        "share of rings", 5e-4, 0.5, "how stands differ in net counting bias"
    ),
    "rings.reader_sd_rings": Quantity(
        "rings", 0.05, 20, "mean reading error of a count, fixed part (the two add as squares)"
    ),
    "rings.reader_sd_share": Quantity(
        "share of rings", 0, 0.3, "mean reading error of a count, part that grows with it"
    ),
    "longevity.years": Quantity("years", 50, 6000, "greatest age the model allows"),
    "germination.autumn": Quantity(_YES_OR_NO, 0, 1, "whether seed sprouts in the autumn it falls"),
    "limits.largest_dbh_cm": Quantity(
        "cm", 10, 1500, "diameter above which one is asked about; it changes no date", 250
    ),
    "limits.density_index": Quantity(
        "stems of 25.4 cm per ha",
        100,
        10_000,
        "stand density index of the densest stands; far above it areas are asked about",
        2500,
    ),
    "limits.widest_mean_ring_mm": Quantity(
        "mm", 1, 40, "mean ring of a whole core above which it is asked about", 15
    ),
    "limits.narrowest_mean_ring_mm": Quantity(
        "mm", 0.02, 5, "mean ring of a whole core below which it is asked about", 0.1
    ),
}


@dataclass(frozen=True)
class Sourced:
    """A number with its unit, source, reason and status (one of `STATUSES`)."""

    value: float
    unit: str
    source: str
    reason: str
    status: str


@dataclass(frozen=True)
class Profile:
    """The life history of one species.

    `profile["grass_stage.median_years"]` is the number; `profile.sourced(...)` the number with
    unit, source, reason and status. Keys and units are those of `QUANTITIES`. Printing a profile
    gives its card. `shipped` is False for a user's own file, `checked` says where the shipped file
    is held to outside sources ("" = nowhere), `sha256` is that of the file.

    >>> profile = standage.load_profile("longleaf-pine")
    >>> profile.has_grass_stage, profile["grass_stage.median_years"] > 1
    (True, True)
    """

    key: str
    name: str
    species: str
    checked: str
    shipped: bool
    path: str
    sha256: str
    _numbers: dict[str, Sourced] = field(hash=False, repr=False)

    def sourced(self, key: str) -> Sourced:
        """The number under `key` with everything known about it. Raises KeyError, naming the
        nearest key, where there is none.
        """
        if key not in self._numbers:
            raise KeyError(f"profile {self.key} has no '{key}'{_nearest(key, QUANTITIES)}")
        return self._numbers[key]

    def __getitem__(self, key: str) -> float:
        return self.sourced(key).value

    @property
    def has_grass_stage(self) -> bool:
        """Whether young plants of the species wait without a stem."""
        return self["grass_stage.present"] == 1

    @property
    def sources(self) -> tuple[str, ...]:
        """Every source named in the profile once, in order of first use: what to cite beside a
        result.
        """
        return tuple(
            dict.fromkeys(
                number.source for number in self._numbers.values() if number.source != "none"
            )
        )

    def differences(self, other: Profile) -> dict[str, tuple[float, float]]:
        """Keys whose numbers differ, with (this profile's, the other's) value."""
        return {key: (self[key], other[key]) for key in QUANTITIES if self[key] != other[key]}

    def standing(self) -> str:
        """One sentence on how far the profile can be trusted, for cards and reports."""
        if not self.shipped:
            return (
                f"Own profile from {self.path}: not shipped with standage, and no test holds it to"
                " outside sources."
            )
        if not self.checked:
            return (
                "Shipped with standage, but no test holds it to outside sources: treat its numbers"
                " as a start."
            )
        return f"Shipped with standage and held to outside sources: {self.checked}."

    def __str__(self) -> str:
        return _card(self)


def models_folder() -> Path:
    """The folder of shipped profiles: inside the package when installed, beside it in a source tree
    or an editable install.
    """
    package = Path(__file__).resolve().parent
    inside = package / "models"
    return inside if inside.is_dir() else package.parent / "models"


def profile_keys(folder: str | Path | None = None) -> list[str]:
    """Keys of the shipped profiles, and of those in `folder` if one is given, in alphabetical
    order.

    >>> "longleaf-pine" in profile_keys()
    True
    """
    places = [models_folder()] if folder is None else [models_folder(), Path(folder)]
    return sorted({file.stem for place in places for file in place.glob("*.toml")})


def load_profile(key: str, folder: str | Path | None = None) -> Profile:
    """Load the profile `key`, from `folder` if it holds `key`.toml, else the shipped one.

    Raises SurveyError listing every problem of the file, or naming the profiles there are. Warns
    `UncheckedProfile` for a shipped profile that no test holds to outside sources, and for an own
    one, with the numbers in which it differs from the shipped one of the same key.

    >>> load_profile("longleaf-pine")["grass_stage.emergence_height_cm"]
    12.0
    """
    if folder is not None and not Path(folder).is_dir():
        expected, advice = "a folder with profiles", "Give the folder that holds the .toml files."
        raise SurveyError((Problem(str(folder), None, None, "no such folder", expected, advice),))
    profile = _locate(key, folder)
    if not profile.shipped or not profile.checked:
        changes = (
            profile.differences(_locate(key, None))
            if not profile.shipped and key in profile_keys()
            else {}
        )
        changed = "; ".join(
            f"{name} {own:g} (shipped: {shipped:g})" for name, (own, shipped) in changes.items()
        )
        warnings.warn(
            f"{key}: {profile.standing()}" + (f" Changed: {changed}." if changed else ""),
            UncheckedProfile,
            stacklevel=2,
        )
    return profile


def _locate(key: str, folder: str | Path | None) -> Profile:
    if folder is not None and os.path.lexists(own := Path(folder) / f"{key}.toml"):
        return _read(own, shipped=False)
    if key not in profile_keys():
        there_are = ", ".join(profile_keys(folder))
        advice = (
            "Use one of these keys, or copy the nearest profile into a folder of your own and edit"
            " it (docs/profiles.md)."
        )
        raise SurveyError(
            (Problem(f"{key}.toml", None, "species", key, f"one of: {there_are}", advice),)
        )
    return _read(models_folder() / f"{key}.toml", shipped=True)


def _read(path: Path, *, shipped: bool) -> Profile:
    """Read and check one file, without warning."""
    raw, content = _toml(path)
    problems: list[Problem] = []

    def problem(key: str, found: object, expected: str, what_to_do: str) -> None:
        problems.append(Problem(path.name, None, key, _shown(found), expected, what_to_do))

    headings = {heading: content.pop(heading, "") for heading in _HEADINGS}
    for heading, text in headings.items():
        if not isinstance(text, str) or (heading != "checked" and not text.strip()):
            problem(
                heading,
                text or "nothing",
                "a text in quotation marks",
                "Add the line at the top of the file.",
            )
        elif not text.isprintable():
            problem(heading, text, SEEN, "Write it anew.")
    if headings["key"] != path.stem:
        problem(
            "key",
            headings["key"],
            f"'{path.stem}', the file's own name",
            "Make key and file name agree.",
        )

    entries: dict[str, object] = {}
    for table, inside in content.items():
        if not isinstance(inside, dict):
            problem(
                table,
                inside,
                "a table of numbers",
                f"Remove it, or move it into its table.{_nearest(table, _HEADINGS)}",
            )
            continue
        entries |= {f"{table}.{name}": entry for name, entry in inside.items()}
    for key in entries.keys() - QUANTITIES.keys():
        problem(key, key, "a known key", f"Remove it.{_nearest(key, QUANTITIES)}")
    numbers: dict[str, Sourced] = {}
    for key, quantity in QUANTITIES.items():
        if key not in entries and quantity.default is not None:
            numbers[key] = Sourced(
                quantity.default,
                quantity.unit,
                "none",
                "The profile has none of its own; this one is wide.",
                "assumed",
            )
        elif key not in entries:
            problem(
                key,
                "nothing",
                f"a number [{quantity.unit}]: {quantity.meaning}",
                "Add it; another profile shows the form.",
            )
        elif (number := _sourced(key, entries[key], problem)) is not None:
            numbers[key] = number
    _check_together(numbers, problem)
    if problems:  # told in the order of the file, unknown keys last
        order = {name: place for place, name in enumerate((*_HEADINGS, *QUANTITIES))}
        raise SurveyError(sorted(problems, key=lambda one: order.get(str(one.column), len(order))))
    return Profile(
        **headings,
        shipped=shipped,
        path=str(path),
        sha256=hashlib.sha256(raw).hexdigest(),
        _numbers=numbers,
    )


def _toml(path: Path) -> tuple[bytes, dict[str, Any]]:
    """The bytes of a file and what they say. Raises SurveyError where it isn't TOML, or no file."""
    look = "Look at what is in it."
    try:
        if not path.is_file():  # a pipe would be waited for, and a device may never end
            found, advice = "a folder, a pipe or a link to nothing", "Put a file in its place."
        elif path.stat().st_size > LARGEST_PROFILE:
            found, advice = f"a file of more than {LARGEST_PROFILE:,} bytes", look
        else:
            raw = path.read_bytes()
            return raw, tomllib.loads(raw.decode("utf-8-sig"))
    except RecursionError:
        found, advice = "tables within tables without an end", look
    except OSError as fault:
        found, advice = f"a file that can't be read ({fault.strerror})", "Check that you may."
    except ValueError as fault:  # of the encoding, of TOML, or of a number too long to read
        found, advice = str(fault), "Mend that line."
    raise SurveyError((Problem(path.name, None, None, found, "a TOML file in UTF-8", advice),))


def _shown(found: object) -> str:
    try:
        return str(found)
    except (ValueError, RecursionError):
        return "a number of more digits than can be written"


def _sourced(key: str, entry: object, problem: _Teller) -> Sourced | None:
    """One entry as a `Sourced` number, or None after noting everything wrong with it."""
    quantity = QUANTITIES[key]
    if not isinstance(entry, dict):
        problem(
            key,
            entry,
            "{value = , unit = , status = , source = , reason = }",
            "Write the number with all five parts.",
        )
        return None
    faults = 0

    def fault(found: object, expected: str, what_to_do: str) -> None:
        nonlocal faults
        faults += 1
        problem(key, found, expected, what_to_do)

    for part in entry.keys() - set(_PARTS):
        fault(part, "only " + ", ".join(_PARTS), f"Remove the part.{_nearest(part, _PARTS)}")
    for part in [part for part in _PARTS if part not in entry]:
        fault(f"no {part}", f"{part} = ...", f"Add the {part}.")
    for part, text in entry.items():
        if isinstance(text, str) and not text.isprintable():
            fault(text, f"for {part}, {SEEN}", "Write it anew.")
    value = entry.get("value", quantity.lowest)
    # a whole number may be beyond all that a float can be
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not abs(value) < FAR_BEYOND:
        fault(
            value,
            f"a number [{quantity.unit}]",
            "Write the value as a number without quotation marks.",
        )
    elif not quantity.lowest <= value <= quantity.highest or (
        quantity.unit == _YES_OR_NO and value not in (0, 1)
    ):
        span = (
            "0 or 1"
            if quantity.unit == _YES_OR_NO
            else f"{quantity.lowest:g} to {quantity.highest:g}"
        )
        fault(
            f"{value:g}",
            f"{span} [{quantity.unit}]",
            f"Check the number and its unit: {quantity.meaning}.",
        )
    if entry.get("unit", quantity.unit) != quantity.unit:
        fault(entry["unit"], quantity.unit, "Convert the number to this unit and name it so.")
    if entry.get("status", STATUSES[0]) not in STATUSES:
        fault(
            entry["status"],
            " | ".join(STATUSES),
            f"Say honestly where the number is from.{_nearest(str(entry['status']), STATUSES)}",
        )
    for part in ("source", "reason"):
        if part in entry and (not isinstance(entry[part], str) or not entry[part].strip()):
            fault(
                f"{part} blank",
                f"a {part} in words",
                "Name the source, or 'none' if there is none." if part == "source" else "Say why.",
            )
    if entry.get("status") in STATUSES[:2] and entry.get("source") == "none":
        fault(
            "source = 'none'",
            f"a source, since status is '{entry['status']}'",
            "Name the source, or change the status to 'assumed'.",
        )
    return None if faults else Sourced(float(value), *(str(entry[part]) for part in _PARTS[1:]))


def _check_together(numbers: Mapping[str, Sourced], problem: _Teller) -> None:
    """Checks that need two numbers: the larger of each pair must be able to hold the smaller."""
    pairs = [("height_growth.longest_height_years", "height_growth.years_to_breast_height")]
    if (present := numbers.get("grass_stage.present")) and present.value == 1:
        pairs.append(("grass_stage.longest_years", "grass_stage.median_years"))
    for longest, usual in pairs:
        if (
            longest in numbers
            and usual in numbers
            and numbers[longest].value < 2 * numbers[usual].value
        ):
            found, twice = f"{numbers[longest].value:g}", f"{2 * numbers[usual].value:g}"
            problem(
                longest,
                found,
                f"at least {twice}, twice {usual}",
                "Raise it: the slow plants must have room.",
            )
    for longest in ("grass_stage.longest_years", "height_growth.longest_height_years"):
        if longest in numbers and numbers[longest].value != round(numbers[longest].value):
            problem(longest, numbers[longest].value, "a whole number of seasons", "Round it up.")


def _nearest(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f" Did you mean '{close[0]}'?" if close else ""


def _ninety(median: float, *log_sds: float) -> str:
    factor = math.exp(1.645 * math.hypot(*log_sds))
    return f"{median:.3g} (90 % {median / factor:.2g} to {median * factor:.2g})"


def _card(profile: Profile) -> str:
    """The card: three sentences a forester can judge, then every number."""
    grass = "No grass stage: the stem starts in the first growing season."
    if profile.has_grass_stage:
        spread = [
            profile[f"grass_stage.{name}"] for name in ("median_log_sd", "between_stand_log_sd")
        ]
        plants = _ninety(
            profile["grass_stage.median_years"], *spread, profile["grass_stage.within_stand_log_sd"]
        )
        grass = (
            f"Grass stage: a stand's median {_ninety(profile['grass_stage.median_years'], *spread)}"
            f" seasons, a plant's {plants}."
        )
    spread = [profile[f"height_growth.{name}"] for name in ("years_log_sd", "between_stand_log_sd")]
    height = (
        "From there to 1.37 m: a stand's mean"
        f" {_ninety(profile['height_growth.years_to_breast_height'], *spread)} seasons."
    )
    growth = _ninety(
        profile["size.growth_cm_per_year"],
        profile["size.growth_log_sd"],
        profile["size.growth_between_stand_log_sd"],
    )
    size = (
        f"Diameter: grows {growth} cm a year when young, towards"
        f" {profile['size.asymptote_cm']:g} cm."
    )
    autumn = (
        "Seed sprouts in the autumn it falls"
        if profile["germination.autumn"]
        else "Seed sprouts in the year after it falls"
    )
    seed = f"{autumn}; establishment is the year after the seed crop."
    lines = [
        f"{profile.name} ({profile.species}), profile {profile.key}",
        profile.standing(),
        "",
        grass,
        height,
        size,
        seed,
    ]
    table = ""
    for key in _used(profile):
        number, (section, name) = profile.sourced(key), key.split(".")
        if number.unit == _YES_OR_NO:
            continue
        if section != table:
            lines += ["", section.replace("_", " ")]
            table = section
        cited = "" if number.source == "none" else f", {_short(number.source)}"
        lines.append(f"  {name:<29}{number.value:>7g}  {number.unit:<29} {number.status}{cited}")
    used = [profile.sourced(key).status for key in _used(profile)]
    counts = ", ".join(f"{used.count(status)} {status}" for status in STATUSES if status in used)
    return "\n".join([*lines, "", f"Status of the numbers: {counts}.", f"File: {profile.path}"])


def _used(profile: Profile) -> list[str]:
    """The keys the model uses: without a grass stage, of that table only `present`."""
    idle = (
        ()
        if profile.has_grass_stage
        else tuple(
            key for key in QUANTITIES if key.startswith("grass_stage.") and "present" not in key
        )
    )
    return [key for key in QUANTITIES if key not in idle]


def _short(source: str) -> str:
    """Author and year of a source, or its first words where it has no year."""
    dated = re.match(r".*?\b(1[89]|20)\d\d\b", source)
    return dated.group() if dated else source.split(",")[0]


def profile_reference() -> str:
    """The reference part of docs/profiles.md in Markdown: the shipped profiles side by side, then
    the source of each number that has one.
    """
    profiles = [_read(models_folder() / f"{key}.toml", shipped=True) for key in profile_keys()]
    marks = ", ".join(f"{mark} {status}" for status, mark in STATUS_MARKS.items())
    lines = ["## The shipped profiles side by side", ""]
    lines += [
        f"- `{profile.key}`, *{profile.species}*. {profile.standing()}" for profile in profiles
    ]
    lines += [
        "",
        f"Marks: {marks}. The reason of each number: `standage profiles KEY`.",
        "",
        "| key | meaning | unit | allowed | "
        + " | ".join(f"`{each.key}`" for each in profiles)
        + " |",
        "|---|---|---|---|" + "---|" * len(profiles),
    ]
    for key, quantity in QUANTITIES.items():
        cells = [_cell(profile, key) for profile in profiles]
        lines.append(
            f"| `{key}` | {quantity.meaning} | {quantity.unit} | {quantity.lowest:g} to"
            f" {quantity.highest:g} | {' | '.join(cells)} |"
        )
    sourced: dict[tuple[str, str], list[str]] = {}
    for profile in profiles:
        for key in _used(profile):
            number = profile.sourced(key)
            if number.source != "none":
                place = (number.source, f"`{key}`")
                sourced.setdefault(place, []).append(f"`{profile.key}`")
    lines += ["", "## Sources of published and derived numbers", ""]
    lines += ["| number | profiles | source |", "|---|---|---|"]
    lines += [
        f"| {key} | {', '.join(users)} | {source} |" for (source, key), users in sourced.items()
    ]
    return "\n".join(lines) + "\n"


def _cell(profile: Profile, key: str) -> str:
    """A number with the mark of its status; blank where the profile doesn't use it."""
    if key not in _used(profile):
        return ""
    number = profile.sourced(key)
    return f"{number.value:g} {STATUS_MARKS[number.status]}"
