"""The pictures of the report, one panel each so that every one fits on a printed page, with what
each shows in words from its table.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from standage.figures import result_figures as figures
from standage.figures.axes import new_figure
from standage.findings import count_check, delays, diameter_check, size_curves
from standage.findings.model_checks import DELAYS
from standage.findings.releases import disturbance_chronology
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.grammar import counted
from standage.growth.growth_changes import GrowthChanges, ring_years
from standage.prose.unit_answer import points, rows_of, unit_name
from standage.prose.wording import percent, probability_words, sayable, year_words
from standage.report.svg import inline_svg

UNSUPPORTED = "#dcdcdc"
SMALL = (4.4, 2.6)  # of the pictures that stand two abreast [inches]
CENTURY = 100  # [years]


@dataclass(frozen=True)
class Picture:
    """An SVG element, its caption, and the name it has on the page."""

    name: str
    caption: str
    svg: str

    @property
    def tall(self) -> bool:
        """Whether it is higher than wide: such a picture gets a printed page of its own."""
        _, _, width, height = map(float, re.search(r'viewBox="([^"]+)"', self.svg).group(1).split())
        return height > width


def picture(ax: Axes, name: str, caption: str, alternative: str) -> Picture:
    """What is drawn on `ax` as a picture of the page."""
    return Picture(name, caption, inline_svg(ax.figure, name, alternative))


def unit_pictures(
    posterior, row, tables: Mapping[str, pd.DataFrame], number: int, *, level: float
) -> list[Picture]:
    """Cohorts, establishment through time, size and age, every tree, pulses and events of a unit.

    row: its row of the summary table. number: that of the unit on the page.
    """
    events = posterior.survey.events
    events = events[events["stand"].isin([row["stand"], ""])]
    cohorts, rate, pulses, trees, attribution = (
        rows_of(tables.get(name), row)
        for name in ("cohorts", "rate", "pulses", "tree_dates", "attribution")
    )
    drawn = [
        picture(
            figures.plot_cohorts(cohorts, events=events),
            f"cohorts-{number}",
            "Living stems by ten years of establishment. Old classes are small also because trees"
            " died. Thin lines are intervals.",
            cohort_words(row, cohorts),
        ),
        _rate_picture(rate, pulses, events, row, number),
    ]
    dated = (
        trees[
            trees["establishment_year_median"].notna() | trees["coring_height_year_median"].notna()
        ]
        if len(trees)
        else trees
    )
    if (
        len(dated)
        and (
            (dated["basis"] == "cored") & dated["age_median"].notna() & dated["dbh_cm"].notna()
        ).any()
    ):
        curve = rows_of(size_curves(posterior, level=level), row)
        drawn.append(
            picture(
                figures.plot_size_age(dated, curve=curve),
                f"size-{number}",
                "Size against age: a diameter says little about an age.",
                f"Scatter of diameter against age for the cored trees of {unit_name(row)}, with the"
                " median the model fits.",
            )
        )
    if len(dated):
        drawn.append(
            picture(
                figures.plot_tree_dates(dated, events=events),
                f"trees-{number}",
                "Every dated tree, oldest first, with its interval.",
                tree_words(row, dated),
            )
        )
    if len(attribution) and len(pulses) and (attribution["event"] != "").any():
        ax = figures.plot_lags(attribution, pulses)
        drawn.append(
            picture(
                ax,
                f"lags-{number}",
                "Years from each event on record to the beginning of each pulse.",
                lag_alternative(row, attribution),
            )
        )
    return drawn


def _rate_picture(
    rate: pd.DataFrame, pulses: pd.DataFrame, events: pd.DataFrame, row, number: int
) -> Picture:
    ax = figures.plot_rate(rate, pulses=pulses if len(pulses) else None, events=events)
    caption = "Living stems by year of establishment; pulses shaded."
    grey = unsupported_centuries(rate)
    if grey:
        grey_out(ax, grey)
        caption += (
            " Grey: centuries in which no cored tree is dated; the curve there rests on the model"
            " and on assumptions alone."
        )
    return picture(ax, f"rate-{number}", caption, rate_words(row, rate, pulses, grey))


def unsupported_centuries(rate: pd.DataFrame) -> list[int]:
    """First years of the calendar centuries, up to the last with a dated tree, in which no cored
    tree is dated.

    rate: rows of one unit of the rate table, whose `dated_stems` counts cored stems dated to ten
    years round each year.
    """
    with_trees = rate.loc[rate["dated_stems"].astype(float) > 0, "year"].astype(int)
    if with_trees.empty:
        return []
    held = set(with_trees // CENTURY)
    first = int(rate["year"].min()) // CENTURY
    return [century * CENTURY for century in range(first, max(held)) if century not in held]


def grey_out(ax: Axes, centuries: list[int]) -> None:
    """Greys the centuries behind what is drawn, as far as the axis reaches."""
    left, right = ax.get_xlim()
    for century in centuries:
        first, last = max(century, left), min(century + CENTURY, right)
        if first < last:
            ax.axvspan(first, last, facecolor=UNSUPPORTED, edgecolor="none", zorder=-2)
    ax.set_xlim(left, right)


def model_pictures(posterior, *, level: float) -> list[Picture]:
    """Whether the model fits what was listed and counted, and what the survey taught it about
    delays.
    """
    drawn = []
    for number, table in enumerate(_by_unit(diameter_check(posterior, level=level))):
        outside = int(
            (
                (table["observed"] < table["predicted_low"])
                | (table["observed"] > table["predicted_high"])
            ).sum()
        )
        said = (
            f"Stems listed by diameter class in {unit_name(table.iloc[0])} against those the model"
            " expects: "
        )
        said += f"{outside} of {len(table)} classes lie outside the interval."
        ax = figures.plot_diameter_check(table, ax=_small())
        drawn.append(
            picture(ax, f"diameters-{number}", "Diameters listed, on what the model expects.", said)
        )
    for number, table in enumerate(_by_unit(count_check(posterior))):
        said = "; ".join(
            f"{stage.stage}: {stage.observed:.0f} counted, {stage.predicted_low:.0f} to"
            f" {stage.predicted_high:.0f} expected"
            for stage in table.itertuples()
        )
        drawn.append(
            picture(
                figures.plot_count_check(table, ax=_small()),
                f"counts-{number}",
                "Plants counted, on what the model expects.",
                f"{unit_name(table.iloc[0])}: {said}.",
            )
        )
    table = delays(posterior, level=level)
    groups = table.groupby(["stand", "species", "delay"], sort=False) if len(table) else ()
    for number, ((_, _, delay), of_one) in enumerate(groups):
        middle = [
            of_one.loc[of_one[f"{when}_median"].astype(float).idxmax(), "years"]
            for when in ("prior", "posterior")
        ]
        said = f"{unit_name(of_one.iloc[0])}, {DELAYS[delay]}: "
        said += (
            f"commonest length {middle[0]:.0f} years before the data and {middle[1]:.0f} given the"
            " data."
        )
        ax = figures.plot_delay(of_one, ax=_small())
        drawn.append(
            picture(ax, f"delay-{number}", "Before the data (dashed) and after them (solid).", said)
        )
    return drawn


def _small() -> Axes:
    return new_figure(*SMALL).subplots()


def ring_pictures(posterior, changes: GrowthChanges, *, level: float) -> list[Picture]:
    """Ring widths and disturbances, a panel for each stand with rings."""
    drawn = []
    events = posterior.survey.events
    rings = ring_years(changes).groupby("stand", sort=False)
    chronology = dict(
        tuple(
            disturbance_chronology(posterior, level=level, changes=changes).groupby(
                "stand", sort=False
            )
        )
    )
    for number, (stand, table) in enumerate(rings):
        of_stand = events[events["stand"].isin([stand, ""])]
        trees = counted(table["tree"].nunique(), "tree")
        said = (
            f"Ring widths of {trees} of {stand}, {int(table['year'].min())} to"
            f" {int(table['year'].max())}, "
        )
        said += "with the years in which growth changed for long."
        drawn.append(
            picture(
                figures.plot_ring_panel(table, events=of_stand),
                f"rings-{number}",
                "Ring widths, and where growth changed for long.",
                said,
            )
        )
        of_years = chronology[stand]
        chance = of_years["probability_disturbed"].astype(float)
        most = of_years.loc[chance.idxmax()] if chance.notna().any() else None
        said = f"Shares of trees in {stand} that grew faster or more slowly for long, by year."
        if most is not None:
            probability = probability_words(float(most["probability_disturbed"]))
            said += (
                f" The year most likely to have seen an opening is {int(most['year'])}:"
                f" {probability}."
            )
        ax = figures.plot_disturbance_chronology(of_years, events=of_stand)
        drawn.append(picture(ax, f"disturbance-{number}", "When was the stand disturbed?", said))
    return drawn


def _by_unit(table: pd.DataFrame) -> list[pd.DataFrame]:
    return (
        [part for _, part in table.groupby(["stand", "species"], sort=False)] if len(table) else []
    )


def cohort_words(row, cohorts: pd.DataFrame) -> str:
    """The cohort histogram in words: its range and its three largest classes."""
    sampled = row["amounts"] == SAMPLED
    name = "share" if sampled else "stems_per_ha"
    largest = (
        cohorts.sort_values(f"{name}_median", ascending=False, kind="stable")
        .head(3)
        .sort_values("first_year")
    )
    said = []
    for cohort in largest.to_dict("records"):
        low, middle, high = points(cohort, name)
        much = (
            f"{percent(middle)} of the stems ({percent(low)} to {percent(high)})"
            if sampled
            else f"{sayable(middle)} stems per hectare ({sayable(low)} to {sayable(high)})"
        )
        said.append(f"{int(cohort['first_year'])} to {int(cohort['last_year'])}: {much}")
    span = f"{int(cohorts['first_year'].min())} to {int(cohorts['last_year'].max())}"
    return (
        f"Histogram of the living stems of {unit_name(row)} by class of years, {span}. The largest"
        f" classes are {'; '.join(said)}."
    )


def rate_words(row, rate: pd.DataFrame, pulses: pd.DataFrame, grey: list[int]) -> str:
    """The curve of establishment in words: its range, its pulses, and where it rests on nothing."""
    what = "arrival at the height of the core" if row["basis"] == CORING_HEIGHT else "establishment"
    said = [
        f"Curve of the living stems of {unit_name(row)} by year of {what},"
        f" {int(rate['year'].min())} to {int(rate['year'].max())}."
    ]
    for pulse in pulses.to_dict("records"):
        said.append(
            f"Pulse {pulse['pulse']} began {year_words(*points(pulse, 'start'))}:"
            f" {probability_words(pulse['probability'])}."
        )
    if pulses.empty:
        said.append("No pulse stands out.")
    if grey:
        said.append(
            f"No cored tree is dated in the centuries that begin in {', '.join(map(str, grey))}."
        )
    return " ".join(said)


def lag_alternative(row, attribution: pd.DataFrame) -> str:
    """Each pulse and event: years between, in words."""
    said = [
        f"pulse {lag.pulse} began {lag.lag_years_low:.0f} to {lag.lag_years_high:.0f} years after"
        f" the beginning of {lag.event} ({str(lag.kind).replace('-', ' ')})"
        for lag in attribution[
            (attribution["event"] != "") & attribution["lag_years_median"].notna()
        ].itertuples()
    ]
    told = "; ".join(said) if said else "no event can be tied to a pulse"
    return (
        f"Pulses of {unit_name(row)} and events on record (negative years: the pulse came first):"
        f" {told}."
    )


def tree_words(row, dated: pd.DataFrame) -> str:
    """The picture of all trees in words."""
    cored = int((dated["basis"] == "cored").sum())
    name = (
        "establishment_year"
        if dated["establishment_year_median"].notna().any()
        else "coring_height_year"
    )
    middle = dated[f"{name}_median"].astype(float)
    width = (
        np.nanmedian(
            (dated[f"{name}_high"].astype(float) - dated[f"{name}_low"].astype(float))[
                dated["basis"] == "cored"
            ]
        )
        if cored
        else np.nan
    )
    said = (
        f"Dates of {counted(len(dated), 'tree')} of {unit_name(row)}, {cored} of them cored, from"
        f" {middle.min():.0f} to {middle.max():.0f}."
    )
    return (
        f"{said} The interval of a cored tree is typically {width:.0f} years wide."
        if np.isfinite(width)
        else said
    )
