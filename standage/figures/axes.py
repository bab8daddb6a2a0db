"""Axes to draw on, and what all pictures share.

Pictures are drawn on Figure objects with the Agg canvas and never touch a global figure, so that
they can be made in any thread and on machines without a screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import Any

import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.transforms import ScaledTranslation

from standage.figures.styles import current_style

LINE = 1.25  # height of a line of letters against their size
LETTERS_BESIDE = 32  # of a name in a line beside an axis, on a page
LETTER_WIDTH = 0.55  # of a letter against the size of the type, with room to spare
LETTERS_OF_A_MARK = 4  # width of a mark in a legend, or of a margin
LETTERS_AN_INCH = 4  # of such a line, for each inch of a narrower picture
PALE = 0.4  # of the shade of years that a pulse may reach, against that of its likely years
NARROW = 5.0  # axes narrower than this have their notes one below the other [inches]


def drawing_axes(ax: Axes | None, *, height: float = 3.6) -> Axes:
    """The Axes given, or those of a new figure of one panel in the current style. height: of the
    new figure on the screen [inches]
    """
    if ax is not None:
        return ax
    style = current_style()
    return new_figure(style.width, style.height_scale * height).subplots()


def new_figure(width: float, height: float) -> Figure:
    """A figure of its own with an Agg canvas. [inches]"""
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def plain(ax: Axes) -> Axes:
    """Without the two lines that carry no scale."""
    ax.spines[["top", "right"]].set_visible(False)
    return ax


def unit_title(table: pd.DataFrame) -> str:
    """`Stand, species` of a table about one unit."""
    first = table.iloc[0]
    return f"{first['stand']}, {first['species'].replace('-', ' ')}"


def beside_axis(name: str) -> str:
    """A name as the label of a bar: two lines at most, so that a long one leaves room for the
    bars.
    """
    letters = min(LETTERS_BESIDE, int(LETTERS_AN_INCH * current_style().width))
    return "\n".join(wrap(name, letters, max_lines=2, placeholder="…"))


def years_are(table: pd.DataFrame) -> str:
    """What the years of a table are years of, for an axis label."""
    return (
        "Year of arrival at coring height"
        if table["basis"].iloc[0] == "coring height"
        else "Year of establishment"
    )


def chance(probability: float) -> str:
    """A probability in per cent that never claims certainty: draws can't tell 100 % from 99.9 %."""
    if probability > 0.99:
        return "> 99 %"
    return "< 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def shade_pulse(ax: Axes, pulse: Any) -> None:
    """Shades the years of a pulse behind what is drawn: pale from the earliest year in which it may
    have begun to the latest in which it may have ended, dark between its medians.

    pulse: a row of the pulse table, as a tuple with names.
    """
    ink = current_style().pulse
    for first, last, alpha in (
        (pulse.start_low, pulse.end_high, PALE),
        (pulse.start_median, pulse.end_median, 1.0),
    ):
        ax.axvspan(first, last + 1, facecolor=ink, alpha=alpha, linewidth=0, zorder=0)


def explain_below(
    ax: Axes, notes: Sequence[str], *, handles: Sequence[Artist] = (), lane: float = 0.0
) -> None:
    """What marks stand for, below the axis and its label, two abreast where there is room.

    handles : marks shown with their own label. lane : height of a lane of events between the axis
        and its numbers. [inches]
    """
    shown = [*handles, *(Line2D([], [], linestyle="none", label=note) for note in notes)]
    if not shown:
        return
    style = current_style()
    # ticks, their numbers, the label [inches]
    down = lane + (9 + LINE * style.points(10) + 4 + LINE * style.points(10)) / 72
    below = ax.transAxes + ScaledTranslation(0, -down, ax.figure.dpi_scale_trans)
    wide = ax.get_position().width * ax.figure.bbox.width / ax.figure.dpi >= NARROW
    lengths = {} if handles else {"handlelength": 0, "handletextpad": 0}
    ax.legend(
        handles=shown,
        fontsize=style.points(8),
        frameon=False,
        ncols=2 if wide else 1,
        loc="upper left",
        bbox_to_anchor=(0, 0),
        bbox_transform=below,
        borderaxespad=0,
        **lengths,
    )


# share of a narrow picture's width that its axes have, below which the words of an axis are centred
# (assumption)
OF_AXES = 0.65


def wrap_to_width(figure: Figure) -> None:
    """Titles, labels and legends in lines that a narrow picture has room for; it grows by as much
    as these take.
    """
    inches = figure.get_figwidth()
    grown = 0.0
    for ax in figure.axes:
        legend = ax.get_legend()
        of_legend = legend.get_texts() if legend else []
        rooms = [inches * OF_AXES, *([inches] * len(of_legend))]
        for text, room in zip((ax.xaxis.label, *of_legend), rooms, strict=True):
            before, points = text.get_text(), float(text.get_fontsize())
            text.set_text(_in_lines(before, points, room))
            added = text.get_text().count("\n") - before.count("\n")
            grown += max(added, 0) * LINE * points / 72
        title = ax.get_title(loc="left")
        lines = _in_lines(title, current_style().points(12), inches)
        if lines != title:  # else it would lose its distance from the axes
            ax.set_title(lines, loc="left")
        names = [label.get_text() for label in ax.get_yticklabels()]
        if any(letter.isalpha() for name in names for letter in name):
            ax.set_yticks(ax.get_yticks(), [_in_lines(name, 8, inches / 3, 2) for name in names])
    figure.set_figheight(figure.get_figheight() + grown)


def _in_lines(words: str, points: float, inches: float, most: int | None = None) -> str:
    letters = max(8, int(inches * 72 / (LETTER_WIDTH * points)) - LETTERS_OF_A_MARK)
    lines = (
        line
        for part in words.splitlines()
        for line in wrap(part, letters, max_lines=most, placeholder="…")
    )
    return "\n".join(lines)


def without_formulas(figure: Figure) -> None:
    """Dollar signs in names of stands and trees are dollar signs."""
    for text in figure.findobj(Text):
        text.set_parse_math(False)
