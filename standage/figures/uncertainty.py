"""Picture of what the uncertainty of a core is made of."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes

from standage.figures.axes import beside_axis, drawing_axes, plain
from standage.figures.styles import current_style
from standage.findings.uncertainty_budget import STEPS, Budget

BAR_HEIGHT = 0.45  # of the row of a unit [inches]
LABELS = (
    "counting rings",
    "rings missed at the centre",
    "growing to the height of the core",
    "years in the grass stage",
)
LATER_INKS = ("#f0f0f0", "#6f6f6f")  # behind the two of the style
HATCHES = ("", "///", "...", "xx")  # tell the steps apart without colour


def plot_budgets(budgets: Mapping[str, Budget], *, ax: Axes | None = None) -> Axes:
    """Parts of the variance of a core by itself, a bar for each unit.

    budgets: by the name of the unit.
    """
    ax = plain(drawing_axes(ax, height=1.5 + BAR_HEIGHT * len(budgets)))
    rows = np.arange(len(budgets))
    left = np.zeros(len(budgets))
    inks = (current_style().posterior, current_style().prior, *LATER_INKS)
    for step, label, ink, hatch in zip(STEPS, LABELS, inks, HATCHES, strict=True):
        share = np.array([100 * budget.shares[step] for budget in budgets.values()])
        ax.barh(
            rows,
            share,
            left=left,
            height=0.6,
            color=ink,
            hatch=hatch,
            edgecolor=current_style().observed,
            linewidth=0.6,
            label=label,
        )
        left += share
    ax.set_yticks(rows, [beside_axis(name) for name in budgets], fontsize=8)
    ax.invert_yaxis()
    ax.set_xlim(0, 100)
    ax.set_xlabel("Part of the variance of a core taken alone, mean over trees (%)")
    ax.legend(ncols=2, fontsize=8, frameon=False, loc="lower left", bbox_to_anchor=(0, 1.0))
    return ax
