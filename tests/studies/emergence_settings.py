"""What becomes of the answers under each setting of `emergence`, with and without plants that an
opening let go.

    python tests/studies/emergence_settings.py run [--surveys 12] [--workers 2] [--folder F]
    python tests/studies/emergence_settings.py report [--folder F]

A simulated stand with a cut of 1935 on record. `let go by the cut`: plants of a pulse of 1926-1933
had eight chances to start their stem in the first season after it, fewer in the next four. `came
after the cut`: the pulse is of 1937-1944, and nothing was let go. `nothing then`: recruitment was
steady. Every survey is fitted with emergence off, on and learned. Judged are the years of
establishment of the cored trees that came within twenty years of the cut, what is claimed of pulses
tied to the cut, and, where it is a parameter, rho.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from studies.interval_coverage import LEVEL, clustered_mean, long_rows, markdown
from studies.runner import study_command

NAME = "emergence_settings"
CUT, NEAR_YEARS = 1935, 20
TRIES = (8, 5, 3, 2, 2)  # chances to start a stem in the seasons after the cut, for one without it
SETTINGS = {
    "let go by the cut": (1926, 1933),
    "came after the cut": (1937, 1944),
    "nothing then": None,
}
CHOICES = ("off", "on", "learned")
RIGHT_CLAIM = {
    "let go by the cut": "waiting",
    "came after the cut": "germinated after",
    "nothing then": "",
}


def jobs(surveys: int) -> list[dict]:
    """So many surveys of each setting, the same one under each choice."""
    seeds = range(surveys)
    return [
        {"setting": setting, "emergence": choice, "seed": seed}
        for seed in seeds
        for setting in SETTINGS
        for choice in CHOICES
    ]


def simulated(setting: str, seed: int):
    """The survey of a setting, the cut on record."""
    from standage.simulate.departures import Departures
    from standage.simulate.surveys import small_survey

    let_go = setting == "let go by the cut"
    survey = small_survey(
        seed,
        stems=80,
        cores=40,
        pulse=SETTINGS[setting],
        pulse_share=0.6,
        departures=Departures(openings=(CUT,), release_tries=TRIES) if let_go else None,
    )
    cut = {
        "event": "cut",
        "stand": "",
        "kind": "logging",
        "first_year": CUT,
        "last_year": CUT,
        "opens_canopy": "yes",
        "source": "record",
    }
    survey.tables["events"] = pd.DataFrame([cut]).reindex(columns=survey.tables["events"].columns)
    return survey


def one_survey(job: dict) -> dict:
    """Simulate, write, read, fit: years of the cored trees near the cut, what is claimed of the
    cut, rho.
    """
    from standage.findings import Findings
    from standage.stand.fit import fit_stands
    from standage.survey.reading import read_survey

    survey = simulated(job["setting"], job["seed"])
    with tempfile.TemporaryDirectory() as folder:
        posterior = fit_stands(
            read_survey(survey.write(folder)),
            seed=job["seed"],
            chains=2,
            cores=1,
            tune=200,
            draws=400,
            emergence=job["emergence"],
        )
    true = (
        posterior.trees["tree"]
        .map(survey.truth["trees"].set_index("tree")["establishment_year"].astype(float))
        .to_numpy(float)
    )
    drawn = posterior.establishment_year
    near = (
        posterior.trees["cored"].to_numpy(bool)
        & (drawn >= 0).all(axis=0)
        & (np.abs(true - CUT) <= NEAR_YEARS)
    )
    rho = posterior.delay_posterior[0].get("release")
    of_cut = Findings(posterior, level=LEVEL).attribution.query("event == 'cut'")
    return {
        "stems": [
            tree_outcome(years.astype(float), year)
            for years, year in zip(drawn[:, near].T, true[near], strict=True)
        ],
        "claims": (
            of_cut.loc[
                of_cut["lag_years_median"].between(-NEAR_YEARS, NEAR_YEARS), "claim"
            ].tolist()
        ),
        "rho": (
            []
            if rho is None
            else [
                float(value) for value in np.quantile(rho, [(1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2])
            ]
        ),
        "odds_sooner": (
            math.nan if rho is None else float(((rho > 0).sum() + 0.5) / ((rho <= 0).sum() + 0.5))
        ),
        "divergences": int(posterior.verdict["divergences"]),
    }


def tree_outcome(years: np.ndarray, true: float) -> dict:
    """Was the true year inside, how much of the draws `(draw,)` was, and the continuous ranked
    probability score.

    The score is that of Gneiting & Raftery 2007, J Am Stat Assoc 102:359-378 [years]; a tree known
    to the year has 0.
    """
    low, high = np.quantile(years, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], method="inverted_cdf")
    half = len(years) // 2
    score = np.abs(years - true).mean() - 0.5 * np.abs(years[:half] - years[half : 2 * half]).mean()
    inside = float(((low <= years) & (years <= high)).mean())
    return {
        "hit": int(low <= true <= high),
        "mass": round(inside, 4),
        "score": round(float(score), 3),
        "error": float(years.mean() - true),
    }


def summary(frame: pd.DataFrame) -> pd.DataFrame:
    """One row a setting and choice, from rows as `one_survey` answers them. Shares of surveys, but
    for coverage and mass (of trees).

    claimed, claimed_wrongly: a pulse near the cut is said to have waited, or to have germinated
    after it; wrongly is the other way round, or any claim where there was no pulse. rho_held: log
    of the first season's chances (0 where nothing was let go) inside.
    """
    table = []
    for (setting, choice), rows in frame.groupby(["setting", "emergence"], sort=False):
        trees = long_rows(rows, "stems")
        coverage, se = clustered_mean(trees["hit"].to_numpy(), trees["survey"].to_numpy())
        score, score_se = clustered_mean(trees["score"].to_numpy(), trees["survey"].to_numpy())
        made = [[claim for claim in claims if claim != "nothing"] for claims in rows["claims"]]
        row = {
            "setting": setting,
            "emergence": choice,
            "surveys": len(rows),
            "trees": len(trees),
            "coverage": coverage,
            "coverage_se": se,
        }
        row |= {
            "mass": trees["mass"].mean(),
            "score": score,
            "score_se": score_se,
            "error": trees["error"].mean(),
        }
        row["claimed"] = float(np.mean([len(claims) > 0 for claims in made]))
        row["claimed_wrongly"] = float(
            np.mean([any(claim != RIGHT_CLAIM[setting] for claim in claims) for claims in made])
        )
        if choice != "off":
            true = math.log(TRIES[0]) if setting == "let go by the cut" else 0.0
            row["rho_held"] = float(np.mean([low <= true <= high for low, _, high in rows["rho"]]))
            row["sooner"] = float((rows["odds_sooner"] >= 3).mean())
            row["later"] = float((rows["odds_sooner"] <= 1 / 3).mean())
        table.append(row)
    return pd.DataFrame(table)


def report(frame: pd.DataFrame) -> str:
    """The study's table in markdown. Raises ValueError if no survey came through."""
    failed = int((frame["error"] != "").sum())
    if failed == len(frame):
        raise ValueError(f"all {failed} surveys failed: {sorted(set(frame['error']))[:3]}")
    good = frame[frame["error"] == ""]
    return (
        f"{len(frame)} fits, {failed} failed, {good['divergences'].sum()}"
        f" divergences.\n\n{markdown(summary(good))}"
    )


if __name__ == "__main__":
    study_command(
        __doc__.splitlines()[0],
        NAME,
        jobs=jobs,
        work=one_survey,
        report=report,
        surveys=12,
        counted="surveys of every setting",
    )
