"""Numbers that begin anew: plots in each stand, trees in each plot, cores on each tree. They are
written out with the name of what they are numbered in, and found by it in the other tables.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from standage.survey.cells.headings import heading_of
from standage.survey.cells.references import OUTSIDE, alike
from standage.survey.cells.table_cells import NOT_RECORDED
from standage.survey.flat_table import FLAT
from standage.survey.readings import HEADING, Reading
from standage.survey.schema import CORES, TREES, Table, table
from standage.survey.sheets.held_groups import hold_stems, hold_to_lists
from standage.survey.written import WrittenSurvey, WrittenTable

MOST = 0.75
"""Share of things whose name another one has, from which names begin anew in every group
(assumption): one slip of the pen gives two of many the same name.
"""
FEWEST = 4
"""Things from which that share says anything (assumption)."""
_OF_A_TREE = re.compile(r"[a-z]|\d{1,2}")
"""A core named by a letter or a small number is named on its tree only (common practice, no
source).
"""
GROUP_OF = {
    "plot": ("plots", ("stand",), "plot numbers begin anew in each stand"),
    "tree": ("trees", ("plot", "stand"), "tree numbers begin anew in each plot"),
    "core": ("cores", ("tree",), "core names begin anew on each tree"),
}
"""Of each kind of name: its table, what it may be numbered in, and the reason of a reading."""
HELD_IN = {
    "plot": ("plots", "flat", "trees", "cores", "counts", "ring_widths", "core_readings"),
    "tree": ("flat", "trees", "cores", "ring_widths", "core_readings"),
    "core": ("flat", "cores", "ring_widths", "core_readings"),
}
"""Tables whose rows may name it."""
HELPED = ("cores", "counts", "ring_widths", "core_readings")
"""Tables in which crews name the stand, plot or tree besides, so that numbers are found."""
CALLED = ("p{}-{}", "p{}.{}", "p{}t{}", "p{}-t{}", "plot {} tree {}")
BARE = ("{}-{}",)
"""What crews call a numbered tree of a plot besides, `P2-7` of `Plot 2`; in bare numbers, the plot
first (common practice, no source)."""
OUT = "outside"
"""The group of trees in no plot."""


@dataclass
class _Columns:
    """Cells of a written table by column."""

    name: str
    written: WrittenTable

    @property
    def places(self) -> dict[str, int]:
        return {column: place for place, column in enumerate(self.written.header)}

    def cells(self, column: str) -> list[str]:
        """The cells of a column, blank where there is none or a word says so; `OUT` for all words
        for no plot.
        """
        place = self.places.get(column)
        if place is None:
            return [""] * len(self.written.cells)
        return [_named(row[place]) for row in self.written.cells]


SLIPS = 0.05
"""Share of tree numbers in two plots of a stand up to which they are slips (assumption)."""


def write_out_names(survey: WrittenSurvey) -> None:
    """Write out the names that begin anew, in place. `survey.short_names` then holds what each
    short one may stand for.
    """
    for kind, (own, groups, reason) in GROUP_OF.items():
        columns = {
            name: _Columns(name, survey.tables[name])
            for name in HELD_IN[kind]
            if name in survey.tables
        }
        listed = columns.get(FLAT.name) or columns.get(own)
        if kind == "plot":
            listed = columns.get("plots") or listed or columns.get("trees")
        if listed is None or kind not in listed.places:
            continue
        if kind == "tree" and _numbered_in_stands(listed):
            groups = tuple(reversed(groups))
        for group in groups:
            if group in listed.places and _begins_anew(listed, group, kind):
                if group == "stand" and kind == "tree":
                    reason = "tree numbers begin anew in each stand"
                _write_out(survey, columns, listed, group, kind, reason)
                break
    hold_to_lists(survey)
    if survey.short_names:
        _drop_used(survey)
    hold_stems(survey)


def name_groups(survey: WrittenSurvey) -> None:
    """Give the columns by which a table of cores, counts or rings says the stand, plot or tree
    their names, in place, and fill down what is written once for a group.
    """
    for name in HELPED:
        written = survey.tables.get(name)
        if written is None:
            continue
        own = {column.name for column in table(name).columns}
        header = list(written.header)
        for place, heading in enumerate(written.header):
            for of, kinds in ((TREES, ("stand", "plot")), (CORES, ("tree",))):
                found = heading_of(of, heading) if heading and heading not in own else None
                if found is None or found.means or found.column not in kinds:
                    continue
                if found.column not in header:
                    header[place] = found.column
        given = {new: old for new, old in zip(header, written.header, strict=True) if new != old}
        survey.tables[name] = replace(written, header=header, headings=written.headings | given)


def with_groups(of: Table) -> Table:
    """A table with the columns that `name_groups` names, as its own."""
    if of.name not in HELPED:
        return of
    own = {column.name for column in of.columns}
    more = [
        column
        for column in (TREES.column("stand"), TREES.column("plot"), CORES.column("tree"))
        if column.name not in own
    ]
    return replace(of, columns=(*more, *of.columns))


def _named(cell: str) -> str:
    if cell.casefold() in OUTSIDE:
        return OUT
    return "" if cell.lower() in NOT_RECORDED else cell


def _begins_anew(listed: _Columns, group: str, kind: str) -> bool:
    """Whether names are used in each group anew, and not one of them twice by a slip."""
    rows = [
        (of, name)
        for of, name in zip(listed.cells(group), listed.cells(kind), strict=True)
        if name not in ("", OUT) and of not in ("", OUT)
    ]
    if kind == "plot" and _between_others(rows):
        return False
    pairs = {(alike(of), alike(name)) for of, name in rows}
    groups_of: dict[str, set[str]] = {}
    names_of: dict[str, set[str]] = {}
    for of, name in pairs:
        groups_of.setdefault(name, set()).add(of)
        names_of.setdefault(of, set()).add(name)
    repeated = {name for name, groups in groups_of.items() if len(groups) > 1}
    if not repeated:
        return False
    share = sum(name in repeated for _, name in pairs) / len(pairs)
    if kind == "core":
        lettered = all(_OF_A_TREE.fullmatch(name) for name in repeated)
        return share >= (0.5 if lettered else MOST)
    if share >= MOST and len(pairs) >= FEWEST:
        return True
    anew = {of for of, names in names_of.items() if _anew(names, repeated)}
    return all(len(groups_of[name] - anew) <= 1 for name in repeated)


def _numbered_in_stands(listed: _Columns) -> bool:
    """Whether the trees of a stand are numbered through all of its plots, but for slips: then one
    number in two of its plots is a slip, too.
    """
    plots_of: dict[tuple[str, str], set[str]] = {}
    rows = zip(listed.cells("stand"), listed.cells("plot"), listed.cells("tree"), strict=True)
    for stand, plot, tree in rows:
        if tree not in ("", OUT):
            plots_of.setdefault((alike(stand), alike(tree)), set()).add(alike(plot))
    shared = sum(len(plots) > 1 for plots in plots_of.values())
    stands = {stand for stand, _ in plots_of}
    several = len(set().union(*plots_of.values())) > len(stands) if plots_of else False
    return len(stands) > 1 and several and shared <= SLIPS * len(plots_of)


def _anew(names: set[str], repeated: set[str]) -> bool:
    """Whether the names of a group are numbered in it: from 1 on, or mostly as in another."""
    numbers = {int(name) for name in names if name.isdecimal()}
    if len(numbers) == len(names) and numbers == set(range(1, len(names) + 1)):
        return True
    return len(names) > 1 and 2 * len(names & repeated) > len(names)


def _between_others(rows: Sequence[tuple[str, str]]) -> bool:
    """Whether a row has another stand than both its neighbours, which are in its plot: a slip."""
    folded = [(alike(of), alike(name)) for of, name in rows]
    return any(
        before == after and here[1] == before[1] and here[0] != before[0]
        for before, here, after in zip(folded, folded[1:], folded[2:], strict=False)
    )


def _write_out(
    survey: WrittenSurvey,
    columns: dict[str, _Columns],
    listed: _Columns,
    group: str,
    kind: str,
    reason: str,
) -> None:
    """Put `GROUP-NAME` in place of the names in the table that lists them, and of names of it in
    other tables where these say the group, or where only one can be meant.
    """
    full, stands = _full_names(listed, group, kind)
    short: dict[str, list[str]] = {}
    for (_, name), way in full.items():
        short.setdefault(name, []).append(way)
    known = {alike(way) for way in full.values()}
    if len(known) < len(full):
        return  # two written out would be one name
    forms = CALLED if kind == "tree" and group == "plot" else ()
    called, bare = (_by_forms(full, known, stands, each) for each in (forms, forms and BARE))
    plot_of = {way: plot for (plot, _), way in full.items()}
    several: dict[str, list[str]] = {}
    for each in columns.values():
        place = each.places.get(kind)
        if place is None:
            continue
        rows = [list(row) for row in each.written.cells]
        own = each.name == listed.name
        pairs = list(zip(each.cells(kind), each.cells("stand"), strict=True))
        called_here = called | (bare if _plot_first(pairs, bare, stands) else {})
        several |= called_here
        for row, number, of, name, stand in zip(
            rows,
            each.written.rows,
            each.cells(group),
            each.cells(kind),
            each.cells("stand"),
            strict=True,
        ):
            ways = short.get(alike(name), [])
            said = [] if own or alike(name) in known else called_here.get(alike(name), [])
            said = [  # of the plot and stand that the row itself names
                one
                for one in said
                if (not of or alike(of) == plot_of[one])
                and (not stand or stands[one] in ("", alike(stand)))
            ]
            if len(said) == 1:
                row[place] = said[0]
                why = "the tree by its plot and number"
                survey.readings.append(Reading(each.written.file, number, kind, name, said[0], why))
                continue
            if name in ("", OUT) or (not own and alike(name) in known):
                continue
            if of or own:
                # one that isn't listed is asked about by its whole name
                way = full.get((alike(of or OUT), alike(name)), f"{of}-{name}")
            else:
                ways = [one for one in ways if not stand or stands[one] in ("", alike(stand))]
                way = ways[0] if len(ways) == 1 else name
            if way != name:
                row[place] = way
                survey.readings.append(Reading(each.written.file, number, kind, name, way, reason))
        survey.tables[each.name] = replace(each.written, cells=rows)
    survey.short_names[kind] = several | short


def _plot_first(
    names: Sequence[tuple[str, str]], bare: dict[str, list[str]], stands: dict[str, str]
) -> bool:
    """Whether all bare pairs of numbers, each with its stand, are a plot's with a tree, and not
    also a tree's with a plot.
    """

    def is_one(name: str, stand: str) -> bool:
        ways = bare.get(alike(name), [])
        return any(not stand or stands[one] in ("", alike(stand)) for one in ways)

    pairs = [
        (found, stand) for name, stand in names if (found := re.fullmatch(r"(\d+)-(\d+)", name))
    ]
    there = all(is_one(found[0], stand) for found, stand in pairs)
    return there and not all(is_one(f"{found[2]}-{found[1]}", stand) for found, stand in pairs)


def _by_forms(
    full: dict[tuple[str, str], str],
    known: set[str],
    stands: dict[str, str],
    forms: Sequence[str],
) -> dict[str, list[str]]:
    """The names of trees in some forms, folded, and the full names, one in each stand that numbers
    its plots anew.
    """
    ways: dict[str, set[str]] = {}
    for (plot, tree), whole in full.items():
        of_stand = rf"(?:{re.escape(stands[whole])}\W+)?" if stands[whole] else ""
        number = re.fullmatch(rf"{of_stand}(?:plot|p)?\W*(\d+)", plot)
        if number is None or not tree.isdecimal():
            continue
        for form in forms:
            ways.setdefault(alike(form.format(number[1], tree)), set()).add(whole)
    return {way: sorted(of) for way, of in ways.items() if way not in known}


def _full_names(
    listed: _Columns, group: str, kind: str
) -> tuple[dict[tuple[str, str], str], dict[str, str]]:
    """The full name by group and short name, both folded; and the stand of each full name."""
    full: dict[tuple[str, str], str] = {}
    stands: dict[str, str] = {}
    names, places = listed.cells(kind), listed.cells(group)
    in_groups = {alike(name) for of, name in zip(places, names, strict=True) if of not in ("", OUT)}
    for of, name, stand in zip(places, names, listed.cells("stand"), strict=True):
        if name in ("", OUT):
            continue
        out = of in ("", OUT)
        way = f"{OUT if out else of}-{name}" if not out or alike(name) in in_groups else name
        way = full.setdefault((alike(of or OUT), alike(name)), way)
        stands.setdefault(way, alike(stand))
    return full, stands


def _drop_used(survey: WrittenSurvey) -> None:
    """Take out the columns by which names were found, so that they are not called unused."""
    for name in HELPED:
        written = survey.tables.get(name)
        if written is None:
            continue
        own = {column.name for column in table(name).columns}
        used = [column for column in ("stand", "plot", "tree") if column not in own]
        left = [place for place, column in enumerate(written.header) if column not in used]
        for column in used:
            if column in written.header:
                heading, read = written.headings.get(column, column), f"where the {column} is named"
                survey.readings.append(
                    Reading(written.file, written.header_row, column, heading, read, HEADING)
                )
        survey.tables[name] = replace(
            written,
            header=[written.header[place] for place in left],
            cells=[[row[place] for place in left] for row in written.cells],
        )
