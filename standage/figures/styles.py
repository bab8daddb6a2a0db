"""How pictures look: for the screen, for print, and for print in grey. Inks, type, widths and files
of each.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace

from matplotlib import rc_context
from matplotlib.colors import to_rgb

from standage.choices import FigureStyle

MILLIMETRES = 25.4  # in an inch
LEAST_TYPE, MOST_TYPE = 7.0, 9.0  # in print [points]; common practice of journals, no source
COLUMN_MM, PAGE_MM = (
    90.0,
    180.0,
)  # widths of one column and of a page's two; common practice, no source
PAGE_HEIGHT_MM = 230.0  # with room left for a caption; assumption
SCREEN_HEIGHT = (
    100.0  # some 25 stands; matplotlib draws at most 437 of 150 dots (assumption) [inches]
)


@dataclass(frozen=True)
class Style:
    """One look.

    Attributes
    ----------
    posterior, prior, observed, pulse, quiet : inks of what the data say, of what was believed
        before, of what was seen, of the years of a pulse, and of what is only there for
        orientation.
    prior_hatch : pattern of bands of prior belief where inks alone would not tell them from others.
    type_scale, least_type, most_type : sizes of letters against those on the screen, and their
        limits [points].
    width, column : of a picture, and of one panel of two abreast [inches].
    height_scale : heights against those on the screen.
    page_height : from which on a picture is continued in another one [inches].
    formats : endings of the files written. dots_per_inch : of those that are made of dots.
    line : width of axes, ticks and hatches [points].
    """

    name: str
    posterior: str = "#0b5c94"
    prior: str = "#e6a23c"
    observed: str = "#1a1a1a"
    pulse: str = "#f3d9a4"
    quiet: str = "#8c8c8c"
    prior_hatch: str = ""
    type_scale: float = 1.0
    least_type: float = 0.0
    most_type: float = float("inf")
    width: float = 7.2
    column: float = 0.66 * 7.2
    height_scale: float = 1.0
    page_height: float = SCREEN_HEIGHT
    formats: tuple[str, ...] = ("png",)
    dots_per_inch: int = 150
    line: float | None = None

    def points(self, on_screen: float) -> float:
        """Size of letters that have `on_screen` points on the screen. [points]"""
        return min(max(self.type_scale * on_screen, self.least_type), self.most_type)

    def prior_band(self, alpha: float) -> dict:
        """How a band of prior belief is filled."""
        if self.prior_hatch:
            return {
                "facecolor": "none",
                "edgecolor": self.prior,
                "hatch": self.prior_hatch,
                "linewidth": 0,
            }
        return {"color": self.prior, "alpha": alpha, "linewidth": 0}

    def settings(self) -> dict:
        """Matplotlib's settings that differ from the reader's own."""
        lines = (
            {}
            if self.line is None
            else {
                name: self.line
                for name in (
                    "axes.linewidth",
                    "xtick.major.width",
                    "ytick.major.width",
                    "hatch.linewidth",
                )
            }
        )
        if self.type_scale == 1:
            return lines
        titles = {name: self.points(12) for name in ("axes.titlesize", "figure.titlesize")}
        return {"font.size": self.points(10), **titles, **lines}


# Blue and orange that colour-blind readers tell apart (Okabe & Ito 2008, from memory); the blue is
# much darker, so grey prints differ too.
SCREEN = Style("screen")
PRINT = replace(
    SCREEN,
    name="print",
    type_scale=0.8,
    least_type=LEAST_TYPE,
    most_type=MOST_TYPE,
    width=PAGE_MM / MILLIMETRES,
    column=COLUMN_MM / MILLIMETRES,
    height_scale=0.75,
    page_height=PAGE_HEIGHT_MM / MILLIMETRES,
    formats=("svg", "png"),
    dots_per_inch=300,
    line=0.6,
)
GREY = replace(
    PRINT,
    name="grey",
    posterior="#333333",
    prior="#7a7a7a",
    observed="#000000",
    pulse="#dedede",
    quiet="#8c8c8c",
    prior_hatch="\\\\\\\\\\",
)
STYLES = {style.name: style for style in (SCREEN, PRINT, GREY)}

_CURRENT: ContextVar[Style] = ContextVar("style", default=SCREEN)


def current_style() -> Style:
    """The style in which pictures are drawn here and now."""
    return _CURRENT.get()


@contextmanager
def in_style(name: FigureStyle, *, width_mm: float | None = None) -> Iterator[Style]:
    """Pictures made inside this `with` block have the style: `screen`, `print` or `grey`.

    Parameters
    ----------
    name : of the style.
    width_mm : width of pictures of one panel, in place of the style's own [mm]; journals mostly
        have columns near 90 and pages near 180.

    Raises
    ------
    ValueError where there is no such style.

    Sizes of letters and lines are settings of matplotlib, which all threads share: don't draw in
    two styles at a time.

    >>> with in_style("grey", width_mm=90):
    ...     ax = standage.figures.plot_cohorts(standage.Findings(posterior).cohorts)
    >>> round(25.4 * ax.figure.get_figwidth())
    90
    """
    if name not in STYLES:
        raise ValueError(f"there is no style {name!r}; there are {', '.join(STYLES)}")
    style = (
        STYLES[name] if width_mm is None else replace(STYLES[name], width=width_mm / MILLIMETRES)
    )
    with rc_context(style.settings()):
        before = _CURRENT.set(style)
        try:
            yield style
        finally:
            _CURRENT.reset(before)


def on_white(ink: str, alpha: float) -> tuple[float, ...]:
    """A light ink that lets nothing behind it through: a shade would make another colour of it."""
    return tuple(1 - alpha * (1 - part) for part in to_rgb(ink))
