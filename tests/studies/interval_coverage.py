"""Do the intervals hold the truth as often as they say? Tables in, tables out, many simulated
surveys.

    python tests/studies/interval_coverage.py run [--surveys 100] [--workers 2] [--folder F]
    python tests/studies/interval_coverage.py report [--folder F]

Each survey is written as a folder of CSV files, read back, fitted, its result tables are written
and read back, and what they say is held to the truth. Years are whole, so that an interval of 90 %
holds rather more than 90 % of the posterior: what coverage has to match is the posterior mass
inside the interval, which comes from the draws. Trees of a survey share their delays and factors,
so standard errors are clustered by survey. Groups by age go by the posterior's median age: by true
age no posterior is calibrated, since the oldest trees are among those dated too young.

Settings: `nominal`, where history, life history and readings are drawn from the prior; six where
one number of the life history stands a prior standard deviation off; `one pulse`, where half of the
stems came in twelve years.
"""

from __future__ import annotations

import dataclasses
import math
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from studies.runner import study_command

NAME = "interval_coverage"
LEVEL = 0.9
LARGEST_GAP = 0.025  # of coverage against the posterior mass inside the intervals, over all trees
OFF_LOWEST, OFF_HIGHEST = (
    0.75,
    0.97,
)  # coverage to be kept where the truth stands a prior standard deviation off
PULSE = (1930, 1941)
# of the simulated histories: well before the axis of a fit begins, which knows of no first year
FIRST_YEAR = 1650
SETTINGS: dict[str, dict] = {
    "nominal": {},
    "grass stage +1 sd": {"grass_stage": 1.0},
    "grass stage -1 sd": {"grass_stage": -1.0},
    "early growth +1 sd": {"early_growth": 1.0},
    "early growth -1 sd": {"early_growth": -1.0},
    "height growth +1 sd": {"height_growth": 1.0},
    "height growth -1 sd": {"height_growth": -1.0},
    "one pulse": {},
}
CENTRES = {
    "pith": 0.2,
    "arcs": 0.2,
    "circles": 0.12,
    "estimate": 0.08,
    "straight": 0.1,
    "rotten": 0.1,
    "hollow": 0.03,
    "unknown": 0.17,
}
AGE_CLASSES = ("under 50", "50-100", "over 100")


def jobs(surveys: int) -> list[dict]:
    """So many surveys of the nominal setting, a fifth as many (20 at least, if there are so many)
    of each other one.
    """
    fewer = min(max(20, math.ceil(0.2 * surveys)), surveys)
    number = {setting: surveys if setting == "nominal" else fewer for setting in SETTINGS}
    return [
        {"setting": setting, "seed": seed}
        for setting in SETTINGS
        for seed in range(number[setting])
    ]


def one_survey(job: dict) -> dict:
    """Simulate, write, read, fit, write, read: what became of every tree, cohort and other amount
    of one survey.
    """
    from standage.profiles import load_profile
    from standage.simulate.history import SurveyDesign
    from standage.simulate.surveys import small_survey

    rng = np.random.default_rng([job["seed"], 7])
    stems, cores = float(rng.integers(120, 201)), int(rng.integers(50, 61))
    design = SurveyDesign(plot_areas_m2=(2500.0,) * 4, cores=cores, centres=CENTRES)
    pulse = job["setting"] == "one pulse"
    simulated = small_survey(
        job["seed"],
        stems=stems,
        cores=cores,
        plots=4,
        design=design,
        from_prior=not pulse,
        pulse=PULSE,
        first_year=FIRST_YEAR,
        standing=SETTINGS[job["setting"]],
    )
    posterior, tables = fitted_tables(simulated, seed=job["seed"])
    profile = load_profile("longleaf-pine")
    result = {
        "stems": stem_outcomes(
            simulated, posterior, tables["tree_dates"], np.random.default_rng([job["seed"], 8])
        )
    }
    result["amounts"] = amount_outcomes(simulated, profile, tables)
    if pulse:
        result["pulses"] = pulse_outcome(tables["pulses"])
    return result


def fitted_tables(simulated, *, seed: int) -> tuple:
    """A simulated survey written, read back and fitted; the posterior, and its result tables as
    read back from CSV.
    """
    from standage.findings import Findings
    from standage.stand.fit import fit_stands
    from standage.survey.reading import read_survey

    with tempfile.TemporaryDirectory() as folder:
        survey = read_survey(simulated.write(Path(folder) / "survey"))
        posterior = fit_stands(
            survey, seed=seed, level=LEVEL, chains=2, cores=1, tune=200, draws=250
        )
    return posterior, as_written(Findings(posterior, level=LEVEL).tables)


def as_written(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Result tables of findings as whoever opens their CSV files finds them."""
    from standage.results import written_tables
    from standage.results.table_files import write_table

    read = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, table in tables.items():
            write_table(written_tables.as_written(name, table), Path(folder) / f"{name}.csv")
            read[name] = pd.read_csv(Path(folder) / f"{name}.csv")
    return read


def stem_outcomes(
    simulated, posterior, dates: pd.DataFrame, rng: np.random.Generator
) -> list[dict]:
    """One row a live natural stem and year (establishment; first ring at the core): was the truth
    inside, and what the draws say of it.
    """
    truth = simulated.truth["trees"].set_index("tree")
    centre = recorded_centres(simulated.tables["cores"])
    dates = dates.set_index("tree")
    rows = []
    for what, column in (
        ("establishment_year", "establishment_year"),
        ("coring_height_year", "year_at_core_height"),
    ):
        drawn = (
            posterior.establishment_year if what == "establishment_year" else posterior.year_at_core
        )
        for place, tree in enumerate(posterior.trees["tree"]):
            low, high, true = (
                dates.at[tree, f"{what}_low"],
                dates.at[tree, f"{what}_high"],
                truth.at[tree, column],
            )
            if pd.isna(low) or pd.isna(true):
                continue
            years, true = drawn[drawn[:, place] >= 0, place].astype(float), float(true)
            rows.append(
                {
                    "what": what,
                    "by": "core" if posterior.trees["cored"].iloc[place] else "size",
                    "centre": centre.get(tree, "no core"),
                    "age": posterior.units[0].season - float(np.median(years)),
                    "hit": int(low <= true <= high),
                    "mass": round(float(((low <= years) & (years <= high)).mean()), 4),
                    "rank": round(
                        float((years < true).mean() + rng.random() * (years == true).mean()), 4
                    ),
                    "error": round(float(years.mean() - true), 2),
                    "width": float(high - low),
                }
            )
    return rows


def recorded_centres(cores: pd.DataFrame) -> dict[str, str]:
    """What the reader wrote of each tree's centre, told apart by the kind of evidence; `several`
    for a tree with more than one core.
    """
    kinds: dict[str, str] = {}
    for core in cores.to_dict("records"):
        kind = core["centre"]
        if not pd.isna(core["rings_to_pith"]):
            kind = "reader's own number"
        elif not pd.isna(core["pith_distance_mm"]):
            kind = "circles"
        elif kind == "rotten" and pd.isna(core["first_ring_year"]) and pd.isna(core["ring_count"]):
            kind = "hollow"
        kinds[core["tree"]] = "several" if core["tree"] in kinds else kind
    return kinds


def amount_outcomes(simulated, profile, tables: dict[str, pd.DataFrame]) -> list[dict]:
    """One row a cohort, stand amount or parameter: `table`, `name`, whether the interval holds the
    truth.
    """
    rows = []

    def add(table: str, name: str, row: pd.Series, column: str, true: float, **more) -> None:
        low, high = float(row[f"{column}_low"]), float(row[f"{column}_high"])
        if np.isfinite(low):
            rows.append({"table": table, "name": name, "hit": int(low <= true <= high), **more})

    living = simulated.truth["living"]
    years = living["year"].to_numpy()
    season = int(years[-1])
    alive = living["living_per_ha"].to_numpy(float)
    stems = alive * share_of_stems(simulated, profile, season - years)
    plots_ha = float(simulated.tables["plots"]["area_m2"].astype(float).sum()) / 1e4
    for _, row in tables["cohorts"].iterrows():
        inside = (years >= row["first_year"]) & (years <= row["last_year"])
        # the oldest class may begin before the axis
        if inside.sum() < row["last_year"] - row["first_year"] + 1 or row.name == 0:
            continue
        age = age_class(season - (row["first_year"] + row["last_year"]) / 2)
        true = float(stems[inside].sum())
        # the tables count stems, of which there is none where the history means a part of one
        rare = ", under one in the plots" if true * plots_ha < 1 else ""
        add("cohorts", f"stems per ha, {age} years{rare}", row, "stems_per_ha", true)
        add(
            "cohorts",
            "share of stems",
            row,
            "share",
            true / float(stems.sum()),
        )
    stand = tables["stand_summary"].iloc[0]
    add("stand_summary", "stems per ha", stand, "stems_per_ha", float(stems.sum()))
    ages = season - years  # seasons completed at a survey in June
    for over in (60, 100, 150):
        add(
            "stand_summary",
            f"share over {over} years",
            stand,
            f"share_over_{over}_years",
            float(stems[ages > over].sum() / stems.sum()),
        )
    held = np.convolve(stems, np.ones(20), "valid").max() / stems.sum()
    add("stand_summary", "largest share in 20 years", stand, "share_in_20_years", float(held))
    established = simulated.truth["trees"].set_index("tree")["establishment_year"].astype(int)
    add(
        "stand_summary",
        "oldest cored tree's year",
        stand,
        "oldest_cored_year",
        float(established[stand["oldest_cored_tree"]]),
    )
    true = {
        row.name: float(row.value) for row in simulated.truth["parameters"].itertuples(index=False)
    }
    given = tables["parameters"].set_index("name")
    for name, value in true_parameters(true, profile).items():
        row = given.loc[name]
        rows.append(
            {
                "table": "parameters",
                "name": name,
                "hit": int(row["posterior_low"] <= value <= row["posterior_high"]),
            }
        )
    return rows


def true_parameters(true: dict[str, float], profile) -> dict[str, float]:
    """The simulated life history under the names and in the units of parameters.csv."""
    counting = (profile["rings.absent_per_100"] - profile["rings.false_per_100"]) / 100
    slow = math.log(profile["core.early_growth_mm_per_year"] / true["early_growth_mm_per_year"])
    return {
        "grass_stage_median_years": true["grass_median_years"],
        "years_to_breast_height": true["years_to_breast_height"],
        "early_growth_factor": slow / profile["core.early_growth_stand_log_sd"],
        "counting_factor": (true["counting_bias_share"] - counting) / profile["rings.bias_sd"],
        "dbh_growth_cm_per_year": true["growth_cm_per_year"],
        "dbh_asymptote_cm": true["asymptote_cm"],
        "dbh_scatter": true["size_scatter"],
    }


def share_of_stems(simulated, profile, ages: np.ndarray, *, plants: int = 400) -> np.ndarray:
    """Share of the living that are stems of the least diameter listed or more, by age, played with
    the simulator's own plants, shape (year,). Swings of growth with time are left out.
    """
    from standage.simulate.history import SurveyDesign
    from standage.simulate.life import draw_life_histories
    from standage.simulate.plants import grow

    true = {
        row.name: float(row.value) for row in simulated.truth["parameters"].itertuples(index=False)
    }
    (life,) = draw_life_histories(
        profile, np.random.default_rng(0), stands=1, first_year=1900, last_year=2000, central=True
    )
    names = ("grass_median_years", "grass_log_sd", "years_to_breast_height")
    names += ("growth_cm_per_year", "asymptote_cm", "size_scatter")
    life = dataclasses.replace(life, **{name: true[name] for name in names})
    years = np.unique(-ages)
    played = grow(np.random.default_rng(1), life, years, np.full(len(years), float(plants)))
    stem = played.stage(0, SurveyDesign.min_dbh_cm) == "tree"
    place = np.searchsorted(years, played.establishment_year)
    number = np.bincount(place, minlength=len(years))
    share = np.bincount(place, stem, minlength=len(years)) / np.maximum(number, 1)
    return share[np.searchsorted(years, -ages)]


def pulse_outcome(pulses: pd.DataFrame) -> dict:
    """What pulses.csv says of the one true pulse, of which a twentieth of the stems came before
    `start`, a twentieth after `end`.
    """
    from standage.simulate.history import Pulse

    years = np.arange(PULSE[0], PULSE[1] + 1)
    rate = Pulse(*PULSE, 1.0).per_ha(years)
    true = {
        "start": PULSE[0] + int((rate.cumsum() <= 0.05).sum()),
        "end": PULSE[0] + int((rate.cumsum() < 0.95).sum()),
    }
    true["centre"] = round(float(rate @ years))
    found = pulses[(pulses["start_median"] <= PULSE[1]) & (pulses["end_median"] >= PULSE[0])]
    outcome: dict = {"found": len(found), "others": len(pulses) - len(found)}
    if len(found):
        row = found.sort_values("probability").iloc[-1]
        for name, year in true.items():
            outcome[f"{name}_hit"] = int(row[f"{name}_low"] <= year <= row[f"{name}_high"])
            outcome[f"{name}_error"] = int(row[f"{name}_median"] - year)
    return outcome


def age_class(age: float) -> str:
    """One of `AGE_CLASSES`."""
    return AGE_CLASSES[0] if age < 50 else AGE_CLASSES[1] if age <= 100 else AGE_CLASSES[2]


def long_rows(frame: pd.DataFrame, column: str) -> pd.DataFrame:
    """The lists of outcomes that jobs answered with, one row an outcome, with the job's `setting`
    and `seed`.
    """
    parts = [
        pd.DataFrame(outcomes).assign(setting=setting, survey=seed)
        for setting, seed, outcomes in zip(
            frame["setting"], frame["seed"], frame[column], strict=True
        )
        if isinstance(outcomes, list) and outcomes
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def clustered_mean(values: np.ndarray, survey: np.ndarray) -> tuple[float, float]:
    """Mean of `(row,)` and its standard error where the rows of a survey go together; NaN error
    with fewer than two surveys.
    """
    values = np.asarray(values, dtype=float)
    mean = float(values.mean())
    sums = pd.Series(values - mean).groupby(np.asarray(survey)).sum().to_numpy()
    if len(sums) < 2:
        return mean, math.nan
    return mean, float(math.sqrt((sums**2).sum() * len(sums) / (len(sums) - 1)) / len(values))


def calibration(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Coverage, mass, their gap with its clustered standard error, mean and spread of ranks, error
    and width, one row a group.

    rows: `hit` (0 or 1), `mass` (posterior probability inside), `rank` (of the truth among the
    draws, uniform on 0..1 if all is right), `error` (posterior mean less truth) and `width` in
    years, `survey`, and the columns of `by`. `rank_spread` is 1 where ranks are uniform, more where
    intervals are too narrow.
    """
    table = []
    for key, group in rows.groupby(by, sort=False):
        survey = group["survey"].to_numpy()
        gap, gap_se = clustered_mean((group["hit"] - group["mass"]).to_numpy(), survey)
        rank, rank_se = clustered_mean(group["rank"].to_numpy(), survey)
        error, error_se = clustered_mean(group["error"].to_numpy(), survey)
        table.append(
            dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
            | {
                "surveys": len(set(survey)),
                "rows": len(group),
                "coverage": group["hit"].mean(),
                "mass": group["mass"].mean(),
            }
            | {"gap": gap, "gap_se": gap_se, "mean_rank": rank, "mean_rank_se": rank_se}
            | {"rank_spread": math.sqrt(12 * ((group["rank"] - 0.5) ** 2).mean())}
            | {"error": error, "error_se": error_se, "width": group["width"].median()}
        )
    return pd.DataFrame(table)


def nominal_verdict(stems: pd.DataFrame) -> pd.DataFrame:
    """Rows whose gap must not pass `LARGEST_GAP`: years of establishment of all trees, cored ones,
    those by size; years at the core.

    `holds` says whether it does. Raises ValueError without a row of the nominal setting.
    """
    nominal = stems[stems["setting"] == "nominal"]
    if nominal.empty:
        raise ValueError("no survey of the nominal setting")
    established, at_core = (
        nominal[nominal["what"] == "establishment_year"],
        nominal[nominal["what"] == "coring_height_year"],
    )
    groups = {
        "establishment, all trees": established,
        "establishment, cored": established[established["by"] == "core"],
        "establishment, by size": established[established["by"] == "size"],
        "first ring at the core": at_core,
    }
    table = pd.concat(
        [
            calibration(rows.assign(group=name), ["group"])
            for name, rows in groups.items()
            if len(rows)
        ],
        ignore_index=True,
    )
    return table.assign(holds=table["gap"].abs() <= LARGEST_GAP)


def off_verdict(stems: pd.DataFrame) -> pd.DataFrame:
    """Settings a prior standard deviation off: coverage of establishment years kept or not, and how
    far the answers moved. [years]

    `moved` is the mean error against that of the nominal surveys of the same seeds, whose histories
    and other numbers of the life history are the same.
    """
    rows = stems[stems["what"] == "establishment_year"]
    table = calibration(rows[rows["setting"] != "one pulse"], ["setting", "by"])
    by_survey = rows.groupby(["setting", "by", "survey"])["error"].mean()
    moved = []
    for setting, by in zip(table["setting"], table["by"], strict=True):
        if setting == "nominal" or "nominal" not in by_survey.index.get_level_values(0):
            moved.append((math.nan, math.nan))
            continue
        apart = (by_survey[setting, by] - by_survey["nominal", by]).dropna()
        moved.append(
            (apart.mean(), apart.std() / math.sqrt(len(apart)) if len(apart) > 1 else math.nan)
        )
    table = table.assign(moved=[one for one, _ in moved], moved_se=[se for _, se in moved])
    return table.assign(
        holds=(table["setting"] == "nominal") | table["coverage"].between(OFF_LOWEST, OFF_HIGHEST)
    )


def amounts_table(amounts: pd.DataFrame) -> pd.DataFrame:
    """Coverage of amounts by table and name, nominal setting: amounts are continuous, so the mass
    inside is the level.
    """
    table = []
    for (name, what), group in amounts[amounts["setting"] == "nominal"].groupby(
        ["table", "name"], sort=False
    ):
        coverage, se = clustered_mean(group["hit"].to_numpy(), group["survey"].to_numpy())
        table.append(
            {
                "table": name,
                "name": what,
                "surveys": group["survey"].nunique(),
                "rows": len(group),
                "coverage": coverage,
                "se": se,
            }
        )
    return pd.DataFrame(table)


def report(frame: pd.DataFrame) -> str:
    """The study's tables in markdown. Raises ValueError if no survey came through."""
    failed = int((frame["error"] != "").sum())
    if failed == len(frame):
        raise ValueError(f"all {failed} surveys failed: {sorted(set(frame['error']))[:3]}")
    stems, amounts = long_rows(frame, "stems"), long_rows(frame, "amounts")
    nominal = stems[stems["setting"] == "nominal"]
    established = nominal[nominal["what"] == "establishment_year"].assign(
        age_class=lambda rows: rows["age"].map(age_class)
    )
    parts = [
        f"{len(frame)} surveys, {failed} failed. Intervals of {LEVEL:.0%}; standard errors"
        " clustered by survey."
    ]
    parts += ["### Truth drawn from the prior", markdown(nominal_verdict(stems))]
    parts += [
        "#### By age (posterior median)",
        markdown(calibration(established, ["by", "age_class"]).sort_values(["by", "age_class"])),
    ]
    parts += [
        "#### By centre",
        markdown(
            calibration(nominal[nominal["by"] == "core"], ["what", "centre"]).sort_values(
                ["what", "centre"]
            )
        ),
    ]
    parts += ["#### Cohorts, stand, parameters", markdown(amounts_table(amounts))]
    if stems["setting"].nunique() > 1:
        parts += ["### Truth one prior standard deviation off", markdown(off_verdict(stems))]
    if "pulses" in frame and frame["pulses"].notna().any():
        found = pd.DataFrame([one for one in frame["pulses"] if isinstance(one, dict)])
        summary = (
            found.mean(numeric_only=True)
            .rename("mean")
            .rename_axis("of the true pulse")
            .reset_index()
        )
        parts += [f"### One pulse, {PULSE[0]}-{PULSE[1]}, {len(found)} surveys", markdown(summary)]
    return "\n\n".join(parts)


def markdown(table: pd.DataFrame) -> str:
    """A table in markdown, numbers to three decimals at most."""
    cells = [[_cell(value) for value in row] for row in table.itertuples(index=False, name=None)]
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * len(table.columns)]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in cells])


def _cell(value: object) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "NO"
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.3f}"
    return str(value)


if __name__ == "__main__":
    study_command(
        __doc__.splitlines()[0],
        NAME,
        jobs=jobs,
        work=one_survey,
        report=report,
        surveys=100,
        counted="surveys of the nominal setting; a fifth for each other one",
    )
