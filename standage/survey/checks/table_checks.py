"""What one table of a survey says about another: references, stems against their plots, dates
against each other. Cores: `core_checks`.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.checks.rows import Cells, Rows
from standage.survey.schema import Table
from standage.years import calendar_years, growing_seasons

ADVISED = 200
"""Different lost names of a column for which names nearly the same are looked for (of thousands it
would take hours).
"""

COMPARED = 1000
"""Names without a number that they are compared with."""

SAME_AREA = 1.001
"""An area of seedlings may be so many times that of its plot, for rounding (assumption)."""

Report = Callable[..., None]


def reporter(file: str, rows: Rows, problems: list[Problem]) -> Report:
    """A function report(mask, column, found, expected, what_to_do) that adds a problem for each row
    where mask holds.

    mask: bool (row,). found and expected: text, with {name} for the cell of that column in the row.
    """

    def report(
        mask: ArrayLike, column: str | None, found: str, expected: str, what_to_do: str
    ) -> None:
        places = np.flatnonzero(np.asarray(mask, dtype=bool))[:TOLD_OF_A_COLUMN]
        if not len(places):
            return
        named = [name for name in rows.columns if f"{{{name}}}" in found + expected + what_to_do]
        for place in places:
            cells = {name: _as_written(rows[name][place]) for name in named}
            problems.append(
                Problem(
                    file,
                    int(rows["row"][place]),
                    column,
                    _filled(found, cells),
                    _filled(expected, cells),
                    _filled(what_to_do, cells),
                )
            )

    return report


def _filled(text: str, cells: Mapping[str, str]) -> str:
    for name, cell in cells.items():
        text = text.replace("{" + name + "}", cell)
    return text


def _as_written(value: object) -> str:
    if isinstance(value, np.datetime64):
        return str(pd.Timestamp(value).date())
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def check_references(
    table: Table,
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    unreadable: set[str],
    problems: list[Problem],
) -> None:
    """Every cell that names a row of another table must name one that is there. Tables that could
    not be read are not held against it.
    """
    frame = frames[table.name]
    for column in table.columns:
        if column.kind != "reference" or column.refers_to in unreadable or frame.empty:
            continue
        known = set(frames[column.refers_to][column.name].tolist()) - {""}
        wanted = frame[column.name]
        if {"", *known}.issuperset(wanted.tolist()):
            continue
        lost = (wanted != "") & ~wanted.isin(known)
        if lost.any():  # a name that may be two is told of already
            lost &= ~_reported(problems, files[table.name], column.name, frame)
        if not lost.any():
            continue
        simplified = {_simplified(name): name for name in sorted(known)}
        words = [name for name in simplified if not any(letter.isdigit() for letter in name)][
            :COMPARED
        ]
        told = frame[lost].head(TOLD_OF_A_COLUMN)
        idle = sorted(known - set(wanted))
        advice = {
            name: _reference_advice(
                name, simplified, words if number < ADVISED else [], column.name, column.refers_to
            )
            if (part := _part_of(name, idle)) is None
            else f"Is it '{part}', which has no row here? Then write one name in both."
            for number, name in enumerate(told[column.name].unique())
        }
        for name, row in zip(told[column.name], told["row"], strict=True):
            problems.append(
                Problem(
                    files[table.name],
                    int(row),
                    column.name,
                    f"'{name}', which is not in {column.refers_to}",
                    f"a {column.name} listed in {column.refers_to}",
                    advice[name],
                )
            )


def _reference_advice(
    name: str, known: Mapping[str, str], words: list[str], column: str, table: str
) -> str:
    """known: simplified name to name. words: those of them without a number, among which names
    nearly the same are looked for.

    Names with numbers are only matched where the numbers agree: 12 is no misspelt 13.
    """
    simple = _simplified(name)
    if simple in known:
        return f"Did you mean '{known[simple]}'?"
    near = difflib.get_close_matches(simple, words, 1, 0.8)
    if near:
        return f"Did you mean '{known[near[0]]}'?"
    begun = [each for each in known.values() if each.casefold().startswith(f"{name.casefold()} ")]
    if len(begun) == 1:
        return f"Did you mean '{begun[0]}'?"
    form = f" (there they look like '{next(iter(known.values()))}')" if known else ""
    return f"Correct the name{form}, or add the {column} to {table}."


def _part_of(name: str, idle: Sequence[str]) -> str | None:
    """The one listed name without a row that has all the words of a name, or all of whose words it
    has: `Flat` for `Wet flat`.
    """
    mine = set(name.casefold().split())
    found = []
    for one in idle[:COMPARED]:
        theirs = set(one.casefold().split())
        if theirs and mine and (mine <= theirs or theirs <= mine) and not one.isdecimal():
            found.append(one)
    return found[0] if len(found) == 1 else None


def _simplified(name: str) -> str:
    """A name without capitals, blanks, marks and leading zeros, but for a blank between numbers:
    1-3 is no 13.
    """
    bare = re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[\W_]+", " ", name.casefold()))
    return re.sub(r"(?<!\d) | (?!\d)", "", bare)


def looked_up(keys: pd.Series, frame: pd.DataFrame, key: str, value: str) -> pd.Series:
    """Cells of `value` in the rows of `frame` that `keys` names, (row of keys,); missing where
    there is no such row.
    """
    cells = Rows(frame).of(keys, key, value)
    return pd.Series(np.asarray(cells), index=keys.index, dtype=frame[value].dtype)


def seasons_of_stands(stands_wanted: Iterable, stands: pd.DataFrame) -> np.ndarray:
    """Survey season of the stand in each row, float64 (row,), NaN where stand or date is
    missing.
    """
    return growing_seasons(Rows(stands).of(stands_wanted, "stand", "survey_date"))


def check_plots(
    frames: Mapping[str, pd.DataFrame], files: Mapping[str, str], problems: list[Problem]
) -> None:
    """Limits of the diameters listed in their order."""
    plots = Rows(frames["plots"])
    report = reporter(files["plots"], plots, problems)
    report(
        plots["max_dbh_cm"] <= plots["min_dbh_cm"],
        "max_dbh_cm",
        "{max_dbh_cm}, with min_dbh_cm {min_dbh_cm}",
        "a limit above min_dbh_cm",
        "Correct one of the two limits; leave max_dbh_cm blank if there was none.",
    )


def check_trees(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    problems: list[Problem],
    *,
    cores_readable: bool,
    lost_dbh: set[int],
) -> None:
    """Stems against their plots, and what is said of dead, planted and cored stems. lost_dbh: rows
    that say that the diameter isn't known.
    """
    trees = Rows(frames["trees"])
    cored = trees["tree"].isin(set(frames["cores"]["tree"]))
    lost = trees["row"].isin(lost_dbh)
    _check_stems_of_plots(
        trees, frames, files["trees"], problems, dated=(cored & cores_readable) | lost
    )
    report = reporter(files["trees"], trees, problems)
    _check_years_of_stems(trees, frames["stands"], report)
    if cores_readable:
        _check_outcomes(trees, cored, report)


def _check_stems_of_plots(
    trees: Rows,
    frames: Mapping[str, pd.DataFrame],
    file: str,
    problems: list[Problem],
    *,
    dated: np.ndarray,
) -> None:
    """Stems in the plot of another stand, without a diameter or outside the plot's limits. dated:
    by a core, or known to have lost its diameter, bool (tree,).
    """
    plots = Rows(frames["plots"])
    live = trees["status"] == "live"
    plot_stand = plots.of(trees["plot"], "plot", "stand")
    placed = trees["plot"].isin(set(plots["plot"]) - {""})
    elsewhere = (
        placed
        & trees["stand"].isin(set(frames["stands"]["stand"]))
        & (plot_stand != "")
        & (plot_stand != trees["stand"])
    )
    both = trees.assign(
        plot_stand=plot_stand,
        lowest=plots.of(trees["plot"], "plot", "min_dbh_cm"),
        highest=plots.of(trees["plot"], "plot", "max_dbh_cm"),
    )
    report = reporter(file, both, problems)
    report(
        elsewhere,
        "plot",
        "'{plot}', a plot of stand '{plot_stand}', for a stem of stand '{stand}'",
        "a plot of the stem's own stand",
        "Correct the stand or the plot of the stem.",
    )
    report(
        live
        & (trees["plot"] != "")
        & trees["dbh_cm"].isna()
        & ~dated
        & ~_reported(problems, file, "dbh_cm", trees),
        "dbh_cm",
        "a blank cell for a live stem in plot '{plot}'",
        "a number of cm",
        "Write the diameter, or N/A if it is lost: the stem is then named, and not among the stems"
        " per hectare. Leave plot blank only if the stem was not in it.",
    )
    report(
        live & (trees["plot"] != "") & (trees["dbh_cm"] == 0) & ~(both["lowest"] > 0),
        "dbh_cm",
        "0, below breast height, for a live stem in plot '{plot}'",
        "a stem that has reached breast height",
        "Count it as emerging in counts; leave plot blank if it is listed because it was cored.",
    )
    report(
        live & (both["dbh_cm"] < both["lowest"]),
        "dbh_cm",
        "{dbh_cm}, in plot '{plot}' that lists stems from {lowest} cm",
        "a diameter of at least {lowest} cm",
        "Correct the diameter or the plot's min_dbh_cm, or count the stem as a sapling in counts.",
    )
    report(
        live & (both["dbh_cm"] > both["highest"]),
        "dbh_cm",
        "{dbh_cm}, in plot '{plot}' that lists stems up to {highest} cm",
        "a diameter of at most {highest} cm",
        "Correct the diameter or the plot's max_dbh_cm; leave plot blank if the stem was not"
        " listed.",
    )


def _check_years_of_stems(trees: Rows, stands: pd.DataFrame, report: Report) -> None:
    """Years of death and of planting against status, origin and the survey."""
    report(
        (trees["status"] == "live") & trees["death_year"].notna(),
        "death_year",
        "{death_year} for a live stem",
        "a blank cell, or status dead or stump",
        "Correct the status, or empty death_year.",
    )
    season = seasons_of_stands(trees["stand"], stands)
    surveyed = Rows(stands).of(trees["stand"], "stand", "survey_date")
    report(
        trees["death_year"] > calendar_years(surveyed),
        "death_year",
        "{death_year}, after the survey",
        "a year not after the survey",
        "Correct death_year or the survey_date of the stand.",
    )
    report(
        trees["death_year_sd"].notna() & trees["death_year"].isna(),
        "death_year_sd",
        "{death_year_sd} without death_year",
        "both or none",
        "Write death_year too, or empty death_year_sd.",
    )
    report(
        trees["planted_year"].notna() & (trees["origin"] != "planted"),
        "planted_year",
        "{planted_year} for a stem of origin '{origin}'",
        "origin planted, or a blank cell",
        "Write planted in origin, or empty planted_year.",
    )
    alive = trees["alive_in_year"]
    report(
        alive.notna() & (trees["alive_source"] == ""),
        "alive_source",
        "a blank cell beside alive_in_year {alive_in_year}",
        "what shows the tree alive in that year",
        "Write scar, witness_tree, inventory, photograph or other.",
    )
    report(
        alive > np.fmin(season, trees["death_year"].where(~(trees["death_year_sd"] > 0))),
        "alive_in_year",
        "{alive_in_year}, after the season of the survey or the tree's death",
        "a year in which it lived",
        "Correct alive_in_year, death_year or the survey_date of the stand.",
    )
    report(
        alive < trees["planted_year"],
        "alive_in_year",
        "{alive_in_year}, before planted_year {planted_year}",
        "a year after it was planted",
        "Correct one of the two years.",
    )
    report(
        trees["planted_year"] > season,
        "planted_year",
        "{planted_year}, after the season of the survey",
        "a year not after the survey",
        "Correct planted_year or the survey_date of the stand.",
    )


def _check_outcomes(trees: Rows, cored: Cells, report: Report) -> None:
    """What became of the core of a stem against the cores. cored: bool (tree,)."""
    outcome = trees["core_outcome"]
    report(
        (outcome == "taken") & ~cored,
        "core_outcome",
        "taken, and no core of '{tree}' in cores",
        "a row in cores",
        "Add the core, or say what became of it (unreadable, no_sound_wood), or leave the cell"
        " blank.",
    )
    report(
        outcome.isin(["not_tried", "not_allowed"]) & cored,
        "core_outcome",
        "{core_outcome}, and a core of '{tree}' in cores",
        "taken, unreadable or no_sound_wood",
        "Correct core_outcome, or the tree named in cores.",
    )


def _reported(
    problems: list[Problem], file: str, column: str, table: Rows | pd.DataFrame
) -> np.ndarray:
    """Rows where the cell is blank only because it was already refused, bool (row,)."""
    rows = {
        problem.row for problem in problems if problem.file == file and problem.column == column
    }
    return np.asarray(table["row"].isin(rows))


def check_counts(
    frames: Mapping[str, pd.DataFrame], files: Mapping[str, str], problems: list[Problem]
) -> None:
    """Subplots within their plots; ranges in their order."""
    counts = Rows(frames["counts"])
    area = Rows(frames["plots"]).of(counts["plot"], "plot", "area_m2")
    with_plot = counts.assign(plot_area=area)
    report = reporter(files["counts"], with_plot, problems)
    report(
        with_plot["area_m2"] > SAME_AREA * with_plot["plot_area"],
        "area_m2",
        "{area_m2}, more than the {plot_area} m2 of plot '{plot}'",
        "an area within the plot",
        "Correct the area searched or the area of the plot (both in m2).",
    )
    report(
        counts["age_low_years"] > counts["age_high_years"],
        "age_low_years",
        "{age_low_years} above age_high_years {age_high_years}",
        "the lower end of the range first",
        "Exchange or correct the two ages.",
    )
    report(
        counts["age_low_years"].isna() != counts["age_high_years"].isna(),
        "age_low_years",
        "one end of the age range alone",
        "both or none",
        "Write the other end of the range too, or empty both.",
    )
    report(
        counts["collar_low_mm"] > counts["collar_high_mm"],
        "collar_low_mm",
        "{collar_low_mm} above collar_high_mm {collar_high_mm}",
        "the lower end of the class first",
        "Exchange or correct the two diameters.",
    )


def check_sections(
    frames: Mapping[str, pd.DataFrame], files: Mapping[str, str], problems: list[Problem]
) -> None:
    """What a small stem says about its years must not contradict itself."""
    sections = Rows(frames["known_age_stems"])
    report = reporter(files["known_age_stems"], sections, problems)
    report(
        sections["rings_at_height"] > sections["rings_at_ground"],
        "rings_at_height",
        "{rings_at_height}, more than the {rings_at_ground} rings_at_ground",
        "no more rings above than at the ground",
        "Exchange or correct the two counts.",
    )
    report(
        sections["grass_years"] > sections["age_years"],
        "grass_years",
        "{grass_years}, more than age_years {age_years}",
        "no more years in the grass stage than years of age",
        "Correct one of the two.",
    )
    known = sections["age_years"].notna() | sections["grass_years"].notna()
    known |= sections["rings_at_ground"].notna() | sections["rings_at_height"].notna()
    report(
        ~known,
        "age_years",
        "no age, no years in the grass stage and no rings",
        "at least one of them",
        "Write what is known of the stem, or delete the row.",
    )


def check_events(
    frames: Mapping[str, pd.DataFrame], files: Mapping[str, str], problems: list[Problem]
) -> None:
    """Years of an event in their order, none in the future; limits of a cut in their order."""
    events = Rows(frames["events"])
    report = reporter(files["events"], events, problems)
    report(
        events["last_year"] < events["first_year"],
        "last_year",
        "{last_year}, before first_year {first_year}",
        "a year not before first_year",
        "Exchange or correct the two years; they are the range in which the event began.",
    )
    report(
        events["ended_year"] < events["first_year"],
        "ended_year",
        "{ended_year}, before first_year {first_year}",
        "a year not before first_year",
        "Correct ended_year or first_year.",
    )
    this_year = dt.date.today().year
    for name in ("first_year", "last_year", "ended_year"):
        report(
            events[name] > this_year,
            name,
            "{" + name + "}, in the future",
            f"a year up to {this_year}",
            "Correct the year.",
        )
    report(
        events["removed_dbh_high_cm"] <= events["removed_dbh_low_cm"],
        "removed_dbh_high_cm",
        "{removed_dbh_high_cm}, with removed_dbh_low_cm {removed_dbh_low_cm}",
        "a diameter above removed_dbh_low_cm",
        "Exchange or correct the two diameters.",
    )
