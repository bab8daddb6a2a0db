"""The brief as pages of paper, drawn by matplotlib: up to four stands a page, or a table of
many, then what to mind.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from itertools import chain

from matplotlib import rc_context
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from standage import figures
from standage.figures.axes import without_formulas
from standage.figures.styles import MILLIMETRES, in_style
from standage.findings.events_on_record import events_of
from standage.findings.findings import Findings
from standage.findings.unit_findings import UnitFindings
from standage.grammar import counted
from standage.prose.brief import MOST_VETERANS, Brief, StandBrief
from standage.report.heading import Heading
from standage.report.paper import HEAD, HEIGHT, LAST_LINE, LINE, MARGIN, TEXT, WIDTH, Column, headed
from standage.report.shown_tables import ShownTable
from standage.report.table_pages import table_pages

GAP = 8 / MILLIMETRES  # between columns [inches]
FOOT = 10 / MILLIMETRES  # of the line at the foot of a page [inches]
STANDS_A_PAGE = 4
LEAST_PICTURE = 1.6  # height that a picture needs [inches]
FEWEST_VETERANS = 2  # of a stand that are named, where there is no room for more
MOST_PICTURE = 3.2  # and that it takes at most [inches]


def brief_pdf(
    findings: Findings,
    words: Brief,
    heading: Heading,
    title: str,
    *,
    overview: ShownTable | None = None,
) -> bytes:
    """The brief as a PDF of A4 pages: a page for every four stands, and one of what to mind. The
    same result gives the same bytes.

    overview: of many stands, a table in place of their pages.
    """
    written = io.BytesIO()
    about = {"Title": title, "Creator": "standage", "CreationDate": None}
    with in_style("print"), rc_context({"pdf.fonttype": 42}):
        pages = (
            _pages(findings, words, heading, title)
            if overview is None
            else [
                *table_pages(overview, words, heading, title),
                last_page(words, None, heading, title),
            ]
        )
        with PdfPages(written, metadata=about) as file:
            for number, page in enumerate(pages, 1):
                foot = f"page {number} of {len(pages)}"
                page.text(1 - MARGIN / WIDTH, FOOT / HEIGHT, foot, fontsize=7, ha="right")
                without_formulas(page)
                file.savefig(page)
    return written.getvalue()


def _pages(findings: Findings, words: Brief, heading: Heading, title: str) -> list[Figure]:
    units = findings.units
    note = f"{words.picture_note} {words.words_note}"
    pages = []
    left_out: list[tuple[str, ...]] = []
    for first in range(0, len(units), STANDS_A_PAGE):
        those = slice(first, first + STANDS_A_PAGE)
        more = "" if first == 0 else f", continued: stands {first + 1} on"
        page, down = headed(heading, f"{title}{more}")
        top = Column(page, MARGIN, WIDTH - 2 * MARGIN, down)
        if words.common:
            top.write(words.common)
        if len(units) > STANDS_A_PAGE and first == 0:
            top.write(
                f"{len(units)} stands, {STANDS_A_PAGE} a page; what to mind is on the last page."
            )
        down = top.down
        left_out += _stands(page, findings, units[those], words.stands[those], note, down)
        pages.append(page)
    return [*pages, last_page(words, left_out, heading, title)]


def _stands(
    page: Figure,
    findings: Findings,
    units: tuple[UnitFindings, ...],
    stands: tuple[StandBrief, ...],
    note: str,
    down: float,
) -> list[tuple[str, ...]]:
    """Up to two stands below each other across the page; more, two abreast. Returns the sentences
    of each for which there is no room.
    """
    whole = Column(page, MARGIN, WIDTH - 2 * MARGIN, down)
    bottom = HEIGHT - MARGIN - whole.height_of(note) - 0.05
    abreast = 2 if len(units) > 2 else 1
    rows = -(-len(units) // abreast)
    width = (WIDTH - 2 * MARGIN - (abreast - 1) * GAP) / abreast
    height = (bottom - down) / rows
    left_out = []
    for number, (unit, stand) in enumerate(zip(units, stands, strict=True)):
        row, across = divmod(number, abreast)
        column = Column(page, MARGIN + across * (width + GAP), width, down + row * height)
        left_out.append(_stand(column, findings, unit, stand, down + (row + 1) * height))
    whole.down = bottom + 0.05
    whole.write(note)
    return left_out


def _stand(
    column: Column, findings: Findings, unit: UnitFindings, stand: StandBrief, bottom: float
) -> tuple[str, ...]:
    """Headline, picture, and what is known and not known: the picture has the room that is left.
    Returns what there is no room for.
    """
    column.rule()
    column.write(stand.title, size=HEAD, weight="bold")
    column.write(stand.headline, size=TEXT + 0.5)
    below, left_out = fitting(column, stand, bottom - column.down - LEAST_PICTURE - 0.15)
    taken = _height(column, below)
    room = bottom - column.down - taken - 0.15
    height = min(max(room, LEAST_PICTURE), MOST_PICTURE)
    draw_ages(column, findings, unit, height)
    column.down += height + 0.06
    for words, weight in below:
        column.write(words, weight=weight)
        column.down += 0.02
    return left_out


Line = tuple[str, str]  # words and their weight


def fitting(column: Column, stand: StandBrief, room: float) -> tuple[list[Line], tuple[str, ...]]:
    """What is known and not known of a stand, in the room there is [inches], and what is left: what
    is known goes to the last page, from its end; that it does is said.
    """
    unknown = [("Not known:", "bold"), *((line, "normal") for line in stand.unknown)]
    if not stand.unknown:
        unknown = []
    for number in range(len(stand.more), -1, -1):
        left = len(stand.more) - number
        below = [*((line, "normal") for line in stand.more[:number]), *unknown]
        if left:
            below.append((f"{counted(left, 'more sentence')} on the last page.", "normal"))
        if _height(column, below) <= room:
            break
    return below, stand.more[number:]


def _height(column: Column, below: list[Line]) -> float:
    return sum(column.height_of(words, weight=weight) + 0.02 for words, weight in below)


def draw_ages(column: Column, findings: Findings, unit: UnitFindings, height: float) -> None:
    """The age classes of a unit in a box of the page. height: of the box [inches]"""
    page = column.page
    box = (column.left, HEIGHT - column.down - height, column.width, height)
    left, bottom, right, top = 0.55, 0.6, 0.05, 0.08  # first guess of the margins [inches]
    own = events_of(findings.survey, unit.stand)
    for drawing in range(3):  # words are placed by the width of the axes, which margins decide
        ax = page.add_axes(_part(box, left, bottom, right, top))
        figures.plot_cohorts(unit.cohorts, trees=unit.trees, pulses=unit.pulses, events=own, ax=ax)
        ax.set_title("", loc="left")
        if "\n" not in ax.get_ylabel():  # of a low picture it would run out of its box
            ax.set_ylabel(ax.get_ylabel().replace("Living stems (", "Stems\n("))
        drawn = ax.get_tightbbox(page.canvas.get_renderer())  # type: ignore[attr-defined]
        if drawing == 2 or drawn is None:
            break
        left += box[0] - drawn.x0 / page.dpi
        bottom += box[1] - drawn.y0 / page.dpi
        right += max(drawn.x1 / page.dpi - box[0] - box[2], 0.0)
        ax.remove()


def _part(
    box: tuple[float, float, float, float], left: float, bottom: float, right: float, top: float
) -> tuple[float, float, float, float]:
    """What margins leave of a box, as shares of the page. [inches]"""
    width, height = max(box[2] - left - right, 0.5), max(box[3] - bottom - top, 0.3)
    return (
        (box[0] + left) / WIDTH,
        (box[1] + bottom) / HEIGHT,
        width / WIDTH,
        height / HEIGHT,
    )


def last_page(
    words: Brief, left_out: list[tuple[str, ...]] | None, heading: Heading, title: str
) -> Figure:
    """Seedlings, old trees and what to mind. left_out: sentences of each stand for which its page
    has no room; None of so many stands that nothing is said of each.
    """
    page, down = headed(heading, "What to mind")
    top = Column(page, MARGIN, WIDTH - 2 * MARGIN, down)
    top.write(title)
    down = top.down + 0.04
    width = (WIDTH - 2 * MARGIN - GAP) / 2
    first = Column(page, MARGIN, width, down)
    first.rule()
    if left_out is None:
        first.heading("Seedlings, and old trees to spare")
        first.write("Of each stand in brief.html; every tree in old_trees.csv.")
        if words.old_note:
            first.write(words.old_note)
    else:
        _of_each_stand(first, words, left_out)
    second = Column(page, MARGIN + width + GAP, width, down)
    second.rule()
    for head, sentences in (
        ("What not to conclude", words.not_to_conclude),
        ("Cautions", words.cautions),
        ("How it was done", words.method),
        ("How to cite", (words.citation,)),
    ):
        second.heading(head)
        second.points(sentences)
    return page


def _of_each_stand(column: Column, words: Brief, left_out: list[tuple[str, ...]]) -> None:
    """What its page had no room for, its seedlings, and as many old trees as there is room for."""
    _by_stand(column, "Continued from before", words.stands, left_out)
    seedlings = [(stand.regeneration,) if stand.regeneration else () for stand in words.stands]
    _by_stand(column, "Seedlings", words.stands, seedlings)
    for most in range(MOST_VETERANS, FEWEST_VETERANS - 1, -1):
        old = [stand.old_trees(most) for stand in words.stands]
        if column.down + _height_by_stand(column, words.stands, old, words.old_note) <= LAST_LINE:
            break
    _by_stand(column, "Old trees, to spare", words.stands, old, note=words.old_note)


def _height_by_stand(
    column: Column, stands: tuple[StandBrief, ...], sentences: list[tuple[str, ...]], note: str
) -> float:
    """What a heading takes with what there is of each stand. [inches]"""
    lines = [note, *(stand.title for stand in stands), *chain(*sentences)]
    heading = 0.09 + LINE * HEAD / 72
    return heading + sum(column.height_of(line) for line in lines) + 0.04 * len(stands)


def _by_stand(
    column: Column,
    head: str,
    stands: tuple[StandBrief, ...],
    sentences: Sequence[tuple[str, ...]],
    *,
    note: str = "",
) -> None:
    """A heading, and what there is of each stand: a sentence, then points. Stands that the page has
    no room for are counted.
    """
    shown = [(stand.title, own) for stand, own in zip(stands, sentences, strict=True) if own]
    if not shown:
        return
    column.heading(head)
    if note:
        column.write(note)
    for number, (title, (sentence, *points)) in enumerate(shown):
        lines = [title, sentence, *points]
        if column.down + sum(column.height_of(line) for line in lines) > LAST_LINE:
            column.write(f"{counted(len(shown) - number, 'more stand')} in report.html.")
            break
        column.write(title, weight="bold")
        column.write(sentence)
        column.points(points)
        column.down += 0.04
