"""The pictures of a result: one panel a unit, one figure a question."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from standage.figure_axes import PANEL_WIDTH, new_figure
from standage.figures_disturbance import plot_disturbance_chronology, plot_ring_panel, ring_panel_height
from standage.figures_events import lag_panel_height, plot_lags
from standage.figures_model import plot_count_check, plot_delay, plot_diameter_check
from standage.figures_stand import plot_cohorts, plot_rate, plot_size_age, plot_tree_dates, tree_panel_height
from standage.findings import count_check, delays, diameter_check, size_curves
from standage.findings.growth_changes import GrowthChanges, ring_years
from standage.findings.releases import disturbance_chronology

__all__ = [
    "plot_cohorts",
    "plot_count_check",
    "plot_delay",
    "plot_diameter_check",
    "plot_disturbance_chronology",
    "plot_lags",
    "plot_rate",
    "plot_ring_panel",
    "plot_size_age",
    "plot_tree_dates",
    "result_figures",
]

ROW_HEIGHT = 3.4  # of a panel [inches]
DOTS_PER_INCH = 150

Panel = Callable[[Axes], Axes]


def result_figures(
    posterior, tables: Mapping[str, pd.DataFrame], *, level: float = 0.9, changes: GrowthChanges | None = None
) -> dict[str, Figure]:  # fmt: skip
    """All pictures of a result by name; a picture without anything to show is left out.

    Parameters
    ----------
    posterior : the posterior of a survey.
    tables : `cohorts`, `rate`, `pulses` and `tree_dates` as the findings give them; `attribution` where there is one.
    level : credible level, told below each picture.
    changes : what ring widths say of changes of growth; without it the two pictures of the rings are left out.
    """
    events = posterior.survey.events
    curves = _by_unit(size_curves(posterior, level=level))
    trees = {unit: table for unit, table in _by_unit(tables["tree_dates"]).items() if _is_dated(table)}
    pulses = _by_unit(tables["pulses"])
    attributed = _by_unit(tables["attribution"]) if "attribution" in tables else {}
    attributed = {unit: table for unit, table in attributed.items() if unit in pulses and (table["event"] != "").any()}
    with_age = {unit: table for unit, table in trees.items() if ((table["basis"] == "cored") & table["age_median"].notna()).any()}
    figures = {
        "cohorts": _stack(
            "When today's stems established",
            (_panel(plot_cohorts, table, events=_events_of(events, unit)) for unit, table in _by_unit(tables["cohorts"]).items()),
            row_height=3.8,
        ),
        "establishment_rate": _stack(
            "Establishment through time, pulses shaded",
            (
                _panel(plot_rate, table, pulses=pulses.get(unit), events=_events_of(events, unit))
                for unit, table in _by_unit(tables["rate"]).items()
            ),
            row_height=4.0,
        ),
        "pulses_and_events": _stack(
            "How long after each event did the pulses begin?",
            (_panel(plot_lags, table, pulses=pulses[unit]) for unit, table in attributed.items()),
            heights=[lag_panel_height(table) for table in attributed.values()],
        ),
        "tree_dates": _stack(
            "Every dated tree",
            (_panel(plot_tree_dates, table, events=_events_of(events, unit)) for unit, table in trees.items()),
            heights=[tree_panel_height(len(table)) for table in trees.values()],
        ),
        "size_and_age": _stack(
            "Size against age", (_panel(plot_size_age, table, curve=curves.get(unit)) for unit, table in with_age.items())
        ),
        "delays": _grid("Delays before a stem reaches breast height", _delay_panels(posterior, level)),
        "check_diameters": _grid(
            "Does the model fit the diameters listed?",
            [_panel(plot_diameter_check, table) for table in _by_unit(diameter_check(posterior, level=level)).values()],
        ),
        "check_counts": _grid(
            "Does the model fit the plants counted?",
            [_panel(plot_count_check, table) for table in _by_unit(count_check(posterior)).values()],
        ),
    }
    if changes is not None:
        figures |= _ring_figures(posterior, changes, level)
    drawn = {name: figure for name, figure in figures.items() if figure is not None}
    for figure in drawn.values():
        figure.supxlabel(f"Bars and bands: {100 * level:.0f} % credible intervals", fontsize=8, x=0.99, ha="right")
    return drawn


def _ring_figures(posterior, changes: GrowthChanges, level: float) -> dict[str, Figure | None]:
    """Rings of the trees and disturbances of the stands, a panel for each stand with rings."""
    events = posterior.survey.events
    of_stand = {stand: _events_of(events, (stand, "")) for stand in changes.stands}
    rings = dict(tuple(ring_years(changes).groupby("stand", sort=False)))
    chronology = dict(tuple(disturbance_chronology(posterior, level=level, changes=changes).groupby("stand", sort=False)))
    return {
        "ring_widths": _stack(
            "Ring widths, and where growth changed for long",
            (_panel(plot_ring_panel, table, events=of_stand[stand]) for stand, table in rings.items()),
            heights=[ring_panel_height(table["tree"].nunique()) for table in rings.values()],
        ),
        "disturbances": _stack(
            "When was the stand disturbed?",
            (_panel(plot_disturbance_chronology, table, events=of_stand[stand]) for stand, table in chronology.items()),
            row_height=4.2,
        ),
    }


def _by_unit(table: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    return dict(tuple(table.groupby(["stand", "species"], sort=False))) if len(table) else {}


def _events_of(events: pd.DataFrame, unit: tuple[str, str]) -> pd.DataFrame:
    return events[events["stand"].isin([unit[0], ""])]


def _is_dated(table: pd.DataFrame) -> bool:
    return bool((table["establishment_year_median"].notna() | table["coring_height_year_median"].notna()).any())


def _panel(plot: Callable[..., Axes], table: pd.DataFrame, **more) -> Panel:
    return lambda ax: plot(table, ax=ax, **more)


def _delay_panels(posterior, level: float) -> list[Panel]:
    table = delays(posterior, level=level)
    if table.empty:
        return []
    return [_panel(plot_delay, part) for _, part in table.groupby(["stand", "species", "delay"], sort=False)]


def _stack(title: str, panels: Iterable[Panel], *, row_height: float = ROW_HEIGHT, heights: list[float] | None = None) -> Figure | None:
    """Panels one below the other: wide pictures of years. None without panels."""
    panels = list(panels)
    if not panels:
        return None
    heights = heights or [row_height] * len(panels)
    figure = new_figure(PANEL_WIDTH, sum(heights) + 0.6)
    axes = figure.subplots(len(panels), 1, squeeze=False, gridspec_kw={"height_ratios": heights})
    return _drawn(figure, title, axes.ravel(), panels)


def _grid(title: str, panels: list[Panel]) -> Figure | None:
    """Panels two abreast. None without panels."""
    if not panels:
        return None
    columns = min(2, len(panels))
    rows = int(np.ceil(len(panels) / columns))
    figure = new_figure(0.66 * PANEL_WIDTH * columns, 3.0 * rows + 0.6)
    return _drawn(figure, title, figure.subplots(rows, columns, squeeze=False).ravel(), panels)


def _drawn(figure: Figure, title: str, axes: np.ndarray, panels: list[Panel]) -> Figure:
    figure.suptitle(title, x=0.01, ha="left", fontweight="bold")
    for ax, panel in zip(axes, panels, strict=False):
        panel(ax)
    for ax in axes[len(panels) :]:
        ax.set_axis_off()
    return figure
