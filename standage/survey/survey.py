"""A survey that was checked: frozen tables that later code trusts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from standage.errors import plainly
from standage.problems import Problem
from standage.survey.card import summary_card, summary_counts, survey_card
from standage.survey.cells.cells import typed_table
from standage.survey.readings import Reading
from standage.survey.rings.ring_widths import ring_frame
from standage.survey.schema import CORE_READINGS, RING_WIDTHS, Table
from standage.years import growing_season, growing_seasons


def empty_table(table: Table) -> pd.DataFrame:
    """A table of a survey without rows, with all columns."""
    empty = typed_table(table, None, [], [])
    return ring_frame(empty, table.file, [], {}) if table is RING_WIDTHS else empty


def _no_ring_widths() -> pd.DataFrame:
    return empty_table(RING_WIDTHS)


def _no_readings() -> pd.DataFrame:
    return empty_table(CORE_READINGS)


@dataclass(frozen=True, eq=False, repr=False)
class Survey:
    """A survey that passed every check.

    name: of the folder or workbook. path: as given. The tables are DataFrames with all columns of
    their definition in `standage.survey.schema`, then `row` (row in the file, header 1), then
    columns that are not known; 0 rows where a table is absent. Text is str, "" for blank; numbers
    are float64, NaN for blank; dates datetime64[ns]. Documented defaults are filled in.
    `ring_widths` has a row a ring, from ring_widths.csv and the decadal files in rings/ alike:
    sorted by core and year, years consecutive within a core, 0 = absent ring, and `row` is the row
    or line of `file`. notes: what the reader of the results should know. hashes: SHA-256 by file
    name. main_species: the commonest species with a profile. known_species: keys of the profiles it
    was read with. readings: what was read differently from what was written. unused_series: ring
    series that no core is called after, `FILE: NAME`. warnings: numbers that are hard to believe,
    used as written. sheets: the sheet of each row, by name of a table that was put together from
    several.

    >>> survey
    <Survey small: 1 stands, 95 stems, 25 cores>
    >>> survey.cores["tree"].nunique()  # trees cored
    22
    """

    name: str
    path: str
    stands: pd.DataFrame
    plots: pd.DataFrame
    trees: pd.DataFrame
    cores: pd.DataFrame
    counts: pd.DataFrame
    known_age_stems: pd.DataFrame
    events: pd.DataFrame
    notes: tuple[str, ...]
    hashes: dict[str, str]
    main_species: str
    ring_widths: pd.DataFrame = field(default_factory=_no_ring_widths)
    core_readings: pd.DataFrame = field(default_factory=_no_readings)
    known_species: tuple[str, ...] | None = None
    readings: tuple[Reading, ...] = ()
    unused_series: tuple[str, ...] = ()
    warnings: tuple[Problem, ...] = ()
    sheets: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def survey_season(self, stand: str) -> int:
        """The growing season that had begun last when the stand was surveyed. Raises KeyError for a
        stand it does not have.
        """
        dates = self.stands.loc[self.stands["stand"] == stand, "survey_date"]
        if dates.empty:
            raise KeyError(
                f"the survey has no stand {stand!r}; it has {', '.join(self.stands['stand'])}"
            )
        return growing_season(dates.iloc[0])

    def survey_seasons(self) -> dict[str, int]:
        """`survey_season` of every stand."""
        seasons = growing_seasons(self.stands["survey_date"]).astype(int)
        return dict(zip(self.stands["stand"], seasons.tolist(), strict=True))

    def stands_of_counts(self) -> pd.Series:
        """The stand of each row of counts, by its plot."""
        return self.counts["plot"].map(self.plots.set_index("plot")["stand"])

    def summary_counts(self) -> dict:
        """What the survey holds, in numbers; see `standage.survey.card.summary_counts`."""
        return summary_counts(self, keys_of_profiles(self.known_species))

    def __str__(self) -> str:
        return summary_card(self, self.summary_counts())

    def __repr__(self) -> str:
        return (
            f"<Survey {plainly(self.name)}: {len(self.stands)} stands, {len(self.trees)} stems,"
            f" {len(self.cores)} cores>"
        )

    def _repr_html_(self) -> str:
        return survey_card(self).html()


def keys_of_profiles(
    known_species: Sequence[str] | None, profile_folder: str | None = None
) -> tuple[str, ...]:
    """The species that have a profile; the installed ones, and those of the folder, where none are
    given.
    """
    if known_species is not None:
        return tuple(known_species)
    from standage.profiles import (
        profile_keys,
    )  # imported here: a survey can be described without reading profiles

    return tuple(profile_keys(profile_folder))
