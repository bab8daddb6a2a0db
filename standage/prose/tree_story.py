"""One tree in sentences: how old it is, how that was found, how sure it is, and what its rings
say.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from standage.grammar import counted
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import criterion_words
from standage.prose.measures import Measures
from standage.prose.uncertainty import STEPS
from standage.prose.unit_answer import points
from standage.prose.wording import UNSAYABLE, age_words, probability_words, year_words

CENTRES = {
    "pith": "the pith is in the core",
    "arcs": "the inner rings curve, so the pith is close",
    "straight": "no curvature shows how far the pith is",
    "decayed": "the centre is rotten or hollow",
    "unknown": "nothing is recorded of the centre",
}
# characters of an identifier in the name of a file; systems take 255 bytes in all
LONGEST_PART = 100
SHARED_CAUTION = (
    "Its date hangs on those of its neighbours and on what is assumed about the species; it isn't a"
    " date read from the wood alone."
)


@dataclass(frozen=True)
class TreeStory:
    """What is said of a tree, sentence by sentence: its date, how it was found, how sure it is, its
    rings, and remarks.
    """

    tree: str
    title: str
    date: tuple[str, ...]
    found: tuple[str, ...]
    sure: tuple[str, ...]
    rings: tuple[str, ...]
    remarks: tuple[str, ...]


def tree_story(
    row,
    cores: pd.DataFrame,
    measures: Measures,
    *,
    releases: pd.DataFrame | None = None,
    rings: tuple[int, int] | None = None,
) -> TreeStory:
    """A tree's story.

    Parameters
    ----------
    row : its row of `tree_dates`.
    cores : its rows of the survey's cores.
    releases : its rows of `tree_release_table`, where the survey has ring widths.
    rings : first and last year of its measured rings, where it has any. [calendar year]
    """
    dbh = pd.to_numeric(row["dbh_cm"], errors="coerce")
    size = f", {measures.diameter(float(dbh))} across at breast height" if pd.notna(dbh) else ""
    status = str(row["status"]) or "live"
    return TreeStory(
        tree=str(row["tree"]),
        title=(
            f"{row['tree']}: {str(row['species']).replace('-', ' ')} of {row['stand']},"
            f" {status}{size}"
        ),
        date=tuple(_date(row)),
        found=tuple(_found(row, cores, measures)),
        sure=tuple(_sure(row)),
        rings=tuple(_rings(row, cores, releases, rings)),
        remarks=tuple(_remarks(row)),
    )


def _known(row, name: str) -> bool:
    return pd.notna(row[f"{name}_median"])


def _date(row) -> list[str]:
    if not _known(row, "establishment_year"):
        if _known(row, "coring_height_year"):
            return [
                "It reached the height of its core"
                f" {year_words(*points(row, 'coring_height_year'))}. When it established"
                f" {UNSAYABLE}."
            ]
        return [f"When it established {UNSAYABLE}."]
    told = [f"It established {year_words(*points(row, 'establishment_year'))}."]
    if _known(row, "age"):
        when = "at the survey" if str(row["status"]) == "live" else "when it died"
        told.append(f"Its age {when}, in growing seasons: {age_words(*points(row, 'age'))}.")
    return told


def _found(row, cores: pd.DataFrame, measures: Measures) -> list[str]:
    if row["basis"] == "planted":
        return ["Its year is that of planting, as recorded."]
    if row["basis"] == "size":
        return [
            "It was not cored. It is dated by its diameter and its stand's history: too widely for"
            " a claim about one tree."
        ]
    if row["basis"] != "cored":
        return []
    told = []
    for core in cores.to_dict("records"):
        kind = {"crossdated": "crossdated with other trees", "counted": "counted ring by ring"}.get(
            core.get("dating"), ""
        )
        height = (
            measures.height(float(core["height_cm"])) if pd.notna(core.get("height_cm")) else ""
        )
        at = f" at {height}" if height else " at a height that is not recorded"
        told.append(
            f"Core {core['core']}{at}{f', {kind}' if kind else ''}:"
            f" {CENTRES.get(core.get('centre'), CENTRES['unknown'])}."
        )
    if pd.notna(row["innermost_ring_year"]):
        told.append(
            f"The innermost ring seen is that of {int(row['innermost_ring_year'])}, as read."
        )
    if _known(row, "rings_added_centre"):
        low, middle, high = points(row, "rings_added_centre")
        told.append(
            "No ring was missed at the centre."
            if high < 0.5
            else (
                f"Between it and the pith {low:.0f} to {high:.0f} rings were added, most likely"
                f" {middle:.0f}."
            )
        )
    if _known(row, "establishment_year") and _known(row, "coring_height_year"):
        low, middle, high = points(row, "years_below_core")
        told.append(
            f"It passed the height of the core {year_words(*points(row, 'coring_height_year'))},"
            f" after {low:.0f} to {high:.0f} growing seasons below it, most likely {middle:.0f}."
        )
    return told


def _sure(row) -> list[str]:
    steps = [(float(row[step.column]), step) for step in STEPS if pd.notna(row[step.column])]
    told = []
    if steps and max(size for size, _ in steps) > 0:
        size, step = max(steps, key=lambda pair: pair[0])
        told.append(
            f"Its wood alone leaves most open about {step.name} (standard deviation {size:.1f}"
            " years)."
        )
    if pd.notna(row["sd_total"]):
        told.append(
            "With everything the survey knows, its date has a standard deviation of"
            f" {float(row['sd_total']):.1f} years."
        )
    if row["basis"] == "cored" and _known(row, "establishment_year"):
        told.append(SHARED_CAUTION)
    return told


def _rings(
    row, cores: pd.DataFrame, releases: pd.DataFrame | None, rings: tuple[int, int] | None
) -> list[str]:
    if rings is None:
        told = (
            ["No ring widths were measured: its rings say when, not how it grew."]
            if row["basis"] == "cored"
            else []
        )
        return [*told, *_pace(cores)]
    told = [f"Ring widths were measured from {rings[0]} to {rings[1]}."]
    if releases is None or releases.empty:
        return [*told, "No lasting change of its growth is likelier than not."]
    for change in releases.to_dict("records"):
        grew = points(change, "change_percent")[1]
        much = (
            f"by about {abs(grew):.0f} %"
            if abs(grew) < float("inf")
            else "after years without any ring"
        )
        what = (
            f"It began to grow {'faster' if change['kind'] == 'release' else 'more slowly'} for"
            f" long ({much})"
        )
        sure = f"; that it did is {probability_words(change['probability'])}"
        if change["criterion"] != MODEL:
            sure = f", by the criterion {criterion_words(change['criterion'])}"
        told.append(f"{what} {year_words(*points(change, 'year'))}{sure}.")
    return [*told, "A lasting change of growth is not proof of what caused it."]


def _pace(cores: pd.DataFrame) -> list[str]:
    """Mean ring width of the cores with a length and a count."""
    if not {"core_length_mm", "ring_count"} <= set(cores):
        return []
    read = zip(cores["core"], cores["ring_count"], cores["core_length_mm"], strict=True)
    return [
        f"Core {core} has {counted(int(rings), 'ring')} on {length_mm:.0f} mm of wood,"
        f" {length_mm / rings:.1f} mm a ring on average."
        for core, rings, length_mm in read
        if rings > 0 and length_mm == length_mm
    ]


def _remarks(row) -> list[str]:
    said = [
        str(row[name])
        for name in ("left_out_reason", "note")
        if pd.notna(row[name]) and str(row[name]).strip()
    ]
    return [f"{text[0].upper()}{text[1:]}{'' if text.endswith('.') else '.'}" for text in said]


def cores_by_tree(cores: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The survey's cores by tree."""
    return dict(tuple(cores.groupby("tree", sort=False))) if len(cores) else {}


def file_name_of(tree: str) -> str:
    """A tree's identifier as part of a file's name: letters, digits, dots and hyphens, and where
    that isn't all of it, a short hash.

    >>> file_name_of("north-7"), file_name_of("Plot 1/Tree 7")
    ('north-7', 'Plot-1-Tree-7-c8fc9d')
    """
    plain = re.sub(r"[^\w.-]+", "-", tree, flags=re.ASCII).strip("-.")[:LONGEST_PART]
    # two trees may differ only in what a file's name can't hold
    return (
        plain
        if plain and plain == tree
        else f"{plain or 'tree'}-{hashlib.sha256(tree.encode()).hexdigest()[:6]}"
    )


def joined(parts: Iterable[str]) -> str:
    return " ".join(parts)
