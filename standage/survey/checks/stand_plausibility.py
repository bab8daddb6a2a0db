"""Stems, plots, counts and events that are hard to believe: stands denser than any, plots in
another unit, trees under another stand's name, events that had not happened yet.

What can't be is a problem; what is only unlikely is a warning, and is used as written.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Hashable, Iterable, Mapping
from difflib import SequenceMatcher

import numpy as np
import pandas as pd

from standage.grammar import counted
from standage.problems import Problem
from standage.survey.checks.rows import Rows, as_cells, sums_of_groups
from standage.survey.checks.species_limits import Limits, limits_beside
from standage.survey.checks.subplots import judge_subplots
from standage.survey.checks.table_checks import reporter, seasons_of_stands
from standage.survey.synonyms import plain

Tables = Mapping[str, pd.DataFrame]
Files = Mapping[str, str]

REFERENCE_DBH_CM, DENSITY_POWER = 25.4, 1.605
"""Reineke 1933, Journal of Agricultural Research 46:627-638: a stem counts for as many of 10
inches (25.4 cm) as the power 1.605 of its diameter over theirs says.
"""

SAMPLED, IN_ONE_PLOT = 1.5, 3.0
"""How far the density of a stand, or of a plot of `FEWEST_STEMS` and more, may lie above the
densest known by the chance of sampling; beyond it is a warning (assumption).
"""

FEWEST_STEMS = 5
IMPOSSIBLY_DENSE = 10.0
"""Times the densest known: refused (assumption)."""

LARGE_PLOT_M2 = 100_000.0
"""Ten hectares: no plot in which every stem is listed (assumption)."""


STATUS_WORDS = {"dead", "snag", "stump", "dead standing", "standing dead", "alive", "live", "cut"}
"""Words for the state of a stem in a column of species (common practice, no source)."""

FIRST_LETTERS, SAME_STAND = 3, 0.9
"""Letters of a short form, and the share in common from which a name of a stand may be another
misspelt (assumption).
"""

NAMED_AFTER = 0.8
"""Share of trees whose names begin with their own stand's, from which a tree with another stand's
name is asked about (assumption).
"""


@np.errstate(divide="ignore", invalid="ignore")  # of blanks, and of no rings
def judge_stands(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    limits: Limits,
    problems: list[Problem],
    warnings: list[Problem],
    without_status: Collection[int] = (),
) -> None:
    """All of it. Refused cells are blank by now, and blank cells are not judged. without_status:
    rows of stems that are live only because their status is blank.
    """
    _blank_status(frames, files, without_status, warnings)
    _diameters(frames, files, limits, warnings)
    _densities(frames, files, limits, problems, warnings)
    _areas(frames, files, warnings)
    judge_subplots(frames, files, problems, warnings)
    _words_of_status(frames, files, problems)
    _names(frames, files, warnings)
    _stands_alike(frames, files, problems)
    _events(frames, files, warnings)
    _planted(frames, files, warnings)


def _blank_status(
    frames: Tables, files: Files, without_status: Collection[int], warnings: list[Problem]
) -> None:
    """Stems that are live only because nothing is written in status, in a plot with more stems of
    which it is written.
    """
    trees = Rows(frames["trees"])
    silent = trees["row"].isin(without_status)
    plots = trees.row_keys(["stand", "plot"])
    written = np.asarray((trees["status"] == "live") & ~silent, dtype=float)
    live, blank = (
        sums_of_groups(each, plots, plots, 0.0) for each in (written, np.asarray(silent, float))
    )
    reporter(files["trees"], trees, warnings)(
        silent & (live > blank),
        "status",
        "a blank cell, which means live, in a plot where live is written of most stems",
        "live, dead or stump for each stem",
        "Write it.",
    )


def _diameters(frames: Tables, files: Files, limits: Limits, warnings: list[Problem]) -> None:
    trees = Rows(frames["trees"])
    trees = trees.assign(**limits_beside(trees["species"], limits))
    reporter(files["trees"], trees, warnings)(
        trees["dbh_cm"] > trees["largest_dbh_cm"],
        "dbh_cm",
        "{dbh_cm} cm, a {species}",
        "no more than the largest known of the species, {largest_dbh_cm} cm",
        "Check the value and its unit (cm; a circumference is 3.14 times as much).",
    )


def _densities(
    frames: Tables,
    files: Files,
    limits: Limits,
    problems: list[Problem],
    warnings: list[Problem],
) -> None:
    """Live stems by the area of their plot, as an index that counts thick stems for more."""
    trees, plots = Rows(frames["trees"]), Rows(frames["plots"])
    listed = (trees["status"] == "live") & (trees["plot"] != "")
    dbh = trees["dbh_cm"]
    stems, index_sum, basal_m2 = (
        sums_of_groups(values[listed], trees["plot"][listed], plots["plot"], 0.0)
        for values in (
            np.ones(len(dbh)),
            (dbh / REFERENCE_DBH_CM) ** DENSITY_POWER,
            np.pi * (dbh / 200) ** 2,
        )
    )
    densest = _largest(
        limits_beside(trees["species"][listed], limits)["densest"],
        trees["stand"][listed],
        plots["stand"],
    )
    hectares = plots["area_m2"] / 1e4
    own = index_sum / hectares / densest
    of_stand = sums_of_groups(index_sum, plots["stand"], plots["stand"], np.nan)
    of_stand = of_stand / sums_of_groups(hectares, plots["stand"], plots["stand"], np.nan) / densest
    table = plots.assign(
        stems=stems,
        per_hectare=_three_digits(stems / hectares),
        basal=_three_digits(basal_m2 / hectares),
    )
    words = (
        "{area_m2} m2 with {stems} stems, which makes {per_hectare} stems and {basal} m2 of basal"
        " area per hectare",
        "a stand no denser than any known",
        "Check area_m2 (in m2: 0.1 ha are 1000) and the diameters (in cm).",
    )
    far = (own > IMPOSSIBLY_DENSE) | (of_stand > IMPOSSIBLY_DENSE)
    dense = (of_stand > SAMPLED) | ((own > IN_ONE_PLOT) & (stems >= FEWEST_STEMS))
    reporter(files["plots"], table, problems)(far & (own > 1), "area_m2", *words)
    reporter(files["plots"], table, warnings)(dense & ~far & (own > 1), "area_m2", *words)


def _largest(values: np.ndarray, of: Iterable[Hashable], wanted: Iterable[Hashable]) -> np.ndarray:
    """Largest of the values of each group, missing ones left out, for the groups wanted, (wanted,);
    NaN where there is none.
    """
    largest: dict[Hashable, float] = {}
    for group, value in zip(of, values.tolist(), strict=True):
        if not (np.isnan(value) or value <= largest.get(group, -np.inf)):
            largest[group] = value
    return np.array([largest.get(group, np.nan) for group in wanted], dtype=float)


def _three_digits(values: np.ndarray) -> np.ndarray:
    return np.array([f"{float(f'{value:.3g}'):,.10g}" for value in values], dtype=object)


def _areas(frames: Tables, files: Files, warnings: list[Problem]) -> None:
    plots, stands = Rows(frames["plots"]), Rows(frames["stands"])
    reporter(files["plots"], plots, warnings)(
        plots["area_m2"] >= LARGE_PLOT_M2,
        "area_m2",
        "{area_m2} m2",
        "less than ten hectares",
        "Check the unit: it is m2, and every stem within the limits must have been listed.",
    )
    listed = sums_of_groups(plots["area_m2"], plots["stand"], stands["stand"], np.nan) / 1e4
    table = stands.assign(listed=listed)
    reporter(files["stands"], table, warnings)(
        table["listed"] > table["area_ha"],
        "area_ha",
        "{area_ha} ha, less than the {listed} ha of its plots",
        "a stand larger than its plots",
        "Check area_ha (in ha) and area_m2 of its plots (in m2); nested plots must not overlap.",
    )


def _words_of_status(frames: Tables, files: Files, problems: list[Problem]) -> None:
    """Stems whose species is a word for being alive or dead."""
    trees = Rows(frames["trees"])
    reporter(files["trees"], trees, problems)(
        as_cells(np.array([plain(each) in STATUS_WORDS for each in trees["species"]], dtype=bool)),
        "species",
        "'{species}' as a species",
        "a species, and whether the stem lives in status",
        "Write the word into status, and the species of the stem here (unknown, if nobody could"
        " tell).",
    )


def _names(frames: Tables, files: Files, warnings: list[Problem]) -> None:
    """Trees whose names begin with another stand's, where names begin with the stand's."""
    trees = Rows(frames["trees"])
    stands = sorted((name for name in frames["stands"]["stand"] if name), key=len, reverse=True)
    if len(stands) < 2 or len(trees) == 0:
        return
    own = np.array(
        [name.startswith(stand) for name, stand in zip(trees["tree"], trees["stand"], strict=True)]
    )
    if own.sum() < NAMED_AFTER * len(trees) or own.all():
        return
    # the longest first, so that `north-2` is not taken for `north`
    begins = re.compile(rf"({'|'.join(map(re.escape, stands))})(?![^\W_])")
    found = [
        None if mine else begins.match(name) for name, mine in zip(trees["tree"], own, strict=True)
    ]
    named = as_cells(np.array([each[1] if each else "" for each in found], dtype=object))
    reporter(files["trees"], trees.assign(named=named), warnings)(
        named != "",
        "stand",
        "tree '{tree}' in stand '{stand}', named after stand '{named}'",
        "the stand that the tree is named after",
        "Check the stand of the tree; rename it if it only sounds so.",
    )


def _stands_alike(frames: Tables, files: Files, problems: list[Problem]) -> None:
    """A stand that the rows of stems name, written as the initials or the beginning of another: it
    would be a stand of its own.
    """
    stands, trees = frames["stands"], frames["trees"]
    if files["stands"] not in (files["trees"], files["cores"]):  # listed by hand: they are two
        return
    rows_of = trees["stand"].value_counts()
    for short, number in rows_of.items():
        words = [
            name
            for name in stands["stand"]
            if _stands_for(short, name)
            or (number < rows_of.get(name, 0) and _is_a_slip_for(short, name))
        ]
        if words:
            named = " or ".join(f"'{word}'" for word in words)
            problems.append(
                Problem(
                    files["trees"],
                    int(trees.loc[trees["stand"] == short, "row"].min()),
                    "stand",
                    f"stand '{short}' in {counted(number, 'row')} beside {named}, of which it"
                    " may be a short form",
                    "each stand under one name",
                    f"Write {named} if it is that; if they are two, list both in a table stands.",
                )
            )


def _stands_for(short: str, name: str) -> bool:
    """Whether a name is the initials, the first letters or the first word of another."""
    words = re.findall(r"[^\W_]+", name.casefold())
    bare = re.sub(r"[\W_]+", "", short.casefold())
    if not bare or not words or short == name or any(each.isdigit() for each in short + name):
        return False  # numbers tell stands apart
    initials = len(words) > 1 and bare == "".join(word[0] for word in words)
    first = len(bare) <= FIRST_LETTERS and len(bare) < len(words[0]) and words[0].startswith(bare)
    return initials or first or (len(words) > 1 and bare == words[0])


def _is_a_slip_for(one: str, name: str) -> bool:
    if one == name or any(each.isdigit() for each in one + name) or len(one) <= FIRST_LETTERS:
        return False
    return SequenceMatcher(None, one.casefold(), name.casefold()).ratio() >= SAME_STAND


def _planted(frames: Tables, files: Files, warnings: list[Problem]) -> None:
    """A planting in a stand of which no stem is said to be planted."""
    events, trees = Rows(frames["events"]), frames["trees"]
    of = set(trees.loc[trees["origin"] == "planted", "stand"])
    silent = [stand not in of if stand else not of for stand in events["stand"]]
    reporter(files["events"], events, warnings)(
        (events["kind"] == "planting") & np.array(silent, dtype=bool),
        "kind",
        "a planting, and no stem with the origin planted",
        "planted in the column origin of the stems that were",
        "Write it there: stems without it are dated as ones that came by themselves.",
    )


def _events(frames: Tables, files: Files, warnings: list[Problem]) -> None:
    events, stands = Rows(frames["events"]), frames["stands"]
    seasons = seasons_of_stands(stands["stand"], stands)
    last = np.nanmax(seasons) if np.isfinite(seasons).any() else np.nan
    own = seasons_of_stands(events["stand"], stands)
    table = events.assign(season=np.where(events["stand"] != "", own, last))
    reporter(files["events"], table, warnings)(
        table["first_year"] > table["season"],
        "first_year",
        "{first_year}, after the survey in the season of {season}",
        "an event that what was surveyed has seen",
        "Check the year and the survey_date: an event after the survey explains nothing.",
    )
