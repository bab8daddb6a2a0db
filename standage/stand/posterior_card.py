"""A posterior as it is printed, and as it is shown in a notebook."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from standage.card_pictures import histories
from standage.errors import plainly
from standage.object_card import ObjectCard

if TYPE_CHECKING:
    from standage.stand.posterior import Posterior
    from standage.stand.unit_draws import UnitDraws

MOST_UNITS = 6  # drawn on the card


def text_card(posterior: Posterior) -> str:
    """What was fitted, from what to when, and whether to trust it."""
    lines = [
        f"Posterior of {posterior.survey.name}: {len(posterior.establishment_year)} draws, years"
        f" {posterior.years[0]}-{posterior.years[-1]}, intervals of {posterior.level:.0%}",
        *(
            f"  {unit.name}: by {unit.basis}" + ("" if unit.has_plots else f", {unit.amounts}")
            for unit in posterior.units
        ),
        f"  {stems_dated(posterior)} of {len(posterior.trees)} stems dated; the fit "
        + ("passes its checks" if posterior.verdict["passed"] else "FAILS its checks"),
    ]
    return "\n".join(lines)


def object_card(posterior: Posterior) -> ObjectCard:
    """The card in a notebook: whether to trust the fit, and the history of each unit."""
    verdict, units = posterior.verdict, posterior.by_unit
    percent = f"{100 * posterior.level:g} %"
    return ObjectCard(
        kind="Posterior",
        title=plainly(posterior.survey.name),
        subtitle=f"intervals of {percent}",
        mark=("passes its checks" if verdict["passed"] else "FAILS ITS CHECKS", verdict["passed"]),
        numbers=[
            (f"{len(units):,}", "history" if len(units) == 1 else "histories"),
            (f"{stems_dated(posterior):,}", f"of {len(posterior.trees):,} stems dated"),
            (f"{posterior.years[0]}-{posterior.years[-1]}", "years"),
            (f"{len(posterior.establishment_year):,}", "draws"),
        ],
        picture_title=(
            "Stems alive today that have grown up, by year of establishment: median and"
            f" {percent}, each on its own scale"
        ),
        picture=histories(
            posterior.years, [_history(one, posterior.level) for one in units[:MOST_UNITS]]
        ),
        notes=[
            *([f"{len(units) - MOST_UNITS} more histories"] if len(units) > MOST_UNITS else []),
            *(plainly(note, 500) for note in verdict["notes"]),
        ],
    )


def stems_dated(posterior: Posterior) -> int:
    """Stems that have a year in some draw."""
    drawn = (posterior.establishment_year >= 0) | (posterior.year_at_core >= 0)
    return int(drawn.any(axis=0).sum())


def _history(of_unit: UnitDraws, level: float) -> tuple[str, np.ndarray, np.ndarray, np.ndarray]:
    tails = [(1 - level) / 2, 0.5, (1 + level) / 2]
    low, median, high = np.quantile(of_unit.stems_past_emerging, tails, axis=0)
    name = f"{of_unit.unit.stand}, {of_unit.unit.species.replace('-', ' ')}"
    return plainly(name, 32), low, median, high
