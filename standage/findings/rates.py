"""The establishment rate through time, and in which years it stands out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.intervals import interval_columns
from standage.findings.local_ratio import (
    FARTHEST_BACKGROUND,
    FEWEST_YOUNGER,
    LOWEST_SHARE,
    NEAREST_BACKGROUND,
    STANDS_OUT,
)
from standage.findings.stems import dated_by_core, dated_years, unit_basis, unit_label
from standage.stand.posterior import Posterior

if TYPE_CHECKING:
    from standage.findings.findings import Findings

TABLE_WINDOW = 10  # the window the yearly table speaks of [years]
CENTURY = 100  # [years]

RATE = schema.ResultTable(
    "rate",
    "a stand, species and year",
    (
        *schema.UNIT,
        *schema.year("year", "of establishment"),
        *schema.number(
            "living_per_ha",
            "stems/ha/year",
            "living plants that established in it, seedlings too",
            interval=True,
        ),
        *schema.number(
            "ratio",
            "ratio",
            f"of the ten years round it to those {NEAREST_BACKGROUND} to {FARTHEST_BACKGROUND}"
            f" years away (lowest {100 * LOWEST_SHARE:.0f} % of each side; the higher side)",
            blank=f"fewer than {FEWEST_YOUNGER} such years follow",
            interval=True,
        ),
        *schema.probability(
            "pulse_score",
            "that the ten years [stand out](#pulses)",
        ),
        *schema.whole(
            "dated_stems",
            "stems",
            "dated by core to the ten years, more likely than not",
        ),
        *schema.probability(
            "prior_share", f"that the ratio is {STANDS_OUT:g} or more, before any data"
        ),
        *schema.code(
            "supported",
            "that the survey raised the odds, and the ten years end"
            " among plants that have begun to grow up",
            ("yes", "no"),
        ),
        *schema.number("share", "share of stems", "that established in the year", interval=True),
        *schema.BASIS,
        *schema.AMOUNTS,
    ),
)


def rate_table(findings: Findings) -> pd.DataFrame:
    """Living stems by year of establishment, with the ratio to the local background.

    `ratio`, `pulse_score` (probability that the ten years round the year stand out from their
    background), `prior_share` (that their ratio would, before any data) and `dated_stems` (stems
    dated by core, more likely than not, to those ten years) belong to the window of ten years;
    `supported` says whether the odds rose over the prior and the window ends among plants that have
    begun to grow up. `share` is the share of the stems past the emerging stage that established in
    the year: what remains where there are no plots and the column per hectare is blank.

    Returns
    -------
    One row a unit and year, up to the survey season.
    """
    units = range(len(findings.posterior.units))
    tables = [_unit_rates(findings, number) for number in units]
    return RATE.frame(pd.concat(tables, ignore_index=True))


def _unit_rates(findings: Findings, number: int) -> pd.DataFrame:
    posterior, level, scan = findings.posterior, findings.level, findings.scans[number]
    unit = posterior.units[number]
    stems = posterior.unit(number).stems_past_emerging
    total = stems.sum(axis=1, keepdims=True)
    per_hectare = interval_columns("living_per_ha", posterior.unit(number).living_rate, level)
    return pd.DataFrame(
        {
            **unit_label(unit),
            "year": scan.years,
            **(per_hectare if unit.has_plots else {}),
            **interval_columns("ratio", scan.ratio[TABLE_WINDOW], level),
            "pulse_score": scan.score[TABLE_WINDOW],
            "dated_stems": _dated_in_window(posterior, number, scan.years),
            "prior_share": scan.prior_share[TABLE_WINDOW],
            "supported": np.where(scan.supported(TABLE_WINDOW), "yes", "no"),
            **interval_columns("share", stems / np.where(total > 0, total, np.nan), level),
            **unit_basis(unit),
        }
    )


def undated_centuries(rate: pd.DataFrame) -> list[int]:
    """First years of the calendar centuries, up to the last with a dated tree, in which no cored
    tree is dated.

    rate: rows of one unit of the rate table.
    """
    dated_years = rate.loc[rate["dated_stems"].astype(float) > 0, "year"].astype(int)
    if dated_years.empty:
        return []
    dated = set(dated_years // CENTURY)
    first = int(rate["year"].min()) // CENTURY
    return [century * CENTURY for century in range(first, max(dated)) if century not in dated]


def _dated_in_window(posterior: Posterior, number: int, years: np.ndarray) -> np.ndarray:
    """Stems dated by core, more likely than not, to the ten years round each year. (year,)"""
    trees, drawn = dated_years(posterior, number)
    drawn = drawn[:, dated_by_core(posterior, trees)]
    first = years - TABLE_WINDOW // 2
    stems = np.zeros(len(years), dtype=int)
    for stem in drawn.T:
        in_order = np.sort(stem[np.isfinite(stem)])
        inside = np.searchsorted(in_order, first + TABLE_WINDOW, side="left") - np.searchsorted(
            in_order, first, side="left"
        )
        stems += inside > len(in_order) / 2
    return stems
