"""Rows of a list of stems that hold none: a plot that was found empty, and sums below the last
stem.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import replace

from standage.errors import Problem
from standage.survey.cells.references import alike
from standage.survey.cells.table_cells import NOT_RECORDED, heads_remarks
from standage.survey.flat_table import FLAT, table_of
from standage.survey.readings import Reading
from standage.survey.schema import TREES
from standage.survey.sheets.numbers_of_rows import without_numbers_of_rows
from standage.survey.written import WrittenSurvey, WrittenTable

NO_STEM = {"none", "no trees", "no tree", "no stems", "empty", "empty plot", "nothing", "nil"}
"""Words for a plot without a stem (common practice, no source)."""
OF_A_STEM = ("species", "dbh_cm")
NO_STEM_REASON = "a plot without stems"
OF_THE_PLOT = {"tree", "plot", "stand", "note", "core_note", "survey_date", "core_date"}
"""Columns that may be filled in the row of an empty plot, besides those of the plot's size."""
_SUM = re.compile(
    r"(?:(?:grand|plot|stand|site|sub)[ -]?|(?:plot|stand|site)? ?#?\w{0,4} )?"
    r"(total|totals|tot|tots|sum|sums|mean|means|average|avg"
    r"|per (?:ac|acre|ha|hectare))\b(.*)",
    re.IGNORECASE,
)

_SUM_OF = re.compile(
    r".*\S[ -](?:sub-?)?(?:totals?|tot|sums?|means?|averages?|avg)\W*", re.IGNORECASE
)
"""A word for sums behind the name of a stand or plot, in its column."""
_ALL = re.compile(r"all(?: \w{1,5})?|combined|together", re.IGNORECASE)
"""Words for all subplots of a plot; a sum only where the numbers are one."""
_NUMBER_OF = re.compile(
    r"(?:no\.?|nr\.?|number|#|n|count|total)\s*(?:of\s+)?(?:live |all )?(?:trees?|stems?|cores?)"
    r"(?: (?:tallied|listed|counted|measured|here|in plot))?\s*[:=]?|(?P<bare>n\s*[:=]?)",
    re.IGNORECASE,
)
"""A word for the number of rows, as `No. trees`; a bare n may be a name (common practice, no
source)."""
OF_SUMS = {
    *("no", "number", "n", "of", "for", "in", "per", "all", "the", "and", "live", "dead"),
    *("tree", "trees", "stems", "cores", "plot", "plots", "stand", "stands", "count", "counts"),
    *("seedlings", "saplings", "dbh", "diameter", "age", "rings"),
}
"""Words that may follow a word for sums (common practice, no source)."""


def set_aside(survey: WrittenSurvey) -> None:
    """Take out rows of sums, and find the rows of empty plots, before values that
    were written once for a group are filled down. `survey.stemless` then has their numbers.
    """
    for name in (FLAT.name, TREES.name, "cores", "counts"):
        written = survey.tables.get(name)
        if written is not None and written.cells:
            written = without_numbers_of_rows(written, survey)
            survey.tables[name] = written = _without_sums(name, written, survey)
            if name in (FLAT.name, TREES.name):
                survey.tables[name] = _find_empty_plots(name, written, survey)


def without_sums_by_plot(survey: WrittenSurvey) -> None:
    """Take out rows of counts with a word for sums in place of their plot, in place, before plots
    that were written once are filled down.
    """
    written = survey.tables.get("counts")
    if written is None or "plot" not in written.header:
        return
    at = written.header.index("plot")
    left = []
    for cells, row in zip(written.cells, written.rows, strict=True):
        if is_word_for_sums(cells[at]):
            reading = Reading(written.file, row, None, cells[at], "no data", "a row of sums")
            survey.readings.append(reading)
        else:
            left.append((cells, row))
    survey.tables["counts"] = replace(
        written, cells=[cells for cells, _ in left], rows=[row for _, row in left]
    )


def _without_sums(name: str, written: WrittenTable, survey: WrittenSurvey) -> WrittenTable:
    table = table_of(name)
    needed = [column.name for column in table.columns if column.required == "yes"]
    places = [written.header.index(each) for each in needed if each in written.header]
    own = table.identifier or "tree"  # of a sheet of trees and cores no column names a row
    named = written.header.index(own) if own in written.header else None
    of_stem = [written.header.index(each) for each in OF_A_STEM if each in written.header]
    sums = {
        place
        for place, cells in enumerate(written.cells)
        if _is_sums(cells, places, named, of_stem) or _is_number_of(written.header, cells, place)
    }
    if name == "counts":
        sums |= _sums_of_counts(written, survey.problems)
    if not sums:
        return written
    for place in sorted(sums):
        said = next(
            cell
            for cell in written.cells[place]
            if _SUM.fullmatch(cell)
            or _NUMBER_OF.fullmatch(cell)
            or (name == "counts" and (_ALL.fullmatch(cell) or _SUM_OF.fullmatch(cell)))
        )
        survey.readings.append(
            Reading(written.file, written.rows[place], None, said, "no data", "a row of sums")
        )
    left = [place for place in range(len(written.cells)) if place not in sums]
    return replace(
        written,
        cells=[written.cells[place] for place in left],
        rows=[written.rows[place] for place in left],
    )


def _of_sums_alone(found: re.Match[str]) -> bool:
    """Whether all words behind the word for sums go with it."""
    return set(re.findall(r"[^\W\d]+", found[2].lower())) <= OF_SUMS


def _is_number_of(header: list[str], cells: list[str], above: int) -> bool:
    """Whether a row says how many there are, and nothing else of a stem. above: rows above it."""
    of_all = {"plot", "stand", "survey_date", "plot_area_m2", "plot_min_dbh_cm"}
    filled = [
        cell
        for name, cell in zip(header, cells, strict=True)
        if cell and (name not in of_all or _NUMBER_OF.fullmatch(cell))
    ]
    found = _NUMBER_OF.fullmatch(filled[0]) if filled else None
    if found is None or len(filled) > 2:
        return False
    if found["bare"]:
        return filled[1:] == [str(above)]
    return len(filled) == 1 or filled[1].isdecimal()


def is_word_for_sums(cell: str, names: Collection[str] = ()) -> bool:
    """Whether a cell says that its row is of sums; beside one of some names, if any."""
    found = _SUM.fullmatch(cell)
    return found is not None and (_of_sums_alone(found) or found[2].strip().casefold() in names)


def names_of_groups(written: WrittenTable) -> set[str]:
    """The names in the columns of stands and plots, without capitals."""
    places = [written.header.index(each) for each in ("stand", "plot") if each in written.header]
    return {row[place].casefold() for row in written.cells for place in places if row[place]}


def _sums_of_counts(written: WrittenTable, problems: list[Problem]) -> set[int]:
    """Rows of counts with a word for sums in any cell, whose count is the sum of those above it of
    the same stage, in the same plot or in all. One that is no such sum is asked about: it would
    count plants twice.
    """
    groups = [written.header.index(each) for each in ("stand", "plot") if each in written.header]
    if not groups or not {"stage", "count"} <= set(written.header):
        return set()
    stage, count = (written.header.index(each) for each in ("stage", "count"))
    kinds = [stage, *([written.header.index("species")] if "species" in written.header else [])]
    names = names_of_groups(written)
    remarks = {place for place, name in enumerate(written.header) if heads_remarks(name)}
    found: set[int] = set()
    asked: dict[int, str] = {}
    left: dict[int, str] = {}
    above: list[tuple[tuple[str, ...], list[str], int]] = []
    here: tuple[str, ...] = ("",) * len(groups)
    for place, cells in enumerate(written.cells):
        words = {
            at: cell
            for at, cell in enumerate(cells)
            if is_word_for_sums(cell, names if at in groups else ())
            or (at in groups and _SUM_OF.fullmatch(cell))
        }
        here = tuple(
            last if not cells[at] or at in words else cells[at]
            for at, last in zip(groups, here, strict=True)
        )
        of_all = any(_ALL.fullmatch(cell) for cell in cells)
        number = int(cells[count]) if cells[count].isdecimal() else None
        kind = [cells[each] for each in kinds]
        if words or of_all:
            of_stage = [(of, each) for of, its, each in above if its == kind]
            # of the plot, of its stand, of all
            of_groups = [
                [each for of, each in of_stage if of[:depth] == here[:depth]]
                for depth in range(len(groups), -1, -1)
            ]
            of_plot = of_groups[0]
            ways = [each for each in of_groups if each]
            named = words.keys() - remarks
            if not named:  # a word that may be of something else: only a sum of several is one
                ways = [each for each in (of_plot,) if len(each) > 1]
            is_sum = any(sum(each) == number for each in ways)
            plainly = named if of_plot else set()  # nothing else of the plot
            if is_sum or plainly:
                found.add(place)
                if not is_sum:
                    asked.setdefault(written.rows[place], words[min(plainly)])
                continue
            if not words.keys().isdisjoint(groups):
                left[place] = words[min(words)]
        if number is not None:
            above.append((here, kind, number))
    of_sums = {written.rows[place] for place in found}
    for place, word in left.items():  # of a stage that was not searched, in a row of sums
        if written.rows[place] in of_sums:
            found.add(place)
            if written.cells[place][count] != "0":
                asked.setdefault(written.rows[place], word)
    problems += [_no_sum(written.file, row, word) for row, word in asked.items()]
    return found


def _no_sum(file: str, row: int, word: str) -> Problem:
    found = f"'{word}', and numbers that are no sum of those above"
    expected = "a row for what was counted, and none of sums or means"
    advice = (
        "Delete the row if its plants are in the rows above; write another word if it was counted"
        " as such."
    )
    return Problem(file, row, None, found, expected, advice)


def _is_sums(cells: list[str], needed: list[int], named: int | None, of_stem: list[int]) -> bool:
    """Whether a row lacks what a record needs and begins with a word for sums. Other words may be
    the name of a stand ("Mean Creek"): then nothing that is needed may be there besides.
    """
    if named is not None and is_word_for_sums(cells[named]):
        # SUM-3 with all that a stem has is the tag of one, `Tot. 3` a sum with its mean
        return not re.search(r"\w-?\d", cells[named]) or not all(cells[each] for each in of_stem)
    first = next((place for place, cell in enumerate(cells) if cell), 0)
    found = _SUM.fullmatch(cells[first])
    if found is None:
        return False
    plain = _of_sums_alone(found)
    if all(cells[place] for place in needed):  # a mean with its species is no stem
        return plain and first == named
    others = {*needed, *([] if named is None else [named])} - {first}
    return plain or not any(cells[place] for place in others)


def _find_empty_plots(name: str, written: WrittenTable, survey: WrittenSurvey) -> WrittenTable:
    """The table with blank trees in the rows of empty plots, which are noted by their number."""
    if "plot" not in written.header or "tree" not in written.header:
        return written
    known = {column.name for column in table_of(name).columns}
    at = {heading: place for place, heading in enumerate(written.header)}
    stem = [
        place
        for heading, place in at.items()
        if heading in known - OF_THE_PLOT and not heading.startswith("plot_")
    ]
    blank = {"", *NOT_RECORDED, *NO_STEM}
    plot, stand, with_stems, empty = "", "", set(), {}
    for place, cells in enumerate(written.cells):
        stand = cells[at["stand"]] if "stand" in at and cells[at["stand"]] else stand
        own = cells[at["plot"]]
        plot = own or plot
        here = (alike(stand), alike(plot))
        if any(cells[each].lower() not in blank for each in (*stem, at["tree"])):
            with_stems.add(here)
        elif own and own.lower() not in blank:
            empty[place] = here
    found = {place for place, here in empty.items() if here not in with_stems}
    if not found:
        return written
    survey.stemless[name] = {written.rows[place] for place in found}
    rows = [list(cells) for cells in written.cells]
    shapes = {
        _shape(cells[at["plot"]])
        for place, cells in enumerate(written.cells)
        if cells[at["plot"]] and place not in found
    }
    for place in sorted(found):
        said = rows[place][at["tree"]]
        if said.lower() not in NO_STEM:
            asked = _asked_of_plot(written.file, written.rows[place], rows[place][at["plot"]])
            a_name = not shapes or _shape(rows[place][at["plot"]]) in shapes
            (survey.doubts if a_name else survey.problems).append(asked)
        read = f"plot {rows[place][at['plot']]}, found without stems"
        survey.readings.append(
            Reading(written.file, written.rows[place], "tree", said, read, NO_STEM_REASON)
        )
        for each in (*stem, at["tree"]):
            rows[place][each] = ""
    return replace(written, cells=rows)


def _shape(name: str) -> str:
    """What the names of the plots of a survey have in common: letters, digits and marks."""
    return re.sub(r"[a-z]+", "a", re.sub(r"\d+", "9", name.strip().casefold()))


def _asked_of_plot(file: str, row: int, plot: str) -> Problem:
    """The question about a row with nothing but a plot."""
    return Problem(
        file,
        row,
        "plot",
        f"'{plot}' and no stem beside it",
        "the stems of each plot, or `none` under the trees' heading of one found empty",
        "Write `none` there if the plot was searched and nothing stood in it: its area then counts."
        " If it was not searched, or the words are a remark, delete the row.",
    )


def take_out_stemless(survey: WrittenSurvey) -> None:
    """Take the rows of empty plots out of the table of trees. One that the table of plots doesn't
    list would be lost: a problem.
    """
    listed = survey.tables.get("plots")
    plots = None
    if listed is not None and "plot" in listed.header:
        place = listed.header.index("plot")
        plots = {alike(cells[place]) for cells in listed.cells}
    for name, numbers in survey.stemless.items():
        written = survey.tables.get(name)
        if written is None:
            continue
        at = written.header.index("plot")
        pairs = list(zip(written.cells, written.rows, strict=True))
        for cells, row in pairs:
            missing = plots is not None and alike(cells[at]) not in plots
            if row in numbers and (missing or (plots is None and name == TREES.name)):
                found = f"'{cells[at]}', a plot without stems, which is not in plots"
                advice = "Add the plot, with its area and the smallest diameter listed, to plots."
                expected = "a plot listed in plots"
                survey.problems.append(Problem(written.file, row, "plot", found, expected, advice))
        if name == TREES.name:
            left = [(cells, row) for cells, row in pairs if row not in numbers]
            survey.tables[name] = replace(
                written, cells=[cells for cells, _ in left], rows=[row for _, row in left]
            )
