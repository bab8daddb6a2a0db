"""The columns of a survey for people to read: the page docs/survey-tables.md and the sheet that
comes with empty forms.
"""

from __future__ import annotations

from standage.survey.schema import TABLES, Column

CALENDAR_YEAR = "calendar year"

INTRODUCTION = """\
# The tables of a survey

*This page is written by `standage.survey.column_reference`; edit `standage/survey/schema.py` instead.*

A survey is a folder of CSV files, or an .xlsx workbook with sheets of the same names (alone in a folder or not). Only
`stands`, `trees` and `cores` are needed. Columns may come in any order; optional ones may be left out, columns of your own are ignored. **Bold** names must be filled; "(kept)" marks columns that no model uses. A blank cell means "not recorded", never
zero. `standage new DIR` makes empty forms; `standage check SURVEY` reports all problems. The header is row 1.

CSV files are UTF-8, separated by commas, with decimal points; dates are YYYY-MM-DD. The forms give the range allowed in each column. Identifiers are free text, compared letter by letter;
an apostrophe before `=`, `+`, `-` or `@` at the start of a cell is removed.

**Sheets of your own.** Trees and cores may share one sheet or CSV file, a row a core:

```
Tag #,Plot,Plot size (ac),Min DBH (in),Species,DBH (in),Date cored,Core height (ft),Rings,Pith
101,1,0.2,2,Longleaf,14.2,7/14/2021,1,88,yes
102,1,0.2,2,Longleaf,3.4,,,,
```

Headings, units, species and codes are read as crews write them. Cells read otherwise than written are listed; what has two meanings is refused.

- **Names.** Trees numbered anew in each plot, plots in each stand and cores lettered on each tree become `PLOT-TREE`, `STAND-PLOT`, `TREE-CORE`: put plot (and stand)
  beside the tree in cores and counts too. Cores without names are called after their trees.
- **Words in cells.** `hollow, 30+`, `112 pith`, `83 + 6 to pith`, `no core` in rings; `~7`, `2 yr`, `10-15?` in rings to the pith; `2022 inc` in the last ring; `BH`, `stump 12"` in heights; `20 x 20 m`, `r = 11.28 m` in areas; `both`, `all` for the stands of
  an event. Pith `no` needs what was seen, an estimate or a distance; `N/A` in dbh is a lost diameter. A plot with no tree (or `none`) was found empty.
- **A sheet or file for each plot.** They are read one under another; the sheet's name is the plot where no column is, and its title gives date, plot area
  (`1/5 acre plots`, `radius 15 m`) and smallest diameter. A row `PLOT 2` above its stems also names a plot.
- **Counts** may have a column for each stage (`Germinants`, `Grass`, `Bolting`, `Saplings`; `N/A` = not searched), in a sheet of their own; rows of totals are left out.
- **No table `stands` or `plots`:** stands are those of the trees, surveyed on the last day of their cores or stems. Lines of a sheet of notes (`Field work | 11-13 June
  2024`, `Plots | 0.1 ha each`, `Seedlings | one 5 m radius subplot`) and titles (`cores at 1 ft`, `last complete ring 2023`, `species blank = longleaf`, `blank = 0`) are
  looked at for what no column says. A line with `not`, `except`, `but` or words of other things is
  left alone; one above one of several sheets is of that sheet.
- **Histories** may be in words: `fire kept out`, `burned every 3 years`, `since 1992`, `winter 1996/97`. One kind a row.

For other headings `standage check SURVEY --draft` writes `columns.toml` (beside a single file `NAME.columns.toml`), a line a heading, to correct:


```toml
[[sheet]]
name = "field.csv"
holds = "trees and cores"    # or one table; "" = not read
[sheet.columns]
"thick" = {column = "dbh_cm", unit = "in"}
"Nr" = "tree"
[sheet.values]               # the same in every row
survey_date = "2021-07-14"
```

`check --mark FILE.xlsx` writes a workbook with cells coloured, messages as comments; `check --all` names each stem, core and count that takes no part.

**The workbook of forms**, `standage new DIR --xlsx`, begins with instructions; a column's name shows its meaning under the
pointer. A title above the header and rows in square brackets are skipped. A row of units is understood; a unit that is not the column's (`in` below `dbh_cm`) is a problem. Formulas are read as their results. Delete the example rows.
"""


def requirement(column: Column) -> str:
    """Whether the column must be filled, in words."""
    return column.required or "no"


def column_rows() -> list[tuple[str, ...]]:
    """A row a column, in the order of `COLUMN_HEADER`. model: `used`, or `kept` for tables and
    cards only.
    """
    return [
        (
            table.name,
            column.name,
            requirement(column),
            column.unit,
            column.allowed,
            _blank(column),
            "kept" if column.kept else "used",
            column.meaning,
        )
        for table in TABLES
        for column in table.columns
    ]


COLUMN_HEADER = (
    "table",
    "column",
    "required",
    "unit",
    "allowed",
    "blank_means",
    "model",
    "meaning",
)


def _blank(column: Column) -> str:
    if column.default:
        return column.default
    return "not allowed" if column.required == "yes" else "not recorded"


def column_reference() -> str:
    """The page docs/survey-tables.md as Markdown; a test holds the file to it."""
    parts = [INTRODUCTION]
    for table in TABLES:
        parts.append(
            f"\n## {table.file}\n\nEach row:"
            f" {table.one_row}.{'' if table.needed else ' Optional.'}\n\n"
        )
        described: dict[str, list[str]] = {}
        for column in table.columns:
            name = f"**`{column.name}`**" if column.required == "yes" else f"`{column.name}`"
            described.setdefault(_described(column), []).append(name)
        parts += [f"- {', '.join(names)}{text}\n" for text, names in described.items()]
    parts.append(RING_FILES)
    parts.append(RELATIONS)
    return "".join(parts)


def _described(column: Column) -> str:
    """What a cell may hold, and all that is said of the column. (markdown)"""
    allowed, meaning = _allowed_briefly(column), column.meaning
    meaning += f". Default: {column.default}" if column.default else ""
    meaning += " (kept)" if column.kept else ""
    if column.required not in ("", "yes"):
        meaning += f". Required: {column.required}"
    return f" ({allowed}): {meaning}" if allowed else f": {meaning}"


def _allowed_briefly(column: Column) -> str:
    """What a cell may hold, in the fewest words, with its unit. (markdown)"""
    if column.codes:
        return ", ".join(f"`{code}`" for code in column.codes)
    if column.is_number:
        if column.unit == CALENDAR_YEAR:
            return "year"
        return f"whole {column.unit}" if column.kind == "whole" else column.unit
    brief = {
        "date": "YYYY-MM-DD",
        "identifier": "unique",
        "reference": f"in {column.refers_to}.csv",
    }
    return brief.get(column.kind, "")


RING_FILES = """
### Ring widths as decadal files

A folder `rings/` in the survey, in place of `ring_widths.csv` or for other cores, may hold files in the decadal format
of the public tree-ring archive, ending in `.rwl` (or `.raw`). A line holds a name in columns 1-8, a calendar year in columns 9-12, and
up to ten widths of six columns, to the end of the decade. The mark after the last ring gives the unit: `999` = hundredths of a
millimetre, `-9999` = thousandths. A width of 0 is an absent ring.

- **Which core.** A series belongs to the core whose identifier is its name, capitals and inner blanks included, or FILE-NAME, as `site-11A` for the series `11A` of
  `rings/site.rwl`. A name that nearly is that of a core without widths is a problem. A note lists series without a core; they are left out.
- **Accepted:** header lines or none; names of eight columns, or with blanks; the end mark on its own line or in an eleventh column; lines with `#`; with a note
  lines out of columns that can be read in one way only.
- **Refused:** what can be read in two ways, such as a series without an end mark or 999 in the middle of hundredths; years missing or twice; a core in
  two files with other widths.
- **Parts.** A series closed by an end mark and resumed years later dates the core by its first and last ring; releases use the longest part,
  with a note. In `ring_widths.csv` a missing year is a problem.
- **cores.csv may leave blank** `first_ring_year` and `last_ring_year`; they come from the series. But its first ring is not the first
  seen where `ring_count` has more; nor its last the last of a live stem's core if more than two years before
  coring, or if `outer_ring` is `partial` and the series ends before that season.
"""

RELATIONS = """
## What must agree

`check` names every disagreement. Rules that the columns don't show:

- No ring is younger than its core: one taken in January has the ring of the year before as its last.
- `ring_count` is the years from `first_ring_year` to `last_ring_year`, or one fewer where the last ring was still growing; within a
  tenth in a crossdated core. A core has at least 0.1 mm of wood a ring.
- An arc goes with centre `arcs`, `rotten` or `unknown`, its height at most half of the chord.
- Ring widths lie within the core's years and are no more than `ring_count` (a tenth more if crossdated); none is later than coring or death, or over three years before planting.
  Their sum fits `core_length_mm` and the diameter at the core (or `dbh_cm`); ten rings and more have a mean from 0.1 to 15 mm.
- A live stem in a plot has a diameter within its limits.
- A stem whose `core_outcome` is `taken` has a core in cores.csv; leave it blank while cores are being read.


"""
