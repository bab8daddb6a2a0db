"""The columns of a survey for people to read: the page docs/survey-tables.md and the sheet that
comes with empty forms.
"""

from __future__ import annotations

from standage.survey.schema import TABLES, Column

INTRODUCTION = """\
# The tables of a survey

*This page is written by `standage.survey.column_reference`; edit `standage/survey/schema.py` instead.*

A survey is one folder of CSV files, or one .xlsx workbook whose sheets have the same names; a folder that holds nothing but that
workbook may be given in its place. Only `stands`, `trees` and `cores`
are needed to begin. Units are in the names of the columns. A blank cell means "not recorded" and is never a zero. The order of
columns does not matter, optional ones may be left out, and columns of your own are kept and not used.

CSV files are UTF-8, parted by commas, with decimal points; dates are written YYYY-MM-DD. Identifiers are free text and compared
letter by letter; one apostrophe before `=`, `+`, `-` or `@` at the start of a cell, by which text is kept from being a formula, is taken
away. `standage new DIR` makes empty forms; `standage check SURVEY` reports everything that is wrong at once, with file,
row, column, what was found, what was expected and what to do. Rows are numbered as in a spreadsheet: the header is row 1.

**The workbook of forms.** `standage new DIR --xlsx` makes one workbook with a first sheet that tells how to fill it in. Cells with a list
take only the words of the list; hold the pointer over a column's name to read what it means. The row below the names holds the units in
square brackets. It may stay, or be sorted away: a row of units or of words in square brackets is never read as data. A row of units of
your own is understood too, and a unit that is not the column's (`in` below `dbh_cm`) is a problem that says how to convert. A title above
the header is skipped, with a note. Dates and numbers may be typed as the spreadsheet likes them, and formulas are read as their results.
Delete the example rows: one that is left among rows of your own is a problem, and so is a row of yours that still has the example's note.
"""


def requirement(column: Column) -> str:
    """Whether the column must be filled, in words."""
    return column.required or "no"


def column_rows() -> list[tuple[str, str, str, str, str, str, str]]:
    """A row a column: (table, column, required, unit, allowed, blank means, meaning), all text."""
    return [
        (
            table.name,
            column.name,
            requirement(column),
            column.unit,
            column.allowed,
            _blank(column),
            column.meaning,
        )
        for table in TABLES
        for column in table.columns
    ]


COLUMN_HEADER = ("table", "column", "required", "unit", "allowed", "blank_means", "meaning")


def _blank(column: Column) -> str:
    if column.default:
        return column.default
    return "not allowed" if column.required == "yes" else "not recorded"


def column_reference() -> str:
    """The page docs/survey-tables.md as Markdown; a test holds the file to it."""
    parts = [INTRODUCTION]
    for table in TABLES:
        parts.append(
            f"\n## {table.file}\n\nOne row for"
            f" {table.one_row}.{'' if table.needed else ' Optional.'}\n\n| column | required | unit"
            " | allowed | meaning |\n|---|---|---|---|---|\n"
        )
        for column in table.columns:
            meaning = column.meaning + (f". Default: {column.default}" if column.default else "")
            allowed = ", ".join(f"`{code}`" for code in column.codes) or column.allowed
            cells = (f"`{column.name}`", column.required, column.unit, allowed, meaning)
            parts.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n")
    parts.append(RING_FILES)
    parts.append(RELATIONS)
    return "".join(parts)


RING_FILES = """
### Ring widths as decadal files

In place of `ring_widths.csv`, or beside it for other cores, a folder `rings/` inside the survey's folder may hold files in the decadal
format that the public tree-ring archive distributes, ending in `.rwl` (or `.raw`). A line holds a name in columns 1-8, a calendar year
in columns 9-12, and up to ten widths of six columns, to the end of the decade. The mark after the last ring tells the unit: `999` =
hundredths of a millimetre, `-9999` = thousandths. A width of 0 is an absent ring, and is kept.

- **Which core.** A series belongs to the core whose identifier is its name, capitals and inner blanks included, outer blanks not. Names
  are unique only within a file: a core may also be called FILE-NAME, as `site-11A` for the series `11A` of `rings/site.rwl`. A name that
  differs from a core without widths in capitals, marks, blanks or leading zeros only is a problem that suggests the core. Series without
  a core are left out; a note lists them.
- **Taken as they come:** up to three header lines, none, or headers again further down; names of eight columns that run into the year;
  names with blanks; line ends of every kind; the end mark on a line of its own or in an eleventh place; lines with `#`. With a note:
  lines that keep to no columns but can be read in one way only; words between series or after an end mark; zeros after `-9999`.
- **Refused, with file and line:** a series without an end mark, or with both; 999 in the middle of hundredths (a ring of 9.99 mm?);
  more widths than the decade has years left; years missing or twice; negative widths; anything that can be read in two ways.
- **Parts.** A series closed by an end mark and taken up again some years later is in parts. Its first and last ring date the core;
  releases use its longest part, and a note says so. In `ring_widths.csv` a year left out is a problem.
- **A core in two files** is taken once where the widths are the same, and refused where not.
- **What cores.csv may leave blank.** `first_ring_year` and `last_ring_year` come from the series. The first ring measured is not taken
  for the first seen where `ring_count` says there were more; the last one measured not for the last of a live stem's core if it lies
  more than two years before the core was taken, or if `outer_ring` is `partial` and the series ends before that season.
"""

RELATIONS = """
## What must agree

- A stem's plot lies in the stem's stand; the diameter of a live stem in a plot lies within the limits of the plot.
- No ring is younger than the core it is in, or than the survey. A growing season begins on 1 March: a core taken in January has the
  ring of the year before as its last.
- `first_ring_year`, `last_ring_year` and `ring_count` agree: as many rings as years, or one fewer where the last ring was still
  growing. A crossdated core may differ by a tenth, for crossdating finds the rings that a count misses or doubles.
- A core has at least 0.1 mm of wood a ring.
- Where the pith is in the core nothing is missing; an arc is given for centre `arcs`, `rotten` or `unknown`, chord and height together,
  the height at most half of the chord.
- `crossdated_back_to_year` goes with dating `crossdated`; `planted_year` with origin `planted`; `death_year` with `dead` and `stump`.
- Ring widths lie within `first_ring_year` and `last_ring_year`, are no more than `ring_count` (a tenth more if crossdated), none after
  the core was taken or the tree died, none more than three years before it was planted.
- Widths add up to no more than 1.25 times `core_length_mm` and to no more than the diameter at the core (or `dbh_cm`); in a fully
  measured core to at least half of `core_length_mm`, and with centre `pith` or `arcs` to a fifth of the radius; ten rings and more have a
  mean from 0.1 to 15 mm. A series or file that grows unlike the others or unlike trees is asked about in a note. A unit ten times off
  is never put right silently.
- A subplot is no larger than its plot. The range in which an event began is written first year first.
- A stem whose `core_outcome` is `taken` has a core in cores.csv; leave it blank while cores are still being read.

Without any core, a survey with stems in plots can still be dated by size alone, and says so.
"""
