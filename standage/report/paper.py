"""A page of paper drawn by matplotlib: lines of type in columns, a head, rules."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from matplotlib import rcParams
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.image import imread

from standage.figures.styles import MILLIMETRES
from standage.prose.wording import unbroken
from standage.report.heading import Heading, image_type

WIDTH, HEIGHT = 210 / MILLIMETRES, 297 / MILLIMETRES  # A4 [inches]
MARGIN = 14 / MILLIMETRES  # [inches]
TEXT, HEAD, TITLE = 8.0, 10.0, 15.0  # sizes of type [points]
LINE = 1.3  # height of a line against its type
LOGO = 12 / MILLIMETRES  # height of a logo [inches]
LAST_LINE = HEIGHT - MARGIN - 0.2  # where a column ends [inches]


@dataclass
class Column:
    """Lines of type from the top of a page down. left, width, down: [inches]; `down` is where the
    next line begins, measured from the top.
    """

    page: Figure
    left: float
    width: float
    down: float

    def write(
        self, words: str, *, size: float = TEXT, weight: str = "normal", mark: str = ""
    ) -> None:
        """Words in as many lines as they need, with a mark before the first of them."""
        indent = 0.13 if mark else 0.0
        for number, line in enumerate(self._lines(words, size, weight, self.width - indent)):
            if mark and not number:
                self._put(mark, self.left, size, weight)
            self._put(line, self.left + indent, size, weight)
            self.down += LINE * size / 72

    def height_of(self, words: str, *, size: float = TEXT, weight: str = "normal") -> float:
        """What these words take. [inches]"""
        return len(self._lines(words, size, weight, self.width)) * LINE * size / 72

    def heading(self, words: str) -> None:
        self.down += 0.09
        self.write(words, size=HEAD, weight="bold")

    def points(self, sentences: Iterable[str]) -> None:
        for sentence in sentences:
            self.write(sentence, mark="\u2013")

    def rule(self) -> None:
        """A line across."""
        ax = self.page.add_axes((self.left / WIDTH, 1 - self.down / HEIGHT, self.width / WIDTH, 0))
        ax.set_axis_off()
        ax.axhline(0, color="#1a1a1a", linewidth=1.2, clip_on=False)
        self.down += 0.05

    def _put(self, words: str, left: float, size: float, weight: str) -> None:
        self.page.text(
            left / WIDTH, 1 - self.down / HEIGHT, words, fontsize=size, fontweight=weight, va="top"
        )

    def _lines(self, words: str, size: float, weight: str, width: float) -> list[str]:
        lines, line = [], ""
        for word in unbroken(words).split(" "):
            longer = f"{line} {word}".strip()
            if line and _width(self.page, longer, size, weight) > width:
                lines.append(line)
                longer = word
            line = longer
            while len(line) > 1 and " " not in line:  # a word that is wider than the column
                shown = width / max(_width(self.page, line, size, weight), 1e-9)
                if shown >= 1:
                    break
                cut = max(int(len(line) * shown), 1)
                lines.append(line[:cut])
                line = line[cut:]
        return [*lines, line]


def headed(heading: Heading, title: str) -> tuple[Figure, float]:
    """A page with its head, and where its column begins. [inches]"""
    page = Figure(figsize=(WIDTH, HEIGHT))
    FigureCanvasAgg(page)
    room = 0.0
    if heading.logo:
        kind = image_type(heading.logo).removeprefix("image/")
        picture = imread(io.BytesIO(heading.logo), format=kind)
        room = min(LOGO * picture.shape[1] / picture.shape[0], 3 * LOGO)
        ax = page.add_axes(
            (1 - (MARGIN + room) / WIDTH, 1 - (MARGIN + LOGO) / HEIGHT, room / WIDTH, LOGO / HEIGHT)
        )
        ax.imshow(picture)
        ax.set_axis_off()
    top = Column(page, MARGIN, WIDTH - 2 * MARGIN - room, MARGIN)
    top.write(title, size=TITLE, weight="bold")
    if heading.lines:
        top.write(" \u00b7 ".join(heading.lines))
    if room:
        top.down = max(top.down, MARGIN + LOGO)
    top.down += 0.04
    return page, top.down


def _width(page: Figure, words: str, size: float, weight: str) -> float:
    """Of words in a line. [inches]"""
    family = tuple(rcParams["font.family"])
    return _pixels(words, size, weight, family, page.dpi) / page.dpi


@lru_cache(maxsize=2**16)  # lines grow by a word at a time, and a table says the same in many rows
def _pixels(words: str, size: float, weight: str, family: tuple[str, ...], dpi: float) -> float:
    font = FontProperties(family=list(family), size=size, weight=weight)
    width, _, _ = RendererAgg(1, 1, dpi).get_text_width_height_descent(words, font, ismath=False)
    return float(width)
