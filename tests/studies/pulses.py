"""Study of pulses: the reporting limit, false pulses, power against the best possible, narrow
pulses.

    python tests/studies/pulses.py limits run [--surveys 400] [--write]  surveys without pulses; --write puts the table beside the package
    python tests/studies/pulses.py verify run [--surveys 400]            fresh surveys without pulses
    python tests/studies/pulses.py power run [--surveys 60]              surveys a scenario
    python tests/studies/pulses.py departures run [--surveys 30]         surveys a length of pulse and process

`report` in place of `run` prints what is done so far. Every step can be stopped and taken up
again; `report` exits with 1 where a figure misses what is asked of it.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

STUDIES = Path(__file__).resolve().parent
# studies are imported as studies.<name>: with their own folder on the path, one named like a
# library would stand in its place
sys.path[:] = [
    str(STUDIES.parent),
    *(place for place in sys.path if Path(place).resolve() not in (STUDIES, STUDIES.parent)),
]

from studies import pulse_departures  # noqa: E402
from studies.pulse_oracle import oracle_statistic  # noqa: E402
from studies.pulse_surveys import KnownSurvey, known_survey, survey_with_stems  # noqa: E402
from studies.pulse_tables import (  # noqa: E402
    centre_table,
    cut_table,
    departure_table,
    false_pulse_table,
    limit_row,
    markdown,
    power_table,
    score_table,
)
from studies.runner import default_folder, finished_rows, run_study  # noqa: E402

import standage.findings.pulse_limit as pulse_limit  # noqa: E402
from standage import read_survey  # noqa: E402
from standage.findings import Findings  # noqa: E402
from standage.findings.pulse_limit import limit_table  # noqa: E402
from standage.findings.pulses import best_score  # noqa: E402
from standage.findings.stems import dated_years  # noqa: E402
from standage.stand.build import build_stands  # noqa: E402
from standage.stand.draws_file import DrawsFile  # noqa: E402
from standage.stand.fit import fit_stands  # noqa: E402

SHORT_FIT = {"chains": 2, "cores": 1, "tune": 200, "draws": 250}
LIMIT_FILE = Path(pulse_limit.__file__).with_suffix(".csv")
SPECIES = ("longleaf-pine", "loblolly-pine")  # with a grass stage of years, and without
# what may look like a pulse in a stand that had none: a trend either way, years of much and little
# seed, uneven effort
TROUBLES = (
    {},
    {"slope": 0.7},
    {"slope": -0.7},
    {"mast_log_sd": 0.8},
    {"uneven": True},
    {"uneven": True, "mast_log_sd": 0.8},
)
# scenario: cored and living stems in the first pulse, range of its first year, first years of the
# others after it
SCENARIOS = {
    "12 cored": (12, 24, (1885, 1965), ()),
    "20 cored": (20, 40, (1885, 1965), ()),
    "30 cored": (30, 60, (1885, 1965), ()),
    "35 years apart": (20, 40, (1906, 1940), (35,)),
    "20 years apart": (20, 40, (1906, 1955), (20,)),
    "past 180": (20, 40, (1776, 1800), (35,)),
}
PULSE_YEARS, PULSE_TIMES = 10, 5.0


# jobs


def limit_jobs(surveys: int) -> list[dict]:
    """Surveys without pulses, of designs drawn anew for each."""
    return [_without_pulse("null", number, seed=500_000 + number) for number in range(surveys)]


def verify_jobs(surveys: int) -> list[dict]:
    """Fresh ones of designs drawn anew; clumped plots and cuts, an eighth as many each, apart."""
    apart = max(surveys // 8, 1)
    kinds = (
        ["null"] * surveys
        + ["clumped plots"] * apart
        + ["cut"] * apart
        + ["cut not on record"] * apart
    )
    return [
        _without_pulse(kind, 10_000 + number, seed=900_000 + number)
        for number, kind in enumerate(kinds)
    ]


def _without_pulse(kind: str, number: int, *, seed: int) -> dict:
    rng = np.random.default_rng([number, 77])
    job = {"kind": kind, "seed": seed, "species": SPECIES[number % 2]}
    job |= {
        "stems": round(float(np.exp(rng.uniform(np.log(60), np.log(300))))),
        "share_cored": round(float(rng.uniform(0.15, 0.7)), 3),
    }
    if kind == "clumped plots":
        return job | {"plot_dispersion": 0.8}
    if kind != "null":
        from_below = rng.random() < 0.5
        sizes = [0.0, 25.0] if from_below else [20.0, 500.0]
        cut = [int(rng.integers(1900, 1985)), round(float(rng.uniform(0.4, 0.9)), 2), *sizes]
        return job | {"cuts": [cut], "on_record": kind == "cut"}
    return job | TROUBLES[number // 2 % len(TROUBLES)]


def power_jobs(surveys: int) -> list[dict]:
    """Surveys of every scenario, and nulls for the oracle. The table of limits is part of a job: it
    decides what is reported.
    """
    jobs = []
    limits = hashlib.sha256(LIMIT_FILE.read_bytes()).hexdigest()[:8]
    for place, (scenario, (cored, living, (earliest, latest), later)) in enumerate(
        SCENARIOS.items()
    ):
        for number in range(surveys * (1 if later else 3)):
            null = number >= surveys
            first = int(np.random.default_rng([place, number, 78]).integers(earliest, latest + 1))
            spans = [
                [first + lag, first + lag + PULSE_YEARS - 1, PULSE_TIMES] for lag in (0, *later)
            ]
            job = {
                "scenario": scenario,
                "seed": 700_000 + 10_000 * place + number,
                "species": "longleaf-pine",
                "share_cored": cored / living,
            }
            job |= {
                "living_in_pulse": living,
                "cored_in_pulse": cored,
                "pulses": spans,
                "pulses_left_out": null,
            }
            job |= (
                {"first_year": 1620} if scenario == "past 180" else {}
            )  # a background before its pulses
            jobs.append(job if null else job | {"limits": limits})
    return jobs


# work


def fitted(known: KnownSurvey, job: dict):
    """The posterior of a survey by a short fit. Draws are kept, so that another rule for pulses is
    tried in a tenth of the time.
    """
    asked = json.dumps(
        {name: value for name, value in job.items() if name != "limits"}, sort_keys=True
    )
    place = default_folder() / "draws" / f"{hashlib.sha256(asked.encode()).hexdigest()[:16]}.npz"
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        known.simulated.write(folder)
        return fit_stands(
            read_survey(folder), seed=job["seed"], draws_file=DrawsFile(place), **SHORT_FIT
        )


def scan_null(job: dict) -> dict:
    """Best score of a survey without pulses, and how many stems it lists."""
    posterior = fitted(known_survey(job), job)
    findings = Findings(posterior)
    trees, _ = dated_years(posterior, 0)
    return {
        "listed_stems": len(trees),
        "cored_stems": int(trees["cored"].astype(bool).sum()),
        "best_score": best_score(findings.scans[0]),
    }


def find_pulses(job: dict) -> dict:
    """Pulses reported of a survey that has some, and what the oracle makes of it; of a null, the
    oracle's word alone.
    """
    if job["pulses_left_out"]:
        known = known_survey(job)
    else:
        known = survey_with_stems(job, cored=job["cored_in_pulse"], living=job["living_in_pulse"])
    with tempfile.TemporaryDirectory() as folder:
        known.simulated.write(folder)
        built = build_stands(read_survey(folder))
    result = {"oracle": oracle_statistic(known, built, times=PULSE_TIMES, length=PULSE_YEARS)}
    if job["pulses_left_out"]:
        return result
    findings = Findings(fitted(known, job))
    wanted = [
        "probability",
        "start_median",
        "end_median",
        "centre_low",
        "centre_median",
        "centre_high",
        "window_years",
    ]
    living, cored = known.stems_in(*job["pulses"][0][:2])
    return result | {
        "true_pulses": [span[:2] for span in job["pulses"]],
        "reported_pulses": findings.pulses[wanted].astype(float).to_dict("records"),
        "best_score": best_score(findings.scans[0]),
        "limit": findings.limits[0].value,
        "living": living,
        "cored": cored,
    }


# commands


def tables_of(step: str, rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Titles and tables of a step, from the rows that came to an end."""
    rows = rows[rows["error"] == ""]
    if step == "limits":
        return [("Reporting limit", limit_row(rows)), ("By size", score_table(rows))]
    if step == "verify":
        limits = limit_table()
        return [
            ("False pulses", false_pulse_table(rows, limits)),
            ("Cuts without recruitment", cut_table(rows, limits)),
        ]
    if step == "power":
        now = hashlib.sha256(LIMIT_FILE.read_bytes()).hexdigest()[:8]
        null = rows["pulses_left_out"].astype(bool)
        found = rows[~null & (rows["limits"] == now)] if "limits" in rows else rows[:0]
        return [("Pulses told", power_table(found, rows[null])), ("Centres", centre_table(found))]
    return [("Share of stems in a window", departure_table(rows))]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("step", choices=["limits", "verify", "power", "departures"])
    parser.add_argument("action", nargs="?", choices=["run", "report"], default="report")
    parser.add_argument("--surveys", type=int)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path, default=default_folder())
    parser.add_argument(
        "--write", action="store_true", help="limits only: write the table that the package uses"
    )
    options = parser.parse_args(arguments)
    if options.write and options.step != "limits":
        parser.error("--write belongs to limits")
    steps = {
        "limits": (limit_jobs, scan_null, 400),
        "verify": (verify_jobs, scan_null, 400),
        "power": (power_jobs, find_pulses, 60),
    }
    names = [f"pulse-departures-{process}" for process in pulse_departures.PROCESSES]
    if options.step != "departures":
        names = [f"pulse-{options.step}"]
    if options.action == "run":
        if options.step == "departures":
            for name, process in zip(names, pulse_departures.PROCESSES, strict=True):
                jobs = pulse_departures.jobs(process, options.surveys or 30)
                run_study(
                    name,
                    jobs,
                    pulse_departures.work,
                    folder=options.folder,
                    workers=options.workers,
                )
        else:
            jobs_of, work, surveys = steps[options.step]
            run_study(
                names[0],
                jobs_of(options.surveys or surveys),
                work,
                folder=options.folder,
                workers=options.workers,
            )
    rows = pd.concat(
        [finished_rows(name, folder=options.folder) for name in names], ignore_index=True
    )
    if rows.empty or not (rows["error"] == "").any():
        print("nothing is done yet under the present sources")
        return 1
    failed = int((rows["error"] != "").sum())
    print(f"{len(rows)} jobs done, {failed} failed\n")
    tables = tables_of(options.step, rows)
    for title, table in tables:
        print(f"## {title}\n\n{markdown(table)}\n")
    if options.write:
        tables[0][1].to_csv(LIMIT_FILE, index=False)
        print(f"written: {LIMIT_FILE}")
    return int(
        failed > 0 or any("holds" in table and not table["holds"].all() for _, table in tables)
    )


if __name__ == "__main__":
    sys.exit(main())
