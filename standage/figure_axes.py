"""Axes to draw on, and the few colours all pictures share.

Pictures are drawn on Figure objects with the Agg canvas and never touch a global figure, so that they can be made in any thread and
on machines without a screen.
"""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

# Blue and orange that colour-blind readers tell apart (Okabe & Ito 2008, from memory); the blue is much darker, so grey prints differ too.
POSTERIOR = "#0b5c94"
PRIOR = "#e6a23c"
OBSERVED = "#1a1a1a"
PULSE = "#f3d9a4"
QUIET = "#8c8c8c"

PANEL_WIDTH = 7.2  # [inches]


def drawing_axes(ax: Axes | None, *, height: float = 3.6) -> Axes:
    """The Axes given, or those of a new figure of one panel. height: of the new figure [inches]"""
    if ax is not None:
        return ax
    return new_figure(PANEL_WIDTH, height).subplots()


def new_figure(width: float, height: float) -> Figure:
    """A figure of its own with an Agg canvas. [inches]"""
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def plain(ax: Axes) -> Axes:
    """Without the two lines that carry no scale."""
    ax.spines[["top", "right"]].set_visible(False)
    return ax


def unit_title(table) -> str:
    """`Stand, species` of a table about one unit."""
    first = table.iloc[0]
    return f"{first['stand']}, {first['species'].replace('-', ' ')}"


def years_are(table) -> str:
    """What the years of a table are years of, for an axis label."""
    return "Year of arrival at coring height" if table["basis"].iloc[0] == "coring height" else "Year of establishment"


def chance(probability: float) -> str:
    """A probability in per cent that never claims certainty: draws can't tell 100 % from 99.9 %."""
    if probability > 0.99:
        return "> 99 %"
    return "< 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def without_formulas(figure: Figure) -> None:
    """Dollar signs in names of stands and trees are dollar signs."""
    for text in figure.findobj(Text):
        text.set_parse_math(False)
