"""Pictures: a table in, Axes out; a function for each, see docs/figures.md."""

from standage.figures.comparison import plot_differences, plot_strip
from standage.figures.disturbance import plot_disturbance_chronology, plot_ring_panel
from standage.figures.events import plot_lags
from standage.figures.model import plot_count_check, plot_delay, plot_diameter_check
from standage.figures.stand import plot_cohorts, plot_rate, plot_size_age, plot_tree_dates
from standage.figures.styles import in_style

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
]
