"""Does a stand gain from its neighbours without being dragged along, and do stands surveyed with
unequal effort come out equal?

    python tests/studies/comparison_studies.py pooling run [--surveys 60] [--workers 2] [--folder F]
    python tests/studies/comparison_studies.py effort run [--surveys 60] [--workers 2] [--folder F]
    python tests/studies/comparison_studies.py pooling|effort report [--folder F]

`pooling`: a stand with fifteen cores beside three that have fifty, fitted with them and by itself.
In the setting `alike` the life histories of the four are drawn from the prior, as the model
assumes; `sections next door` is the same, with stem sections of young plants from the neighbours
only; in `differs` the small stand stands two standard deviations of what stands differ by from the
middle of its neighbours, in grass stage, height growth and diameter growth at once, slower and
faster in turn. To gain is narrower intervals that hold the truth as often as they say; to be
dragged along would be intervals that miss it, or dates further off than those of the stand by
itself.

`effort`: two stands with the same life history and the same recruitment. In `unequal effort` the
second has a fifth of the area, twice the diameter limit, a third of the cores, and those at breast
height; in `equal effort` it is surveyed as the first. All differences are truly
0. Beside them stands what the tables say as they are: listed stems per hectare and the median
  innermost ring of the cores.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from studies.interval_coverage import (
    LARGEST_GAP,
    LEVEL,
    OFF_LOWEST,
    as_written,
    calibration,
    clustered_mean,
    long_rows,
    markdown,
    stem_outcomes,
    true_parameters,
)
from studies.runner import rows_asked_for, study_options

POOLING, EFFORT = "pooling", "effort"
NAMES = {POOLING: "comparison_pooling", EFFORT: "comparison_effort"}
SETTINGS = {
    POOLING: ("alike", "sections next door", "differs"),
    EFFORT: ("unequal effort", "equal effort"),
}
SURVEY_DATE, FIRST_YEAR, SEASON = "2024-06-11", 1850, 2024
SMALL_CORES, NEIGHBOUR_CORES, NEIGHBOURS = 15, 50, 3
SECTIONS = 12  # of each neighbour, in the setting that has them
# standard deviations of what stands differ by, between the stand that differs and the middle of its
# neighbours
APART = 2.0
# by which its dates may be further off than those of the stand by itself (assumption: less than a
# crew notices)
MOST_DRAGGED_YEARS = 1.0
STEMS_PER_HA = 160.0  # plants old enough to be listed
# from which most plants are (for setting the amount only; what is listed is played plant by plant)
LISTED_AGE = 15
PULSE = (1930, 1941)


def jobs(study: str, surveys: int) -> list[dict]:
    """So many surveys of each setting; settings share their seeds, and with them all that the
    setting does not change.
    """
    return [
        {"setting": setting, "seed": seed} for setting in SETTINGS[study] for seed in range(surveys)
    ]


# pooling


def one_pooled_survey(job: dict) -> dict:
    """The small stand, fitted with its neighbours and by itself: what became of its trees and of
    its life history.
    """
    from standage.profiles import load_profile

    profile = load_profile("longleaf-pine")
    simulated = neighbours(job["seed"], job["setting"])
    result: dict[str, list] = {"stems": [], "parameters": []}
    for fit, survey in (("with neighbours", simulated), ("by itself", only(simulated, "a"))):
        posterior, dates = fitted(survey, job["seed"])
        judged = dataclasses.replace(
            survey, truth={**survey.truth, "trees": true_of(survey.truth["trees"], "a")}
        )
        rows = stem_outcomes(judged, posterior, dates, np.random.default_rng([job["seed"], 8]))
        result["stems"] += [
            {"fit": fit, **row} for row in rows if row["what"] == "establishment_year"
        ]
        result["parameters"] += [
            {"fit": fit, **row} for row in parameter_outcomes(survey, posterior, profile)
        ]
    return result


def neighbours(seed: int, setting: str):
    """A survey of stand a, with few cores, and stands b to d, with many; each with a history of its
    own from the prior.
    """
    from standage.profiles import load_profile
    from standage.simulate.history import Extras, StandHistory, SurveyDesign, recruitment_from_prior
    from standage.simulate.life import draw_life_histories
    from standage.simulate.surveys import simulate_survey

    profile = load_profile("longleaf-pine")
    rng = np.random.default_rng([seed, 11])
    lives = draw_life_histories(
        profile, rng, stands=1 + NEIGHBOURS, first_year=FIRST_YEAR, last_year=SEASON
    )
    if setting == "differs":
        lives[0] = apart(lives[0], lives[1:], profile, APART if seed % 2 else -APART)
    histories = []
    for number, life in enumerate(lives):
        rate = recruitment_from_prior(rng, profile, FIRST_YEAR, SEASON)
        rate = rate * STEMS_PER_HA / rate[: len(rate) - LISTED_AGE].sum()
        small = number == 0
        design = SurveyDesign(
            plot_areas_m2=(2000.0,) * (2 if small else 4),
            cores=SMALL_CORES if small else NEIGHBOUR_CORES,
        )
        extras = Extras(
            known_age_stems=SECTIONS if setting == "sections next door" and not small else 0
        )
        histories.append(
            StandHistory(
                "abcd"[number],
                SURVEY_DATE,
                FIRST_YEAR,
                rate,
                community="mesic upland",
                life=life,
                design=design,
                extras=extras,
            )
        )
    return simulate_survey(int(rng.integers(2**31)), stands=histories, profile=profile)


def apart(life, others, profile, sds: float):
    """The life history with its delays and diameter growth so many standard deviations from the
    middle of others; more is slower.
    """
    between = {
        "grass_median_years": profile["grass_stage.between_stand_log_sd"],
        "years_to_breast_height": profile["height_growth.between_stand_log_sd"],
        "growth_cm_per_year": -profile["size.growth_between_stand_log_sd"],
    }
    middle = {
        name: math.exp(float(np.mean([math.log(getattr(other, name)) for other in others])))
        for name in between
    }
    return dataclasses.replace(
        life, **{name: middle[name] * math.exp(sds * sd) for name, sd in between.items()}
    )


def only(simulated, stand: str):
    """The same survey as if no other stand had been visited."""
    tables = simulated.tables
    plots = set(tables["plots"].loc[tables["plots"]["stand"] == stand, "plot"])
    trees = set(tables["trees"].loc[tables["trees"]["stand"] == stand, "tree"])
    kept = {
        name: (
            table[table["tree"].isin(trees)]
            if name == "cores"
            else (
                table[table["plot"].isin(plots)]
                if name == "counts"
                else table[table["stand"] == stand]
            )
        )
        for name, table in tables.items()
    }
    truth = {
        name: table[table["stand"] == stand] if "stand" in table else table
        for name, table in simulated.truth.items()
    }
    return dataclasses.replace(
        simulated,
        tables={name: table.reset_index(drop=True) for name, table in kept.items()},
        truth=truth,
    )


def true_of(trees: pd.DataFrame, stand: str) -> pd.DataFrame:
    """The true years of one stand's trees; those of the others are left blank, so that they are not
    judged.
    """
    years = ["establishment_year", "year_at_core_height"]
    return trees.assign(
        **{name: trees[name].where(trees["stand"] == stand, None) for name in years}
    )


def fitted(simulated, seed: int) -> tuple:
    """The posterior of a simulated survey, written and read back, and its table of tree dates as
    whoever opens the CSV finds it.
    """
    from standage.findings import Findings
    from standage.stand.fit import fit_stands
    from standage.survey.reading import read_survey

    with tempfile.TemporaryDirectory() as folder:
        survey = read_survey(simulated.write(Path(folder) / "survey"))
        posterior = fit_stands(
            survey, seed=seed, level=LEVEL, chains=2, cores=1, tune=200, draws=250
        )
    trees = Findings(posterior, level=LEVEL).tree_dates
    return posterior, as_written({"tree_dates": trees})["tree_dates"]


def parameter_outcomes(simulated, posterior, profile) -> list[dict]:
    """Delays and diameter growth of stand a: whether the interval holds the truth, and its width as
    a factor. [log units]
    """
    true = simulated.truth["parameters"]
    values = {
        row.name: float(row.value) for row in true[true["stand"] == "a"].itertuples(index=False)
    }
    table = posterior.parameters[posterior.parameters["stand"].str.startswith("a")].set_index(
        "name"
    )
    rows = []
    for name in ("grass_stage_median_years", "years_to_breast_height", "dbh_growth_cm_per_year"):
        low, high = float(table.at[name, "posterior_low"]), float(table.at[name, "posterior_high"])
        hit = low <= true_parameters(values, profile)[name] <= high
        rows.append({"name": name, "hit": int(hit), "width": math.log(high / low)})
    return rows


def pooled_gain(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """How the fit with neighbours differs from the fit by itself, over surveys, with standard
    errors.

    `width_ratio`: of the mean widths of intervals, geometric over surveys; below 1 is a gain.
    `further_off`: mean absolute error with neighbours less that by itself, where there are errors.
    [years]
    """
    rows = rows.assign(off=rows["error"].abs() if "error" in rows else math.nan)
    means = rows.groupby([*by, "survey", "fit"])[["width", "off"]].mean().unstack("fit")
    table = []
    for key, group in means.groupby(level=list(range(len(by))), sort=False):
        ratio = np.log(group["width", "with neighbours"] / group["width", "by itself"]).to_numpy()
        further = (group["off", "with neighbours"] - group["off", "by itself"]).to_numpy()
        table.append(
            dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
            | {
                "surveys": len(group),
                "width_ratio": math.exp(ratio.mean()),
                "width_ratio_low": math.exp(ratio.mean() - 2 * _se(ratio)),
            }
            | {"width_ratio_high": math.exp(ratio.mean() + 2 * _se(ratio))}
            | {"further_off": further.mean(), "further_off_se": _se(further)}
        )
    return pd.DataFrame(table)


def _se(values: np.ndarray) -> float:
    return float(values.std(ddof=1) / math.sqrt(len(values))) if len(values) > 1 else math.nan


def pooling_verdict(stems: pd.DataFrame, parameters: pd.DataFrame) -> pd.DataFrame:
    """What has to hold, one row a claim: `value`, its `limit`, whether it holds. A setting without
    surveys makes no claim.
    """
    rows: list[tuple[str, float, float, str]] = []
    groups = {
        "the life history": parameters,
        "all trees": stems,
        "cored trees": stems[stems["by"] == "core"],
    }
    gain = {name: pooled_gain(of, ["setting"]).set_index("setting") for name, of in groups.items()}
    judged = calibration(stems, ["setting", "fit"]).set_index(["setting", "fit"])
    for setting in [one for one in SETTINGS[POOLING] if one in gain["all trees"].index]:
        if setting == "differs":
            for name in ("all trees", "cored trees"):
                further = gain[name].at[setting, "further_off"]
                rows.append(
                    (
                        f"{setting}: {name} are further off than by itself [years]",
                        further,
                        MOST_DRAGGED_YEARS,
                        "below",
                    )
                )
            coverage = judged.at[(setting, "with neighbours"), "coverage"]
            rows.append(
                (f"{setting}: coverage of trees with neighbours", coverage, OFF_LOWEST, "above")
            )
            continue
        for name in (
            groups if setting == "sections next door" else ("the life history", "all trees")
        ):
            ratio = gain[name].at[setting, "width_ratio_high"]
            rows.append(
                (
                    f"{setting}: intervals of {name} are narrower (ratio of widths, upper end)",
                    ratio,
                    1.0,
                    "below",
                )
            )
        gap, gap_se = judged.loc[(setting, "with neighbours"), ["gap", "gap_se"]]
        beyond = max(abs(gap) - 2 * gap_se, 0.0) if math.isfinite(gap_se) else math.nan
        rows.append(
            (
                f"{setting}: coverage of trees less the mass inside, beyond its error",
                beyond,
                LARGEST_GAP,
                "below",
            )
        )
    table = pd.DataFrame(rows, columns=["claim", "value", "limit", "side"])
    return table.assign(
        holds=np.where(
            table["side"] == "below",
            table["value"] < table["limit"],
            table["value"] > table["limit"],
        )
    )


def pooling_report(frame: pd.DataFrame) -> str:
    """The study's tables in markdown. Raises ValueError if no survey came through."""
    stems, parameters = long_rows(frame, "stems"), long_rows(frame, "parameters")
    covered = parameters.groupby(["setting", "name", "fit"], sort=False).agg(
        coverage=("hit", "mean"), width=("width", "median")
    )
    return "\n\n".join(
        [
            (
                f"The stand with {SMALL_CORES} cores among {NEIGHBOURS} with {NEIGHBOUR_CORES}."
                f" Intervals of {LEVEL:.0%}."
            ),
            markdown(pooling_verdict(stems, parameters).drop(columns="side")),
            "#### Its trees",
            markdown(calibration(stems, ["setting", "by", "fit"])),
            "#### With neighbours against by itself",
            markdown(pooled_gain(stems, ["setting", "by"])),
            "#### Its life history (width as a factor, log units)",
            markdown(covered.reset_index()),
            markdown(
                pooled_gain(parameters, ["setting", "name"]).drop(
                    columns=["further_off", "further_off_se"]
                )
            ),
        ]
    )


# unequal effort


def one_pair(job: dict) -> dict:
    """Two stands of equal truth: what the comparison says of each measure, and what the tables say
    as they are.
    """
    from standage.findings import Findings
    from standage.stand.fit import fit_stands
    from standage.survey.reading import read_survey

    simulated = pair(job["seed"], job["setting"])
    with tempfile.TemporaryDirectory() as folder:
        survey = read_survey(simulated.write(Path(folder) / "survey"))
        posterior = fit_stands(
            survey, seed=job["seed"], level=LEVEL, chains=2, cores=1, tune=200, draws=250
        )
    found = Findings(posterior, level=LEVEL).comparison
    table = as_written({"comparison": found})["comparison"]
    return {"measures": measure_outcomes(table), "raw": raw_differences(simulated)}


def pair(seed: int, setting: str):
    """Stands a and b, one life history and one recruitment for both."""
    from standage.profiles import load_profile
    from standage.simulate.history import Pulse, StandHistory, SurveyDesign, steady_recruitment
    from standage.simulate.life import draw_life_histories
    from standage.simulate.surveys import simulate_survey

    profile = load_profile("longleaf-pine")
    rng = np.random.default_rng([seed, 12])
    (life,) = draw_life_histories(profile, rng, stands=1, first_year=FIRST_YEAR, last_year=SEASON)
    rate = steady_recruitment(profile, FIRST_YEAR, SEASON, per_ha_at_fifty=1.0)
    rate = rate * 0.5 * STEMS_PER_HA / rate[: len(rate) - LISTED_AGE].sum()
    pulses = (Pulse(*PULSE, 0.5 * STEMS_PER_HA),)
    full = SurveyDesign(
        plot_areas_m2=(2500.0,) * 4, min_dbh_cm=5.0, cores=60, core_heights_cm=(30.0,)
    )
    scant = SurveyDesign(
        plot_areas_m2=(1000.0,) * 2,
        min_dbh_cm=10.0,
        cores=20,
        least_cored_dbh_cm=10.0,
        core_heights_cm=(137.0,),
    )
    designs = (full, scant if setting == "unequal effort" else full)
    histories = [
        StandHistory(
            name,
            SURVEY_DATE,
            FIRST_YEAR,
            rate,
            pulses,
            community="mesic upland",
            life=life,
            design=design,
        )
        for name, design in zip("ab", designs, strict=True)
    ]
    return simulate_survey(int(rng.integers(2**31)), stands=histories, profile=profile)


def measure_outcomes(table: pd.DataFrame) -> list[dict]:
    """One row a measure of the pair that was compared: whether the interval of the difference holds
    0, and whether they were told apart.

    A distance between age structures is never 0, so that there is only the second to be judged.
    """
    rows = []
    for row in table[table["kind"] == "stand"].itertuples(index=False):
        if pd.isna(row.difference_low):
            continue  # some things can't be compared, such as the latest pulse where none is told
        measure = row.measure if pd.isna(row.class_first_year) else f"{row.measure}, by class"
        hit = (
            math.nan
            if row.measure == "age_structure_distance"
            else float(row.difference_low <= 0 <= row.difference_high)
        )
        width = row.difference_high - row.difference_low
        rows.append(
            {
                "measure": measure,
                "hit": hit,
                "told_apart": int(row.told_apart == "yes"),
                "difference": row.difference_median,
            }
            | {"width": width}
        )
    return rows


def raw_differences(simulated) -> list[dict]:
    """First stand less second as the tables have it: live stems listed per hectare, and median year
    of the innermost ring of cores.
    """
    trees, plots, cores = (simulated.tables[name] for name in ("trees", "plots", "cores"))
    hectares = plots["area_m2"].astype(float).groupby(plots["stand"]).sum() / 1e4
    listed = trees[trees["status"] == "live"].groupby("stand").size() / hectares
    stand = cores["tree"].map(trees.set_index("tree")["stand"])
    first = pd.to_numeric(cores["first_ring_year"], errors="coerce").groupby(stand).median()
    return [
        {"what": "listed stems per ha", "difference": float(listed["a"] - listed["b"])},
        {"what": "median innermost ring year", "difference": float(first["a"] - first["b"])},
    ]


def effort_table(measures: pd.DataFrame) -> pd.DataFrame:
    """Coverage of 0 by setting and measure, and how often two equal stands were told apart.

    `holds`: coverage is no less than the level, and telling apart no more frequent than 1 less the
    level, within two standard errors.
    """
    table = []
    for (setting, measure), group in measures.groupby(["setting", "measure"], sort=False):
        survey = group["survey"].to_numpy()
        coverage, se = clustered_mean(group["hit"].to_numpy(), survey)
        apart_share, apart_se = clustered_mean(group["told_apart"].to_numpy(), survey)
        # where all surveys agree, the spread between them says nothing of what the next one would
        # do
        by_chance = math.sqrt(LEVEL * (1 - LEVEL) / len(set(survey)))
        se, apart_se = (by_chance if not one > 0 else one for one in (se, apart_se))
        table.append(
            {
                "setting": setting,
                "measure": measure,
                "surveys": len(set(survey)),
                "rows": len(group),
                "coverage": coverage,
                "se": se,
            }
            | {
                "told_apart": apart_share,
                "difference": group["difference"].median(),
                "width": group["width"].median(),
            }
            | {"holds": not coverage < LEVEL - 2 * se and apart_share <= 1 - LEVEL + 2 * apart_se}
        )
    return pd.DataFrame(table)


def effort_report(frame: pd.DataFrame) -> str:
    """The study's tables in markdown. Raises ValueError if no survey came through."""
    raw = (
        long_rows(frame, "raw")
        .groupby(["setting", "what"], sort=False)["difference"]
        .agg(["median", "min", "max"])
    )
    parts = [
        (
            f"Two stands of equal truth. Intervals of {LEVEL:.0%}; the true difference of each"
            " measure is 0."
        ),
        markdown(effort_table(long_rows(frame, "measures"))),
        "#### The tables as they are, first stand less second",
        markdown(raw.reset_index()),
    ]
    return "\n\n".join(parts)


WORK = {POOLING: one_pooled_survey, EFFORT: one_pair}
REPORT = {POOLING: pooling_report, EFFORT: effort_report}


def report(study: str, frame: pd.DataFrame) -> str:
    """How many surveys there were, and the study's tables. Raises ValueError if no survey came
    through.
    """
    failed = int((frame["error"] != "").sum())
    if failed == len(frame):
        raise ValueError(f"all {failed} surveys failed: {sorted(set(frame['error']))[:3]}")
    return f"{len(frame)} surveys, {failed} failed.\n\n{REPORT[study](frame[frame['error'] == ''])}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study", choices=(POOLING, EFFORT))
    study_options(parser, surveys=60, about="surveys of each setting")
    given = parser.parse_args()
    study = given.study
    print(
        report(study, rows_asked_for(given, NAMES[study], jobs(study, given.surveys), WORK[study]))
    )


if __name__ == "__main__":
    main()
