"""Pulses that have other causes than a burst of natural recruitment, and causes that are known:
plantations nobody recorded, spells of single plots, cuts by size, lasting changes; events at known
and at random years beside true pulses.

    python tests/studies/pulse_kinds.py run --surveys 24 --workers 1
    python tests/studies/pulse_kinds.py report
"""

from __future__ import annotations

import dataclasses
import tempfile
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pandas as pd
from studies.interval_coverage import markdown
from studies.runner import study_command

NAME = "pulse_kinds"
FIRST_YEAR, SEASON, SURVEY_DATE = 1770, 2024, "2024-06-11"
LISTED, CORES, PLOTS = 150, 60, 4
PULSE_STEMS, PULSE_YEARS = 40, 10
TIMES = 3.0  # of a lasting rise or fall
SPELL_YEARS, SPELL_SHAPE = 8, 1.0  # of good and bad years of single plots; of their gamma
LARGER = 2  # times the stems and cores
STEADY = ("steady", "patches", "larger patches", "rise", "fall", "cut")
WITH_PULSE = ("pulse", "pulse patches")
KINDS = (*STEADY, *WITH_PULSE, "planted")
RECORDS = 3  # of events, with and without a cause, set beside each pulse found
CUT_LIKELIER = 0.5  # probability from which a pulse is put down to cutting
FAR_YEARS = 40  # a pulse found further from the true one is another


def jobs(surveys: int) -> list[dict]:
    """So many surveys of each kind, one kind after another in turn."""
    return [{"kind": kind, "seed": seed} for seed in range(surveys) for kind in KINDS]


def one_survey(job: dict) -> dict:
    """Simulate, fit and score one survey."""
    from standage import read_survey
    from standage.stand.fit import fit_stands

    simulated, truth = simulated_stand(job["kind"], job["seed"])
    with tempfile.TemporaryDirectory() as folder:
        survey = read_survey(simulated.write(Path(folder) / "survey"))
    posterior = fit_stands(survey, seed=job["seed"], chains=2, cores=1, tune=200, draws=250)
    return scores(posterior, truth, np.random.default_rng([job["seed"], 17]))


def simulated_stand(kind: str, seed: int):
    """A survey of a stand of one kind, and what is true of it: `pulse` (first year) or None."""
    from standage.profiles import load_profile
    from standage.simulate.departures import Departures
    from standage.simulate.history import StandHistory, SurveyDesign, steady_recruitment
    from standage.simulate.life import draw_life_histories
    from standage.simulate.plants import Cut, grow, standing_after
    from standage.simulate.surveys import simulate_survey

    rng = np.random.default_rng([seed, sum(map(ord, kind)), 5])
    profile = load_profile("longleaf-pine")
    years = np.arange(FIRST_YEAR, SEASON + 1)
    steady = steady_recruitment(profile, FIRST_YEAR, SEASON, per_ha_at_fifty=1.0)
    larger = LARGER if "larger" in kind else 1
    departures, cuts, pulse, shape = Departures(), (), None, np.ones(len(years))
    if kind.startswith("pulse"):
        pulse = int(rng.integers(1890, 1966))
    if kind in ("rise", "fall"):
        change = int(rng.integers(1910, 1976))
        shape = np.where((years >= change) == (kind == "rise"), TIMES, 1.0)
    if kind == "planted":
        planted = int(rng.integers(1950, 1991))
        departures = Departures(planted_share=float(rng.uniform(0.25, 0.5)), planted_in=planted)
    if kind == "cut":
        low = rng.random() < 0.5
        cuts = (
            Cut(
                int(rng.integers(1915, 1985)),
                float(rng.uniform(0.6, 0.95)),
                0.0 if low else 20.0,
                20.0 if low else np.inf,
            ),
        )
    (life,) = draw_life_histories(profile, rng, stands=1, first_year=FIRST_YEAR, last_year=SEASON)
    design = SurveyDesign(plot_areas_m2=(10_000.0 / PLOTS,) * PLOTS, cores=larger * CORES)

    def listed(per_ha: np.ndarray) -> float:
        """Stems listed of a history, by playing 20,000 plants of it."""
        grown = np.where(SEASON - years > 2, per_ha, 0)
        times = 20_000 / grown.sum()
        plants = grow(rng, life, years, grown * times)
        plants = plants.chosen(standing_after(rng, plants, cuts)) if cuts else plants
        return (plants.stage(SEASON, design.min_dbh_cm) == "tree").sum() / times

    of_pulse = PULSE_STEMS if pulse is not None else 0
    history = steady * shape
    history = (
        history * (larger * LISTED - of_pulse) * (1 - departures.planted_share) / listed(history)
    )
    if pulse is not None:
        inside = ((years >= pulse) & (years < pulse + PULSE_YEARS)) * steady
        history = history + inside * of_pulse / listed(inside)
    stand = StandHistory(
        "a",
        SURVEY_DATE,
        FIRST_YEAR,
        history,
        (),
        cuts,
        community="mesic upland",
        life=dataclasses.replace(life, departures=departures),
        design=design,
    )
    with _spells("patches" in kind):
        simulated = simulate_survey(int(rng.integers(2**31)), stands=[stand], profile=profile)
    return simulated, {"kind": kind, "pulse": pulse}


@contextmanager
def _spells(wanted: bool):
    """Every plot has good and bad spells of its own."""
    import standage.simulate.field as field

    steady = field.grow

    def in_spells(rng, life, years, per_plot):
        spells = rng.gamma(SPELL_SHAPE, 1 / SPELL_SHAPE, len(years) // SPELL_YEARS + 2)
        shift = rng.integers(SPELL_YEARS)
        return steady(
            rng, life, years, per_plot * spells[(np.arange(len(years)) + shift) // SPELL_YEARS]
        )

    with patch.object(field, "grow", in_spells if wanted else steady):
        yield


def scores(posterior, truth: dict, rng: np.random.Generator) -> dict:
    """What is stated of each pulse found, and what is true of it; how probable a cut is against a
    pulse in any year.
    """
    from standage.findings import Findings

    findings = Findings(posterior)
    rows = []
    for pulse in findings.pulses.to_dict("records"):
        first = truth["pulse"]
        own = first is not None and abs(pulse["start_median"] - first) <= FAR_YEARS
        row = {
            "pulse": pulse["pulse"],
            "start": pulse["start_median"],
            "true": own,
            "planted": pulse["probability_planted"],
            "cut": pulse["probability_cut"],
        }
        rows.append(row | ({"records": _records(findings, pulse, first, rng)} if own else {}))
    evidence = findings.cutting[0]
    return {
        "pulses": rows,
        "cut": np.nan if evidence is None else evidence.probability_cut(-np.inf, np.inf),
    }


def _records(findings, pulse: dict, first: int, rng: np.random.Generator) -> list[dict]:
    """Events beside a true pulse, one of them its cause in half of the records, and what is stated
    of them.
    """
    from standage.findings import Findings
    from standage.findings.event_lags import usual_lags
    from standage.findings.events_on_record import Event

    posterior = findings.posterior
    grass = np.asarray(posterior.unit(0).delays["grass"], dtype=float).mean(axis=0)
    opening = Event("cause", "logging", first, first, np.nan, np.nan, np.nan, True)
    lags = usual_lags(opening, grass)
    found = []
    for number in range(2 * RECORDS):
        caused = number < RECORDS
        years = rng.integers(1850, SEASON, 2 if caused else 3)
        lag = int(lags.first + rng.choice(len(lags.chance), p=lags.chance))
        years = [first - lag, *years] if caused else years
        events = pd.DataFrame(
            {
                "event": [f"event {k}" for k in range(len(years))],
                "stand": "a",
                "kind": ["logging", "storm", "insects"],
                "first_year": years,
                "last_year": years,
                "ended_year": np.nan,
                "opens_canopy": "",
            }
        )
        tables = {"events": posterior.survey.events.reindex(range(len(events))).assign(**events)}
        survey = dataclasses.replace(posterior.survey, **tables)
        beside = Findings(dataclasses.replace(posterior, survey=survey))
        beside.scans, beside.bursts = findings.scans, findings.bursts
        # where the stems stood takes most of the time and isn't scored here
        with patch("standage.findings.attribution.stem_histories", return_value=None):
            table = beside.attribution[beside.attribution["pulse"] == pulse["pulse"]]
        none = table[table["event"] == ""].iloc[0]
        rows = table[table["event"] != ""].set_index("event")
        nearest = rows.loc[rows["lag_years_median"].abs().idxmin()]
        row = {
            "caused": caused,
            "none": none["probability_none_on_record"],
            "nearest_chance": nearest["chance_as_close"],
        }
        if caused:
            cause = rows.loc["event 0"]
            row |= {
                "lag": lag,
                "lag_low": cause["lag_years_low"],
                "lag_high": cause["lag_years_high"],
            }
        found.append(row)
    return found


def report(rows: pd.DataFrame) -> str:
    """Planting and cutting by kind of stand; lags, chance and none on record beside true pulses."""
    rows = rows[rows["error"] == ""]
    tables = (planting_table, cutting_table, event_table, none_table)
    return "\n\n".join(markdown(table(rows)) for table in tables)


def planting_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Pulses found by kind of stand, and of how many it is stated that they may be planted."""
    from standage.findings.planted import MAY_BE_PLANTED

    found = []
    for kind, own in rows.groupby("kind", sort=False):
        pulses = [pulse for each in own["pulses"] for pulse in each]
        chances = np.array([pulse["planted"] for pulse in pulses], dtype=float)
        found.append(
            {
                "kind": kind,
                "surveys": len(own),
                "with a pulse": int((own["pulses"].map(len) > 0).sum()),
                "pulses": len(pulses),
                "median probability": float(np.median(chances)) if len(chances) else np.nan,
                "may have been planted": int((chances >= MAY_BE_PLANTED).sum()),
            }
        )
    return pd.DataFrame(found)


def cutting_table(rows: pd.DataFrame) -> pd.DataFrame:
    """By kind of stand: pulses found that are not put down to cutting, and those that are; surveys
    in which a cut is likelier than a pulse in any year.
    """
    found = []
    for kind, own in rows.groupby("kind", sort=False):
        chances = np.array([pulse["cut"] for each in own["pulses"] for pulse in each], dtype=float)
        of_surveys = own["cut"].to_numpy(dtype=float)
        found.append(
            {
                "kind": kind,
                "surveys": len(own),
                "called a pulse": int((chances < CUT_LIKELIER).sum()),
                "cutting would do": int((chances >= CUT_LIKELIER).sum()),
                "cut likelier than any pulse": int((of_surveys >= CUT_LIKELIER).sum()),
                "not told": int(np.isnan(of_surveys).sum()),
            }
        )
    return pd.DataFrame(found)


def _event_rows(rows: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        [record for each in rows["pulses"] for pulse in each for record in pulse.get("records", [])]
    )


def event_table(rows: pd.DataFrame) -> pd.DataFrame:
    """How often a cause's lag is held, and how often the nearest event is as close as chance."""
    found = _event_rows(rows)
    caused = found["caused"].astype(bool)
    cause = found[caused]
    held = (cause["lag"] >= cause["lag_low"]) & (cause["lag"] <= cause["lag_high"])
    return pd.DataFrame(
        [
            {
                "records": "with a cause" if with_cause else "at random",
                "number": int((caused == with_cause).sum()),
                "lag held": float(held.mean()) if with_cause else np.nan,
                **{
                    f"chance_as_close up to {limit:g}": float(
                        (found.loc[caused == with_cause, "nearest_chance"] <= limit).mean()
                    )
                    for limit in (0.05, 0.2, 0.5)
                },
            }
            for with_cause in (True, False)
        ]
    )


def none_table(rows: pd.DataFrame) -> pd.DataFrame:
    """How often none on record was true, by what was stated."""
    found = _event_rows(rows)
    bins = pd.cut(found["none"], (0, 0.2, 0.35, 0.5, 0.8, 1))
    return pd.DataFrame(
        [
            {
                "none on record": f"{each.left:g} to {each.right:g}",
                "records": len(own),
                "stated": float(own["none"].mean()),
                "true": float((~own["caused"].astype(bool)).mean()),
            }
            for each, own in found.groupby(bins, observed=True)
        ]
    )


if __name__ == "__main__":
    study_command(
        __doc__,
        NAME,
        jobs=jobs,
        work=one_survey,
        report=report,
        surveys=24,
        counted="surveys of each kind of stand",
    )
