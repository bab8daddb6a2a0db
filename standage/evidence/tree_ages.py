"""Tree by tree: year of establishment from a tree's own cores, before any stand model.

The prior over years is flat up to the survey (for a dead stem, up to its last ring), so nothing is
borrowed from other trees.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standage.evidence.agreement import misread_words, one_is_misread
from standage.evidence.arrays import Floats, Integers
from standage.evidence.core import CoreReadings, core_table, readings_of
from standage.evidence.delays import BREAST_HEIGHT_CM
from standage.evidence.height import delay_pmf_prior
from standage.evidence.tree_blocks import date_block, tree_blocks
from standage.processors import processors
from standage.profiles import Profile, load_profile, profile_keys
from standage.years import growing_season

if TYPE_CHECKING:
    from standage.survey.survey import Survey


PRIOR_SENTENCE = (
    "Each tree by itself, under a prior that holds all years up to the survey equally likely; no"
    " stand model."
)
FIRST_MONTH_COMPLETE = 10
"""From October on the season's growth counts as completed. Common practice, no source."""
MOST_THREADS = 4
"""Blocks dated at a time: each takes some 100 MB, and beyond a few the memory is what is waited
for.
"""
POINTS = ("low", "median", "high")
_EARLY = ("low", "median")
_SPREADS = ("sd_count", "sd_centre", "sd_height", "sd_grass", "sd_total")
COLUMNS = (
    "stand",
    "tree",
    "species",
    "plot",
    "basis",
    *(f"establishment_year_{point}" for point in POINTS),
    *(f"age_{point}" for point in POINTS),
    "innermost_ring_year",
    *(f"rings_added_centre_{point}" for point in POINTS),
    "coring_height_cm",
    *(f"coring_height_year_{point}" for point in POINTS),
    *(f"years_below_core_{point}" for point in POINTS),
    *_SPREADS,
    "left_out_reason",
    "note",
)

THE_PRIORS = (
    *(f"{of}_{end}" for of in ("establishment_year", "coring_height_year") for end in _EARLY),
    *("age_median", "age_high", "sd_count", "sd_centre", "sd_total"),
    *(f"rings_added_centre_{point}" for point in POINTS),
)
"""What a least number of rings leaves to the prior."""
LEAST_AGE = "a least number of rings, so a least age"
"""Note of a tree whose cores give a least number of rings only."""
NOT_CORED = "not cored: only the stand model dates it, by its size"
DEAD_NOT_CORED = "dead and not cored"
"""Why a stem without a core has no date of its own."""
_FAILED = {
    "no_sound_wood": "coring was tried: no sound wood",
    "unreadable": "cored, but the core could not be read",
    "not_allowed": "coring was not allowed",
}


def last_completed_season(date: pd.Timestamp) -> int:
    """The last growing season that was over at a date: from October on the one that began in March,
    before that the previous one.
    """
    season = growing_season(date)
    return season if date.month >= FIRST_MONTH_COMPLETE or date.month < 3 else season - 1


def date_trees(survey: Survey, level: float = 0.9, *, folder: str | None = None) -> pd.DataFrame:
    """A table of dates, one row a stem of the survey, from each stem's own cores and nothing else.

    The prior over years is flat up to the survey. Columns are those of tree_dates.csv, `_low`,
    `_median`, `_high` being the points that hold `level` between them; years are calendar years,
    ages seasons completed at the survey (dead stems: at the last ring), heights in cm, `sd_*` in
    years. A tree with a least number of rings, or without a core and on record in a year, has
    `establishment_year_high` and `age_low` only. Stems that cannot be dated keep their row and a
    `left_out_reason`. `folder` holds the user's own profiles. Raises ValueError for a level outside
    0 ... 1.

    >>> dates = date_trees(survey, level=0.8)
    >>> len(dates) == len(survey.trees)
    True
    >>> dated = dates[dates["left_out_reason"] == ""]
    >>> bool((dated["age_low"] <= dated["age_median"]).all())
    True
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, got {level}")
    trees = survey.trees
    dates = (
        trees[["stand", "tree", "species", "plot"]]
        .reset_index(drop=True)
        .reindex(columns=list(COLUMNS))
    )
    for name in ("basis", "left_out_reason", "note"):
        dates[name] = pd.Series([""] * len(dates), dtype=object)
    numbers = {
        name: np.full(len(dates), np.nan)
        for name in COLUMNS[5:]
        if name not in ("left_out_reason", "note")
    }
    text = {
        name: np.full(len(dates), "", dtype=object) for name in ("basis", "left_out_reason", "note")
    }
    completed = (
        trees["stand"]
        .map({stand: last_completed_season(day) for stand, day in _survey_dates(survey)})
        .to_numpy(float)
    )
    known, cores = set(profile_keys(folder)), core_table(survey)
    position = pd.Series(np.arange(len(trees)), index=trees["tree"].to_numpy(object))
    for species, members in trees.groupby("species", sort=False).indices.items():
        if species not in known:
            text["left_out_reason"][members] = f"no profile for species '{species}': tallied only"
            continue
        profile = load_profile(species, folder)
        table = cores[cores["species"].to_numpy(object) == species]
        _date_species(
            readings_of(table, profile, survey.ring_widths),
            table,
            profile,
            level,
            trees,
            position,
            completed,
            members,
            numbers,
            text,
        )
    _planted(trees, completed, numbers, text)
    _on_record(trees, completed, level, folder, numbers, text)
    for name, values in {**numbers, **text}.items():
        dates[name] = values
    dates.attrs["prior"], dates.attrs["level"] = PRIOR_SENTENCE, level
    return dates


def _survey_dates(survey: Survey) -> Iterator[tuple[str, pd.Timestamp]]:
    return zip(survey.stands["stand"], survey.stands["survey_date"], strict=True)


def _planted(
    trees: pd.DataFrame,
    completed: Floats,
    numbers: dict[str, Floats],
    text: dict[str, NDArray[np.object_]],
) -> None:
    """Planted stems: the recorded year of planting stands for establishment. Without it the delays
    of natural plants would not apply.
    """
    planted = trees["origin"].to_numpy(object) == "planted"
    year = trees["planted_year"].to_numpy(float)
    recorded = planted & ~np.isnan(year)
    dead = trees["status"].isin(("dead", "stump")).to_numpy()
    for point in POINTS:
        numbers[f"establishment_year_{point}"][planted] = year[planted]
        numbers[f"age_{point}"][planted] = (completed - year + 1.0)[planted]
        numbers[f"age_{point}"][planted & dead] = np.nan
        numbers[f"years_below_core_{point}"][planted] = np.nan
    for name in ("sd_height", "sd_grass", "sd_total"):
        numbers[name][planted] = np.where(recorded[planted], 0.0, np.nan)
    text["basis"][planted] = "planted"
    text["left_out_reason"][recorded] = ""
    text["left_out_reason"][planted & ~recorded] = (
        "planted, year not recorded: natural delays don't apply, dated at coring height only"
    )


def record_words(alive_in_year: float, source: str) -> str:
    """What is on record of a tree; "" for nothing."""
    if np.isnan(alive_in_year):
        return ""
    return f"on record in {alive_in_year:.0f} ({source.replace('_', ' ')})"


def _on_record(
    trees: pd.DataFrame,
    completed: Floats,
    level: float,
    folder: str | None,
    numbers: dict[str, Floats],
    text: dict[str, NDArray[np.object_]],
) -> None:
    """What is on record of each tree, in its note; for a tree without a date of its own the latest
    year of establishment, had it only just reached breast height then.
    """
    year = trees["alive_in_year"].to_numpy(float)
    species = trees["species"].to_numpy(object)
    dated = ~np.isnan(numbers["establishment_year_median"])
    dated |= ~np.isnan(numbers["coring_height_year_high"])
    planted = trees["origin"].to_numpy(object) == "planted"
    known, source = set(profile_keys(folder)), trees["alive_source"].to_numpy(object)
    for row in np.flatnonzero(~np.isnan(year)):
        words = record_words(year[row], source[row])
        text["note"][row] = "; ".join(filter(None, (text["note"][row], words)))
        if dated[row] or species[row] not in known:
            continue
        quickest = 0
        if not planted[row]:
            delay = delay_pmf_prior(load_profile(species[row], folder), BREAST_HEIGHT_CM)
            quickest = int(np.argmax(np.cumsum(delay) >= (1.0 - level) / 2.0))
        latest = year[row] - quickest
        numbers["establishment_year_high"][row] = latest
        if trees["status"].iat[row] == "live":
            numbers["age_low"][row] = completed[row] - latest + 1.0
        text["basis"][row] = "record"
        text["left_out_reason"][row] = f"a latest year only: {text['left_out_reason'][row]}"


def _date_species(
    readings: CoreReadings,
    table: pd.DataFrame,
    profile: Profile,
    level: float,
    trees: pd.DataFrame,
    position: pd.Series,
    completed: Floats,
    members: Integers,
    numbers: dict[str, Floats],
    text: dict[str, NDArray[np.object_]],
) -> None:
    """Fill the rows `members` of the columns in `numbers` and `text` for one species."""
    outcome = trees["core_outcome"].to_numpy(object)
    not_cored = np.where(
        trees["status"].isin(("dead", "stump")),
        DEAD_NOT_CORED,
        NOT_CORED,
    )
    text["left_out_reason"][members] = [
        _FAILED.get(outcome[row], not_cored[row]) for row in members
    ]
    if not len(readings):
        return
    place = position.loc[readings.tree].to_numpy(int)
    text["basis"][place] = "cored"
    text["left_out_reason"][place] = (
        readings.left_out_reason
    )  # what the last core says, unless one can be read
    recorded = table["height_cm"].to_numpy(float)
    dead = trees["status"].isin(("dead", "stump")).to_numpy()
    blocks = list(tree_blocks(readings, place, profile))
    with ThreadPoolExecutor(
        min(processors(), MOST_THREADS)
    ) as pool:  # array arithmetic, which threads do side by side
        found_of_blocks = list(
            pool.map(lambda rows: date_block(readings, rows, profile, level), blocks)
        )
    for rows, found in zip(blocks, found_of_blocks, strict=True):
        lowest = rows[:, -1]
        row = place[lowest]
        for name, values in found.items():
            numbers[name][row] = values
        numbers["innermost_ring_year"][row] = readings.innermost_year[lowest]
        numbers["coring_height_cm"][row] = recorded[lowest]
        at_end = np.where(dead[row], readings.latest_year[lowest], completed[row])
        for low, high in (("low", "high"), ("median", "median"), ("high", "low")):
            numbers[f"age_{low}"][row] = np.maximum(
                at_end - numbers[f"establishment_year_{high}"][row] + 1.0, 0.0
            )
        blank = np.isnan(readings.height_cm[lowest])
        reason = np.where(blank, "coring height not recorded: dated at coring height only", "")
        impossible = np.isnan(found["coring_height_year_median"])
        text["left_out_reason"][row] = np.where(
            impossible,
            "its cores contradict one another, the year of its last ring or the one on record",
            reason,
        )
        bounded = readings.at_least[rows].all(axis=1) & ~impossible
        least = row[bounded]
        text["note"][least] = LEAST_AGE
        # a higher core's rings were there later than the year at the lowest
        latest = readings.innermost_year[rows[bounded]].min(axis=1)
        on_record = trees["alive_in_year"].to_numpy(float)[least]
        _bound(least, latest, on_record, at_end[bounded], numbers)
    _notes_of_cores(readings, place, text["note"])
    for rows in blocks:
        heights = np.nan_to_num(readings.height_cm[rows]).ravel()
        tree = np.repeat(np.arange(len(rows)), rows.shape[1])
        odd = one_is_misread(readings, rows.ravel(), tree, heights, profile)
        for number in np.flatnonzero(odd & (rows.shape[1] > 1)):
            row = place[rows[number, -1]]
            words = misread_words(readings.core[np.sort(rows[number])])
            text["note"][row] = f"{text['note'][row]}; {words}".lstrip("; ")
    noted = dead.copy()
    noted[np.setdiff1d(np.arange(len(dead)), place)] = False
    text["note"][noted] = [
        f"{note}; age at the last ring".lstrip("; ") for note in text["note"][noted]
    ]


def _bound(
    rows: Integers,
    latest: Floats,
    on_record: Floats,
    at_end: Floats,
    numbers: dict[str, Floats],
) -> None:
    """Leave trees with a least number of rings their bounds alone, in place: the latest year, and
    the least age. The rest would be the prior's.

    latest : year of the earliest ring of any core. on_record : year in which the tree is on record,
        NaN if in none. at_end : last season. All (tree,).
    """
    latest = np.fmin(latest, on_record)  # a tree on record has reached the height of its core
    numbers["coring_height_year_high"][rows] = latest
    latest = latest - numbers["years_below_core_low"][rows]
    numbers["establishment_year_high"][rows] = latest
    numbers["age_low"][rows] = np.maximum(at_end - latest + 1.0, 0.0)
    for name in THE_PRIORS:
        numbers[name][rows] = np.nan


def _notes_of_cores(readings: CoreReadings, place: Integers, note: NDArray[np.object_]) -> None:
    """What is odd about any core of a tree, in place; named by core where the tree has several."""
    several = np.bincount(place, minlength=len(note)) > 1
    for core in np.flatnonzero(readings.note != ""):
        tree = place[core]
        said = f"core {readings.core[core]}: " if several[tree] else ""
        note[tree] = f"{note[tree]}; {said}{readings.note[core]}".lstrip("; ")
