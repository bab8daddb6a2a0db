"""The pictures of the report, one panel each so that every one fits on a printed page, drawn once
for a desk and paper and once for a phone, with what each shows in words from its table.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import cast

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from standage import figures
from standage.figures.axes import new_figure, wrap_to_width
from standage.figures.stand import rates_shown, shade_years
from standage.figures.styles import in_style
from standage.figures.uncertainty import plot_budgets
from standage.findings.events_on_record import events_of
from standage.findings.findings import Findings
from standage.findings.rates import CENTURY, undated_centuries
from standage.findings.unit_findings import UnitFindings, rows_of
from standage.prose import picture_texts as texts
from standage.prose.uncertainty import budgets_in_words
from standage.report.svg import inline_svg

SMALL = (4.4, 2.6)  # of the pictures that stand two abreast [inches]
# widths at which letters of 8 points can be read: across a page, beside another stand's, and on a
# phone of 390 pixels [mm]
PAGE_MM, BESIDE_MM, PHONE_MM = 183.0, 140.0, 98.0
# of more units than these a page has no pictures of each: some 0.4 MB a unit, and nobody looks
# through hundreds; they are in the folder of figures (assumption)
MOST_PICTURED = 30

Drawing = Callable[[], Axes]
Text = Callable[[pd.DataFrame], str]


@dataclass(frozen=True)
class Picture:
    """A caption, the name on the page, an SVG element, and a narrower one for phones; blank where
    one does for both.
    """

    name: str
    caption: str
    svg: str
    narrow: str = ""

    @property
    def tall(self) -> bool:
        """Whether it is higher than wide: such a picture gets a printed page of its own."""
        box = re.search(r'viewBox="([^"]+)"', self.svg)
        if box is None:
            return False
        _, _, width, height = map(float, box.group(1).split())
        return height > width


def picture(
    draw: Drawing, name: str, caption: str, alternative: str, *, width_mm: float = PAGE_MM
) -> Picture:
    """What `draw` draws as a picture of the page, at two widths."""
    wide, narrow = (
        _drawn(draw, part, alternative, width)
        for part, width in ((name, width_mm), (f"{name}-phone", PHONE_MM))
    )
    return Picture(name, caption, wide, narrow)


def small_picture(draw: Callable[..., Axes], name: str, caption: str, text: str) -> Picture:
    """What `draw` draws on the axes given, as one of two abreast; on a phone below each other."""
    ax = draw(ax=new_figure(*SMALL).subplots())
    return Picture(name, caption, inline_svg(cast(Figure, ax.figure), name, text))


def whole_picture(
    draw: Callable[[], Figure | None], name: str, caption: str, alternative: str
) -> Picture | None:
    """A figure of several panels as a picture of the page, without its title; None where there is
    nothing to draw.
    """
    svgs = []
    for part, width in ((name, PAGE_MM), (f"{name}-phone", PHONE_MM)):
        with in_style("screen", width_mm=width):
            figure = draw()
            if figure is None:
                return None
            figure.suptitle("")
            svgs.append(_of_width(figure, part, alternative, width))
    return Picture(name, caption, *svgs)


def _drawn(draw: Drawing, name: str, alternative: str, width: float) -> str:
    with in_style("screen", width_mm=width):
        # of a picture there are no figures within figures
        return _of_width(cast(Figure, draw().figure), name, alternative, width)


def _of_width(figure: Figure, name: str, alternative: str, width: float) -> str:
    if width < PAGE_MM:
        wrap_to_width(figure)
    return inline_svg(figure, name, alternative)


def has_pictures(findings: Findings) -> bool:
    """Whether the units are few enough for a page with pictures of each."""
    return len(findings.units) <= MOST_PICTURED


def age_picture(findings: Findings, unit: UnitFindings, number: int, *, alone: bool) -> Picture:
    """The picture of the first screen: age classes, pulses, cored trees and events of a unit.

    number: that of the unit on the page. alone: whether no other stand's picture is beside it.
    """
    events = events_of(findings.survey, unit.stand)

    def draw() -> Axes:
        ax = figures.plot_cohorts(unit.cohorts, trees=unit.trees, pulses=unit.pulses, events=events)
        ax.set_title("", loc="left")  # its heading stands above it
        return ax

    return picture(
        draw,
        f"cohorts-{number}",
        texts.age_caption(unit, events),
        texts.cohorts_text(unit),
        width_mm=PAGE_MM if alone else BESIDE_MM,
    )


def unit_pictures(findings: Findings, unit: UnitFindings, number: int) -> list[Picture]:
    """Establishment through time, size and age, every tree, pulses and events.

    number: that of the unit on the page.
    """
    events = events_of(findings.survey, unit.stand)
    drawn = [_rate_picture(unit, events, number)]
    trees = unit.trees
    dated = trees[
        trees["establishment_year_median"].notna() | trees["coring_height_year_median"].notna()
    ]
    sized = (dated["basis"] == "cored") & dated["age_median"].notna() & dated["dbh_cm"].notna()
    if sized.any():
        curve = rows_of(findings.size_curves, unit.summary)
        drawn.append(
            picture(
                lambda: figures.plot_size_age(dated, curve=curve),
                f"size-{number}",
                "Size against age. See how far trees of one size differ in age: a diameter says"
                " little about an age.",
                texts.size_age_text(unit),
            )
        )
    if len(dated):
        drawn.append(
            picture(
                lambda: figures.plot_tree_dates(dated, events=events),
                f"trees-{number}",
                "Every dated tree, oldest first, with its interval. See how much shorter those of"
                " cored trees (filled) are than those of trees dated by size (hollow).",
                texts.trees_text(unit, dated),
            )
        )
    if len(unit.pulses) and (unit.attribution["event"] != "").any():
        drawn.append(
            picture(
                lambda: figures.plot_lags(unit.attribution, unit.pulses),
                f"lags-{number}",
                "Years from each event on record to the beginning of each pulse. See which"
                " intervals lie right of 0: those pulses came after the event.",
                texts.lags_text(unit),
            )
        )
    return drawn


def _rate_picture(unit: UnitFindings, events: pd.DataFrame, number: int) -> Picture:
    begins = int(rates_shown(unit.rate)["year"].iloc[0])
    undated = [each for each in undated_centuries(unit.rate) if each + CENTURY > begins]

    def draw() -> Axes:
        pulses = unit.pulses if len(unit.pulses) else None
        ax = figures.plot_rate(unit.rate, pulses=pulses, events=events)
        if undated:
            shade_years(ax, [(first, first + CENTURY) for first in undated])
        return ax

    caption = "Living stems by year of establishment. See where the band rises: pulses are shaded."
    if undated:
        caption += (
            " Grey: centuries in which no cored tree is dated; the curve there rests on the model"
            " and on assumptions alone."
        )
    return picture(draw, f"rate-{number}", caption, texts.rate_text(unit, undated))


def model_pictures(findings: Findings) -> list[Picture]:
    """Whether the model fits what was listed and counted, and what the survey taught it about
    delays.
    """
    if not has_pictures(findings):
        return []
    kinds: tuple[tuple[str, list[pd.DataFrame], Callable[..., Axes], Text, str], ...] = (
        (
            "diameters",
            _by(findings.diameter_check, "stand", "species"),
            figures.plot_diameter_check,
            texts.diameters_text,
            "Natural stems listed by diameter, on what the model expects. See whether the"
            " points lie inside.",
        ),
        (
            "counts",
            _by(findings.count_check, "stand", "species"),
            figures.plot_count_check,
            texts.counts_text,
            "Plants counted, on what the model expects. See whether the points lie inside.",
        ),
        (
            "delay",
            _by(findings.delays, "stand", "species", "delay"),
            figures.plot_delay,
            texts.delay_text,
            "Before the data (dashed) and after them (solid). See whether the survey moved it.",
        ),
    )
    return [
        small_picture(partial(plot, table), f"{name}-{number}", caption, words(table))
        for name, tables, plot, words, caption in kinds
        for number, table in enumerate(tables)
    ]


def ring_pictures(findings: Findings) -> list[Picture]:
    """Ring widths and disturbances, a panel for each stand with rings."""
    rings, chronology = findings.ring_years, findings.disturbance_chronology
    if rings is None or chronology is None or not has_pictures(findings):
        return []
    drawn = []
    for number, table in enumerate(_by(rings, "stand")):
        stand = str(table["stand"].iloc[0])
        events = events_of(findings.survey, stand)
        by_year = chronology[chronology["stand"] == stand]
        drawn += [
            picture(
                partial(figures.plot_ring_panel, table, events=events),
                f"rings-{number}",
                "Ring widths, and where growth changed for long. See whether trees changed in the"
                " same years.",
                texts.rings_text(table),
            ),
            picture(
                partial(figures.plot_disturbance_chronology, by_year, events=events),
                f"disturbance-{number}",
                "When the stand was disturbed. See where many trees grew faster together.",
                texts.chronology_text(by_year),
            ),
        ]
    return drawn


def budget_picture(findings: Findings) -> Picture | None:
    """What the uncertainty of a core is made of; None where that is not known of any unit."""
    budgets = {unit.name: unit.budget for unit in findings.units if unit.budget is not None}
    if not budgets or not has_pictures(findings):
        return None
    return picture(
        lambda: plot_budgets(budgets),
        "uncertainty",
        "Where the uncertainty of a core taken alone comes from. See which step adds most.",
        budgets_in_words(findings.units),
    )


def _by(table: pd.DataFrame, *columns: str) -> list[pd.DataFrame]:
    """The parts of a table that are alike in these columns, in its order."""
    return [part for _, part in table.groupby(list(columns), sort=False)]
