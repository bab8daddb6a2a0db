"""What happens to the answers where an assumption of the model is wrong, and does the tool notice?

    python tests/studies/wrong_assumptions.py run [--surveys 20] [--workers 2] [--folder F]
    python tests/studies/wrong_assumptions.py report [--folder F]

Every departure is played by the simulator (`standage/simulate/departures.py`); the fit knows
nothing of it. Recruitment never changed, but for good and bad seed years, so a pulse that is
reported is a false one. Life histories are drawn from the prior, the same for a seed in every row,
so that bias is told against the same surveys without departure. Columns: error of the posterior
mean in years (positive: dated too young), coverage of 90 % intervals of establishment years,
surveys in which a check or a note of the verdict speaks of the data (not of the chains), surveys in
which a parameter leaves its prior's 90 % interval, surveys with a false pulse.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from studies.interval_coverage import (
    clustered_mean,
    fitted_tables,
    long_rows,
    markdown,
    stem_outcomes,
)
from studies.runner import study_command

NAME = "wrong_assumptions"
NONE = "no departure"
LEAST_COVERAGE = 0.8  # below it the answers are wrong enough to be warned of
# of the surveys, more than without departure: a warning that comes less often cannot be relied on
WARNED = 0.5
# counts of stages stand off from the stand by less than what is warned of, a factor of e (invented)
STAGE_FACTOR_LOG_SD = 0.4
# and "... draws diverged"
ABOUT_THE_CHAINS = (
    "The chains disagree",
    "Too few effective draws",
    "The chains agree",
    "This was a short run",
)
DEPARTURES: dict[str, dict] = {
    NONE: {},
    "grass stage gamma of shape 2": {"grass_shape": "gamma"},
    "grass stage geometric": {"grass_shape": "geometric"},
    "grass stage bimodal": {"grass_shape": "bimodal"},
    "grass stage three years longer": {"grass_years_longer": 3},
    "stems start together after openings": {"openings": (1905, 1935, 1965, 1995)},
    "early deaths three times": {"seedling_hazard_factor": 3.0},
    "early deaths a third": {"seedling_hazard_factor": 1 / 3},
    "missing distance read 35 % short": {"missing_distance_factor": 0.65},
    "missing distance read 35 % long": {"missing_distance_factor": 1.35},
    "6.5 % false rings near the pith": {"false_inner_share": 0.065},
    "3 % absent rings in overtopped stems": {"absent_overtopped_share": 0.03},
    "rot by age, neighbours cored": {"rot_by_age": True},
    "rot by age, written down": {"rot_by_age": True, "rot_written_down": True},
    "quick starters stay ahead": {"vigour": 0.8},
    "sizes scatter more with age": {"scatter_power": 0.45},
    "sizes scatter less with age": {"scatter_power": -0.45},
    "a third planted, not recorded": {"planted_share": 1 / 3},
    "old-looking trees picked": {"picked_old": 1.0},
    "bumper crop before the survey": {"crop_factor": 1000.0},
    "diameter-limit cuts, not recorded": {"cuts": True},
}
_CUTS = ((1955, 0.7, 25.0), (1985, 0.7, 25.0))  # year, share removed, least diameter [cm]


def jobs(surveys: int) -> list[dict]:
    """So many surveys of every departure, the same seeds in each."""
    return [
        {"departure": departure, "seed": seed}
        for seed in range(surveys)
        for departure in DEPARTURES
    ]


def one_survey(job: dict) -> dict:
    """Simulate a survey with the departure, fit it as if there were none: outcomes by stem,
    warnings, false pulses.
    """
    from standage.simulate.departures import Departures
    from standage.simulate.history import SurveyDesign
    from standage.simulate.plants import Cut
    from standage.simulate.surveys import null_survey

    knobs = dict(DEPARTURES[job["departure"]])
    cuts = tuple(Cut(*one) for one in _CUTS) if knobs.pop("cuts", False) else ()
    design = SurveyDesign(
        plot_areas_m2=(2000.0,) * 4, cores=55, stage_factor_log_sd=STAGE_FACTOR_LOG_SD
    )
    simulated = null_survey(
        job["seed"],
        stems=150,
        cores=55,
        mast_log_sd=0.5,
        cuts=cuts,
        design=design,
        departures=Departures(**knobs),
    )
    posterior, tables = fitted_tables(simulated, seed=job["seed"])
    stems = stem_outcomes(
        simulated, posterior, tables["tree_dates"], np.random.default_rng([job["seed"], 8])
    )
    return {
        "stems": [row for row in stems if row["what"] == "establishment_year"],
        "warnings": list(posterior.verdict["notes"]),
        "far_parameters": far_parameters(posterior.parameters),
        "build_notes": list(posterior.notes),
        "pulses": [
            [int(row.start_median), int(row.end_median)] for row in tables["pulses"].itertuples()
        ],
    }


def warnings_about_the_data(notes: list[str]) -> list[str]:
    """The verdict's notes but for those on chains, which so few draws nearly always bring."""
    return [
        note
        for note in notes
        if not note.startswith(ABOUT_THE_CHAINS) and "draws diverged" not in note
    ]


def far_parameters(parameters: pd.DataFrame) -> list[str]:
    """Parameters whose posterior median lies outside the prior's interval."""
    outside = (parameters["posterior_median"] < parameters["prior_low"]) | (
        parameters["posterior_median"] > parameters["prior_high"]
    )
    return parameters.loc[outside, "name"].tolist()


def summary(frame: pd.DataFrame) -> pd.DataFrame:
    """One row a departure from the study's rows: `departure`, `seed`, `stems`, `warnings`,
    `far_parameters`, `pulses`.

    `change_*` is the error less that of the same seeds without departure. `flag` marks rows in
    which coverage of cored trees or of stems by size falls under `LEAST_COVERAGE` while warnings
    come in no more than `WARNED` of the surveys above those without departure.
    """
    stems = long_rows(frame.assign(setting=frame["departure"]), "stems")
    by_survey = stems.groupby(["setting", "by", "survey"])["error"].mean()
    table = []
    for departure, surveys in frame.groupby("departure", sort=False):
        row: dict = {"assumption": departure, "surveys": len(surveys)}
        for by, name in (("core", "cored"), ("size", "by_size")):
            rows = stems[(stems["setting"] == departure) & (stems["by"] == by)]
            if rows.empty:
                continue
            row[f"error_{name}"], row[f"error_{name}_se"] = clustered_mean(
                rows["error"].to_numpy(), rows["survey"].to_numpy()
            )
            row[f"change_{name}"] = row[f"change_{name}_se"] = math.nan
            if departure != NONE and (NONE, by) in by_survey.index.droplevel(2):
                apart = (by_survey[departure, by] - by_survey[NONE, by]).dropna()
                row[f"change_{name}"] = float(apart.mean())
                row[f"change_{name}_se"] = (
                    float(apart.std() / math.sqrt(len(apart))) if len(apart) > 1 else math.nan
                )
            row[f"coverage_{name}"], row[f"coverage_{name}_se"] = clustered_mean(
                rows["hit"].to_numpy(), rows["survey"].to_numpy()
            )
        row["warned"] = float((surveys["warnings"].map(len) > 0).mean())
        row["far_parameter"] = float((surveys["far_parameters"].map(len) > 0).mean())
        row["false_pulse"] = float((surveys["pulses"].map(len) > 0).mean())
        table.append(row)
    return pd.DataFrame(table).assign(flag=lambda rows: flagged(rows))


def flagged(rows: pd.DataFrame) -> pd.Series:
    """Rows of the summary where the answers are wrong too often and the tool keeps silent."""
    covered = rows.reindex(columns=["coverage_cored", "coverage_by_size"])
    usual = rows.loc[rows["assumption"] == NONE, "warned"].sum()
    return (covered < LEAST_COVERAGE).any(axis=1) & (rows["warned"] - usual < WARNED)


def report(frame: pd.DataFrame) -> str:
    """The study's tables in markdown. Raises ValueError if no survey came through."""
    failed = frame[frame["error"] != ""]
    if len(failed) == len(frame):
        raise ValueError(f"all {len(failed)} surveys failed: {sorted(set(failed['error']))[:3]}")
    frame = frame[frame["error"] == ""]
    frame = frame.assign(warnings=frame["warnings"].map(warnings_about_the_data))
    order = {departure: place for place, departure in enumerate(DEPARTURES)}
    table = summary(
        frame.sort_values("departure", key=lambda names: names.map(order), kind="stable")
    )
    shown = pd.DataFrame({"assumption": table["assumption"], "surveys": table["surveys"]})
    for name, title in (("cored", "cored"), ("by_size", "by size")):
        shown[f"error {title} [years]"] = with_error(
            table[f"error_{name}"], table[f"error_{name}_se"], 1, "{:+.1f}"
        )
        shown[f"change {title} [years]"] = with_error(
            table[f"change_{name}"], table[f"change_{name}_se"], 1, "{:+.1f}"
        )
        shown[f"coverage {title} [%]"] = with_error(
            table[f"coverage_{name}"], table[f"coverage_{name}_se"], 100, "{:.1f}"
        )
    for name, title in (
        ("warned", "warned [%]"),
        ("far_parameter", "parameter far from prior [%]"),
        ("false_pulse", "false pulse [%]"),
    ):
        shown[title] = [f"{100 * share:.0f}" for share in table[name]]
    shown["wrong and silent"] = ["YES" if flag else "" for flag in table["flag"]]
    said = pd.DataFrame(
        [
            {"assumption": row.departure, "what was said": note}
            for row in frame.itertuples()
            for note in [
                *row.warnings,
                *(f"far from its prior: {name}" for name in row.far_parameters),
            ]
        ],
        columns=["assumption", "what was said"],
    )
    said["what was said"] = said["what was said"].str.replace(r"\d[\d.]*", "N", regex=True)
    said = (
        said.value_counts(sort=False)
        .rename("times")
        .reset_index()
        .sort_values(["assumption", "times"], ascending=[True, False])
    )
    parts = [
        f"{len(frame)} surveys, {len(failed)} failed. Standard errors clustered by survey.",
        markdown(shown),
    ]
    return "\n\n".join([*parts, "#### What the tool said", markdown(said)])


def with_error(values: pd.Series, errors: pd.Series, scale: float, form: str) -> list[str]:
    """`value ± standard error` in words, blank where there is none."""
    return [
        (
            ""
            if math.isnan(value)
            else form.format(scale * value) + ("" if math.isnan(se) else f" ± {scale * se:.1f}")
        )
        for value, se in zip(values, errors, strict=True)
    ]


if __name__ == "__main__":
    study_command(
        __doc__.splitlines()[0],
        NAME,
        jobs=jobs,
        work=one_survey,
        report=report,
        surveys=20,
        counted="surveys of every departure",
    )
