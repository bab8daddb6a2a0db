"""How often a thinning of known year and intensity is found in the rings, and how often one is
found that never was.

    python tests/benchmarks/release_detection.py [--stands N] [--trees N] [--seed N] [--climate | --found]

Invented stands: each tree has an age trend, noise with memory of its own and the weather of the
stand, which has memory too. A thinning takes a share of the basal area; a tree's growth then rises
by (basal area left)^-competition within three years and falls back over 25. Competition is 0.3 in
open woodland, where crowns hardly touch, and 0.8 in closed forest (assumptions). Prints two
markdown tables: of trees (found within 1 year before to 4 after the cut; false ones in a hundred
tree-years without a cut) and of stands. With `--climate` one table instead: the stands under
weather of which more and more is slow, twice as many of those without a cut. With `--found` a
table of openings that nobody put on record, by trees at risk: how many stands show them.
"""

from __future__ import annotations

import argparse
import sys
from itertools import product
from types import SimpleNamespace

import numpy as np
import pandas as pd

from standage.findings.disturbance_decades import TREES_AT_RISK
from standage.findings.disturbances import (
    disturbance_table,
    event_year_table,
    tree_release_table,
)
from standage.growth.growth_changes import MODEL, growth_changes
from standage.growth.release_criteria import CRITERIA

LAST, CUT = 2020, 1925
OPEN, CLOSED = 0.3, 0.8
DESIGNS = (
    (0.0, OPEN),
    (0.2, OPEN),
    (0.5, OPEN),
    (0.8, OPEN),
    (0.2, CLOSED),
    (0.5, CLOSED),
    (0.8, CLOSED),
)  # share taken, competition
WEATHERS = (
    (0.15, 0.3),
    (0.2, 0.6),
    (0.25, 0.85),
)  # sd in log width, and memory from year to year: from weather to slow climate
FOUND_DESIGNS = (0.8, OPEN), (0.5, OPEN), (0.8, CLOSED)
RECORD = (1916, 1935)  # years between which the cut is known to lie


def thinned_stand(
    rng,
    trees: int,
    share: float,
    competition: float,
    *,
    weather_sd: float = 0.15,
    weather_memory: float = 0.3,
) -> SimpleNamespace:
    """A survey of one tree core a tree: what the release functions ask of a survey."""
    weather = memory(rng, LAST - 1750 + 1, weather_memory, weather_sd)
    rings, cores, stems = [], [], []
    for number in range(trees):
        first = int(rng.integers(1800, CUT - 25))
        year = np.arange(first, LAST + 1)
        age = year - first + 1
        trend = (
            rng.normal(0.7, 0.3)
            - 0.8 * np.exp(-age / rng.uniform(4, 12))
            - age / rng.uniform(120, 350)
        )
        response = -competition * np.log(1 - share) * np.exp(rng.normal(0, 0.3))
        begun = np.clip((year - CUT + 1 - rng.integers(0, 2)) / 3, 0, 1)
        lasting = np.where(year > CUT + 10, np.exp(-(year - CUT - 10) / 25), 1.0)
        logs = (
            trend
            + memory(rng, len(year), rng.uniform(0.2, 0.6), 0.22)
            + weather[year - 1750]
            + response * begun * lasting
        )
        name = f"t{number + 1}"
        rings.append(
            pd.DataFrame(
                {"core": name, "year": year.astype(float), "width_mm": np.exp(logs).round(2)}
            )
        )
        cores.append((name, name))
        stems.append((name, "stand", "longleaf-pine"))
    event = ("cut", "stand", "logging", *map(float, RECORD), np.nan, "", "record")
    columns = [
        "event",
        "stand",
        "kind",
        "first_year",
        "last_year",
        "ended_year",
        "opens_canopy",
        "source",
    ]
    return SimpleNamespace(
        ring_widths=pd.concat(rings, ignore_index=True),
        cores=pd.DataFrame(cores, columns=["core", "tree"]),
        trees=pd.DataFrame(stems, columns=["tree", "stand", "species"]),
        events=pd.DataFrame([event] if share else [], columns=columns),
    )


def memory(rng, length: int, phi: float, sd: float) -> np.ndarray:
    """Noise that remembers the year before, of standard deviation `sd`. (length,)"""
    noise = np.empty(length)
    noise[0] = rng.normal(0, sd)
    for year in range(1, length):
        noise[year] = phi * noise[year - 1] + rng.normal(0, sd * np.sqrt(1 - phi**2))
    return noise


def looked_at(survey, share: float, criterion: str, seed: int, draws: int = 300) -> dict:
    """Counts of one stand: trees, releases found near the cut, releases elsewhere, tree-years; and
    what is said of the stand.
    """
    changes = growth_changes(survey, criterion=criterion, seed=seed, draws=draws)
    table = tree_release_table(changes, level=0.9)
    years = table.loc[table["kind"] == "release", "year_median"].astype(float)
    near = years.between(CUT - 1, CUT + 4)
    counted = {
        "trees": len(changes.series.trees),
        "found": int(near.sum()),
        "elsewhere": int((~years.between(CUT - 5, CUT + 8)).sum()),
        "tree_years": int(changes.at_risk.sum()),
    }
    if criterion == MODEL:
        said = disturbance_table(changes, seed=1, level=0.9)
        when = said.loc[said["kind"] == "opening", "year_median"].astype(float)
        counted |= {
            "stand_found": int(when.between(CUT - 1, CUT + 4).any()),
            "stand_elsewhere": int((~when.between(CUT - 5, CUT + 8)).sum()),
            "centuries": float((changes.at_risk.sum(axis=0) >= 5).sum() / 100),
        }
        if share:
            event = event_year_table(changes, survey, level=0.9).iloc[0]
            counted |= {
                "seen": event["seen_in_rings"],
                "width": float(event["year_high"] - event["year_low"]),
                "holds": int(event["year_low"] <= CUT <= event["year_high"]),
            }
    return counted


def climate_table(stands: int, trees: int, seed: int) -> list[str]:
    """Openings told of that never were, and cuts found, as the weather that all trees share becomes
    slow. Rows of markdown.
    """
    rows = [
        (
            "| weather sd, memory | basal area taken | competition | stands found | false a century"
            " | trees found | event seen | holds year |"
        ),
        "|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for sd, phi in WEATHERS:
        for share, competition in (
            (0.0, OPEN),
            (0.5, OPEN),
            (0.8, OPEN),
            (0.5, CLOSED),
            (0.8, CLOSED),
        ):
            rng = np.random.default_rng(
                [seed, int(100 * sd), int(100 * share), int(10 * competition)]
            )
            settings = {"weather_sd": sd, "weather_memory": phi}
            number = stands if share else 2 * stands
            surveys = [
                thinned_stand(rng, trees, share, competition, **settings) for _ in range(number)
            ]
            found = pd.DataFrame(
                [
                    looked_at(survey, share, MODEL, 1 + place, draws=200)
                    for place, survey in enumerate(surveys)
                ]
            )
            total = found.sum()
            event = (
                f"{found['seen'].mean():.2f} | {found['holds'].sum()} of {len(found)} |"
                if share
                else "- | - |"
            )
            rows.append(
                f"| {sd}, {phi} | {100 * share:.0f} % | {competition} |"
                f" {found['stand_found'].sum()} of {len(found)} |"
                f" {total['stand_elsewhere'] / total['centuries']:.2f} |"
                f" {100 * total['found'] / total['trees']:.0f} % | {event}"
            )
            print(rows[-1], flush=True, file=sys.stderr)
    return rows


def found_table(stands: int, seed: int) -> list[str]:
    """Stands in which an opening on no record is found, and false ones, by trees at risk. Rows of
    markdown.
    """
    rows = [
        "| trees | basal area taken | competition | found | false |",
        "|---:|---:|---:|---:|---:|",
    ]
    for trees, (share, competition) in product(TREES_AT_RISK[1:], FOUND_DESIGNS):
        rng = np.random.default_rng([seed, trees, int(100 * share), int(10 * competition)])
        found = false = 0
        for number in range(stands):
            survey = thinned_stand(rng, trees, share, competition)
            survey.events = survey.events.iloc[:0]
            counted = looked_at(survey, 0.0, MODEL, 1 + number, draws=200)
            found += counted["stand_found"]
            false += counted["stand_elsewhere"]
        rows.append(f"| {trees} | {share:.0%} | {competition} | {found} of {stands} | {false} |")
        print(rows[-1], flush=True, file=sys.stderr)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--stands", type=int, default=6, help="of each design")
    parser.add_argument("--trees", type=int, default=15, help="of each stand")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--climate",
        action="store_true",
        help="weather of which more and more is slow, in place of the two tables",
    )
    parser.add_argument("--found", action="store_true", help="openings on no record, by trees")
    options = parser.parse_args()
    if options.found:
        print("\n".join(found_table(options.stands, options.seed)))
        return
    if options.climate:
        print("\n".join(climate_table(options.stands, options.trees, options.seed)))
        return
    names = [MODEL, *CRITERIA]
    headed = "".join(f" {name}: found, false |" for name in names)
    trees = [
        f"| basal area taken | competition | growth after |{headed}",
        "|---:|---:|---:|" + "---:|" * len(names),
    ]
    stands = [
        (
            "| basal area taken | competition | stands found | false a century | event seen | years"
            " of its interval | holds the year |"
        ),
        "|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for design, (share, competition) in enumerate(DESIGNS):
        rng = np.random.default_rng([options.seed, design])
        surveys = [
            thinned_stand(rng, options.trees, share, competition) for _ in range(options.stands)
        ]
        cells = []
        for name in names:
            found = pd.DataFrame(
                [
                    looked_at(survey, share, name, 1 + number)
                    for number, survey in enumerate(surveys)
                ]
            )
            total = found.sum()
            cells.append(
                f"{100 * total['found'] / total['trees']:.0f} %,"
                f" {100 * total['elsewhere'] / total['tree_years']:.2f}"
            )
            if name == MODEL:
                about = (
                    f"| {100 * share:.0f} % | {competition} | {found['stand_found'].sum()} of"
                    f" {len(found)} | "
                )
                about += f"{total['stand_elsewhere'] / total['centuries']:.2f} | "
                event = "- | - | - |"
                if share:
                    event = (
                        f"{found['seen'].mean():.2f} | {found['width'].mean():.0f} |"
                        f" {found['holds'].sum()} of {len(found)} |"
                    )
                stands.append(about + event)
        growth = 100 * ((1 - share) ** -competition - 1)
        trees.append(
            f"| {100 * share:.0f} % | {competition} | {growth:+.0f} % | " + " | ".join(cells) + " |"
        )
    print("\n".join(trees), "\n".join(stands), sep="\n\n")


if __name__ == "__main__":
    main()
