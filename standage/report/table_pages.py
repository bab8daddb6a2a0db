"""Many stands on paper: a table, a row each, in place of pages of pictures."""

from __future__ import annotations

from itertools import accumulate

from matplotlib.figure import Figure

from standage.prose.brief import Brief
from standage.report.heading import Heading
from standage.report.paper import HEIGHT, LAST_LINE, MARGIN, WIDTH, Column, headed
from standage.report.shown_tables import Cell, ShownTable

SHARES = (0.22, 0.13, 0.15, 0.12, 0.13, 0.10, 0.075, 0.075)
"""Of the width of the page, by column of the overview."""
SIZE, SMALL = 7.0, 6.0  # of a cell's text, and of what stands below it [points]
BETWEEN, APART = 0.07, 0.05  # columns, rows [inches]


def table_pages(table: ShownTable, words: Brief, heading: Heading, title: str) -> list[Figure]:
    """As many pages as the rows need; the heads of the columns stand on each."""
    pages: list[Figure] = []
    down = HEIGHT
    heads = [Cell(head) for head in table.heads]
    for row in table.rows:
        if not pages or down + _height(pages[-1], row) > LAST_LINE:
            page, down = headed(heading, f"{title}{', continued' if pages else ''}")
            top = Column(page, MARGIN, WIDTH - 2 * MARGIN, down)
            if not pages:
                for said in (words.common, _where(len(table.rows)), words.words_note):
                    if said:
                        top.write(said)
            top.down += APART
            down = _write(page, heads, top.down, weight="bold")
            Column(page, MARGIN, WIDTH - 2 * MARGIN, down).rule()
            down += APART
            pages.append(page)
        down = _write(pages[-1], row, down)
    return pages


def _where(stands: int) -> str:
    return (
        f"{stands} stands, one in each row; a range below a number is its interval. Sentences"
        " about each are in brief.html, pictures in the folder figures of the results; what to mind"
        " is on the"
        " last page."
    )


def _columns(page: Figure, down: float) -> list[Column]:
    across = WIDTH - 2 * MARGIN
    starts = accumulate(SHARES, initial=0.0)
    return [
        Column(page, MARGIN + start * across, share * across - BETWEEN, down)
        for start, share in zip(starts, SHARES, strict=False)
    ]


def _write(page: Figure, row: list[Cell], down: float, *, weight: str = "normal") -> float:
    """A row, and where the next begins. [inches]"""
    columns = _columns(page, down)
    for column, cell in zip(columns, row, strict=True):
        column.write(cell.text, size=SIZE, weight=weight)
        if cell.below:
            column.write(cell.below, size=SMALL)
    return max(column.down for column in columns) + APART


def _height(page: Figure, row: list[Cell]) -> float:
    return max(
        column.height_of(cell.text, size=SIZE)
        + (column.height_of(cell.below, size=SMALL) if cell.below else 0.0)
        for column, cell in zip(_columns(page, 0.0), row, strict=True)
    )
