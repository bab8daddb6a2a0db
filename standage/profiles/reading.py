"""Profiles from their files: everything wrong with one is found before it is refused."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from standage.errors import Problem, SurveyError
from standage.profiles.profile import Profile, Sourced
from standage.profiles.quantities import QUANTITIES, STATUSES, YES_OR_NO, nearest

PARTS = ("value", "unit", "source", "reason", "status")
HEADINGS = ("key", "name", "species", "checked")
Report = Callable[[str, object, str, str], None]  # key, found, expected, what to do

LOOK = "Look at what is in it."
SEEN = "text without control characters"
LARGEST_PROFILE = 1_000_000
"""Bytes of a file (assumption: a hundred times a shipped one)."""
DOTS_IN_A_LINE = 200
"""Keys of hundreds of parts are of no file of ours, and take a reader hours (assumption)."""
FAR_BEYOND = 1e100
"""Above any number of a profile, whatever its unit."""


def read_profile(path: Path, *, shipped: bool) -> Profile:
    """Read and check one file, without warning."""
    return _profile(path, _content(path), shipped=shipped)


@lru_cache(maxsize=64)
def _profile(path: Path, raw: bytes, *, shipped: bool) -> Profile:
    """The profile that a file of these bytes holds: a batch asks for one of each survey."""
    content = _toml(path, raw)
    problems: list[Problem] = []

    def problem(key: str, found: object, expected: str, what_to_do: str) -> None:
        problems.append(Problem(path.name, None, key, _shown(found), expected, what_to_do))

    headings = {heading: content.pop(heading, "") for heading in HEADINGS}
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
                f"Remove it, or move it into its table.{nearest(table, HEADINGS)}",
            )
            continue
        entries |= {f"{table}.{name}": entry for name, entry in inside.items()}
    for key in entries.keys() - QUANTITIES.keys():
        problem(key, key, "a known key", f"Remove it.{nearest(key, QUANTITIES)}")
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
        order = {name: place for place, name in enumerate((*HEADINGS, *QUANTITIES))}
        raise SurveyError(sorted(problems, key=lambda one: order.get(str(one.column), len(order))))
    return Profile(
        **headings,
        shipped=shipped,
        path=str(path),
        sha256=hashlib.sha256(raw).hexdigest(),
        numbers=numbers,
    )


def _content(path: Path) -> bytes:
    """The bytes of a file. Raises SurveyError where it is none, or too large."""
    try:
        if not path.is_file():  # a pipe would be waited for, and a device may never end
            found, advice = "a folder, a pipe or a link to nothing", "Put a file in its place."
        elif path.stat().st_size > LARGEST_PROFILE:
            found, advice = f"a file of more than {LARGEST_PROFILE:,} bytes", LOOK
        else:
            return path.read_bytes()
    except OSError as fault:
        found, advice = f"a file that can't be read ({fault.strerror})", "Check that you may."
    raise _no_toml(path, found, advice)


def load_toml(raw: bytes) -> dict[str, Any]:
    """What the bytes of a file say. Raises RecursionError where tables lie too deep, and ValueError
    where it isn't TOML in UTF-8.
    """
    if any(line.count(b".") > DOTS_IN_A_LINE for line in raw.splitlines()):
        raise RecursionError
    return tomllib.loads(raw.decode("utf-8-sig"))


def _toml(path: Path, raw: bytes) -> dict[str, Any]:
    """What the bytes of a file say. Raises SurveyError where it isn't TOML."""
    try:
        return load_toml(raw)
    except RecursionError:
        found, advice = "tables within tables without an end", LOOK
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        found, advice = str(fault), "Mend that line."
    except ValueError:  # Python's limit of digits, of which its words say how to lift it
        found, advice = "a number of more digits than can be read", LOOK
    raise _no_toml(path, found, advice)


def _no_toml(path: Path, found: str, advice: str) -> SurveyError:
    problem = Problem(path.name, None, None, found, "a TOML file in UTF-8", advice)
    return SurveyError((problem,))


def _shown(found: object) -> str:
    try:
        return str(found)
    except (ValueError, RecursionError):
        return "a number of more digits than can be written"


def _sourced(key: str, entry: object, problem: Report) -> Sourced | None:
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

    for part in entry.keys() - set(PARTS):
        fault(part, "only " + ", ".join(PARTS), f"Remove the part.{nearest(part, PARTS)}")
    for part in [part for part in PARTS if part not in entry]:
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
        quantity.unit == YES_OR_NO and value not in (0, 1)
    ):
        span = (
            "0 or 1"
            if quantity.unit == YES_OR_NO
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
            f"Say honestly where the number is from.{nearest(str(entry['status']), STATUSES)}",
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
    return None if faults else Sourced(float(value), *(str(entry[part]) for part in PARTS[1:]))


def _check_together(numbers: Mapping[str, Sourced], problem: Report) -> None:
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
