"""Draw the pictures of docs/figures.md into docs/images, from a result of the demonstration survey
and from invented ring widths.

    standage run demo/longleaf-survey --out results
    python demo/make_figures.py results [FOLDER]

FOLDER is docs/images if left out. The demonstration survey has no ring widths; those drawn here are
of ten trees that nobody measured, in a stand of which a third was cut in 1926.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from PIL import Image

import standage
from standage import figures
from standage.findings.releases import chronology_table
from standage.growth.growth_changes import growth_changes, ring_years

IMAGES = Path(__file__).parent.parent / "docs" / "images"
STAND = "oxbell-upland"
WIDTH_MM, DOTS_PER_INCH = 140, 130
INKS = 48  # colours kept of a picture: lines and letters stay smooth, files small
CUT, LAST = 1926, 2023


def drawings(results: str | Path) -> dict[str, Callable[[], Axes]]:
    """What draws each image, by the image's name."""
    findings = standage.Findings(standage.load_posterior(Path(results) / "posterior.nc"))
    events = findings.survey.events
    of_stand = events[events["stand"].isin([STAND, ""])]
    pulses, cohorts, differences = findings.pulses, findings.cohorts, findings.comparison
    spans = differences[
        (differences["kind"] == "stand") & (differences["measure"] == "half_span_years")
    ]
    rings, chronology, cut = invented_rings()
    grass = one(findings.delays)
    drawn = {
        "plot_cohorts": lambda: figures.plot_cohorts(
            one(cohorts), trees=one(findings.tree_dates), pulses=one(pulses), events=of_stand
        ),
        "plot_cohorts-grey": lambda: figures.plot_cohorts(one(cohorts), events=of_stand),
        "plot_rate": lambda: figures.plot_rate(
            one(findings.rate), pulses=one(pulses), events=of_stand
        ),
        "plot_lags": lambda: figures.plot_lags(one(findings.attribution), one(pulses)),
        "plot_tree_dates": lambda: figures.plot_tree_dates(
            one(findings.tree_dates), events=of_stand
        ),
        "plot_size_age": lambda: figures.plot_size_age(
            one(findings.tree_dates), curve=one(findings.size_curves)
        ),
        "plot_strip": lambda: figures.plot_strip(
            one(cohorts), pulses=one(pulses), community="mesic upland"
        ),
        "plot_differences": lambda: figures.plot_differences(spans),
        "plot_delay": lambda: figures.plot_delay(grass[grass["delay"] == "grass"]),
        "plot_diameter_check": lambda: figures.plot_diameter_check(one(findings.diameter_check)),
        "plot_count_check": lambda: figures.plot_count_check(one(findings.count_check)),
        "plot_ring_panel": lambda: figures.plot_ring_panel(rings, events=cut),
        "plot_disturbance_chronology": lambda: figures.plot_disturbance_chronology(
            chronology, events=cut
        ),
    }
    if spans.empty:  # a result of one stand
        del drawn["plot_differences"]
    return drawn


def one(table: pd.DataFrame) -> pd.DataFrame:
    """The rows of one stand's longleaf pines."""
    return table[(table["stand"] == STAND) & (table["species"] == "longleaf-pine")]


def invented_rings() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Rings of ten invented trees with their changes of growth, the stand's years, and the cut as
    an event.
    """
    rng = np.random.default_rng(1926)
    rings, trees = [], [f"tree {number}" for number in range(1, 11)]
    for tree in trees:
        year = np.arange(rng.integers(1830, 1890), LAST + 1)
        age = year - year[0] + 1
        begun, left = np.clip((year - CUT) / 2, 0, 1), np.exp(-np.clip(year - 1945, 0, None) / 40)
        released = rng.normal(0.75, 0.15) * (rng.random() < 0.8) * begun * left
        logs = 0.8 - 0.6 * np.exp(-age / 8) - age / 200 + released + rng.normal(0, 0.18, len(year))
        rings.append(
            pd.DataFrame(
                {"core": tree, "year": year.astype(float), "width_mm": np.exp(logs).round(2)}
            )
        )
    event = {
        "event": "cut",
        "stand": "invented stand",
        "kind": "logging",
        "first_year": 1924.0,
        "last_year": 1928.0,
        "ended_year": np.nan,
    }
    survey = SimpleNamespace(
        ring_widths=pd.concat(rings, ignore_index=True),
        cores=pd.DataFrame({"core": trees, "tree": trees}),
        trees=pd.DataFrame({"tree": trees, "stand": "invented stand", "species": "longleaf-pine"}),
        events=pd.DataFrame([event | {"opens_canopy": "", "source": "record"}]),
    )
    changes = growth_changes(survey, seed=1)
    return ring_years(changes), chronology_table(changes, seed=1, level=0.9), survey.events


def main(results: str | Path, folder: str | Path = IMAGES) -> None:
    """Draw all images into a folder."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name, draw in drawings(results).items():
        with figures.in_style("grey" if name.endswith("-grey") else "print", width_mm=WIDTH_MM):
            written = io.BytesIO()
            draw().figure.savefig(written, format="png", dpi=DOTS_PER_INCH)
        Image.open(written).convert("RGB").quantize(INKS, dither=Image.Dither.NONE).save(
            folder / f"{name}.png", optimize=True
        )
        print(f"wrote {folder / f'{name}.png'}")


if __name__ == "__main__":
    main(*sys.argv[1:3])
