"""The pictures of a whole result: one panel a unit, one figure a question."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from standage.figures.axes import new_figure
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
from standage.figures.styles import current_style
from standage.findings.events_on_record import events_of
from standage.findings.findings import Findings
from standage.findings.unit_findings import rows_of

ROW_HEIGHT, GRID_HEIGHT = 3.4, 3.0  # of a panel: one below the other, two abreast [inches]
HEAD = 0.6  # of the title and the line at the foot [inches]

Panel = Callable[[Axes], Axes]
Figures = Iterator[tuple[str, Figure]]


def result_figures(findings: Findings) -> Figures:
    """All pictures of a result with their names, in the current style; a picture without anything
    to show is left out. Each is drawn when it is asked for: those of many stands would fill the
    memory together.
    """
    for figures in (_stand_figures, _model_figures, _ring_figures):
        for name, figure in figures(findings):
            yield name, _with_level(figure, findings.level)


def _with_level(figure: Figure, level: float) -> Figure:
    figure.supxlabel(
        f"Bars and bands: {100 * level:.0f} % credible intervals",
        fontsize=current_style().points(8),
        x=0.99,
        ha="right",
    )
    return figure


def _stand_figures(findings: Findings) -> Figures:
    """The units' histories, trees and pulses, a panel each."""
    units = findings.units
    events = {unit.name: events_of(findings.survey, unit.stand) for unit in units}
    dated = [unit for unit in units if _any_dated(unit.trees)]
    aged = [
        unit
        for unit in dated
        if ((unit.trees["basis"] == "cored") & unit.trees["age_median"].notna()).any()
    ]
    attributed = [
        unit for unit in units if len(unit.pulses) and (unit.attribution["event"] != "").any()
    ]
    yield from _stack(
        "cohorts",
        "When today's stems established",
        (
            _panel(
                plot_cohorts,
                unit.cohorts,
                trees=unit.trees,
                pulses=unit.pulses,
                events=events[unit.name],
            )
            for unit in units
        ),
        row_height=3.8,
    )
    yield from _stack(
        "establishment_rate",
        "Establishment through time, pulses shaded",
        (
            _panel(plot_rate, unit.rate, pulses=unit.pulses, events=events[unit.name])
            for unit in units
        ),
        row_height=4.0,
    )
    yield from _stack(
        "pulses_and_events",
        "How long after each event did the pulses begin?",
        (_panel(plot_lags, unit.attribution, pulses=unit.pulses) for unit in attributed),
        heights=[lag_panel_height(unit.attribution) for unit in attributed],
    )
    yield from _stack(
        "tree_dates",
        "Every dated tree",
        (_panel(plot_tree_dates, unit.trees, events=events[unit.name]) for unit in dated),
        heights=[tree_panel_height(len(unit.trees)) for unit in dated],
    )
    yield from _stack(
        "size_and_age",
        "Size against age",
        (
            _panel(plot_size_age, unit.trees, curve=rows_of(findings.size_curves, unit.summary))
            for unit in aged
        ),
    )


def _model_figures(findings: Findings) -> Figures:
    """What the data taught the model, and whether it fits."""
    yield from _grid(
        "delays",
        "Delays before a stem reaches breast height",
        _panels(plot_delay, findings.delays, "stand", "species", "delay"),
    )
    yield from _grid(
        "check_diameters",
        "Does the model fit the diameters listed?",
        _panels(plot_diameter_check, findings.diameter_check, "stand", "species"),
    )
    yield from _grid(
        "check_counts",
        "Does the model fit the plants counted?",
        _panels(plot_count_check, findings.count_check, "stand", "species"),
    )


def _ring_figures(findings: Findings) -> Figures:
    """Rings of the trees and disturbances of the stands, a panel for each stand with rings."""
    rings, chronology = findings.ring_years, findings.disturbance_chronology
    if rings is None or chronology is None:
        return
    by_stand = dict(tuple(rings.groupby("stand", sort=False)))
    yield from _stack(
        "ring_widths",
        "Ring widths, and where growth changed for long",
        (
            _panel(plot_ring_panel, table, events=events_of(findings.survey, stand))
            for stand, table in by_stand.items()
        ),
        heights=[ring_panel_height(table["tree"].nunique()) for table in by_stand.values()],
    )
    yield from _stack(
        "disturbances",
        "When was the stand disturbed?",
        (
            _panel(plot_disturbance_chronology, table, events=events_of(findings.survey, stand))
            for stand, table in chronology.groupby("stand", sort=False)
        ),
        row_height=4.2,
    )


def _any_dated(trees: pd.DataFrame) -> bool:
    years = trees[["establishment_year_median", "coring_height_year_median"]]
    return bool(years.notna().any(axis=None))


def _panel(plot: Callable[..., Axes], table: pd.DataFrame, **more: pd.DataFrame) -> Panel:
    return lambda ax: plot(table, ax=ax, **more)


def _panels(plot: Callable[..., Axes], table: pd.DataFrame, *columns: str) -> list[Panel]:
    """A panel for each part of a table that is alike in these columns."""
    return [_panel(plot, part) for _, part in table.groupby(list(columns), sort=False)]


def _stack(
    name: str,
    title: str,
    panels: Iterable[Panel],
    *,
    row_height: float = ROW_HEIGHT,
    heights: list[float] | None = None,
) -> Figures:
    """Panels one below the other: wide pictures of years, on as many pages as they need."""
    rows, style = list(panels), current_style()
    heights = [style.height_scale * height for height in heights or [row_height] * len(rows)]
    for page, these in enumerate(_pages(heights, style.page_height - HEAD), start=1):
        own = [heights[row] for row in these]
        figure = new_figure(style.width, sum(own) + HEAD)
        axes = figure.subplots(len(own), 1, squeeze=False, gridspec_kw={"height_ratios": own})
        drawn = _drawn(figure, title, axes.ravel(), [rows[row] for row in these])
        yield _of_page(name, page), drawn


def _grid(name: str, title: str, panels: list[Panel]) -> Figures:
    """Panels two abreast, on as many pages as they need."""
    style, columns = current_style(), min(2, len(panels))
    height = style.height_scale * GRID_HEIGHT
    rows = (
        [panels[first : first + columns] for first in range(0, len(panels), columns)]
        if panels
        else []
    )
    for page, these in enumerate(_pages([height] * len(rows), style.page_height - HEAD), start=1):
        figure = new_figure(style.column * columns, height * len(these) + HEAD)
        axes = figure.subplots(len(these), columns, squeeze=False).ravel()
        drawn = _drawn(figure, title, axes, [panel for row in these for panel in rows[row]])
        yield _of_page(name, page), drawn


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
