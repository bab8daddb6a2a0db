"""All pictures: a function for each, which takes tables and Axes; and those of a whole result, one
panel a unit, one figure a question.

This is the public module of the pictures, see docs/figures.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from standage.figures.axes import new_figure
from standage.figures.comparison import plot_differences, plot_strip
from standage.figures.disturbance import (
    plot_disturbance_chronology,
    plot_ring_panel,
    ring_panel_height,
)
from standage.figures.events import lag_panel_height, plot_lags
from standage.figures.model import plot_count_check, plot_delay, plot_diameter_check
from standage.figures.stand import (
    plot_cohorts,
    plot_rate,
    plot_size_age,
    plot_tree_dates,
    tree_panel_height,
)
from standage.figures.styles import current_style, in_style
from standage.findings import count_check, delays, diameter_check, size_curves
from standage.findings.releases import disturbance_chronology
from standage.growth.growth_changes import GrowthChanges, ring_years

__all__ = [
    "in_style",
    "plot_cohorts",
    "plot_count_check",
    "plot_delay",
    "plot_diameter_check",
    "plot_differences",
    "plot_disturbance_chronology",
    "plot_lags",
    "plot_rate",
    "plot_ring_panel",
    "plot_size_age",
    "plot_strip",
    "plot_tree_dates",
    "result_figures",
]

ROW_HEIGHT, GRID_HEIGHT = 3.4, 3.0  # of a panel: one below the other, two abreast [inches]
HEAD = 0.6  # of the title and the line at the foot [inches]

Panel = Callable[[Axes], Axes]


def result_figures(
    posterior,
    tables: Mapping[str, pd.DataFrame],
    *,
    level: float = 0.9,
    changes: GrowthChanges | None = None,
) -> dict[str, Figure]:
    """All pictures of a result by name, in the current style; a picture without anything to show is
    left out.

    Parameters
    ----------
    posterior : the posterior of a survey.
    tables : `cohorts`, `rate`, `pulses` and `tree_dates` as the findings give them; `attribution`
        where there is one.
    level : credible level, told below each picture.
    changes : what ring widths say of changes of growth; without it the two pictures of the rings
        are left out.
    """
    events = posterior.survey.events
    curves = _by_unit(size_curves(posterior, level=level))
    trees = {
        unit: table for unit, table in _by_unit(tables["tree_dates"]).items() if _is_dated(table)
    }
    pulses = _by_unit(tables["pulses"])
    attributed = _by_unit(tables["attribution"]) if "attribution" in tables else {}
    attributed = {
        unit: table
        for unit, table in attributed.items()
        if unit in pulses and (table["event"] != "").any()
    }
    with_age = {
        unit: table
        for unit, table in trees.items()
        if ((table["basis"] == "cored") & table["age_median"].notna()).any()
    }
    figures = {
        **_stack(
            "cohorts",
            "When today's stems established",
            (
                _panel(plot_cohorts, table, events=_events_of(events, unit))
                for unit, table in _by_unit(tables["cohorts"]).items()
            ),
            row_height=3.8,
        ),
        **_stack(
            "establishment_rate",
            "Establishment through time, pulses shaded",
            (
                _panel(plot_rate, table, pulses=pulses.get(unit), events=_events_of(events, unit))
                for unit, table in _by_unit(tables["rate"]).items()
            ),
            row_height=4.0,
        ),
        **_stack(
            "pulses_and_events",
            "How long after each event did the pulses begin?",
            (_panel(plot_lags, table, pulses=pulses[unit]) for unit, table in attributed.items()),
            heights=[lag_panel_height(table) for table in attributed.values()],
        ),
        **_stack(
            "tree_dates",
            "Every dated tree",
            (
                _panel(plot_tree_dates, table, events=_events_of(events, unit))
                for unit, table in trees.items()
            ),
            heights=[tree_panel_height(len(table)) for table in trees.values()],
        ),
        **_stack(
            "size_and_age",
            "Size against age",
            (
                _panel(plot_size_age, table, curve=curves.get(unit))
                for unit, table in with_age.items()
            ),
        ),
        **_grid(
            "delays", "Delays before a stem reaches breast height", _delay_panels(posterior, level)
        ),
        **_grid(
            "check_diameters",
            "Does the model fit the diameters listed?",
            [
                _panel(plot_diameter_check, table)
                for table in _by_unit(diameter_check(posterior, level=level)).values()
            ],
        ),
        **_grid(
            "check_counts",
            "Does the model fit the plants counted?",
            [
                _panel(plot_count_check, table)
                for table in _by_unit(count_check(posterior)).values()
            ],
        ),
    }
    if changes is not None:
        figures |= _ring_figures(posterior, changes, level)
    for figure in figures.values():
        figure.supxlabel(
            f"Bars and bands: {100 * level:.0f} % credible intervals",
            fontsize=current_style().points(8),
            x=0.99,
            ha="right",
        )
    return figures


def _ring_figures(posterior, changes: GrowthChanges, level: float) -> dict[str, Figure]:
    """Rings of the trees and disturbances of the stands, a panel for each stand with rings."""
    events = posterior.survey.events
    of_stand = {stand: _events_of(events, (stand, "")) for stand in changes.stands}
    rings = dict(tuple(ring_years(changes).groupby("stand", sort=False)))
    chronology = dict(
        tuple(
            disturbance_chronology(posterior, level=level, changes=changes).groupby(
                "stand", sort=False
            )
        )
    )
    return {
        **_stack(
            "ring_widths",
            "Ring widths, and where growth changed for long",
            (
                _panel(plot_ring_panel, table, events=of_stand[stand])
                for stand, table in rings.items()
            ),
            heights=[ring_panel_height(table["tree"].nunique()) for table in rings.values()],
        ),
        **_stack(
            "disturbances",
            "When was the stand disturbed?",
            (
                _panel(plot_disturbance_chronology, table, events=of_stand[stand])
                for stand, table in chronology.items()
            ),
            row_height=4.2,
        ),
    }


def _by_unit(table: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    return dict(tuple(table.groupby(["stand", "species"], sort=False))) if len(table) else {}


def _events_of(events: pd.DataFrame, unit: tuple[str, str]) -> pd.DataFrame:
    return events[events["stand"].isin([unit[0], ""])]


def _is_dated(table: pd.DataFrame) -> bool:
    return bool(
        (
            table["establishment_year_median"].notna() | table["coring_height_year_median"].notna()
        ).any()
    )


def _panel(plot: Callable[..., Axes], table: pd.DataFrame, **more) -> Panel:
    return lambda ax: plot(table, ax=ax, **more)


def _delay_panels(posterior, level: float) -> list[Panel]:
    table = delays(posterior, level=level)
    if table.empty:
        return []
    return [
        _panel(plot_delay, part)
        for _, part in table.groupby(["stand", "species", "delay"], sort=False)
    ]


def _stack(
    name: str,
    title: str,
    panels: Iterable[Panel],
    *,
    row_height: float = ROW_HEIGHT,
    heights: list[float] | None = None,
) -> dict[str, Figure]:
    """Panels one below the other: wide pictures of years, on as many pages as they need."""
    panels, style = list(panels), current_style()
    heights = [style.height_scale * height for height in heights or [row_height] * len(panels)]
    figures = {}
    for page, these in enumerate(_pages(heights, style.page_height - HEAD), start=1):
        own = [heights[row] for row in these]
        figure = new_figure(style.width, sum(own) + HEAD)
        axes = figure.subplots(len(own), 1, squeeze=False, gridspec_kw={"height_ratios": own})
        figures[_of_page(name, page)] = _drawn(
            figure, title, axes.ravel(), [panels[row] for row in these]
        )
    return figures


def _grid(name: str, title: str, panels: list[Panel]) -> dict[str, Figure]:
    """Panels two abreast, on as many pages as they need."""
    style, columns = current_style(), min(2, len(panels))
    height = style.height_scale * GRID_HEIGHT
    rows = (
        [panels[first : first + columns] for first in range(0, len(panels), columns)]
        if panels
        else []
    )
    figures = {}
    for page, these in enumerate(_pages([height] * len(rows), style.page_height - HEAD), start=1):
        figure = new_figure(style.column * columns, height * len(these) + HEAD)
        axes = figure.subplots(len(these), columns, squeeze=False).ravel()
        figures[_of_page(name, page)] = _drawn(
            figure, title, axes, [panel for row in these for panel in rows[row]]
        )
    return figures


def _pages(heights: list[float], room: float) -> list[list[int]]:
    """Rows by page: as many as there is room for, at least one."""
    pages: list[list[int]] = []
    left = 0.0
    for row, height in enumerate(heights):
        if not pages or height > left:
            pages.append([])
            left = room
        pages[-1].append(row)
        left -= height
    return pages


def _of_page(name: str, page: int) -> str:
    return name if page == 1 else f"{name}-{page}"


def _drawn(figure: Figure, title: str, axes: np.ndarray, panels: list[Panel]) -> Figure:
    figure.suptitle(title, x=0.01, ha="left", fontweight="bold")
    for ax, panel in zip(axes, panels, strict=False):
        panel(ax)
    for ax in axes[len(panels) :]:
        ax.set_axis_off()
    return figure
