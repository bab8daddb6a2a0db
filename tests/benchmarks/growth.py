"""How the cost of a fit grows: with uncored stems, with cores, and with years on the axis.

    python tests/benchmarks/growth.py [--plot FILE.png] [--repeats N] [--draws N] [--tune N]

Prints a table of processor time: microseconds a call of the log density with its gradient, seconds
a whole fit (dating of stems and verdict included), each the least of its repeats, which go round
all surveys in turn, and of their ratios to the smallest survey. All are parts of one simulated
survey, its oldest stem among them in each, so that the axis is the same within a year or two; it is
lengthened by empty years before it. Targets: ten times the uncored stems 1.2 times the cost, ten
times the cores 4 times, twice the years 2.5 times. Steps a draw are shown beside a fit's seconds
because surveys that say more may need more or fewer of them.
"""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standage.simulate.surveys import small_survey
from standage.simulate.tables import SimulatedSurvey
from standage.stand.build import BuiltStands, build_stands
from standage.stand.data import TreeChain
from standage.stand.fit import assemble, states_of
from standage.stand.kernel.log_density import Kernel
from standage.stand.sampler import Draws, sample
from standage.stand.verdict import convergence
from standage.survey.reading import read_survey
from standage.survey.survey import Survey

SEED = 7
UNCORED, CORES = 60, 30  # stems and cores of the smallest survey
STEPS = {"uncored stems": (1, 3, 10), "cores": (1, 3, 10), "years on the axis": (1, 2)}
TARGETS = {
    "uncored stems": 1.2,
    "cores": 4.0,
    "years on the axis": 2.5,
}  # times the cost at the largest step
CALLS = 300


@dataclass(frozen=True)
class Cost:
    """One survey's sizes and what it costs."""

    grows: str
    times: int
    uncored: int
    cored: int
    years: int
    gradient_us: float
    fit_seconds: float
    steps_per_draw: float


def simulated() -> SimulatedSurvey:
    """The survey all others are parts of."""
    largest = (UNCORED * max(STEPS["uncored stems"]), CORES * max(STEPS["cores"]))
    return small_survey(SEED, stems=1.6 * sum(largest), cores=int(1.4 * largest[1]), plots=4)


def part_of(
    whole: SimulatedSurvey, folder: Path, uncored: int, cores: int
) -> tuple[Survey, BuiltStands]:
    """So many stems of a survey without, and with, a core of use; the stem with the oldest ring is
    always among them.
    """
    stems = [
        stem
        for stem in build_stands(read_survey(whole.write(folder / "whole"))).stems
        if stem.in_process
    ]
    with_core = sorted(
        (stem for stem in stems if stem.chain is not None),
        key=lambda stem: stem.innermost_ring_year,
    )
    without = [stem for stem in stems if stem.chain is None]
    if len(with_core) < cores or len(without) < uncored:
        raise RuntimeError(
            f"the simulated survey has {len(with_core)} stems with and {len(without)} without a"
            " core"
        )
    drawn = np.random.default_rng(SEED).permutation(np.arange(1, len(with_core)))[: cores - 1]
    chosen = {
        with_core[0].tree,
        *(with_core[i].tree for i in drawn),
        *(stem.tree for stem in without[:uncored]),
    }
    tables = dict(whole.tables)
    for name in ("trees", "cores"):
        tables[name] = tables[name][tables[name]["tree"].isin(chosen)]
    survey = read_survey(dataclasses.replace(whole, tables=tables).write(folder / "part"))
    return survey, build_stands(survey)


def with_longer_axis(built: BuiltStands, times: int) -> BuiltStands:
    """The same survey on an axis of so many times the years, the new ones before the old."""
    more = (times - 1) * built.data.n_years

    def moved(chain: TreeChain | None) -> TreeChain | None:
        if chain is None:
            return None
        nodes = [
            (
                node
                if node.evidence is None
                else dataclasses.replace(node, band_start=node.band_start + more)
            )
            for node in chain.nodes
        ]
        return dataclasses.replace(chain, nodes=tuple(nodes))

    units = tuple(
        dataclasses.replace(
            unit,
            season_index=unit.season_index + more,
            trees=tuple(moved(tree) for tree in unit.trees),
            removal_shape=np.pad(unit.removal_shape, ((0, 0), (more, 0))),
        )
        for unit in built.data.units
    )
    data = dataclasses.replace(
        built.data,
        n_years=built.data.n_years + more,
        first_year=built.data.first_year - more,
        units=units,
    )
    stems = tuple(dataclasses.replace(stem, chain=moved(stem.chain)) for stem in built.stems)
    return dataclasses.replace(built, data=data, stems=stems)


def gradient_us(kernel: Kernel) -> float:
    """Processor microseconds a call of the log density with its gradient, at points near the middle
    of the prior.
    """
    points = 0.3 * np.random.default_rng(1).standard_normal((CALLS, kernel.size))
    if not all(np.isfinite(kernel(point)[0]) for point in points[:3]):
        raise RuntimeError("the density is not finite near the middle of its prior")
    began = time.process_time()
    for point in points:
        kernel(point)
    return 1e6 * (time.process_time() - began) / CALLS


def dated(survey: Survey, built: BuiltStands, drawn: Draws) -> None:
    """All that a fit makes of its draws."""
    states = states_of(drawn, built.data)
    assemble(
        survey, built, drawn, states, convergence(built.data, drawn, states), seed=1, level=0.9
    )


def fit_seconds(
    survey: Survey, built: BuiltStands, options: argparse.Namespace
) -> tuple[float, float]:
    """Processor seconds of a whole fit with all that follows from its draws, and gradients a
    draw.
    """
    began = time.process_time()
    drawn = sample(built.data, seed=1, draws=options.draws, tune=options.tune, chains=2, cores=1)
    dated(survey, built, drawn)
    return time.process_time() - began, drawn.steps_per_draw


def surveys(folder: Path) -> dict[tuple[str, int], tuple[Survey, BuiltStands]]:
    """What is measured, by what grows and how many times; the smallest survey begins each row."""
    whole = simulated()
    base = part_of(whole, folder / "base", UNCORED, CORES)
    made = {}
    for grows, steps in STEPS.items():
        for times in steps:
            if times == 1:
                made[grows, times] = base
            elif grows == "years on the axis":
                made[grows, times] = base[0], with_longer_axis(base[1], times)
            else:
                sizes = (
                    (UNCORED * times, CORES)
                    if grows == "uncored stems"
                    else (UNCORED, CORES * times)
                )
                made[grows, times] = part_of(whole, folder / f"{grows}-{times}", *sizes)
    return made


def measure(options: argparse.Namespace) -> list[Cost]:
    with tempfile.TemporaryDirectory() as scratch:
        made = surveys(Path(scratch))
        sizes = {
            id(built): (survey, built) for survey, built in made.values()
        }  # the smallest survey is measured once a round
        survey, built = next(iter(sizes.values()))
        dated(
            survey, built, sample(built.data, seed=1, draws=20, tune=20, chains=2, cores=1)
        )  # compiles
        kernels = {key: Kernel(built.data) for key, (_, built) in sizes.items()}
        gradients, fits = dict.fromkeys(sizes, np.inf), dict.fromkeys(sizes, (np.inf, np.nan))
        for _ in range(max(options.repeats, 5)):
            gradients = {
                key: min(best, gradient_us(kernels[key])) for key, best in gradients.items()
            }
        for _ in range(options.repeats):
            fits = {key: min(best, fit_seconds(*sizes[key], options)) for key, best in fits.items()}
    costs = []
    for (grows, times), (_, built) in made.items():
        unit, key = built.data.units[0], id(built)
        costs.append(
            Cost(
                grows,
                times,
                int(unit.uncored_count.sum()),
                len(unit.trees),
                built.data.n_years,
                gradients[key],
                *fits[key],
            )
        )
    return costs


def smallest_of(costs: list[Cost], grows: str) -> Cost:
    return next(cost for cost in costs if cost.grows == grows and cost.times == 1)


def table(costs: list[Cost]) -> str:
    """Markdown; the last column says whether the largest step of each kind stays within its
    target.
    """
    lines = [
        (
            "| grows | times | uncored stems | cored stems | years | gradient [us] | ratio | whole"
            " fit [s] | ratio | steps a draw | target |"
        ),
        "|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|---|",
    ]
    for cost in costs:
        base = smallest_of(costs, cost.grows)
        ratio, fit_ratio = cost.gradient_us / base.gradient_us, cost.fit_seconds / base.fit_seconds
        verdict = ""
        if cost.times == max(other.times for other in costs if other.grows == cost.grows):
            target = TARGETS[cost.grows]
            kept = [
                f"{name} {'kept' if value <= target else 'MISSED'}"
                for name, value in (("gradient", ratio), ("fit", fit_ratio))
            ]
            verdict = f"{target}: {', '.join(kept)}"
        lines.append(
            f"| {cost.grows} | x{cost.times} | {cost.uncored} | {cost.cored} | {cost.years} |"
            f" {cost.gradient_us:.0f} | {ratio:.2f} | {cost.fit_seconds:.1f} | {fit_ratio:.2f} |"
            f" {cost.steps_per_draw:.0f} | {verdict} |"
        )
    return "\n".join(lines)


def plot(costs: list[Cost], path: Path) -> None:
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, panels = plt.subplots(
        1, len(STEPS), figsize=(10, 3.4), sharey=True, layout="constrained"
    )
    for axes, grows in zip(panels, STEPS, strict=True):
        own = [cost for cost in costs if cost.grows == grows]
        base, times = smallest_of(costs, grows), [cost.times for cost in own]
        axes.plot(
            times,
            [cost.gradient_us / base.gradient_us for cost in own],
            "o-",
            color="black",
            label="gradient",
        )
        axes.plot(
            times,
            [cost.fit_seconds / base.fit_seconds for cost in own],
            "s--",
            color="0.45",
            label="whole fit",
        )
        axes.plot(times[-1], TARGETS[grows], "_", markersize=24, color="black", label="target")
        axes.set(
            xscale="log",
            xlabel=f"{grows}, times",
            xticks=times,
            xticklabels=[str(step) for step in times],
        )
        axes.minorticks_off()
    panels[0].set_ylim(bottom=0)  # once all are drawn: they share it
    panels[0].set_ylabel("cost, times that of the smallest survey")
    panels[0].legend(frameon=False)
    figure.savefig(path, dpi=150)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--plot", type=Path, help="PNG file for the picture")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--draws", type=int, default=250)
    parser.add_argument("--tune", type=int, default=200)
    options = parser.parse_args()
    costs = measure(options)
    print(table(costs))
    if options.plot:
        plot(costs, options.plot)


if __name__ == "__main__":
    main()
