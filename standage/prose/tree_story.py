"""One tree in sentences: how old it is, how that was found, how sure it is, and what its rings
say.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import pandas as pd

from standage.findings.findings import Findings
from standage.findings.intervals import Interval
from standage.findings.rereading import LIKELY_MISREAD
from standage.findings.schema import Row
from standage.findings.separate_spans import read_spans
from standage.findings.uncertainty_budget import STEPS
from standage.grammar import capital, counted
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import criterion_words
from standage.prose.measures import Measures
from standage.prose.uncertainty import STEP_WORDS
from standage.prose.wording import (
    NOT_KNOWN,
    age_words,
    either_words,
    percent,
    probability_words,
    year_words,
)

CENTRES = {
    "pith": "the pith is in the core",
    "arcs": "the inner rings curve, so the pith is close",
    "straight": "no curvature shows how far the pith is",
    "rotten": "the centre is rotten or hollow",
    "unknown": "nothing is recorded of the centre",
}
DATING = {"crossdated": ", crossdated with other trees", "counted": ", counted ring by ring"}
SHARED_CAUTION = (
    "Its date hangs on those of its neighbours and on what is assumed about the species; it isn't a"
    " date read from the wood alone."
)


@dataclass(frozen=True)
class TreeRecord:
    """What a result holds about one tree.

    Attributes
    ----------
    row : its row of `tree_dates`.
    cores : its rows of the survey's cores.
    changes : its rows of `tree_releases`, lasting changes of its growth.
    ring_span : first and last year of its measured rings; None where none were measured.
    scar : kind of the scar on its stem; blank without one.
    survey_year : year in which its stand was surveyed.
    """

    row: Row
    cores: Sequence[Row] = ()
    changes: Sequence[Row] = ()
    ring_span: tuple[int, int] | None = None
    scar: str = ""
    survey_year: int | None = None


@dataclass(frozen=True)
class TreeStory:
    """Sentences about a tree: its date, how it was found, how sure it is, its rings, remarks."""

    tree: str
    title: str
    date: tuple[str, ...]
    method: tuple[str, ...]
    precision: tuple[str, ...]
    rings: tuple[str, ...]
    remarks: tuple[str, ...]


def tree_records(findings: Findings) -> Iterator[TreeRecord]:
    """One record a tree, in the order of `tree_dates`."""
    cores = _by_tree(findings.survey.cores)
    changes = _by_tree(findings.tree_releases)
    rings = findings.ring_years
    spans = {}
    if rings is not None:
        ends = rings.groupby("tree")["year"].agg(["min", "max"])
        spans = dict(zip(ends.index, zip(ends["min"], ends["max"], strict=True), strict=True))
    trees = findings.survey.trees
    stands = findings.survey.stands
    surveyed = dict(zip(stands["stand"], stands["survey_date"].dt.year, strict=True))
    scars = dict(zip(trees["tree"], trees["scar"], strict=True))
    for row in findings.tree_dates.to_dict("records"):
        tree = row["tree"]
        scar = scars.get(tree, "")
        yield TreeRecord(
            row,
            cores.get(tree, ()),
            changes.get(tree, ()),
            spans.get(tree),
            "" if scar == "none" else scar,
            surveyed.get(row["stand"]),
        )


def _by_tree(table: pd.DataFrame | None) -> dict[str, list[Row]]:
    if table is None or table.empty:
        return {}
    return {str(tree): rows.to_dict("records") for tree, rows in table.groupby("tree", sort=False)}


def tree_story(tree: TreeRecord, measures: Measures) -> TreeStory:
    """The sentences about one tree."""
    row = tree.row
    dbh = row["dbh_cm"]
    size = f", {measures.diameter(float(dbh))} across at breast height" if pd.notna(dbh) else ""
    species = str(row["species"]).replace("-", " ")
    return TreeStory(
        tree=str(row["tree"]),
        title=f"{row['tree']}: {species} of {row['stand']}, {row['status'] or 'live'}{size}",
        date=tuple(_date(row, tree.survey_year)),
        method=tuple(_method(tree, measures)),
        precision=tuple(_precision(row)),
        rings=tuple(_rings(tree)),
        remarks=tuple(_remarks(tree)),
    )


def _date(row: Row, survey_year: int | None) -> list[str]:
    established, at_core = _established(row), Interval.of(row, "coring_height_year")
    if not established.known and at_core.known:
        return [
            f"It reached the height of its core {year_words(*at_core)}. When it established"
            f" {NOT_KNOWN}."
        ]
    if not established.known:
        return [f"When it established {NOT_KNOWN}."]
    spans = two_spans(row)
    sentences = [f"It established {spans or year_words(*established)}."]
    age = Interval.of(row, "age")
    if age.known:
        living = f"in {survey_year}" if survey_year else "at the survey"
        when = living if row["status"] == "live" else "when it died"
        sentences.append(f"Its age {when}, in growing seasons: {tree_age_words(row)}.")
    return sentences


def two_spans(row: Row) -> str:
    """The years of a tree that lie in two or more places, in whose middle it hardly came; blank for
    all others.
    """
    spans = read_spans(row["separate_years"])
    return either_words(spans) if spans else ""


def tree_age_words(row: Row) -> str:
    """Its age, or the ages of which it has one. row: of `tree_dates`."""
    age, year = Interval.of(row, "age"), _established(row)
    season = age.low + year.high - 1  # the last that is counted
    ages = [
        (season + 1 - last, season + 1 - first, held)
        for first, last, held in read_spans(row["separate_years"])
    ]
    return either_words(ages, "years") if ages else age_words(*age)


def _established(row: Row) -> Interval:
    return Interval.of(row, "establishment_year")


def _method(tree: TreeRecord, measures: Measures) -> list[str]:
    if tree.row["basis"] == "planted":
        return ["Its year is that of planting, as recorded."]
    if tree.row["basis"] == "size":
        return [
            "It was not cored. It is dated by its diameter and its stand's history: too widely for"
            " a claim about one tree."
        ]
    if tree.row["basis"] != "cored":
        return []
    return [
        *(_core_sentence(core, measures) for core in tree.cores),
        *_steps_to_the_year(tree.row),
    ]


def _core_sentence(core: Row, measures: Measures) -> str:
    height = core["height_cm"]
    where = (
        f" at {measures.height(float(height))}"
        if pd.notna(height)
        else " at a height that is not recorded"
    )
    centre = CENTRES.get(core["centre"], CENTRES["unknown"])
    bound = "; its rings are a least number" if core.get("at_least") == "yes" else ""
    return f"Core {core['core']}{where}{DATING.get(core['dating'], '')}: {centre}{bound}."


def _steps_to_the_year(row: Row) -> list[str]:
    sentences = []
    if pd.notna(row["innermost_ring_year"]):
        ring = int(row["innermost_ring_year"])
        sentences.append(f"The innermost ring seen is that of {ring}, as read.")
    added = Interval.of(row, "rings_added_centre")
    if added.known:
        sentences.append(
            "No ring was missed at the centre."
            if added.high < 0.5
            else f"Between it and the pith about {added.median:.0f} rings were added"
            f" ({added.low:.0f} to {added.high:.0f})."
        )
    at_core = Interval.of(row, "coring_height_year")
    if _established(row).known and at_core.known:
        below = Interval.of(row, "years_below_core")
        sentences.append(
            f"It passed the height of the core {year_words(*at_core)}, after about"
            f" {below.median:.0f} growing seasons below it ({below.low:.0f} to {below.high:.0f})."
        )
    return sentences


def _precision(row: Row) -> list[str]:
    sizes = {step: float(row[step]) for step in STEPS if pd.notna(row[step])}
    sentences = []
    if any(size > 0 for size in sizes.values()):
        largest = max(sizes, key=lambda step: sizes[step])
        sentences.append(
            f"Its wood alone leaves most open about {STEP_WORDS[largest].name} (standard deviation"
            f" {sizes[largest]:.1f} years)."
        )
    if pd.notna(row["sd_total"]):
        sentences.append(
            "With everything the survey knows, its date has a standard deviation of"
            f" {float(row['sd_total']):.1f} years."
        )
    if row["basis"] == "cored" and _established(row).known:
        sentences.append(SHARED_CAUTION)
    return sentences


def _rings(tree: TreeRecord) -> list[str]:
    if tree.ring_span is None:
        cored = tree.row["basis"] == "cored"
        unmeasured = "No ring widths were measured: its rings say when, not how it grew."
        return [*([unmeasured] if cored else []), *_pace(tree.cores)]
    first, last = tree.ring_span
    measured = f"Ring widths were measured from {first} to {last}."
    if not tree.changes:
        return [measured, "No lasting change of its growth is likelier than not."]
    return [
        measured,
        *(_change_sentence(change) for change in tree.changes),
        "A lasting change of growth is not proof of what caused it.",
    ]


def _change_sentence(change: Row) -> str:
    percent = abs(Interval.of(change, "change_percent").median)
    amount = (
        f"by about {percent:.0f} %" if percent < float("inf") else "after years without any ring"
    )
    pace = "faster" if change["kind"] == "release" else "more slowly"
    when = year_words(*Interval.of(change, "year"))
    certainty = (
        f"; that it did is {probability_words(change['probability'])}"
        if change["criterion"] == MODEL
        else f", by the criterion {criterion_words(change['criterion'])}"
    )
    return f"It began to grow {pace} for long ({amount}) {when}{certainty}."


def _pace(cores: Sequence[Row]) -> list[str]:
    """Mean ring width of the cores with a length and a count."""
    return [
        f"Core {core['core']} has {counted(int(core['ring_count']), 'ring')} on"
        f" {core['core_length_mm']:.0f} mm of wood,"
        f" {core['core_length_mm'] / core['ring_count']:.1f} mm a ring on average."
        for core in cores
        if core["ring_count"] > 0 and pd.notna(core["core_length_mm"])
    ]


def _remarks(tree: TreeRecord) -> list[str]:
    remarks = [f"Scar on the stem: {tree.scar}"] if tree.scar else []
    remarks += [
        str(tree.row[name])
        for name in ("left_out_reason", "note")
        if pd.notna(tree.row[name]) and str(tree.row[name]).strip()
    ]
    chance = tree.row["misread_probability"]
    if pd.notna(chance) and chance >= LIKELY_MISREAD:
        odds = f"off by years with a probability of {percent(chance)}"
        remarks.append(f"its count of rings may be wrong, {odds}: read the core again")
    return [f"{capital(text)}{'' if text.endswith('.') else '.'}" for text in remarks]
