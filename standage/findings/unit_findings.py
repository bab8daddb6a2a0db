"""What the result tables say of one stand and species, in one record."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from standage.findings.cannot_tell import OpenQuestion, open_questions, reach_assumed
from standage.findings.claim import Claim, Kind, of_kind
from standage.findings.events_on_record import CUTS, Event, stand_events
from standage.findings.intervals import Interval
from standage.findings.schema import Row
from standage.findings.stems import completed_season, survey_year
from standage.findings.uncertainty_budget import Budget, uncertainty_budget
from standage.survey.survey import Survey


@dataclass(frozen=True)
class UnitFindings:
    """The rows of the result tables that are about one unit.

    Attributes
    ----------
    summary : its row of `stand_summary`.
    pulses, attribution, cohorts, rate, trees : its rows of these tables.
    groups : its rows of `stand_table`; none without plots.
    events : those on record for its stand, oldest first.
    budget : what the uncertainty of its cored trees is made of; None where that is not known.
    last_season : last growing season completed at the survey.
    survey_year : year of the survey.
    claims : what is claimed about it, in the order in which it is read.
    """

    summary: Row
    pulses: pd.DataFrame
    attribution: pd.DataFrame
    cohorts: pd.DataFrame
    groups: pd.DataFrame
    rate: pd.DataFrame
    trees: pd.DataFrame
    events: tuple[Event, ...]
    budget: Budget | None
    last_season: int
    survey_year: int
    claims: tuple[Claim, ...] = ()

    @property
    def cut_on_record(self) -> bool:
        """Whether stems of its stand are known to have been cut."""
        return any(event.kind in CUTS for event in self.events)

    def claim(self, kind: Kind, subject: str | None = None) -> Claim | None:
        """The first claim of a kind, about a subject where one is given; None without one."""
        return next(iter(self.claims_of(kind, subject)), None)

    def claims_of(self, kind: Kind, subject: str | None = None) -> list[Claim]:
        """The claims of a kind, about a subject where one is given."""
        return of_kind(self.claims, kind, subject)

    @property
    def dates_known(self) -> bool:
        """Whether years rest on more than what is assumed of cores that ended anywhere."""
        return not reach_assumed(self.summary)

    @property
    def stand(self) -> str:
        return str(self.summary["stand"])

    @property
    def name(self) -> str:
        """Stand and species as a heading."""
        return unit_name(self.stand, str(self.summary["species"]))

    @property
    def open_questions(self) -> tuple[OpenQuestion, ...]:
        """What the survey leaves open of it."""
        return open_questions(self.summary, self.pulses, self.attribution)

    def interval(self, name: str) -> Interval:
        """A quantity of the summary row."""
        return Interval.of(self.summary, name)


def unit_findings(row: Row, survey: Survey, **tables: pd.DataFrame) -> UnitFindings:
    """The record of one unit.

    row: its row of `stand_summary`. tables: whole tables by the name they have in the record.
    """
    own = {name: rows_of(table, row) for name, table in tables.items()}
    return UnitFindings(
        summary=row,
        events=tuple(stand_events(survey, row["stand"])),
        budget=uncertainty_budget(own["trees"]),
        last_season=completed_season(survey, str(row["stand"])),
        survey_year=survey_year(survey, str(row["stand"])),
        **own,
    )


def unit_name(stand: str, species: str) -> str:
    """Stand and species as a heading."""
    return f"{stand}, {species.replace('-', ' ')}"


def rows_of(table: pd.DataFrame, row: Row) -> pd.DataFrame:
    """The rows of a table that are about the stand and species of `row`."""
    return table[(table["stand"] == row["stand"]) & (table["species"] == row["species"])]
