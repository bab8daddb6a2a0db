"""The columns of a survey for people to read: the page docs/survey-tables.md and the sheet that comes with empty forms."""

from __future__ import annotations

from standage.tables import TABLES, Column

INTRODUCTION = """\
# The tables of a survey

*This page is written by `standage.column_reference`; edit `standage/tables.py` instead.*

A survey is one folder of CSV files, or one .xlsx workbook whose sheets have the same names. Only `stands`, `trees` and `cores`
are needed to begin. Units are in the names of the columns. A blank cell means "not recorded" and is never a zero. The order of
columns does not matter, optional ones may be left out, and columns of your own are kept and not used.

CSV files are UTF-8, parted by commas, with decimal points; dates are written YYYY-MM-DD. Identifiers are free text and compared
letter by letter. `standage new DIR` makes empty forms; `standage check SURVEY` reports everything that is wrong at once, with file,
row, column, what was found, what was expected and what to do. Rows are numbered as in a spreadsheet: the header is row 1.
"""


def requirement(column: Column) -> str:
    """Whether the column must be filled, in words."""
    return column.required or "no"


def column_rows() -> list[tuple[str, str, str, str, str, str, str]]:
    """A row a column: (table, column, required, unit, allowed, blank means, meaning), all text."""
    return [(table.name, column.name, requirement(column), column.unit, column.allowed, _blank(column), column.meaning)
            for table in TABLES for column in table.columns]


COLUMN_HEADER = ("table", "column", "required", "unit", "allowed", "blank_means", "meaning")


def _blank(column: Column) -> str:
    if column.default:
        return column.default
    return "not allowed" if column.required == "yes" else "not recorded"


def column_reference() -> str:
    """The page docs/survey-tables.md as Markdown; a test holds the file to it."""
    parts = [INTRODUCTION]
    for table in TABLES:
        parts.append(f"\n## {table.file}\n\nOne row for {table.one_row}.{'' if table.needed else ' Optional.'}\n\n"
                     "| column | required | unit | allowed | meaning |\n|---|---|---|---|---|\n")
        for column in table.columns:
            meaning = column.meaning + (f". Default: {column.default}" if column.default else "")
            allowed = ", ".join(f"`{code}`" for code in column.codes) or column.allowed
            cells = (f"`{column.name}`", column.required, column.unit, allowed, meaning)
            parts.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n")
    parts.append(RELATIONS)
    return "".join(parts)


RELATIONS = """
## What must agree

- A stem's plot lies in the stem's stand; the diameter of a live stem in a plot lies within the limits of the plot.
- No ring is younger than the core it is in, or than the survey. A growing season begins on 1 March: a core taken in January has the
  ring of the year before as its last.
- `first_ring_year`, `last_ring_year` and `ring_count` agree: as many rings as years, or one fewer where the last ring was still
  growing. A crossdated core may differ by a tenth, for crossdating finds the rings that a count misses or doubles.
- A core has at least 0.1 mm of wood a ring.
- Where the pith is in the core nothing is missing; an arc is given for centre `arcs`, `decayed` or `unknown`, chord and height together,
  the height at most half of the chord.
- `crossdated_back_to_year` goes with dating `crossdated`; `planted_year` with origin `planted`; `death_year` with `dead` and `stump`.
- A subplot is no larger than its plot. The range in which an event began is written first year first.
- A stem whose `core_outcome` is `taken` has a core in cores.csv; leave it blank while cores are still being read.

Without any core, a survey with stems in plots can still be dated by size alone, and says so.
"""
