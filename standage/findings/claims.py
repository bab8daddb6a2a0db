"""The claims about each unit, from its posterior and the tables of its result."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standage.evidence.gross_errors import LEAST_SHIFT
from standage.findings.age_structure import STRUCTURES, SURE_OF_STRUCTURE, age_structure
from standage.findings.claim import CLAIMS, OR, Claim, Kind, Score
from standage.findings.cutting import may_be_left_by_cutting
from standage.findings.intervals import Interval, credible_points
from standage.findings.old_trees import chances_over
from standage.findings.planted import MAY_BE_PLANTED
from standage.findings.population import Population
from standage.findings.recruitment_shapes import RecruitmentShape
from standage.findings.regeneration import (
    ESTABLISHED_SEEDLINGS,
    established_seedlings,
    regeneration,
    stocking_probability,
)
from standage.findings.rereading import LIKELY_MISREAD
from standage.findings.schema import Row
from standage.findings.separate_spans import read_spans
from standage.findings.stand_summary import AGES, MIDDLE_SHARE, middle_years
from standage.findings.stand_table import COHORT, STAND_TABLE
from standage.findings.stems import CORING_HEIGHT
from standage.findings.unit_findings import UnitFindings
from standage.findings.young_cohort import SURE_OF_YOUNG, YoungCohort, cohort_years, young_cohort

if TYPE_CHECKING:
    from standage.findings.findings import Findings

# of whom pulses are told, whatever the smallest stem that shares and classes are of
PULSE_STEMS = "all living stems past the emerging stage"
PLANTS = "all living plants"
BY_CUTTING = "the effect of cutting certain sizes"
LISTED_OF_PULSE = "the living stems listed that established in the pulse"
# probability from which a shape of recruitment is claimed (assumption)
SURE_OF_SHAPE = 0.66
# so many say little of a stand, and of steady stands held more than half less often than stated
# (docs/validation.md)
MANY_YEARS = 60
# share of a pulse's stems that its profile's delays must let wait for an event, before it is asked
# how many did (assumption)
WORTH_ASKING = 0.1
# kind, and whether it is by basal area
SHARES: tuple[tuple[Kind, bool], ...] = (("share over age", False), ("basal area over age", True))

Make = partial[Claim]


def unit_claims(findings: Findings, number: int, unit: UnitFindings) -> tuple[Claim, ...]:
    """The claims about unit `number`, in the order in which they are read."""
    of = partial(
        Claim,
        stand=unit.stand,
        species=str(unit.summary["species"]),
        basis=str(unit.summary["basis"]),
    )
    stems = findings.populations[number]
    found: list[Claim] = []
    if unit.dates_known:
        found += _structure(of, stems)
        found += _minimum_age(of, unit, findings.level)
        found += _middle_span(of, stems, findings.level)
        found += _most_stems(of, stems, unit)
        found += _shape(of, stems, findings.shapes[number], findings.level)
        found += _pulses(of, stems, unit, findings.level)
        found += _shares_over(of, stems, findings)
        found += _cohorts(of, stems, unit, findings.level)
        found += _old_stems(of, findings, number)
    found += _amounts(of, stems, findings.level)
    found += _young_cohort(of, findings, number)
    found += _regeneration(of, findings, number)
    found += [
        _claim(of, "open", "none", "", "", np.nan, "stand_summary", "", subject=asked.question,
               category=asked.reason)
        for asked in unit.open_questions
    ]  # fmt: skip
    return tuple(found)


def claim_table(claims: tuple[Claim, ...]) -> pd.DataFrame:
    """One row a claim."""
    return CLAIMS.frame([claim.row for claim in claims])


def _claim(
    of: Make,
    kind: Kind,
    scored: Score,
    population: str,
    quantity: str,
    probability: float,
    table: str,
    columns: str,
    **more: Any,
) -> Claim:
    return of(
        **{
            "kind": kind,
            "scored": scored,
            "population": population,
            "quantity": quantity,
            "probability": probability,
            "table": table,
            "columns": columns,
            "subject": "",
        }
        | more
    )


def _structure(of: Make, stems: Population) -> Iterator[Claim]:
    chances = age_structure(stems.by_year)
    if not np.isfinite(chances.even_aged):
        return
    likeliest = np.argsort(chances)[::-1]
    # of two that may both be, neither is claimed alone
    claimed = sorted(likeliest[: 1 if max(chances) >= SURE_OF_STRUCTURE else 2])
    yield _claim(
        of, "structure", "category", stems.name, "age structure",
        float(sum(chances[each] for each in claimed)),
        "stand_summary", "probability_even_aged, probability_two_aged, probability_uneven_aged",
        category=OR.join(STRUCTURES[each] for each in claimed),
    )  # fmt: skip


def _minimum_age(of: Make, unit: UnitFindings, level: float) -> Iterator[Claim]:
    tree = str(unit.summary["oldest_cored_tree"])
    year = unit.interval("oldest_cored_year")
    if not tree or not year.known:
        return
    season = unit.last_season
    age = Interval(*(season - end + 1 for end in (year.high, year.median, year.low)))
    yield _claim(
        of, "minimum age", "at least", "the cored trees", "age of the oldest cored tree",
        (1 + level) / 2, "tree_dates", "establishment_year_*, age_*",
        subject=tree, rows=f"tree {tree}", interval=age, unit="years",
    )  # fmt: skip
    own = unit.trees[unit.trees["tree"] == tree].iloc[0]
    spans = read_spans(own["separate_years"])
    if spans:  # of the younger age it may not be the oldest
        yield from next_oldest(of, unit, tree, level)
    for first, last, held in spans:
        oldest, youngest = season + 1 - first, season + 1 - last
        yield _claim(
            of, "one of two ages", "inside", "the cored trees", "age of the oldest cored tree",
            held, "tree_dates", "separate_years", subject=tree, rows=f"tree {tree}",
            interval=Interval(youngest, np.nan, oldest), unit="years",
        )  # fmt: skip
    yield from count_in_doubt(of, own.to_dict())


def count_in_doubt(of: Make, row: Row) -> Iterator[Claim]:
    """The claim that a tree's count is off, where that is likely enough. row : of `tree_dates`."""
    tree, doubt = str(row["tree"]), float(row["misread_probability"])
    if doubt >= LIKELY_MISREAD:
        yield _claim(
            of, "count in doubt", "event", "the cored trees",
            f"that its count is off by {LEAST_SHIFT} years or more",
            doubt, "tree_dates", "misread_probability", subject=tree, rows=f"tree {tree}",
        )  # fmt: skip


def next_oldest(of: Make, unit: UnitFindings, oldest: str, level: float) -> Iterator[Claim]:
    """The claim about the oldest of the other cored living trees. of: a claim about the unit."""
    trees = unit.trees
    others = trees[
        (trees["basis"] == "cored")
        & (trees["status"] == "live")
        & (trees["tree"] != oldest)
        & trees["age_median"].notna()
    ].sort_values("age_median", ascending=False, kind="stable")
    for row in others.head(1).to_dict("records"):
        tree = str(row["tree"])
        yield _claim(
            of, "next oldest", "at least", "the cored trees", "age of the next oldest cored tree",
            (1 + level) / 2, "tree_dates", "age_*", subject=tree, rows=f"tree {tree}",
            interval=Interval.of(row, "age"), unit="years",
        )  # fmt: skip


def _middle_span(of: Make, stems: Population, level: float) -> Iterator[Claim]:
    tail = (1 - MIDDLE_SHARE) / 2
    ends = zip(("first", "last"), (tail, 1 - tail), middle_years(stems), strict=True)
    for subject, share, year in ends:
        if not np.isfinite(year).any():
            continue
        yield _claim(
            of, "middle span", "inside", stems.name,
            f"year by which {100 * share:.0f} % of the stems had established", level,
            "stand_summary", f"middle_span_{subject}_*", subject=subject,
            interval=_points(year, level, whole=True), unit="calendar year",
        )  # fmt: skip


def _most_stems(of: Make, stems: Population, unit: UnitFindings) -> Iterator[Claim]:
    """The fewest years in which more than half of the stems established, unless these are many."""
    first, last, chance = (
        unit.summary[f"most_stems_{name}"] for name in ("first", "last", "probability")
    )
    if pd.notna(chance) and last - first < MANY_YEARS:
        first, last = float(first), float(last)
        yield _claim(
            of, "most stems", "event", stems.name, "more than half of the stems are of these years",
            float(chance), "stand_summary", "most_stems_*", subject=f"{first:.0f} to {last:.0f}",
            interval=Interval(first, np.nan, last), unit="calendar year",
        )  # fmt: skip


def _recruits(stems: Population) -> str:
    """Of whom pulses and shapes of recruitment are told."""
    return PULSE_STEMS if stems.has_plots else stems.name


def _shape(of: Make, stems: Population, shape: RecruitmentShape, level: float) -> Iterator[Claim]:
    """The likeliest shape where it is told; the year of a change where that is the likeliest."""
    whose, likeliest = _recruits(stems), shape.likeliest
    chance = shape.chances[likeliest]
    if likeliest == "unseen" or chance < SURE_OF_SHAPE:
        return
    yield _claim(
        of, "shape", "category", whose, "shape of recruitment", chance, "stand_summary",
        "probability_steady, probability_rise, probability_fall, probability_pulse,"
        " probability_shape_unseen", category=likeliest,
    )  # fmt: skip
    if likeliest in ("rise", "fall"):
        yield _claim(
            of, "change year", "inside", whose, "first year of the level that lasted", level,
            "stand_summary", "change_year_*", subject=likeliest,
            interval=Interval(*shape.change_year(level)), unit="calendar year",
        )  # fmt: skip


def _pulses(of: Make, stems: Population, unit: UnitFindings, level: float) -> Iterator[Claim]:
    whose = _recruits(stems)
    for pulse in unit.pulses.to_dict("records"):
        by_cutting = may_be_left_by_cutting(pulse["probability_cut"], unit.cut_on_record)
        what = "recruitment pulse" + (f", or {BY_CUTTING}" if by_cutting else "")
        which = str(pulse["pulse"])
        at = {"subject": which, "rows": f"pulse {which}"}
        yield _claim(
            of, "pulse", "event", whose, what, float(pulse["probability"]),
            "pulses", "probability", interval=Interval.of(pulse, "centre"), unit="calendar year",
            category=f"pulse{OR}{BY_CUTTING}" if by_cutting else "pulse", **at,
        )  # fmt: skip
        cut = pulse["probability_cut"]
        if not np.isnan(cut) and (by_cutting or unit.cut_on_record):
            yield _claim(
                of, "pulse rather than cutting", "event", whose,
                "that recruitment left it, if that or cutting by size did", 1 - float(cut),
                "pulses", "probability_cut", interval=Interval.of(pulse, "centre"),
                unit="calendar year", **at,
            )  # fmt: skip
        if pulse["probability_planted"] >= MAY_BE_PLANTED:
            yield _claim(
                of, "planted", "event", whose, "that its trees were planted",
                float(pulse["probability_planted"]), "pulses", "probability_planted",
                category="planted", interval=Interval.of(pulse, "centre"), unit="calendar year",
                **at,
            )  # fmt: skip
        for end in ("start", "end"):
            yield _claim(
                of, "pulse years", "inside", whose, f"{end} of the pulse", level, "pulses",
                f"{end}_*", interval=Interval.of(pulse, end), unit="calendar year", **at,
            )  # fmt: skip
        yield _claim(
            of, "pulse share", "inside", whose, "share of the stems in the pulse", level,
            "pulses", "share_*", interval=Interval.of(pulse, "share"), unit="share", **at,
        )  # fmt: skip
    events = unit.attribution
    events = events[(events["event"] != "") & events["lag_years_median"].notna()]
    for row in events.to_dict("records"):
        yield _claim(
            of, "before pulse", "inside", whose,
            f"years from the event's beginning to the start of pulse {row['pulse']}", level,
            "attribution", "lag_years_*", subject=str(row["event"]),
            rows=f"pulse {row['pulse']}, event {row['event']}",
            interval=Interval.of(row, "lag_years"), unit="years", category=str(row["kind"]),
        )  # fmt: skip
        waited = Interval.of(row, "share_waiting")
        asked = row["prior_share_waiting_high"] >= WORTH_ASKING
        if asked and waited.known:
            yield _claim(
                of, "waiting at event", "inside", LISTED_OF_PULSE,
                f"share of the stems of pulse {row['pulse']} in the grass stage then", level,
                "attribution", "share_waiting_*", subject=str(row["event"]),
                rows=f"pulse {row['pulse']}, event {row['event']}", interval=waited, unit="share",
            )  # fmt: skip


def _shares_over(of: Make, stems: Population, findings: Findings) -> Iterator[Claim]:
    for age in findings.ages_asked:
        for kind, by_area in SHARES:
            share = stems.share_over(age, by_basal_area=by_area)
            if not np.isfinite(share).any():
                continue
            what = "the basal area" if by_area else "the stems"
            yield _claim(
                of, kind, "inside", stems.name, f"share of {what} over {age:g} years",
                findings.level, *_rests_on(age, by_area),
                subject=f"{age:g}", interval=_points(share, findings.level), unit="share",
            )  # fmt: skip


def _old_stems(of: Make, findings: Findings, number: int) -> Iterator[Claim]:
    _, age, _ = chances_over(findings, number, ())
    if not age.shape[1]:
        return
    # a draw in which a stem has no year has it as often over the age as the others
    old = (
        np.nanmean(np.where(np.isfinite(age), age > findings.spare_age, np.nan), axis=1)
        * age.shape[1]
    )
    plots = findings.posterior.units[number].has_plots
    whose = f"the {age.shape[1]} {'living stems listed and dated' if plots else 'trees sampled'}"
    yield _claim(
        of, "old stems", "inside", whose,
        f"stems over {findings.spare_age:g} years", findings.level, "old_trees", "age_*",
        subject=f"{findings.spare_age:g}", unit="stems",
        interval=_points(old, findings.level, whole=True),
    )  # fmt: skip


def _rests_on(age: float, by_area: bool) -> tuple[str, str]:
    """Table and columns of a share: the summary has those of the usual ages."""
    if age not in AGES:
        return "tree_dates", "age_*"
    name = "basal_area_share" if by_area else "share"
    return "stand_summary", f"{name}_over_{age:g}_years_*"


def _amounts(of: Make, stems: Population, level: float) -> Iterator[Claim]:
    if not stems.has_plots:
        return
    amounts: tuple[tuple[Kind, np.ndarray, str, str], ...] = (
        ("stems", stems.total, "stems/ha", "stems_per_ha_*"),
        ("basal area", stems.total_basal_area, "m2/ha", "stand_basal_area_m2_ha_*"),
    )
    for kind, amount, unit, column in amounts:
        yield _claim(
            of, kind, "inside", stems.name, f"{kind} per hectare", level, "stand_summary", column,
            interval=_points(amount, level), unit=unit,
        )  # fmt: skip


def _cohorts(of: Make, stems: Population, unit: UnitFindings, level: float) -> Iterator[Claim]:
    """Stems and basal area of each pulse, of the years between its median start and end."""
    of_pulse = unit.groups["group"].str.startswith("pulse ")
    pulses = unit.groups[(unit.groups["grouped_by"] == COHORT) & of_pulse]
    amounts: tuple[tuple[Kind, str, str], ...] = (
        ("cohort stems", "stems_per_ha", "stems/ha"),
        ("cohort basal area", "basal_area_m2_ha", "m2/ha"),
    )
    for row in pulses.to_dict("records"):
        for kind, column, of_what in amounts:
            yield _claim(
                of, kind, "inside", stems.name, kind.removeprefix("cohort "), level,
                STAND_TABLE.name, f"{column}_*", interval=Interval.of(row, column), unit=of_what,
                subject=f"{row['first_year']} to {row['last_year']}",
                rows=f"grouped_by {COHORT}, group {row['group']}",
            )  # fmt: skip


def _young_cohort(of: Make, findings: Findings, number: int) -> Iterator[Claim]:
    """Plants of the last decades, most of them too small for a core, that are many more than
    steady recruitment leaves.
    """
    unit = findings.posterior.units[number]
    plots = findings.survey.plots
    own = plots["plot"][plots["stand"] == unit.stand]
    searched = findings.survey.counts["plot"].isin(own).any()
    if not unit.has_plots or unit.basis == CORING_HEIGHT or not searched:
        return
    found = young_cohort(findings.scans[number])
    if found is None:
        return
    if found.probability <= 1 - SURE_OF_YOUNG:
        yield _claim(
            of, "no young cohort", "event", PLANTS, "many more plants than of the years before",
            1 - found.probability, "stand_summary", "probability_young_cohort",
        )  # fmt: skip
    if found.probability >= SURE_OF_YOUNG:
        yield from _of_young_cohort(of, findings, number, found)


def _of_young_cohort(
    of: Make, findings: Findings, number: int, found: YoungCohort
) -> Iterator[Claim]:
    """That it is there, its first and last year, and how many plants it has."""
    scan, level = findings.scans[number], findings.level
    yield _claim(
        of, "young cohort", "event", PLANTS, "many more plants than of the years before",
        found.probability, "stand_summary", "probability_young_cohort",
    )  # fmt: skip
    ends = cohort_years(scan, found)
    for subject, years in zip(("first", "last"), ends, strict=True):
        yield _claim(
            of, "young years", "inside", PLANTS, f"{subject} year of the young cohort", level,
            "rate", "living_per_ha_*", subject=subject, unit="calendar year",
            interval=_points(years, level, whole=True),
        )  # fmt: skip
    first, last = (years[:, None] for years in ends)
    plants = findings.posterior.unit(number).living_rate[scan.kept]
    plants = plants * ((scan.years >= first) & (scan.years <= last))
    yield _claim(
        of, "young plants", "inside", PLANTS, "plants per hectare", level, "rate",
        "living_per_ha_*", unit="plants/ha", interval=_points(plants.sum(axis=1), level),
    )  # fmt: skip


def _regeneration(of: Make, findings: Findings, number: int) -> Iterator[Claim]:
    unit = findings.posterior.units[number]
    if not unit.has_plots or unit.basis == CORING_HEIGHT:
        return
    level, population = findings.level, "plants below breast height"
    plants = regeneration(findings.posterior, number)
    stages = {
        stage: (amount, f"{stage} plants", f"{stage}_per_ha_*") for stage, amount in plants.items()
    }
    stages[ESTABLISHED_SEEDLINGS] = (
        established_seedlings(plants),
        "grass-stage and emerging plants",
        "established_seedlings_per_ha_*",
    )
    for stage, (amount, whose, columns) in stages.items():
        yield _claim(
            of, "regeneration", "inside", population, f"{whose} per hectare", level,
            "stand_summary", columns, subject=stage,
            interval=_points(amount, level), unit="plants/ha",
        )  # fmt: skip
    wanted = findings.stocking_per_ha
    chance = stocking_probability(plants, wanted)
    reached = chance >= 0.5
    yield _claim(
        of, "stocking", "category", population, "established seedlings against a stocking",
        chance if reached else 1 - chance, "stand_summary", "probability_stocked",
        subject=f"{wanted:g}", category="reached" if reached else "not reached",
    )  # fmt: skip


def _points(draws: np.ndarray, level: float, *, whole: bool = False) -> Interval:
    points = credible_points(draws, level)
    return Interval(*(float(point) for point in (np.rint(points) if whole else points)))
