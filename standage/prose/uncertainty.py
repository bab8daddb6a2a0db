"""What a date's uncertainty is made of, step by step, and what would lower it most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from standage.figures.axes import beside_axis, drawing_axes, plain
from standage.figures.styles import current_style
from standage.grammar import capital, counted, listed
from standage.prose.unit_answer import unit_name
from standage.prose.wording import percent

# shared part of the variance of a pulse's centre from which more cores aren't advised for it
# (assumption)
MOSTLY = 0.5
MORE_CORES_FOR_A_PULSE = (
    "Pulses that were not told: more cores. Of simulated pulses of five times the background for"
    " ten years about half are told with 12 "
    "cored trees in them, and 85 % with 20."  # docs/validation.md, Pulses
)
# times the typical standard deviation from which a tree is called far worse dated (assumption)
FAR_WORSE = 3.0


@dataclass(frozen=True)
class Step:
    """A step from a ring count to a year: its column in `tree_dates`, what it is, what lowers it;
    colour and hatch of its bars.
    """

    column: str
    name: str
    remedy: str
    colour: str
    hatch: str


STEPS = (
    Step(
        "sd_count",
        "counting rings",
        "crossdate, at least the inner part, or have a second reader count",
        "#0b5c94",
        "",
    ),
    Step(
        "sd_centre",
        "rings missed at the centre",
        "take a second core from another side, measure chord and height of an inner arc, and the"
        " width of the inner rings",
        "#e6a23c",
        "///",
    ),
    Step(
        "sd_height",
        "growing to the height of the core",
        "core lower, or count the rings of small cut stems at two heights (sections.csv)",
        "#f0f0f0",
        "...",
    ),
    Step(
        "sd_grass",
        "years in the grass stage",
        "enter more stems of known age (sections.csv) and count grass-stage and emerging plants on"
        " more subplots; coring can't lower it",
        "#6f6f6f",
        "xx",
    ),
)


MORE_CORES = (
    "More cores lower what trees don't share. They lower only slowly what they do: a bias in"
    " counting, the pace of early growth and of the grass stage are common to a stand."
)


@dataclass(frozen=True)
class Budget:
    """A unit's uncertainty of dates, over its cored trees.

    Attributes
    ----------
    typical : median standard deviation each step adds, by column [years].
    shares : each step's part of the variance of a core taken alone, the mean over trees, by column.
        (A sum over trees would speak of the few rotten ones only.)
    alone, given_all : median standard deviation of the core taken alone, and given the whole survey
        [years].
    without : `alone` if a step were known exactly, by column [years].
    trees : how many cored trees these are of.
    far_worse : how many of them are dated `FAR_WORSE` times worse than the typical one. their_step
        : which step is to blame in most.
    """

    title: str
    trees: int
    typical: dict[str, float]
    shares: dict[str, float]
    alone: float
    given_all: float
    without: dict[str, float]
    far_worse: int
    their_step: str

    @property
    def most(self) -> Step:
        """The step whose removal would lower the typical standard deviation most."""
        return min(STEPS, key=lambda step: self.without[step.column])


def budget(row, trees: pd.DataFrame) -> Budget | None:
    """The budget of a unit; None where no cored tree has its steps worked out.

    row: its row of the summary table. trees: its rows of `tree_dates`.
    """
    columns = [step.column for step in STEPS]
    if trees.empty:
        return None
    cored = trees[(trees["basis"] == "cored") & trees[columns].notna().any(axis=1)]
    if cored.empty:
        return None
    parts = cored[columns].astype(float).fillna(0.0).to_numpy() ** 2
    total = parts.sum(axis=1)
    parts, total, cored = parts[total > 0], total[total > 0], cored[total > 0]
    if not len(total):
        return None
    alone = float(np.median(np.sqrt(total)))
    worse = np.sqrt(total) > FAR_WORSE * alone
    blamed = np.bincount(parts[worse].argmax(axis=1), minlength=len(columns))
    return Budget(
        title=unit_name(row),
        trees=len(cored),
        typical={
            name: float(np.median(np.sqrt(parts[:, place]))) for place, name in enumerate(columns)
        },
        shares={
            name: float((parts[:, place] / total).mean()) for place, name in enumerate(columns)
        },
        alone=alone,
        given_all=(
            float(np.nanmedian(cored["sd_total"].astype(float)))
            if cored["sd_total"].notna().any()
            else float("nan")
        ),
        without={
            name: float(np.median(np.sqrt(np.maximum(total - parts[:, place], 0))))
            for place, name in enumerate(columns)
        },
        far_worse=int(worse.sum()),
        their_step=columns[int(blamed.argmax())],
    )


def budget_sentences(found: Budget) -> list[str]:
    """Where the uncertainty comes from and what would lower it most."""
    ranked = sorted(STEPS, key=lambda step: -found.shares[step.column])
    first = found.most
    told = [
        (
            f"A core taken alone dates its tree with a standard deviation of {found.alone:.1f}"
            f" years (typical of {found.trees} trees)."
        ),
        (
            f"On average over trees most of its variance comes from {ranked[0].name}"
            f" ({percent(found.shares[ranked[0].column])}), then from {ranked[1].name}"
            f" ({percent(found.shares[ranked[1].column])})."
        ),
        (
            f"What would help a single date most: {first.remedy}. With {first.name} known exactly,"
            f" {found.alone:.1f} years would become {found.without[first.column]:.1f}."
        ),
    ]
    if found.far_worse:
        (step,) = (step for step in STEPS if step.column == found.their_step)
        are = "tree is" if found.far_worse == 1 else "trees are"
        told.append(
            f"{found.far_worse} {are} dated over {FAR_WORSE:.0f} times worse than that, mostly for"
            f" {step.name}: there, {step.remedy}."
        )
    if np.isfinite(found.given_all):
        told.append(
            f"Given the whole survey, a cored tree's standard deviation is {found.given_all:.1f}"
            " years."
        )
    return told


def remedy_sentences(row, found: Budget | None, pulses: pd.DataFrame) -> list[str]:
    """What a unit's dates, pulses and amounts hang on most, and what would make them surer; nothing
    where nothing is known of it.

    row: the unit's row of the summary table. found: its budget. pulses: its rows of the table of
    pulses. What holds for all units is said once, see `common_remedies`.
    """
    told = []
    if found is not None:
        step = found.most
        told.append(
            f"For the date of a tree: what is known worst is {step.name}. With it known exactly, a"
            f" core alone would date its tree to {found.without[step.column]:.1f} instead of"
            f" {found.alone:.1f} years, as a standard deviation."
        )
    told += _pulse_remedies(pulses)
    if pd.notna(row["stems_per_ha_low"]):
        told.append("For the number of stems: more plots.")
    elif pd.isna(row["stems_per_ha_median"]):
        told.append("For anything about a hectare: plots in which all stems are listed.")
    return told


def _pulse_remedies(pulses: pd.DataFrame) -> list[str]:
    """A sentence for each pulse of which it is known how much of its centre's variance its trees
    share.
    """
    told = []
    for pulse in pulses.to_dict("records"):
        part = pulse.get("shared_part_of_centre", np.nan)
        if pd.isna(part):
            continue
        which = "the pulse" if len(pulses) == 1 else f"pulse {pulse['pulse']}"
        first = "" if part >= MOSTLY else "more cored trees of those years; "
        told.append(
            f"For the years of {which}: {first}{percent(part)} of the variance of its centre is"
            " that of the years below the cores, which all its trees share. Stems of known age"
            " lower that part, more cores hardly."
        )
    return told


def common_remedies(budgets: list[Budget | None], *, without_pulse: bool) -> list[str]:
    """What holds for all units, each once: how the steps that are known worst are lowered, and what
    it takes to tell a pulse.

    without_pulse: whether there is a unit in which none was told.
    """
    steps = dict.fromkeys(found.most for found in budgets if found is not None)
    told = [f"{capital(step.name)}: {step.remedy}." for step in steps]
    return [*told, MORE_CORES_FOR_A_PULSE] if without_pulse else told


def amount_sentence(summary_rows: list) -> str:
    """How well the numbers of stems are known, and what would sharpen them; blank without plots.

    summary_rows: rows of the summary table.
    """
    known = [
        row
        for row in summary_rows
        if pd.notna(row["stems_per_ha_low"]) and row["stems_per_ha_low"] > 0
    ]
    if not known:
        return ""
    factors = [
        f"{float(row['stems_per_ha_high']) / float(row['stems_per_ha_low']):.1f} in"
        f" {unit_name(row)} ({counted(int(row['plots']), 'plot')})"
        for row in known
    ]
    return (
        "The number of stems per hectare is known, from end to end of its interval, to a factor of"
        f" {listed(factors)}; more plots would narrow it, more cores would not."
    )


def plot_budgets(budgets: list[Budget], *, ax: Axes | None = None) -> Axes:
    """Parts of the variance of a core taken alone, a bar for each unit. Patterns tell the steps
    apart without colour.
    """
    ax = plain(drawing_axes(ax, height=1.5 + 0.45 * len(budgets)))
    place = np.arange(len(budgets))
    left = np.zeros(len(budgets))
    for step in STEPS:
        share = np.array([100 * found.shares[step.column] for found in budgets])
        ax.barh(
            place,
            share,
            left=left,
            height=0.6,
            color=step.colour,
            hatch=step.hatch,
            edgecolor=current_style().observed,
            linewidth=0.6,
            label=step.name,
        )
        left += share
    ax.set_yticks(place, [beside_axis(found.title) for found in budgets], fontsize=8)
    ax.invert_yaxis()
    ax.set_xlim(0, 100)
    ax.set_xlabel("Part of the variance of a core taken alone, mean over trees (%)")
    ax.legend(ncols=2, fontsize=8, frameon=False, loc="lower left", bbox_to_anchor=(0, 1.0))
    return ax
