"""Stands and communities side by side: each difference with its interval and probability, or what
keeps two from being compared.

Amounts and ages are those of the fitted history, not of the stems listed, so that plots of other
sizes, diameter limits, coring heights and shares cored are already allowed for. What they do to how
well a stand is known is in the interval.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.findings import schema
from standage.findings.age_structure_distance import age_structure_distance
from standage.findings.community_comparison import community_rows
from standage.findings.compared_stands import ComparedStand, aligned, compared_stands
from standage.findings.comparison_measures import (
    AGE_STRUCTURE_DISTANCE,
    CLASS_MEASURES,
    MEASURES,
    OTHER_MEASURES,
    SHARED_PULSE,
    Measure,
    in_class,
)
from standage.findings.differences import (
    COMMUNITY,
    COMMUNITY_AND_STAND,
    EVERYTHING,
    NO,
    NOT_ASSESSED,
    NOT_COMPARED,
    STAND,
    SURELY,
    YES,
    Obstacle,
    Row,
    classes_worth_showing,
    difference_columns,
    not_comparable,
    not_on_one_footing,
    pair_columns,
    refused,
)
from standage.findings.intervals import interval_columns
from standage.findings.pulse_synchrony import TOLERANCE, synchrony
from standage.findings.stems import CORING_HEIGHT

if TYPE_CHECKING:
    from standage.findings.findings import Findings

CLASS_YEARS = 20  # classes of establishment compared one by one [years]
# of a species; pairs grow with the square, and beyond this nobody reads their classes (assumption)
MOST_STANDS_BY_CLASS = 20
# of a species; beyond it only communities are compared: the pairs of 300 stands are 400,000 rows, a
# quarter of an hour and some 2 GB
MOST_STANDS_BY_PAIR = 100

AS_IN_UNIT = "as in `unit`"
COMPARISON = schema.ResultTable(
    "comparison",
    "a measure of a pair of stands or communities with a common species,"
    " or why they can't be compared",
    (
        *schema.code(
            "kind",
            "what the two are",
            {
                STAND: "",
                COMMUNITY: "",
                COMMUNITY_AND_STAND: "one that is in no community's mean",
            },
        ),
        *schema.text("first second", "the two"),
        *schema.text("species", "that is compared"),
        *schema.text("measure", f"see below; `{EVERYTHING}` where nothing can be compared"),
        *schema.year(
            "class_first_year class_last_year",
            f"of the two measures of classes ({CLASS_YEARS} years; `--class-years`)",
        ),
        *schema.text("unit", "of the difference"),
        *schema.number("first_median second_median", AS_IN_UNIT, "the measure of either"),
        *schema.number(
            "difference",
            AS_IN_UNIT,
            "of `age_structure_distance` the distance, of `shared_pulse` the years between starts",
            interval=True,
        ),
        *schema.probability(
            "probability_greater",
            "that the first is greater or later; of `age_structure_distance`: that"
            " it exceeds that of stands alike",
        ),
        *schema.probability("probability_equal", "that both have the same"),
        *schema.probability(
            "probability_both",
            "that both have what is compared; all else is given that",
        ),
        *schema.number(
            "chance",
            AS_IN_UNIT,
            "distance that stands alike would show",
            interval=True,
        ),
        *schema.probability(
            "probability_shared",
            f"that a pulse of each began within {TOLERANCE} years of the other",
        ),
        *schema.probability("chance_shared", "the same with pulses anywhere in their common years"),
        *schema.code(
            "told_apart",
            "whether they differ",
            {
                YES: f"from {100 * SURELY:.0f} % on",
                NO: "",
                NOT_ASSESSED: "numbers, but no claim",
                NOT_COMPARED: "",
            },
        ),
        *schema.whole("first_stands second_stands", "stands", "of the community, surveyed"),
        *schema.number(
            "first_spread second_spread",
            AS_IN_UNIT,
            "standard deviation between them (median)",
        ),
        *schema.sentence("words", "the row as a sentence"),
        *schema.BASIS,
        *schema.AMOUNTS,
        *schema.internal("obstacle", "record", "`Obstacle`: why two can't be compared"),
        *schema.internal(
            "first_estimated", "record", "whether a community is, though a stand is left out"
        ),
        *schema.internal("tolerance", "whole", "years between the starts of a shared pulse"),
        *schema.internal("first_pulse second_pulse", "whole", "the two that began closest"),
        *schema.internal("degrees_of_freedom", "whole", "of the spread between stands"),
    ),
    remark="Differences are **first less second**. [How to read it](#stands-side-by-side).",
    footnote="The measures:\n\n"
    + "\n".join(
        f"- `{name}`: {meaning}"
        for name, meaning in (
            *((measure.name, measure.meaning) for measure in MEASURES),
            *OTHER_MEASURES.items(),
        )
    ),
)


def comparison_table(findings: Findings) -> pd.DataFrame:
    """All stands of a posterior that have a species in common, pair by pair, and the communities
    that two or more of them share.

    Returns
    -------
    One row for a pair and measure, the difference being first less second. No row where no two
    stands share a species.
    """
    return compare_stands(
        compared_stands(findings),
        level=findings.level,
        class_years=CLASS_YEARS,
        seed=findings.posterior.seed,
    )


def compare_stands(
    stands: Sequence[ComparedStand], *, level: float, class_years: int, seed: int
) -> pd.DataFrame:
    """The same for stands that may come from separate runs. class_years : length of the classes of
    establishment; they begin at multiples of it. seed : of the order in which draws of separate
    runs are put side by side.
    """
    if class_years < 1:
        raise ValueError(f"a class of years must be at least 1 year long, not {class_years}")
    parts: list[pd.DataFrame] = []
    stands = aligned(stands, seed=seed)
    for species in dict.fromkeys(stand.species for stand in stands):
        of_species = [stand for stand in stands if stand.species == species]
        values = _Values()
        shown = class_years if len(of_species) <= MOST_STANDS_BY_CLASS else 0
        by_pair = of_species if len(of_species) <= MOST_STANDS_BY_PAIR else []
        if not by_pair:
            parts.append(COMPARISON.frame([_too_many(of_species)]))
        for number, first in enumerate(by_pair):
            # rows of many pairs take five times as much memory as a table of them
            rows: list[Row] = []
            for second in by_pair[number + 1 :]:
                rows += _pair_rows(first, second, values, level, shown, seed)
            parts.append(COMPARISON.frame(rows))
        rows = list(community_rows(of_species, values.of, level, shown, seed))
        parts.append(COMPARISON.frame(rows))
    found = [part for part in parts if len(part)]
    return pd.concat(found, ignore_index=True) if found else COMPARISON.frame()


def _too_many(stands: Sequence[ComparedStand]) -> Row:
    """The one row of stands of a species that are too many for pairs."""
    return {
        **pair_columns(STAND, stands[0], stands[1]),
        "first": f"{len(stands)} stands",
        "second": "",
        "measure": EVERYTHING,
        **refused(Obstacle("too many stands")),
    }


class _Values:
    """Draws of a measure of a stand, each worked out once for all the pairs it is in."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, str, int], np.ndarray] = {}

    def of(self, measure: Measure, stand: ComparedStand, season: int) -> np.ndarray:
        key = (measure.name, stand.name, season)
        if key not in self._known:
            self._known[key] = measure.of_draws(stand, season)
        return self._known[key]


def _pair_rows(
    first: ComparedStand,
    second: ComparedStand,
    values: _Values,
    level: float,
    class_years: int,
    seed: int,
) -> Iterator[Row]:
    about = pair_columns(STAND, first, second)
    obstacle = not_on_one_footing(first, second)
    if obstacle is not None:
        yield {**about, "measure": EVERYTHING, **refused(obstacle)}
        return
    season = min(first.season, second.season)
    # years of reaching cores at unknown heights: a difference may be one of heights
    shifted = first.basis == CORING_HEIGHT
    for measure in MEASURES:
        row = {**about, "measure": measure.name, "unit": measure.unit}
        obstacle = not_comparable(measure, first, second)
        if obstacle is not None:
            yield row | refused(obstacle)
            continue
        claims = measure.claims and not (shifted and measure.by_calendar)
        drawn = [values.of(measure, stand, season) for stand in (first, second)]
        yield row | difference_columns(drawn[0], drawn[1], level, claims=claims)
    if first.has_plots == second.has_plots:
        for begin, end in classes_worth_showing([first, second], season, class_years):
            years = {"class_first_year": begin, "class_last_year": end}
            for name, unit, share in CLASS_MEASURES if first.has_plots else CLASS_MEASURES[:1]:
                held = [
                    in_class(stand, begin, end, season, share=share) for stand in (first, second)
                ]
                columns = difference_columns(held[0], held[1], level, claims=not shifted)
                yield {**about, "measure": name, **years, "unit": unit, **columns}
        yield about | _distance_columns(first, second, season, level, seed, claims=not shifted)
    yield about | _synchrony_columns(first, second, level, claims=not shifted)


def _distance_columns(
    first: ComparedStand,
    second: ComparedStand,
    season: int,
    level: float,
    seed: int,
    *,
    claims: bool,
) -> Row:
    begin = min(int(first.years[0]), int(second.years[0]))
    found = age_structure_distance(
        *(_on_axis(stand, begin, season) for stand in (first, second)), seed=seed
    )
    apart = YES if found.probability_beyond_chance >= SURELY else NO
    return {
        "measure": AGE_STRUCTURE_DISTANCE,
        "unit": "years",
        "probability_greater": found.probability_beyond_chance,
        **interval_columns("difference", found.draws, level),
        **interval_columns("chance", found.chance, level),
        "told_apart": apart if claims else NOT_ASSESSED,
    }


def _on_axis(stand: ComparedStand, begin: int, season: int) -> np.ndarray:
    """Stems over the years from begin to season, none in years before the stand's own axis. (draw,
    year)
    """
    years, stems = stand.up_to(season)
    return np.pad(stems, ((0, 0), (int(years[0] - begin), 0)))


def _synchrony_columns(
    first: ComparedStand, second: ComparedStand, level: float, *, claims: bool
) -> Row:
    row: Row = {"measure": SHARED_PULSE, "unit": "years", "tolerance": TOLERANCE}
    found = synchrony(first, second)
    if found is None:
        without = tuple(stand.name for stand in (first, second) if not len(stand.starts))
        return row | refused(
            Obstacle("no pulse", without) if without else Obstacle("no common years")
        )
    start, other = first.starts[found.first_pulse - 1], second.starts[found.second_pulse - 1]
    row |= difference_columns(start, other, level, claims=claims)
    row |= {"probability_shared": found.probability, "chance_shared": found.chance}
    row |= {"first_pulse": found.first_pulse, "second_pulse": found.second_pulse}
    if claims:  # a pulse of both is what is looked for here, not a year of difference
        row["told_apart"] = YES if found.probability <= 1 - SURELY else NO
    return row
