"""Simulation-based calibration of the stand model: is the truth like one more draw of its
posterior?

Talts, Betancourt, Simpson, Vehtari & Gelman 2018 (arXiv:1804.06788): draw unknowns from the
prior, data given the unknowns, fit; the rank of each true quantity among the posterior's draws
is then uniform, if simulator, model and sampler all say the same. Each rank is made a number
between 0 and 1, ties broken at random, among as many thinned draws as are nearly independent
(at most 99). Uniformity is tested by the empirical distribution function against its
simultaneous envelope (Saeilynoja, Buerkner & Vehtari 2022, Statistics and Computing 32:32),
Holm's correction over all quantities: one family-wise level of 5 %. The log density is among
the quantities, since it sees what single parameters do not (Modrak et al. 2023, Bayesian
Analysis, doi 10.1214/23-BA1404).

    python tests/studies/calibration.py run [--surveys 500] [--workers 2] [--wrong grass-off-by-one | density-for-pmf]
    python tests/studies/calibration.py report [--wrong ...]

The two wrong models have to fail. Of `density-for-pmf` 24 surveys are enough (mean rank of early
growth 0.06). `grass-off-by-one` moves the mean rank of the grass-stage median by 0.074 only (10
surveys, standard error 0.010), 5.7 standard errors of 500 surveys but 3.1 of 150: the season
too many is in the prior of a median that is uncertain by two. Surveys are those of
`prior_surveys`.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import re
import sys
import tempfile
import warnings
from collections import Counter
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
from scipy import stats

# studies are imported as studies.<name>: with their own folder on the path, one named like a
# library would stand in its place
STUDIES = Path(__file__).resolve().parent
sys.path[:] = [
    str(STUDIES.parent),
    *(place for place in sys.path if Path(place).resolve() not in (STUDIES, STUDIES.parent)),
]
from studies.prior_surveys import (  # noqa: E402
    LEAST_YEARS_BEFORE_RING,
    SPECIES,
    PriorSurvey,
    Size,
    history_quantities,
    prior_survey,
)  # noqa: E402
from studies.runner import default_folder, finished_rows, run_study  # noqa: E402

WRONG = ("", "grass-off-by-one", "density-for-pmf")
SIZES = {
    "study": Size(),
    "short": Size(stems=(15, 120), cores=(8, 12), plots=2, subplots_per_plot=2),
}
MOST_DRAWS_KEPT = 99
LEVEL = 0.05
# named before any fit was made
QUANTITIES = (
    "stems per ha of 1905-1924",
    "stems per ha of 1945-1964",
    "stems per ha of 1965-1984",
    "stems per ha of 1985-2004",
    "stems per ha in all",
    "share of 1955-1974",
    "listed stems of 1955-1974",
    "year of a cored tree",
    "year at the core of a cored tree",
    "year of an uncored stem",
    "grass-stage median",
    "years to breast height",
    "diameter growth",
    "size scatter",
    "level",
    "early growth near the pith",
    "counting bias",
    "plot dispersion",
    "factor of the grass counts",
    "log density",
)


# one survey


def one_survey(job: dict) -> dict:
    """Draw a survey, fit it and rank its true quantities. job: seed, size, wrong, tune, draws."""
    drawn = prior_survey(job["seed"], SIZES[job["size"]])
    draws, truth, about = fit_and_compare(
        drawn, wrong=job["wrong"], seed=job["seed"], tune=job["tune"], draws=job["draws"]
    )
    rng = np.random.default_rng([job["seed"], 10**6])
    result = {"stems": drawn.stems, "cores": drawn.cores, "refused": drawn.refused} | about
    for name in QUANTITIES:
        result[f"rank {name}"], result[f"draws {name}"] = rank_of_truth(
            draws[name], truth[name], rng
        )
    return result


def fit_and_compare(
    drawn: PriorSurvey, *, wrong: str, seed: int, tune: int, draws: int
) -> tuple[dict, dict, dict]:
    """Draws (chain, draw) and truth of each quantity, and what the sampler says of itself."""
    import standage
    from standage.stand.build import build_stands
    from standage.stand.fit import fit_stands
    from standage.stand.kernel.log_density import Kernel
    from standage.stand.parameters import layout, pack
    from standage.stand.states import unit_state

    with (
        tempfile.TemporaryDirectory() as scratch,
        fixed_axis(),
        wrong_model(wrong, Path(scratch)) as profile_folder,
    ):
        survey = standage.read_survey(drawn.survey.write(Path(scratch) / "survey"))
        data = build_stands(survey, profile_folder=profile_folder).data
        posterior = fit_stands(
            survey,
            seed=seed,
            tune=tune,
            draws=draws,
            chains=2,
            cores=1,
            profile_folder=profile_folder,
        )
    if len(data.years) != 201 or posterior.years[-1] != 2024 or len(data.units) != 1:
        raise RuntimeError(
            f"the fit is on {posterior.years[0]}-{posterior.years[-1]}, not on the axis of the"
            " prior"
        )
    flat = posterior.draws.reshape(-1, posterior.draws.shape[-1])
    state = unit_state(flat, data, 0)
    kernel, places = Kernel(data), layout(data)
    shared = {
        "plot_dispersion",
        "count_dispersion",
    }  # of the survey; all else is of its one species or one unit
    vector = pack(
        {
            name: value if name in shared else [value]
            for name, value in (drawn.z | {"removal": [], "release": []}).items()
        },
        data,
    )
    column = {
        name: int(np.flatnonzero(posterior.trees["tree"] == name)[0])
        for name in (drawn.cored_tree, drawn.uncored_tree)
    }
    established = posterior.establishment_year.astype(float)
    dated = (established >= 0).any(axis=0)  # all but those whose coring height is blank
    true_year = posterior.trees["tree"].map(drawn.established).to_numpy(float)[dated]
    of_unit = places.unit_offsets[0]
    found = history_quantities(
        posterior.years, posterior.unit(0).living * posterior.unit(0).past_emerging
    ) | {
        "listed stems of 1955-1974": (
            ((established[:, dated] >= 1955) & (established[:, dated] <= 1974))
            .sum(axis=1)
            .astype(float)
        ),
        "year of a cored tree": established[:, column[drawn.cored_tree]],
        "year at the core of a cored tree": (
            posterior.year_at_core[:, column[drawn.cored_tree]].astype(float)
        ),
        "year of an uncored stem": established[:, column[drawn.uncored_tree]],
        "grass-stage median": state.delays.median_grass_years,
        "years to breast height": state.delays.years_to_breast_height,
        "diameter growth": state.growth,
        "size scatter": state.scatter,
        "level": flat[:, of_unit["level"]],
        "early growth near the pith": state.early_growth,
        "counting bias": state.counting,
        "plot dispersion": flat[:, places.offsets["plot_dispersion"]],
        "factor of the grass counts": flat[:, of_unit["stage_factor"] + 1],
        "log density": np.array([kernel(np.ascontiguousarray(one))[0] for one in flat]),
    }
    truth = drawn.truth | {
        "listed stems of 1955-1974": float(((true_year >= 1955) & (true_year <= 1974)).sum()),
        "level": drawn.z["level"],
        "early growth near the pith": drawn.z["early_growth"],
        "counting bias": drawn.z["counting"],
        "plot dispersion": drawn.z["plot_dispersion"],
        "factor of the grass counts": drawn.z["stage_factor"][1],
        "log density": kernel(vector)[0],
    }
    for name in (drawn.cored_tree, drawn.uncored_tree):
        if (established[:, column[name]] < 0).any():
            raise RuntimeError(f"{name} has no establishment year in some draws")
    about = {"divergences": posterior.verdict["divergences"]}
    return (
        {name: values.reshape(posterior.draws.shape[:2]) for name, values in found.items()},
        truth,
        about,
    )


@contextlib.contextmanager
def fixed_axis():
    """Hold the model to the axis that the prior is drawn on: 200 years unless a core is older than
    180, however thick the stems.
    """
    of_axis = "standage.evidence.participation."
    with (
        mock.patch(of_axis + "YEARS_BEFORE_OLDEST_RING", LEAST_YEARS_BEFORE_RING),
        mock.patch(of_axis + "seasons_to_size", lambda profile, dbh_cm: 0.0),
    ):
        yield


@contextlib.contextmanager
def wrong_model(which: str, scratch: Path):
    """Make the fit wrong; gives the folder of profiles to fit with, or None.

    `grass-off-by-one`: the profile's median grass stage is one growing season too long.
    `density-for-pmf`: the rings missed enter as a density of the distance given the rings, which
    differs from the probability of the rings by a factor of their number.
    """
    if which == "grass-off-by-one":
        from standage.profiles import UncheckedProfile, load_profile, models_folder

        text = (models_folder() / f"{SPECIES}.toml").read_text(encoding="utf-8")
        right = load_profile(SPECIES)["grass_stage.median_years"]
        folder = scratch / "profiles"
        folder.mkdir()
        (folder / f"{SPECIES}.toml").write_text(
            with_number(text, "grass_stage", "median_years", right + 1), encoding="utf-8"
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UncheckedProfile)
            if load_profile(SPECIES, folder)["grass_stage.median_years"] != right + 1:
                raise RuntimeError("the wrong profile is not wrong")
            yield str(folder)
    elif which == "density-for-pmf":
        from standage.evidence import core

        with mock.patch.object(
            core,
            "missing_rings_pmf",
            functools.partial(density_of_distance, core.missing_rings_pmf),
        ):
            yield None
    elif which == "":
        yield None
    else:
        raise ValueError(f"no wrong model '{which}'; there are {', '.join(WRONG[1:])}")


def density_of_distance(pmf, mu, sigma, longest: int, pith_share=0.0) -> np.ndarray:
    """What stands in place of `pmf(mu, sigma, longest, pith_share)` in the wrong model:
    proportional to the density of the distance given k rings.
    """
    return pmf(mu, sigma, longest, pith_share) * np.maximum(np.arange(longest + 1), 0.25)


def with_number(text: str, table: str, key: str, value: float) -> str:
    """The text of a profile with another value at `key` of `[table]`. Raises ValueError where there
    is none.
    """
    changed, times = re.subn(
        rf"(?ms)(^\[{table}\]$[^\[]*?^{key} = \{{value = )[^,]+", rf"\g<1>{value}", text
    )
    if times != 1:
        raise ValueError(f"{times} numbers {key} in [{table}]")
    return changed


# ranks and their test


def rank_of_truth(draws: np.ndarray, truth: float, rng: np.random.Generator) -> tuple[float, int]:
    """Rank of the truth among thinned draws (chain, draw) as a number between 0 and 1, uniform if
    all is right; and how many were used.

    With l of L draws below the truth and e equal to it the rank is one of l ... l + e, and its
    place is spread over the 1/(L + 1) that it stands for: uniform on 0 to 1 whatever L.
    """
    kept = thinned(draws)
    below, equal = int((kept < truth).sum()), int((kept == truth).sum())
    return float((below + rng.random() * (equal + 1)) / (len(kept) + 1)), len(kept)


def thinned(draws: np.ndarray) -> np.ndarray:
    """Evenly spaced draws, as many as are nearly independent by their bulk effective sample size,
    at most `MOST_DRAWS_KEPT`.
    """
    import arviz

    flat = draws.reshape(-1)
    if np.ptp(flat) == 0:
        return flat[
            np.linspace(0, flat.size - 1, min(MOST_DRAWS_KEPT, flat.size)).round().astype(int)
        ]
    effective = float(arviz.ess(draws, method="bulk"))
    keep = int(
        np.clip(effective if np.isfinite(effective) else 10, 10, min(MOST_DRAWS_KEPT, flat.size))
    )
    return flat[np.linspace(0, flat.size - 1, keep).round().astype(int)]


_GRID = 100


@functools.cache
def _tails(surveys: int) -> np.ndarray:
    """Two-sided binomial chance of `count` ranks below each grid point, shape (count, grid
    point).
    """
    counts, points = np.arange(surveys + 1)[:, None], np.arange(1, _GRID)[None] / _GRID
    at_most, at_least = (
        stats.binom.cdf(counts, surveys, points),
        stats.binom.sf(counts - 1, surveys, points),
    )
    return np.minimum(1.0, 2 * np.minimum(at_most, at_least))


def _least_tail(by_bin: np.ndarray, surveys: int) -> np.ndarray:
    """Chance at the grid point where the empirical distribution strays most, of counts (...,
    bin).
    """
    below = by_bin.cumsum(axis=-1)[..., :-1]
    return _tails(surveys)[below, np.arange(_GRID - 1)].min(axis=-1)


@functools.cache
def _least_tails_by_chance(surveys: int, trials: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    least = [
        _least_tail(rng.multinomial(surveys, np.full(_GRID, 1 / _GRID), 5_000), surveys)
        for _ in range(trials // 5_000)
    ]
    return np.sort(np.concatenate(least))


def uniformity_p(ranks: np.ndarray, *, trials: int = 100_000) -> float:
    """Chance that uniform ranks stray as far from uniform as these, by their empirical distribution
    function at 99 points.

    Simulated with a fixed seed; 1 / (trials + 1) is the smallest answer.
    """
    ranks = np.asarray(ranks, dtype=float)
    by_bin = np.bincount(np.minimum((ranks * _GRID).astype(int), _GRID - 1), minlength=_GRID)
    chance = _least_tails_by_chance(len(ranks), trials)
    as_far = np.searchsorted(chance, _least_tail(by_bin, len(ranks)) * (1 + 1e-9), side="right")
    return float((as_far + 1) / (len(chance) + 1))


def holm(chances: np.ndarray) -> np.ndarray:
    """Chances corrected for their number (Holm 1979): below a level means that one stands out at
    that level over all.
    """
    chances = np.asarray(chances, dtype=float)
    order = np.argsort(chances)
    stepped = np.maximum.accumulate(chances[order] * (len(chances) - np.arange(len(chances))))
    corrected = np.empty(len(chances))
    corrected[order] = np.minimum(stepped, 1.0)
    return corrected


def calibration_table(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a quantity: surveys, mean rank with its standard error, share outside the middle 90
    %, chance, and Holm's correction of it.

    `rows` are those of the study; surveys with an error are left out here and counted by
    `calibration_report`.
    """
    used = rows[rows["error"] == ""]
    table = []
    for name in QUANTITIES:
        ranks = used[f"rank {name}"].to_numpy(float)
        table.append(
            {
                "quantity": name,
                "surveys": len(ranks),
                "mean rank": ranks.mean(),
                "standard error": ranks.std(ddof=1) / np.sqrt(len(ranks)),
                "outside the middle 90 %": ((ranks < 0.05) | (ranks > 0.95)).mean(),
                "draws kept": used[f"draws {name}"].median(),
                "chi-square, 20 bins": stats.chisquare(np.histogram(ranks, 20, (0, 1))[0]).pvalue,
                "chance": uniformity_p(ranks),
            }
        )
    table = pd.DataFrame(table)
    return table.assign(corrected=holm(table["chance"].to_numpy()))


def passes(table: pd.DataFrame) -> bool:
    """Whether no quantity stands out at the family-wise level. The empirical distribution decides;
    the chi-square is only shown.
    """
    return bool((table["corrected"] >= LEVEL).all())


def calibration_report(rows: pd.DataFrame, wrong: str) -> str:
    """The study's table in markdown, with its verdict and what did not go into it."""
    table = calibration_table(rows)
    used = rows[rows["error"] == ""]
    refused: Counter[str] = Counter()
    for reasons in used["refused"]:
        refused.update(reasons)
    failed = len(rows) - len(used)
    what = f"wrong model `{wrong}`, which has to fail" if wrong else "the stand model"
    lines = [
        (
            f"Calibration of {what}: {'PASSES' if passes(table) else 'FAILS'} at a family-wise"
            f" level of {LEVEL:.0%} ({len(used)} surveys, {failed} fits ended in an error)"
        ),
        "",
        f"{used['stems'].median():.0f} listed stems (median; {used['stems'].min()} to"
        f" {used['stems'].max()}), {used['cores'].median():.0f} cores, {used['divergences'].sum()}"
        f" divergent transitions. Drawn in vain for their data: {sum(refused.values())} surveys ("
        + ", ".join(f"{reason} {count}" for reason, count in refused.most_common())
        + ").",
        "",
        (
            "| quantity | mean rank | outside the middle 90 % | draws kept | chance (distribution)"
            " | corrected | chance (20 bins) |"
        ),
        "|---|---|---|---|---|---|---|",
    ]
    for row in table.to_dict("records"):
        lines.append(
            f"| {row['quantity']} | {row['mean rank']:.3f} (s.e. {row['standard error']:.3f}) |"
            f" {row['outside the middle 90 %']:.3f} | {row['draws kept']:.0f} | {row['chance']:.4f}"
            f" | {row['corrected']:.3f} | {row['chi-square, 20 bins']:.4f} |"
        )
    return "\n".join(lines)


# the study


def study_jobs(
    surveys: int,
    *,
    wrong: str = "",
    size: str = "study",
    tune: int = 200,
    draws: int = 250,
    first_seed: int = 1,
) -> list[dict]:
    return [
        {"seed": seed, "size": size, "wrong": wrong, "tune": tune, "draws": draws}
        for seed in range(first_seed, first_seed + surveys)
    ]


def study_name(wrong: str) -> str:
    return "calibration" + (f"-{wrong}" if wrong else "")


def main() -> None:
    parser = argparse.ArgumentParser(description="Simulation-based calibration of the stand model.")
    parser.add_argument("verb", choices=("run", "report"))
    parser.add_argument(
        "--surveys", type=int, help="surveys to fit (500; 150 with density-for-pmf)"
    )
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path, default=default_folder())
    parser.add_argument("--wrong", choices=WRONG[1:], default="")
    given = parser.parse_args()
    name = study_name(given.wrong)
    if given.verb == "run":
        surveys = given.surveys or (150 if given.wrong == "density-for-pmf" else 500)
        run_study(
            name,
            study_jobs(surveys, wrong=given.wrong),
            one_survey,
            folder=given.folder,
            workers=given.workers,
        )
    rows = finished_rows(name, folder=given.folder)
    if rows.empty or not (rows["error"] == "").any():
        sys.exit(f"{given.folder}: no rows of {name} under the present sources; run it first")
    print(calibration_report(rows, given.wrong))


if __name__ == "__main__":
    main()
