"""What a survey of several sheets leaves unsaid because there is only one way: its only stand, the
stands that only trees name, and the names of cores.
"""

from __future__ import annotations

import re
from dataclasses import replace

from standage.survey.cells.dates import order_of
from standage.survey.cells.headings import heading_of
from standage.survey.cells.references import alike, parts_of
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.readings import Reading
from standage.survey.schema import STANDS
from standage.survey.sheets.flat_places import last_date
from standage.survey.sheets.title_dates import (
    date_by_title,
    date_of_titles,
    fill_dates_of_stands,
    lends_its_day,
    title_with_a_date,
)
from standage.survey.sheets.unread_places import ask_of_places
from standage.survey.written import WrittenSurvey, WrittenTable, with_column

BLANK = {"", *NOT_RECORDED}
_OF_A_TREE = re.compile(r"[-_ .]*([a-z]|(?<=[-_ .])\d)$", re.IGNORECASE)
_LETTER = re.compile(r"[a-z]", re.IGNORECASE)
"""The letter, or the parted number, at the end of a core's name."""


def say_what_is_plain(survey: WrittenSurvey, name: str) -> None:
    """Add it in place, each listed as a reading. name: of the survey, and of its only stand."""
    _name_trees_of_cores(survey)
    _name_cores(survey)
    fill_dates_of_stands(survey)
    _name_only_stand(survey)
    if "stands" in survey.tables or "stands" in survey.unreadable or "trees" not in survey.tables:
        return
    if "stand" not in survey.tables["trees"].header:
        ask_of_places(survey, survey.tables["trees"])
        for each in ("trees", "plots", "known_age_stems"):
            if each in survey.tables and "stand" not in survey.tables[each].header:
                _add_column(survey, each, "stand", name, "one stand, named by the survey")
    _list_stands(survey)


def only_stand(survey: WrittenSurvey) -> str:
    """The name of the stand, where the table of stands has one; "" otherwise."""
    stands = survey.tables.get("stands")
    if stands is None or "stand" not in stands.header:
        return ""
    at = stands.header.index("stand")
    names = {alike(row[at]): row[at] for row in stands.cells if row[at].lower() not in BLANK}
    return next(iter(names.values())) if len(names) == 1 == len(stands.cells) else ""


def _name_only_stand(survey: WrittenSurvey) -> None:
    """A column of stands, by the table of one stand, for stems that have none, in place."""
    trees = survey.tables.get("trees")
    name = only_stand(survey)
    if not name or trees is None or "stand" in trees.header:
        return
    for each in ("trees", "plots", "known_age_stems"):
        if each in survey.tables and "stand" not in survey.tables[each].header:
            _add_column(survey, each, "stand", name, "the only stand")


def stand_of_plots(survey: WrittenSurvey, name: str) -> None:
    """A column of stands for stems that name none, by the table of plots, in place."""
    written, plots = survey.tables.get(name), survey.tables.get("plots")
    if written is None or plots is None or "stand" in written.header:
        return
    if "plot" not in written.header or not {"plot", "stand"} <= set(plots.header):
        return
    plot, stand = plots.header.index("plot"), plots.header.index("stand")
    stands = {alike(row[plot]): row[stand] for row in plots.cells if row[stand]}
    at = written.header.index("plot")
    found = [stands.get(alike(row[at]), "") for row in written.cells]
    # stems outside the plots are of no known stand; plots may be numbered in their stands
    if not all(found) or len(stands) < len(plots.cells):
        return
    cells = [[*row, of] for row, of in zip(written.cells, found, strict=True)]
    survey.tables[name] = replace(written, header=[*written.header, "stand"], cells=cells)
    was, why, named = "no such column", "the stand of the plot", ", ".join(dict.fromkeys(found))
    survey.readings.append(Reading(written.file, written.header_row, "stand", was, named, why))


def _add_column(survey: WrittenSurvey, name: str, column: str, cell: str, reason: str) -> None:
    written = survey.tables[name]
    survey.tables[name] = with_column(written, column, cell)
    was = "no such column"
    survey.readings.append(Reading(written.file, written.header_row, column, was, cell, reason))


def _name_trees_of_cores(survey: WrittenSurvey) -> None:
    """Cores without a tree, whose names mostly begin with a tree's: `SH2-014A` is of SH2-014."""
    trees, cores = survey.tables.get("trees"), survey.tables.get("cores")
    if trees is None or cores is None or "tree" not in trees.header:
        return
    if "tree" in cores.header or "core" not in cores.header:
        return
    at = trees.header.index("tree")
    names = {parts_of(row[at]): row[at] for row in trees.cells if row[at]}
    place = cores.header.index("core")
    own = [row[place] for row in cores.cells]
    bare = [_OF_A_TREE.sub("", name) for name in own]
    whole, shorter = ([names.get(parts_of(name)) for name in each] for each in (own, bare))
    if any(one and other and one != other for one, other in zip(whole, shorter, strict=True)):
        return  # 5A may be the tree 5A, or a core of 5
    found = [one or other for one, other in zip(whole, shorter, strict=True)]
    if 2 * sum(map(bool, found)) <= len(found):
        return
    was, why = "no such column", "the tree that the core's name begins with"
    # one that no tree is called is asked about by its name
    said = [of or name for of, name in zip(found, bare, strict=True)]
    cells = [[*row, of] for row, of in zip(cores.cells, said, strict=True)]
    survey.tables["cores"] = replace(cores, header=[*cores.header, "tree"], cells=cells)
    named = f"{cells[0][-1]} of {cells[0][place]} and so on"
    survey.readings.append(Reading(cores.file, cores.header_row, "tree", was, named, why))


def _name_cores(survey: WrittenSurvey) -> None:
    """Cores without names are called after their trees: `TREE-a`, `TREE-b`."""
    written = survey.tables.get("cores")
    if written is None or "tree" not in written.header:
        return
    place = written.header.index("tree")
    if "core" in written.header:
        _name_cores_without(survey, written, place, written.header.index("core"))
        return
    taken: dict[str, int] = {}
    cells = []
    for record in written.cells:
        number = taken[alike(record[place])] = taken.get(alike(record[place]), 0) + 1
        letter = chr(ord("a") + number - 1) if number <= 26 else f"{number}"
        cells.append([*record, f"{record[place]}-{letter}" if record[place] else ""])
    survey.tables["cores"] = replace(written, header=[*written.header, "core"], cells=cells)
    if cells:
        named = f"{cells[0][-1]} and so on"
        was, why = "no such column", "cores named after their trees"
        survey.readings.append(Reading(written.file, written.header_row, "core", was, named, why))


def _name_cores_without(survey: WrittenSurvey, written: WrittenTable, tree: int, core: int) -> None:
    """Names of cores beside blank ones, in place: a letter alone stands behind the name of its
    tree, and so does a letter for a blank.
    """
    if not any(row[tree] and not row[core] for row in written.cells):
        return
    taken = {alike(row[core]) for row in written.cells}
    # a blank below a core with a name of its own may be another reading of it
    named = {alike(r[tree]) for r in written.cells if r[core] and not _LETTER.fullmatch(r[core])}
    cells = []
    for row, line in zip(written.cells, written.rows, strict=True):
        name = f"{row[tree]}-{row[core]}" if _LETTER.fullmatch(row[core]) else row[core]
        blank = not row[core] and alike(row[tree]) not in named
        for letter in "abcdefghijklmnopqrstuvwxyz" if blank else "":
            name = f"{row[tree]}-{letter}"
            if alike(name) not in taken:
                break
        if row[tree] and name != row[core]:
            why = "a core named after its tree"
            survey.readings.append(Reading(written.file, line, "core", row[core], name, why))
            row = [*row[:core], name, *row[core + 1 :]]
        taken.add(alike(row[core]))
        cells.append(row)
    survey.tables["cores"] = replace(written, cells=cells)


def _list_stands(survey: WrittenSurvey) -> None:
    """A table of the stands that trees name, surveyed on the last day on which a core was taken, or
    else a stem listed, or on the day of a title; none where a stand has no such day.
    """
    trees, cores = survey.tables["trees"], survey.tables.get("cores")
    if "tree" not in trees.header:
        return
    tree, stand = trees.header.index("tree"), trees.header.index("stand")
    stand_of: dict[str, str] = {}
    names: dict[str, str] = {}
    for record in trees.cells:
        if record[stand].lower() not in BLANK:
            names.setdefault(alike(record[stand]), record[stand])
            stand_of[alike(record[tree])] = alike(record[stand])
    if cores is not None and {"tree", "core_date"} <= set(cores.header):
        of, day = cores.header.index("tree"), cores.header.index("core_date")
        groups = [stand_of.get(alike(record[of]), "") for record in cores.cells]
        if _list_by_days(survey, cores, names, groups, day, "cores"):
            return
    headings = [heading_of(STANDS, own) if own else None for own in trees.header]
    days = [at for at, of in enumerate(headings) if of and of.column == "survey_date"]
    groups = [alike(record[stand]) for record in trees.cells]
    if len(days) == 1 and _list_by_days(survey, trees, names, groups, days[0], "rows"):
        survey.tables["trees"] = _without_column(trees, days[0])
        return
    if not (cores is not None and "core_date" in cores.header):
        _list_by_title(survey)


def _list_by_days(
    survey: WrittenSurvey,
    written: WrittenTable,
    names: dict[str, str],
    groups: list[str],
    day: int,
    what: str,
) -> bool:
    """Whether a table of stands could be made of the days in a column: the last of each stand.
    names: of the stands. groups: stand of each row. what: is dated by them.
    """
    dates: dict[str, dict[str, int]] = {}
    for key, record, row in zip(groups, written.cells, written.rows, strict=True):
        if key in names and record[day].lower() not in BLANK:
            dates.setdefault(key, {}).setdefault(record[day], row)
    if not names or set(names) != set(dates):
        return False
    order = order_of(cell for each in dates.values() for cell in each)
    rows, cells = [], []
    for key, name in names.items():
        last, row = last_date(dates[key], order)
        cells.append([name, last])
        rows.append(row)
        was, why = (
            f"dates of the {what} of {name}",
            f"survey date of a stand: the last of its {what}",
        )
        survey.readings.append(Reading(written.file, row, "survey_date", was, last, why))
    survey.tables["stands"] = WrittenTable(written.file, ["stand", "survey_date"], cells, rows)
    survey.files["stands"] = written.file
    return True


def _without_column(table: WrittenTable, at: int) -> WrittenTable:
    header = [*table.header[:at], "", *table.header[at + 1 :]]
    return replace(table, header=header, cells=[[*r[:at], "", *r[at + 1 :]] for r in table.cells])


def list_stands_by_plots(survey: WrittenSurvey) -> None:
    """A table of the stands of the plots, in place, surveyed on the last day that the table of
    plots gives; none where it gives no day.
    """
    plots = survey.tables.get("plots")
    if plots is None or "stand" not in plots.header or "stands" in survey.tables:
        return
    headings = [heading_of(STANDS, own) if own else None for own in plots.header]
    days = [at for at, of in enumerate(headings) if of and of.column == "survey_date"]
    if len(days) != 1:
        return
    stand = plots.header.index("stand")
    dates: dict[str, dict[str, int]] = {}
    for record, row in zip(plots.cells, plots.rows, strict=True):
        if record[stand].lower() not in BLANK and record[days[0]].lower() not in BLANK:
            dates.setdefault(record[stand], {}).setdefault(record[days[0]], row)
    order = order_of(cell for each in dates.values() for cell in each)
    cells = [[name, last_date(of, order)[0]] for name, of in dates.items()]
    rows = [last_date(of, order)[1] for of in dates.values()]
    trees = survey.tables.get("trees")
    named = (
        {alike(row[trees.header.index("stand")]) for row in trees.cells}
        if trees is not None and "stand" in trees.header
        else set()
    )
    if not cells or named - {"", *map(alike, dates)}:
        return  # a stand without plots has no date there
    was, why = plots.header[days[0]], "survey date of a stand: the last of its plots"
    survey.readings.append(
        Reading(plots.file, plots.header_row, "survey_date", was, "survey_date", why)
    )
    survey.tables["plots"] = _without_column(plots, days[0])
    survey.tables["stands"] = WrittenTable(plots.file, ["stand", "survey_date"], cells, rows)
    survey.files["stands"] = plots.file


def _list_by_sheets(survey: WrittenSurvey, names: dict[str, str]) -> bool:
    """Whether each of several sheets of stems gives its own day, not all the same: a stand is then
    surveyed on the last of its sheets, and a core is of the day of its tree's. names: of stands.
    """
    trees, cores = survey.tables["trees"], survey.tables.get("cores")
    if trees.stack is None or not {"tree", "stand"} <= set(trees.header):
        return False
    days = {
        part.file: date_of_titles(each for each in survey.titles if each.file == part.file)
        for part in trees.stack.parts
    }
    if None in days.values() or len({day.as_read for day in days.values() if day}) < 2:
        return False
    if cores is not None and title_with_a_date(t for t in survey.titles if t.file == cores.file):
        return False
    tree, stand = trees.header.index("tree"), trees.header.index("stand")
    day_of: dict[str, str] = {}
    last: dict[str, tuple[str, int]] = {}
    for record, row in zip(trees.cells, trees.rows, strict=True):
        day = days[trees.stack.place_of(row)[0].file]
        key = alike(record[stand])
        if day is not None and key in names:
            day_of[alike(record[tree])] = day.as_read
            last[key] = max(last.get(key, ("", row)), (day.as_read, row))
    survey.readings += [day for day in days.values() if day is not None]
    survey.tables["stands"] = WrittenTable(
        trees.file,
        ["stand", "survey_date"],
        [[names[key], day] for key, (day, _) in last.items()],
        [row for _, row in last.values()],
    )
    survey.files["stands"] = trees.file
    if cores is not None and "tree" in cores.header and "core_date" not in cores.header:
        of = cores.header.index("tree")
        cells = [[*record, day_of.get(alike(record[of]), "")] for record in cores.cells]
        survey.tables["cores"] = replace(cores, header=[*cores.header, "core_date"], cells=cells)
        why = "several days in titles: that of the sheet of its tree"
        at = (cores.file, cores.header_row, "core_date")
        survey.readings.append(Reading(*at, "no such column", "the day of each plot", why))
    return True


def _list_by_title(survey: WrittenSurvey) -> None:
    """The stands that trees name, surveyed on the one day that a title gives; none without."""
    trees = survey.tables["trees"]
    at = trees.header.index("stand")
    names: dict[str, tuple[str, int]] = {}
    for record, row in zip(trees.cells, trees.rows, strict=True):
        if record[at].lower() not in BLANK:
            names.setdefault(alike(record[at]), (record[at], row))
    if _list_by_sheets(survey, {key: name for key, (name, _) in names.items()}):
        return
    if lends_its_day(survey, trees, at):
        return
    day = date_by_title(survey) if names else ""
    if day:
        survey.tables["stands"] = WrittenTable(
            trees.file,
            ["stand", "survey_date"],
            [[name, day] for name, _ in names.values()],
            [row for _, row in names.values()],
        )
        survey.files["stands"] = trees.file
