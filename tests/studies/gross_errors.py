"""Counts that are grossly off: do dates hold the truth, and are the misread cores found?

    python tests/studies/gross_errors.py run [--surveys 6] [--workers 1] [--folder F]
    python tests/studies/gross_errors.py report [--folder F]

Each survey, four fifths of its cores counted and the rest crossdated, is taken as it is and with 3
and 10 % of its counts misread, by another law than the evidence has (`simulate.misreadings`),
and each is fitted twice: with gross errors in the likelihood and without, as before there were any.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from studies.runner import study_command

NAME = "gross_errors"
LEVELS = (0.0, 0.03, 0.1)  # share of the counts that are misread
LEVEL = 0.9
FALSE_ALARMS = 0.05


def jobs(surveys: int) -> list[dict]:
    """Each survey at each level, with gross errors considered and not."""
    return [
        {"seed": seed, "misread": level, "considered": considered}
        for seed in range(surveys)
        for level in LEVELS
        for considered in (True, False)
    ]


def one_survey(job: dict) -> dict:
    """A row a cored tree and a row a counted core of one survey."""
    from standage.evidence import gross_errors
    from standage.simulate.history import SurveyDesign
    from standage.simulate.misreadings import with_misread_counts
    from standage.simulate.surveys import small_survey
    from standage.stand.fit import fit_stands
    from standage.survey.reading import read_survey

    rng = np.random.default_rng([job["seed"], 17])
    cores = int(rng.integers(40, 61))
    design = SurveyDesign(
        plot_areas_m2=(2500.0,) * 4, cores=cores, datings={"crossdated": 0.2, "counted": 0.8}
    )
    simulated = small_survey(
        1000 + job["seed"],
        stems=3.0 * cores,
        cores=cores,
        plots=4,
        design=design,
        from_prior=True,
        first_year=1650,
    )
    simulated = with_misread_counts(simulated, job["misread"], job["seed"])
    usual = gross_errors.GROSS_SHARE
    try:
        gross_errors.GROSS_SHARE = usual if job["considered"] else 0.0
        with tempfile.TemporaryDirectory() as folder:
            survey = read_survey(simulated.write(Path(folder) / "survey"))
            posterior = fit_stands(survey, seed=1, level=LEVEL, chains=2, cores=1, draws=250)
    finally:
        gross_errors.GROSS_SHARE = usual
    return outcomes(simulated, posterior)


def outcomes(simulated, posterior) -> dict:
    """Of each cored living tree whether its interval holds the truth, how wide it is, and whether a
    core of it was misread; of each counted core its chance to be, and whether it was.
    """
    truth = simulated.truth["trees"].set_index("tree")["establishment_year"]
    off = simulated.truth["cores"].set_index("core")["misread_rings"].astype(int)
    misread_tree = (off != 0).groupby(simulated.truth["cores"].set_index("core")["tree"]).any()
    tail = (1 - LEVEL) / 2
    trees = []
    for place, tree in enumerate(posterior.trees["tree"]):
        drawn = posterior.establishment_year[:, place]
        if not posterior.trees["cored"].iloc[place] or (drawn < 0).any():
            continue
        low, high = np.rint(np.quantile(drawn, [tail, 1 - tail]))
        trees.append(
            {
                "hit": int(low <= truth[tree] <= high),
                "width": float(high - low),
                "error": float(abs(np.median(drawn) - truth[tree])),
                "misread": int(misread_tree[tree]),
            }
        )
    chances = posterior.misread.mean()
    cores = [{"chance": float(chances[core]), "off": int(off[core])} for core in chances.index]
    return {"trees": trees, "cores": cores}


def report(rows: pd.DataFrame) -> str:
    """Coverage and width by level, with gross errors considered and not; misreads found."""
    done = rows[rows["error"] == ""]
    lines = [f"{len(done)} fits, {int((rows['error'] != '').sum())} failed"]
    for level in LEVELS:
        for considered in (True, False):
            own = done[(done["misread"] == level) & (done["considered"] == considered)]
            if own.empty:
                continue
            trees = pd.DataFrame([tree for each in own["trees"] for tree in each])
            by_survey = [np.mean([tree["hit"] for tree in each]) for each in own["trees"]]
            error = np.std(by_survey, ddof=1) / np.sqrt(len(own)) if len(own) > 1 else np.nan
            words = (
                f"{level:.0%} misread, {'considered' if considered else 'not considered'}:"
                f" {len(own)} surveys, {len(trees)} trees, coverage {trees['hit'].mean():.3f}"
                f" +- {error:.3f}, width {trees['width'].mean():.2f}"
                f" (median {trees['width'].median():.1f}), error {trees['error'].mean():.2f}"
            )
            wrong = trees[trees["misread"] == 1]
            if len(wrong):
                sound = trees[trees["misread"] == 0]
                words += (
                    f"; misread trees {len(wrong)}: {wrong['hit'].mean():.2f}, error"
                    f" {wrong['error'].mean():.1f}; others {sound['hit'].mean():.3f}, error"
                    f" {sound['error'].mean():.2f}"
                )
            lines.append(words)
        lines += _found(done[(done["misread"] == level) & done["considered"].astype(bool)])
    return "\n".join(lines)


def _found(rows: pd.DataFrame) -> list[str]:
    """Misread cores above the chance that one in twenty of the others exceeds."""
    cores = pd.DataFrame([core for each in rows["cores"] for core in each])
    if cores.empty:
        return []
    limit = float(cores.loc[cores["off"] == 0, "chance"].quantile(1 - FALSE_ALARMS))
    words = f"  {len(cores)} counts: 5 % false alarms at a chance of {limit:.3f}"
    wrong = cores[cores["off"] != 0]
    for name, own in (
        ("all", wrong),
        ("off by 20 or more", wrong[wrong["off"].abs() >= 20]),
    ):
        if len(own):
            words += f"; found of {name} {len(own)}: {(own['chance'] > limit).mean():.2f}"
    return [words]


if __name__ == "__main__":
    study_command(
        __doc__.splitlines()[0],
        NAME,
        jobs=jobs,
        work=one_survey,
        report=report,
        surveys=6,
        counted="surveys, each fitted six times",
    )
