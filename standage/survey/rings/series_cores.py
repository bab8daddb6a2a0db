"""Which core each ring series of a decadal file is of.

A series belongs to the core whose identifier is its name, letter by letter, outer blanks removed;
or, as names are unique only within a file, to the core called FILE-NAME: series 11 of
rings/site.rwl to core `site-11` (capitals of the file's name don't count; `_` or a blank may stand
for `-`). Other capitals, blanks or marks are read as the core's and listed. Any other near miss is
a problem with a suggestion. A series without any core is left out with a note.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import PurePosixPath

from standage.errors import Problem
from standage.survey.cells.references import OTHER_MARKS, alike
from standage.survey.readings import Reading
from standage.survey.rings.decadal_format import DecadalFile

NAMES_LISTED = 40
"""Series without a core, or cores, that one note spells out."""


def cores_of_series(
    decadal: list[DecadalFile],
    known: list[str],
    problems: list[Problem],
    notes: list[str],
    readings: list[Reading],
    written_out: Collection[str],
) -> tuple[dict[tuple[str, str], str], dict[str, list[str]]]:
    """The core of each series, by (file, name of the series); and the names of series without one,
    by file. Series that could not be read are looked for, too; one that may be a core's is not
    without one.
    """
    cores = set(known)
    found: dict[tuple[str, str], str] = {}
    open_series: list[tuple[str, str, int | None, bool]] = []
    for each in decadal:
        stem = PurePosixPath(each.file).stem
        within: dict[str, list[str]] = {}
        for core in known:
            if core[: len(stem)].casefold() == stem.casefold() and core[
                len(stem) : len(stem) + 1
            ] in ("-", "_", " "):
                within.setdefault(core[len(stem) + 1 :], []).append(core)
        lines: dict[str, int | None] = {
            series.name: int(series.parts[0].lines[0]) for series in each.series
        }
        lines |= {name: of_series[0].row for name, of_series in each.spoilt.items()}
        for name, line in lines.items():
            ways = [name] * (name in cores) + within.get(name, [])
            if len(ways) > 1:
                problems.append(
                    Problem(
                        each.file,
                        line,
                        None,
                        f"series {name}, which may be core {' or '.join(ways)}",
                        "one core of that name in cores",
                        "Rename one of the cores.",
                    )
                )
            elif ways:
                found[each.file, name] = ways[0]
            else:
                open_series.append((each.file, name, line, name in each.spoilt))
    without = _nearly_named(open_series, known, found, problems, readings, written_out)
    for file, names in without.items():
        notes.append(
            f"{file}: not used, as no core in cores has the name of the series ({len(names)}):"
            f" {names_listed(names)}"
        )
    return found, without


def _nearly_named(
    open_series: list[tuple[str, str, int | None, bool]],
    known: list[str],
    found: dict[tuple[str, str], str],
    problems: list[Problem],
    readings: list[Reading],
    written_out: Collection[str],
) -> dict[str, list[str]]:
    """Names of series without a core, by file. Series whose name is another way to write a core's
    go into `found`; near misses are problems. open_series: (file, name, line, whether it could not
    be read).
    """
    taken = set(found.values())
    likely: dict[str, str] = {}
    for core in known:
        if core not in taken:
            likely.setdefault(_likeness(core), core)
    without: dict[str, list[str]] = {}
    for file, name, line, spoilt in open_series:
        near = likely.get(_likeness(name)) or likely.get(_likeness(_in_file(file, name)))
        plain = near is not None and (
            near in written_out or alike(near) in (alike(name), alike(_in_file(file, name)))
        )
        if near is not None and plain and near not in found.values():
            found[file, name] = near
            readings.append(Reading(file, line, "core", name, near, OTHER_MARKS))
            continue
        if near is not None and spoilt:
            continue
        if near is not None:
            problems.append(
                Problem(
                    file,
                    line,
                    None,
                    f"series '{name}', which is not in cores",
                    "the identifier of a core, letter by letter",
                    f"Did you mean '{near}'? Write the core in cores as the series is called, or"
                    " rename the series.",
                )
            )
        else:
            without.setdefault(file, []).append(name)
    return without


def _in_file(file: str, series: str) -> str:
    """The name of a core that is called after file and series."""
    return f"{PurePosixPath(file).stem}-{series}"


def _likeness(name: str) -> str:
    """A name without capitals, blanks, marks and leading zeros; a mark between two numbers keeps
    them apart.
    """
    plain = re.sub(r"[\W_]+", "_", name.casefold()).strip("_")
    plain = re.sub(r"(?<!\d)_|_(?!\d)", "", plain)
    return re.sub(r"(?<!\d)0+(?=\d)", "", plain)


def names_listed(names: list[str]) -> str:
    more = f" and {len(names) - NAMES_LISTED} more" if len(names) > NAMES_LISTED else ""
    return ", ".join(names[:NAMES_LISTED]) + more
