"""Effective draws a second: standage's fit beside the model a good analyst would write in PyMC
(`analyst_model.py`).

    python tests/benchmarks/fit_speed.py [--survey FOLDER] [--draws N] [--limit SECONDS]

Each model is fitted by a process of its own, timed from its start to its end, imports, compilation
and dating of stems included; first one and then the other, so that neither takes the other's
processor. Processor seconds are those of the process and of all it started: on a machine that does
other work as well they are the fairer figure. standage runs by its defaults. The analyst's model
runs by those of `pm.sample`, except that four chains are asked for, as many as standage has, two at
a time. Both are watched for the same quantities: stems per hectare by 20 years of establishment,
all stems, median grass stage, years to breast height, diameter growth. A fit counts as having
converged where the rank-normalised R-hat of all of them is below 1.01 (Vehtari, Gelman, Simpson,
Carpenter & Buerkner 2021, Bayesian Analysis 16:667-718); their bulk effective sample size is that
of the same paper.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

CHAINS, AT_ONCE = 4, 2
CLASS_YEARS = 20
RHAT_LIMIT, ENOUGH = 1.01, 400
GRASS, HEIGHT, GROWTH = (
    "median grass stage [years]",
    "years to breast height [years]",
    "growth in diameter [cm/year]",
)


def watched(
    living: np.ndarray, first_year: int, numbers: dict[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """What is compared, `(chain, draw)` each, from living stems `(chain, draw, year)` and numbers
    by name.
    """
    out = {"all stems [per ha]": living.sum(axis=-1)}
    end = living.shape[-1]
    while end > 0:
        start = max(0, end - CLASS_YEARS)
        out[f"stems {first_year + start}-{first_year + end - 1} [per ha]"] = living[
            ..., start:end
        ].sum(axis=-1)
        end = start
    return out | numbers


def fit_by_standage(folder: Path, draws: int | None, tune: int | None, limit: float) -> dict:
    from standage.stand.build import build_stands
    from standage.stand.fit import fit_stands
    from standage.stand.states import unit_state
    from standage.survey.reading import read_survey

    survey = read_survey(folder)
    settings = {
        name: value for name, value in (("draws", draws), ("tune", tune)) if value is not None
    }
    posterior = fit_stands(survey, seed=1, chains=CHAINS, cores=AT_ONCE, **settings)
    data = build_stands(survey).data
    chains, kept = posterior.draws.shape[:2]
    state = unit_state(posterior.draws.reshape(chains * kept, -1), data, 0)
    by_chain = (chains, kept)
    numbers = {
        GRASS: state.delays.median_grass_years.reshape(by_chain),
        HEIGHT: state.delays.years_to_breast_height.reshape(by_chain),
        GROWTH: state.growth.reshape(by_chain),
    }
    divergent = float(posterior.verdict.get("divergences", math.nan))
    return summarise(watched(state.living.reshape(*by_chain, -1), data.first_year, numbers)) | {
        "divergences": divergent,
        "stopped": False,
    }


def fit_by_analyst(folder: Path, draws: int | None, tune: int | None, limit: float) -> dict:
    import pymc as pm
    from analyst_model import analyst_data, analyst_model

    from standage.survey.reading import read_survey

    began = time.monotonic()
    given = analyst_data(read_survey(folder))
    first_kept: dict[int, float] = {}
    last_kept: dict[int, float] = {}
    settings = {
        name: value for name, value in (("draws", draws), ("tune", tune)) if value is not None
    }

    def watch(trace, draw):
        now = time.monotonic()
        if not draw.tuning:
            first_kept.setdefault(draw.chain, now)
            last_kept[draw.chain] = now
        if now - began > limit:
            raise KeyboardInterrupt  # how pm.sample is told to stop with the draws it has

    nothing = {
        "ess": math.nan,
        "rhat": math.nan,
        "slowest": "",
        "quantities": {},
        "chains": 0,
        "draws": 0,
        "stopped": True,
    }
    with analyst_model(given):
        try:
            trace = pm.sample(
                chains=CHAINS,
                cores=AT_ONCE,
                random_seed=1,
                progressbar=False,
                callback=watch,
                compute_convergence_checks=False,
                **settings,
            )
        except (
            ValueError
        ) as problem:  # how pm.sample answers when it was stopped before any chain was tuned
            if "Not enough samples" not in str(problem):
                raise
            return nothing
    stopped = time.monotonic() - began > limit
    if trace.posterior.sizes["draw"] < 4:
        return nothing
    posterior = trace.posterior
    numbers = {
        GRASS: posterior["median_grass_years"].to_numpy(),
        HEIGHT: posterior["years_to_breast_height"].to_numpy(),
        GROWTH: posterior["growth_cm_per_year"].to_numpy(),
    }
    found = summarise(
        watched(np.exp(posterior["log_living"].to_numpy()), given.first_year, numbers)
    )
    kept = sum(last_kept[chain] - first_kept[chain] for chain in first_kept) / min(
        AT_ONCE, len(first_kept)
    )
    return found | {
        "divergences": float(trace.sample_stats["diverging"].sum()),
        "stopped": stopped,
        "kept_seconds": kept,
    }


FITS = {"standage": fit_by_standage, "analyst": fit_by_analyst}


def summarise(quantities: dict[str, np.ndarray]) -> dict:
    """Least effective sample size and largest R-hat of positive quantities `(chain, draw)`, on the
    log scale, and where each stands.
    """
    import arviz

    logs = arviz.convert_to_dataset(
        {"x": np.log(np.stack(list(quantities.values()), axis=-1) + 1e-12)}
    )
    ess, rhat = (
        arviz.ess(logs, method="bulk")["x"].to_numpy(),
        arviz.rhat(logs, method="rank")["x"].to_numpy(),
    )
    names = list(quantities)
    chains, draws = next(iter(quantities.values())).shape
    return {
        "ess": float(ess.min()),
        "slowest": names[int(ess.argmin())],
        "rhat": float(rhat.max()),
        "highest_rhat": names[int(rhat.argmax())],
        "chains": chains,
        "draws": draws,
        "quantities": {
            name: [*np.quantile(values, [0.05, 0.5, 0.95]).tolist(), float(ess[i]), float(rhat[i])]
            for i, (name, values) in enumerate(quantities.items())
        },
    }


def seconds_to_enough(found: dict) -> float:
    """Seconds from process start to 400 effective draws of the slowest quantity.

    Where a fit has more than it needs, draws are left off its end at their measured pace; where it
    has fewer, they are added at that pace. For standage, whose pace of kept draws isn't measured
    apart from tuning, nothing is left off; and all its time is scaled up.
    """
    if not math.isfinite(found["ess"]):
        return math.nan
    short = ENOUGH / found["ess"]
    if "kept_seconds" in found:
        return found["seconds"] + (short - 1) * found["kept_seconds"]
    return found["seconds"] * max(short, 1.0)


def table(results: dict[str, dict]) -> str:
    """The comparison as a markdown table, with a sentence where a fit did not converge."""
    columns = {}
    for name, found in results.items():
        columns[name] = {
            "seconds, whole process": found["seconds"],
            "processor seconds": found["processor_seconds"],
            "chains x kept draws": f"{found['chains']} x {found['draws']}",
            "least effective draws": found["ess"],
            "of": found["slowest"],
            "largest R-hat": found["rhat"],
            "divergent draws": found.get("divergences", math.nan),
            "effective draws a second": found["ess"] / found["seconds"],
            "effective draws a processor second": found["ess"] / found["processor_seconds"],
            "seconds to 400 effective draws": seconds_to_enough(found),
        }
    ours, theirs = columns["standage"], columns["analyst"]
    better_high = ("effective draws a second", "effective draws a processor second")
    better_low = ("seconds, whole process", "processor seconds", "seconds to 400 effective draws")
    lines = ["| | standage | analyst's PyMC model | standage better by |", "|---|---:|---:|---:|"]
    for row in ours:
        ratio = ""
        if row in better_high + better_low:
            ratio = _number(
                ours[row] / theirs[row] if row in better_high else theirs[row] / ours[row]
            )
        lines.append(f"| {row} | {_number(ours[row])} | {_number(theirs[row])} | {ratio} |")
    for name, found in results.items():
        if not found["rhat"] < RHAT_LIMIT:
            when = "stopped at its time limit" if found["stopped"] else "at its end"
            where = (
                f", {found['rhat']:.3f} for {found['highest_rhat']}"
                if found["chains"]
                else ": it had no draws yet"
            )
            lines.append(
                f"\n{name}: R-hat {RHAT_LIMIT} was NOT reached ({when}{where}); its figures are"
                " those of that moment."
            )
    lines += [
        "",
        "Do they answer alike? 5, 50 and 95 % points, R-hat:",
        "",
        "| | standage | analyst |",
        "|---|---|---|",
    ]
    for quantity, values in results["standage"]["quantities"].items():
        other = results["analyst"]["quantities"].get(quantity)
        lines.append(f"| {quantity} | {_points(values)} | {_points(other) if other else ''} |")
    return "\n".join(lines)


def _number(value: object) -> str:
    return f"{value:.3g}" if isinstance(value, float) else str(value)


def _points(values: list[float]) -> str:
    return ", ".join(f"{value:.3g}" for value in values[:3]) + f"; {values[4]:.3f}"


def run_one(name: str, folder: Path, options: argparse.Namespace) -> dict:
    """Fit by a process of its own; its seconds are from before it starts to after it has ended."""
    with tempfile.TemporaryDirectory() as scratch:
        answer = Path(scratch) / "answer.json"
        command = [
            sys.executable,
            __file__,
            "--fit",
            name,
            "--survey",
            str(folder),
            "--answer",
            str(answer),
            "--limit",
            str(options.limit),
        ]
        for setting in ("draws", "tune"):
            if getattr(options, setting) is not None:
                command += [f"--{setting}", str(getattr(options, setting))]
        began, busy_before = time.perf_counter(), processor_seconds()
        subprocess.run(command, check=True, stdout=sys.stderr)
        taken = {
            "seconds": time.perf_counter() - began,
            "processor_seconds": processor_seconds() - busy_before,
        }
        return json.loads(answer.read_text()) | taken


def processor_seconds() -> float:
    """Of all processes that were started from here and have ended, with those that they started."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def default_survey(folder: Path) -> Path:
    """One stand of some 175 listed stems of which 70 are cored, with a pulse in 1930-1941; always
    the same.
    """
    from standage.simulate.surveys import small_survey

    return small_survey(11, stems=175, cores=70, plots=4).write(folder)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--survey",
        type=Path,
        help="one stand with plots and coring heights, without cuts, sections and judged ages",
    )
    parser.add_argument(
        "--draws", type=int, help="kept draws a chain, of both; each one's default if left out"
    )
    parser.add_argument(
        "--tune", type=int, help="steps of tuning a chain, of both; each one's default if left out"
    )
    parser.add_argument(
        "--limit",
        type=float,
        default=3600.0,
        help="seconds after which the analyst's model is stopped",
    )
    parser.add_argument("--fit", choices=FITS, help=argparse.SUPPRESS)
    parser.add_argument("--answer", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.fit:
        sys.path.insert(0, str(Path(__file__).parent))
        options.answer.write_text(
            json.dumps(
                FITS[options.fit](options.survey, options.draws, options.tune, options.limit)
            )
        )
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.survey or default_survey(Path(scratch) / "survey")
        results = {name: run_one(name, folder, options) for name in FITS}
        stems, cores = (len(pd.read_csv(folder / f"{name}.csv")) for name in ("trees", "cores"))
    print(
        f"{stems} stems, {cores} cores; {os.cpu_count()} processors; python"
        f" {sys.version.split()[0]}\n"
    )
    print(table(results))


if __name__ == "__main__":
    main()
