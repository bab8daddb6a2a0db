"""The pictures of the report, one panel each so that every one fits on a printed page, with what
each shows in words from its table.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import cast

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from standage import figures
from standage.figures.axes import new_figure
from standage.figures.stand import shade_years
from standage.figures.uncertainty import plot_budgets
from standage.findings.findings import Findings
from standage.findings.rates import CENTURY, undated_centuries
from standage.findings.unit_findings import UnitFindings, rows_of
from standage.prose import picture_texts as texts
from standage.prose.uncertainty import budgets_in_words
from standage.report.svg import inline_svg

SMALL = (4.4, 2.6)  # of the pictures that stand two abreast [inches]


@dataclass(frozen=True)
class Picture:
    """An SVG element, its caption, and the name it has on the page."""

    name: str
    caption: str
    svg: str

    @property
    def tall(self) -> bool:
        """Whether it is higher than wide: such a picture gets a printed page of its own."""
        box = re.search(r'viewBox="([^"]+)"', self.svg)
        if box is None:
            return False
        _, _, width, height = map(float, box.group(1).split())
        return height > width


def picture(ax: Axes, name: str, caption: str, alternative: str) -> Picture:
    """What is drawn on `ax` as a picture of the page."""
    figure = cast(Figure, ax.figure)  # of a picture there are no figures within figures
    assert figure is not None  # matplotlib's axes without a figure are those that were removed
    return Picture(name, caption, inline_svg(figure, name, alternative))


def unit_pictures(findings: Findings, unit: UnitFindings, number: int) -> list[Picture]:
    """Age classes, establishment through time, size and age, every tree, pulses and events.

    number: that of the unit on the page.
    """
    events = _events_of(findings, unit.stand)
    drawn = [
        picture(
            figures.plot_cohorts(unit.cohorts, trees=unit.trees, pulses=unit.pulses, events=events),
            f"cohorts-{number}",
            "Living stems by ten years of establishment: bars and their intervals are the model's,"
            " ticks below are the cored trees. Pulses are shaded. Old classes are small also"
            " because trees died.",
            texts.cohorts_text(unit),
        ),
        _rate_picture(unit, events, number),
    ]
    trees = unit.trees
    dated = trees[
        trees["establishment_year_median"].notna() | trees["coring_height_year_median"].notna()
    ]
    sized = (dated["basis"] == "cored") & dated["age_median"].notna() & dated["dbh_cm"].notna()
    if sized.any():
        drawn.append(
            picture(
                figures.plot_size_age(dated, curve=rows_of(findings.size_curves, unit.summary)),
                f"size-{number}",
                "Size against age: a diameter says little about an age.",
                texts.size_age_text(unit),
            )
        )
    if len(dated):
        drawn.append(
            picture(
                figures.plot_tree_dates(dated, events=events),
                f"trees-{number}",
                "Every dated tree, oldest first, with its interval.",
                texts.trees_text(unit, dated),
            )
        )
    if len(unit.pulses) and (unit.attribution["event"] != "").any():
        drawn.append(
            picture(
                figures.plot_lags(unit.attribution, unit.pulses),
                f"lags-{number}",
                "Years from each event on record to the beginning of each pulse.",
                texts.lags_text(unit),
            )
        )
    return drawn


def _events_of(findings: Findings, stand: str) -> pd.DataFrame:
    events = findings.survey.events
    return events[events["stand"].isin([stand, ""])]


def _rate_picture(unit: UnitFindings, events: pd.DataFrame, number: int) -> Picture:
    ax = figures.plot_rate(
        unit.rate, pulses=unit.pulses if len(unit.pulses) else None, events=events
    )
    caption = "Living stems by year of establishment; pulses shaded."
    undated = undated_centuries(unit.rate)
    if undated:
        shade_years(ax, [(first, first + CENTURY) for first in undated])
        caption += (
            " Grey: centuries in which no cored tree is dated; the curve there rests on the model"
            " and on assumptions alone."
        )
    return picture(ax, f"rate-{number}", caption, texts.rate_text(unit, undated))


def model_pictures(findings: Findings) -> list[Picture]:
    """Whether the model fits what was listed and counted, and what the survey taught it about
    delays.
    """
    drawn = []
    for number, table in enumerate(_by(findings.diameter_check, "stand", "species")):
        drawn.append(
            picture(
                figures.plot_diameter_check(table, ax=_small()),
                f"diameters-{number}",
                "Diameters listed, on what the model expects.",
                texts.diameters_text(table),
            )
        )
    for number, table in enumerate(_by(findings.count_check, "stand", "species")):
        drawn.append(
            picture(
                figures.plot_count_check(table, ax=_small()),
                f"counts-{number}",
                "Plants counted, on what the model expects.",
                texts.counts_text(table),
            )
        )
    for number, table in enumerate(_by(findings.delays, "stand", "species", "delay")):
        drawn.append(
            picture(
                figures.plot_delay(table, ax=_small()),
                f"delay-{number}",
                "Before the data (dashed) and after them (solid).",
                texts.delay_text(table),
            )
        )
    return drawn


def _small() -> Axes:
    return new_figure(*SMALL).subplots()


def ring_pictures(findings: Findings) -> list[Picture]:
    """Ring widths and disturbances, a panel for each stand with rings."""
    rings, chronology = findings.ring_years, findings.disturbance_chronology
    if rings is None or chronology is None:
        return []
    drawn = []
    for number, table in enumerate(_by(rings, "stand")):
        stand = str(table["stand"].iloc[0])
        events = _events_of(findings, stand)
        by_year = chronology[chronology["stand"] == stand]
        drawn += [
            picture(
                figures.plot_ring_panel(table, events=events),
                f"rings-{number}",
                "Ring widths, and where growth changed for long.",
                texts.rings_text(table),
            ),
            picture(
                figures.plot_disturbance_chronology(by_year, events=events),
                f"disturbance-{number}",
                "When was the stand disturbed?",
                texts.chronology_text(by_year),
            ),
        ]
    return drawn


def budget_picture(findings: Findings) -> Picture | None:
    """What the uncertainty of a core is made of; None where that is not known of any unit."""
    budgets = {unit.name: unit.budget for unit in findings.units if unit.budget is not None}
    if not budgets:
        return None
    return picture(
        plot_budgets(budgets),
        "uncertainty",
        "Where the uncertainty of a core taken alone comes from.",
        budgets_in_words(findings.units),
    )


def _by(table: pd.DataFrame, *columns: str) -> list[pd.DataFrame]:
    """The parts of a table that are alike in these columns, in its order."""
    return [part for _, part in table.groupby(list(columns), sort=False)]
