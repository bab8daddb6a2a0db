"""`Findings`: all that a posterior says, at one credible level, each table worked out once."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import pandas as pd

from standage.evidence import date_trees
from standage.findings.attribution import attribution
from standage.findings.cohorts import cohorts
from standage.findings.comparison import comparison
from standage.findings.disturbances import disturbance_table, event_table, tree_release_table
from standage.findings.emergence_effect import EmergenceEffect, emergence_effects
from standage.findings.events_on_record import event_years_by_rings
from standage.findings.fit_grade import FitGrade, fit_grade
from standage.findings.local_ratio import Scan, scan_units
from standage.findings.long_table import COORDINATES, long_table, stand_places
from standage.findings.model_checks import count_check, delays, diameter_check, size_curves
from standage.findings.prior_sensitivity import prior_sensitivity
from standage.findings.pulses import pulses
from standage.findings.rates import rates
from standage.findings.releases import disturbance_chronology, release_table
from standage.findings.stand_summary import stand_summary
from standage.findings.tree_dates import tree_dates
from standage.findings.unit_findings import UnitFindings, unit_findings
from standage.growth.growth_changes import MODEL, GrowthChanges, growth_changes, ring_years
from standage.growth.release_criteria import Criterion
from standage.profiles import Profile, load_profile
from standage.stand.posterior import Posterior
from standage.survey.survey import Survey

PARAMETER_COLUMNS = (
    *("name", "stand", "prior_low", "prior_median", "prior_high"),
    *("posterior_low", "posterior_median", "posterior_high", "ess", "rhat", "what_it_means"),
)


class Findings:
    """What a posterior says of its stands and trees.

    Parameters
    ----------
    posterior : the posterior of a survey.
    level : credible level of every interval; that of the posterior if None.
    criterion : how releases are told from ring widths, see `growth_changes`.
    profile_folder : where the species profiles of the fit are, if not the shipped ones.

    Attributes
    ----------
    Each table of a result is an attribute, made when first asked for and kept; `tables` has all by
    file name without ending.
    """

    def __init__(
        self,
        posterior: Posterior,
        *,
        level: float | None = None,
        criterion: str | Criterion = MODEL,
        profile_folder: str | None = None,
    ) -> None:
        self.posterior = posterior
        self.level = posterior.level if level is None else level
        self.criterion = criterion
        self.profile_folder = profile_folder

    @classmethod
    def of(cls, result: Posterior | Findings) -> Findings:
        """The findings of a posterior, at the level of its fit; or findings, as they are."""
        return result if isinstance(result, Findings) else cls(result)

    @property
    def survey(self) -> Survey:
        """The survey that was fitted."""
        return self.posterior.survey

    @cached_property
    def profiles(self) -> Mapping[str, Profile]:
        """Life-history profiles of the species in the fit, by key."""
        keys = sorted({unit.species for unit in self.posterior.units})
        return {key: load_profile(key, self.profile_folder) for key in keys}

    @cached_property
    def ages(self) -> pd.DataFrame:
        """Cores dated one by one; what each step adds to the uncertainty of a tree."""
        return date_trees(self.survey, level=self.level, folder=self.profile_folder)

    @cached_property
    def scans(self) -> list[Scan]:
        """Each unit's years held against the years around them."""
        return scan_units(self.posterior)

    @cached_property
    def growth_changes(self) -> GrowthChanges | None:
        """Releases and suppressions of all trees with ring widths; None where there are none."""
        if self.survey.ring_widths.empty:
            return None
        return growth_changes(self.survey, criterion=self.criterion, seed=self.posterior.seed)

    @cached_property
    def stand_summary(self) -> pd.DataFrame:
        """One row a unit."""
        table = stand_summary(self.posterior, level=self.level)
        return with_coordinates(table, self.survey)

    @cached_property
    def tree_dates(self) -> pd.DataFrame:
        """One row a tree."""
        return tree_dates(self.posterior, level=self.level, ages=self.ages)

    @cached_property
    def cohorts(self) -> pd.DataFrame:
        """One row an age class of ten years."""
        return cohorts(self.posterior, level=self.level)

    @cached_property
    def rate(self) -> pd.DataFrame:
        """One row a year."""
        return rates(self.posterior, level=self.level, scans=self.scans)

    @cached_property
    def pulses(self) -> pd.DataFrame:
        """One row a pulse."""
        return pulses(self.posterior, level=self.level, scans=self.scans)

    @cached_property
    def attribution(self) -> pd.DataFrame:
        """One row a pulse and event."""
        changes = self.growth_changes
        return attribution(
            self.posterior,
            level=self.level,
            pulses=self.pulses,
            scans=self.scans,
            profile_folder=self.profile_folder,
            event_years={} if changes is None else event_years_by_rings(changes),
        )

    @cached_property
    def releases(self) -> pd.DataFrame | None:
        """One row a stand and year; None without ring widths."""
        changes = self.growth_changes
        if changes is None:
            return None
        return release_table(self.posterior, level=self.level, changes=changes)

    @cached_property
    def tree_releases(self) -> pd.DataFrame | None:
        """One row a release or suppression of a tree; None without ring widths."""
        changes = self.growth_changes
        return None if changes is None else tree_release_table(changes, level=self.level)

    @cached_property
    def disturbances(self) -> pd.DataFrame | None:
        """One row a disturbance of a stand; None without ring widths."""
        changes = self.growth_changes
        if changes is None:
            return None
        return disturbance_table(changes, seed=self.posterior.seed, level=self.level)

    @cached_property
    def event_years(self) -> pd.DataFrame | None:
        """One row an event on record, its year sharpened by the rings; None without ring widths."""
        changes = self.growth_changes
        return None if changes is None else event_table(self.survey, changes, level=self.level)

    @cached_property
    def comparison(self) -> pd.DataFrame:
        """Stands and communities side by side, one row a difference."""
        return comparison(self.posterior, level=self.level, scans=self.scans)

    @cached_property
    def parameters(self) -> pd.DataFrame:
        """One row a parameter, prior and posterior."""
        return self.posterior.parameters.reindex(columns=list(PARAMETER_COLUMNS))

    @cached_property
    def prior_sensitivity(self) -> pd.DataFrame:
        """One row an assumption and unit."""
        return prior_sensitivity(self.posterior, scans=self.scans)

    @cached_property
    def disturbance_chronology(self) -> pd.DataFrame | None:
        """One row a stand with rings and year, quiet years too; None without ring widths."""
        changes = self.growth_changes
        if changes is None:
            return None
        return disturbance_chronology(self.posterior, level=self.level, changes=changes)

    @cached_property
    def ring_years(self) -> pd.DataFrame | None:
        """One row a ring of a tree; None without ring widths."""
        return None if self.growth_changes is None else ring_years(self.growth_changes)

    @cached_property
    def delays(self) -> pd.DataFrame:
        """One row a unit, delay and number of seasons: its chance before and after the data."""
        return delays(self.posterior, level=self.level)

    @cached_property
    def size_curves(self) -> pd.DataFrame:
        """One row a unit and season since breast height: median diameter."""
        return size_curves(self.posterior, level=self.level)

    @cached_property
    def diameter_check(self) -> pd.DataFrame:
        """One row a unit and class of diameter: stems listed and expected."""
        return diameter_check(self.posterior, level=self.level)

    @cached_property
    def count_check(self) -> pd.DataFrame:
        """One row a unit and seedling stage: plants counted and expected."""
        return count_check(self.posterior)

    @cached_property
    def fit_grade(self) -> FitGrade:
        """How far the fit can be trusted."""
        return fit_grade(self.posterior.verdict, self.count_check)

    @cached_property
    def units(self) -> tuple[UnitFindings, ...]:
        """What the tables say of each unit."""
        return tuple(
            unit_findings(
                row,
                self.survey,
                pulses=self.pulses,
                attribution=self.attribution,
                cohorts=self.cohorts,
                rate=self.rate,
                trees=self.tree_dates,
            )
            for row in self.stand_summary.to_dict("records")
        )

    @cached_property
    def emergence(self) -> tuple[EmergenceEffect, ...]:
        """How openings changed emergence, by unit; empty where that was left out of the model."""
        return tuple(emergence_effects(self.posterior, level=self.level))

    @cached_property
    def tables(self) -> dict[str, pd.DataFrame]:
        """All tables of a result by file name without ending."""
        of_rings = {
            "releases": self.releases,
            "tree_releases": self.tree_releases,
            "disturbances": self.disturbances,
            "event_years": self.event_years,
        }
        tables = {
            "stand_summary": self.stand_summary,
            "tree_dates": self.tree_dates,
            "cohorts": self.cohorts,
            "rate": self.rate,
            "pulses": self.pulses,
            "attribution": self.attribution,
            **{name: table for name, table in of_rings.items() if table is not None},
            "comparison": self.comparison,
            "parameters": self.parameters,
            "prior_sensitivity": self.prior_sensitivity,
        }
        return tables | {"all_stands": long_table(tables, self.survey)}


def with_coordinates(table: pd.DataFrame, survey: Survey) -> pd.DataFrame:
    """A table of stands with latitude and longitude after `community`, as exactly as the survey
    holds them; blank where it doesn't.
    """
    places = stand_places(survey.stands).set_index("stand")
    table = table.copy()
    for place, name in enumerate(COORDINATES, start=table.columns.get_loc("community") + 1):
        table.insert(place, name, places[name].reindex(table["stand"]).to_numpy())
    return table
