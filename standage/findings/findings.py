"""`Findings`: all that a posterior says, at one credible level, each table worked out once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property, partial

import pandas as pd

from standage.evidence import date_trees
from standage.findings.attribution import attribution_table
from standage.findings.claim import CLAIMS, Claim
from standage.findings.claims import claim_table, unit_claims
from standage.findings.claims_of_pairs import pair_claims
from standage.findings.claims_of_rings import ring_claims
from standage.findings.cohorts import cohort_table
from standage.findings.comparison import comparison_table
from standage.findings.cutting import Evidence, cutting_evidence
from standage.findings.disturbance_decades import decade_table
from standage.findings.disturbances import disturbance_table, event_year_table, tree_release_table
from standage.findings.events_on_record import event_years_by_rings
from standage.findings.fit_grade import FitGrade, fit_grade, strained_delays
from standage.findings.local_ratio import Scan, scan_unit
from standage.findings.long_table import all_stands_table
from standage.findings.model_checks import (
    count_table,
    delay_table,
    diameter_table,
    size_curve_table,
)
from standage.findings.old_trees import RANKED_BY, old_tree_table
from standage.findings.parameter_table import parameter_table
from standage.findings.population import Population, population, survey_diameter_limit
from standage.findings.prior_sensitivity import sensitivity_table
from standage.findings.pulse_limit import ReportingLimit, limit_table, unit_limit
from standage.findings.pulses import Burst, find_bursts, pulse_table
from standage.findings.rates import rate_table
from standage.findings.recruitment_shapes import RecordStems, RecruitmentShape, record_stems
from standage.findings.regeneration import STOCKING_PER_HA
from standage.findings.releases import chronology_table, release_table
from standage.findings.rereading import rereading_table
from standage.findings.result_tables import RESULT_TABLES
from standage.findings.stand_summary import stand_summary_table
from standage.findings.stand_table import stand_table
from standage.findings.tree_dates import tree_date_table
from standage.findings.unit_findings import UnitFindings, unit_findings
from standage.growth.growth_changes import MODEL, GrowthChanges, growth_changes, ring_years
from standage.growth.release_criteria import Criterion
from standage.profiles import Profile, load_profile
from standage.stand.few_held import FewHeld
from standage.stand.posterior import Posterior
from standage.survey.survey import Survey

CLAIMED_AGES = (100, 120, 150)  # ages that old trees are commonly spared from [years]
SCANS_HELD = 10  # a scan takes some 15 MB, and less time to make than to write its rows


class Findings:
    """What a posterior says of its stands and trees.

    Parameters
    ----------
    posterior : the posterior of a survey.
    level : credible level of every interval; that of the posterior if None.
    criterion : how releases are told from ring widths, see `growth_changes`.
    profile_folder : where the species profiles of the fit are, if not the shipped ones.
    diameter_limit_cm : smallest diameter of the stems that shares, spans and classes are of; no
        smaller than the largest lower limit of the survey's plots. [cm]
    age_over : an age whose share of the stems is claimed beside that of 100, 120 and 150, and by
        which old trees are ranked; 0 for none. [years]
    stocking_per_ha : stocking that regeneration is held against. [plants/ha]

    Attributes
    ----------
    Each table of a result is an attribute, made when first asked for and then held; `tables` has
    all by file name without ending. Columns are those of `standage.findings.result_tables`.

    >>> findings = Findings(posterior, level=0.5)
    >>> findings.level
    0.5
    >>> findings.stand_summary["stand"].tolist()
    ['a']
    """

    def __init__(
        self,
        posterior: Posterior,
        *,
        level: float | None = None,
        criterion: str | Criterion = MODEL,
        profile_folder: str | None = None,
        diameter_limit_cm: float = 0.0,
        age_over: float = 0.0,
        stocking_per_ha: float = STOCKING_PER_HA,
    ) -> None:
        self.posterior = posterior
        self.level = posterior.level if level is None else level
        self.criterion = criterion
        self.profile_folder = profile_folder
        self.diameter_limit_cm = max(diameter_limit_cm, survey_diameter_limit(posterior.survey))
        self.ages_asked = tuple(sorted({*CLAIMED_AGES, *([age_over] if age_over else [])}))
        self.spare_age = age_over or float(RANKED_BY)
        self.stocking_per_ha = stocking_per_ha

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
    def scans(self) -> Sequence[Scan]:
        """Each unit's years held against the years around them."""
        return FewHeld(
            len(self.posterior.units), partial(scan_unit, self.posterior), held=SCANS_HELD
        )

    @cached_property
    def records(self) -> Sequence[RecordStems]:
        """What is known of each unit's stems, by themselves."""
        return FewHeld(len(self.posterior.units), partial(record_stems, self), held=SCANS_HELD)

    @cached_property
    def cutting(self) -> Sequence[Evidence | None]:
        """What speaks for cutting and for pulses, by unit."""
        return FewHeld(len(self.posterior.units), partial(cutting_evidence, self), held=SCANS_HELD)

    @cached_property
    def limits(self) -> list[ReportingLimit]:
        """The score from which a pulse is reported, by unit."""
        table = limit_table()
        return [
            unit_limit(self.posterior, number, table) for number in range(len(self.posterior.units))
        ]

    @cached_property
    def bursts(self) -> list[list[Burst]]:
        """The pulses of each unit by draw, the oldest first. Without plots nobody knows from which
        age on trees were sampled: what may have stayed is no pulse then.
        """
        return [
            [] if not unit.has_plots and shape.may_have_stayed else find_bursts(scan, limit)
            for unit, scan, limit, shape in zip(
                self.posterior.units, self.scans, self.limits, self.shapes, strict=True
            )
        ]

    @cached_property
    def shapes(self) -> list[RecruitmentShape]:
        """How probable each shape of recruitment is, by unit."""
        return [known.shape for known in self.records]

    @cached_property
    def growth_changes(self) -> GrowthChanges | None:
        """Releases and suppressions of all trees with ring widths; None where there are none."""
        if self.survey.ring_widths.empty:
            return None
        return growth_changes(self.survey, criterion=self.criterion, seed=self.posterior.seed)

    @cached_property
    def event_chances(self) -> Mapping[tuple[str, str], pd.Series]:
        """What `event_years_by_rings` says; empty without ring widths."""
        changes = self.growth_changes
        return {} if changes is None else event_years_by_rings(changes)

    @cached_property
    def populations(self) -> tuple[Population, ...]:
        """By unit, the stems that shares, spans and classes are of."""
        return tuple(population(self, number) for number in range(len(self.posterior.units)))

    @cached_property
    def claims(self) -> tuple[Claim, ...]:
        """Every claim: about every unit, of stands side by side, from ring widths."""
        return self.claims_of_units + self.claims_of_pairs + self.claims_of_rings

    @cached_property
    def claims_of_units(self) -> tuple[Claim, ...]:
        """What is claimed of each unit by itself: no stands need be compared for it."""
        return tuple(claim for unit in self.units for claim in unit.claims)

    @cached_property
    def claims_of_pairs(self) -> tuple[Claim, ...]:
        """What is claimed of stands and communities side by side."""
        return pair_claims(self.comparison, self.level)

    @cached_property
    def claims_of_rings(self) -> tuple[Claim, ...]:
        """What ring widths say of each stand with some."""
        return ring_claims(self)

    def claims_of(self, unit: UnitFindings) -> tuple[Claim, ...]:
        """The claims about one unit."""
        return tuple(
            claim
            for claim in self.claims_of_units
            if (claim.stand, claim.species) == (unit.stand, unit.summary["species"])
        )

    @cached_property
    def stand_summary(self) -> pd.DataFrame:
        """One row a unit."""
        return stand_summary_table(self)

    @cached_property
    def tree_dates(self) -> pd.DataFrame:
        """One row a tree."""
        return tree_date_table(self)

    @cached_property
    def rereading(self) -> pd.DataFrame:
        """One row a counted core: how probably it is misread, and what a sure reading changes."""
        return rereading_table(self)

    @cached_property
    def old_trees(self) -> pd.DataFrame:
        """One row a living stem with a date: how probably it is over an age."""
        return old_tree_table(self)

    @cached_property
    def cohorts(self) -> pd.DataFrame:
        """One row a unit and class of ten years."""
        return cohort_table(self)

    @cached_property
    def stand_table(self) -> pd.DataFrame:
        """One row a unit with plots and an age class, diameter class or cohort."""
        return stand_table(self)

    @cached_property
    def rate(self) -> pd.DataFrame:
        """One row a unit and year."""
        return rate_table(self)

    @cached_property
    def pulses(self) -> pd.DataFrame:
        """One row a pulse."""
        return pulse_table(self)

    @cached_property
    def attribution(self) -> pd.DataFrame:
        """One row a pulse and event."""
        return attribution_table(self)

    @cached_property
    def disturbance_chronology(self) -> pd.DataFrame | None:
        """One row a stand with rings and year, quiet years too; None without ring widths."""
        changes = self.growth_changes
        if changes is None:
            return None
        return chronology_table(changes, seed=self.posterior.seed, level=self.level)

    @cached_property
    def releases(self) -> pd.DataFrame | None:
        """One row a stand and year in which growth changed; None without ring widths."""
        chronology = self.disturbance_chronology
        return None if chronology is None else release_table(chronology)

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
    def disturbance_decades(self) -> pd.DataFrame | None:
        """One row a stand with rings and decade; None without ring widths."""
        changes = self.growth_changes
        return None if changes is None else decade_table(self, changes)

    @cached_property
    def event_years(self) -> pd.DataFrame | None:
        """One row an event on record, its year sharpened by the rings; None without ring widths."""
        changes = self.growth_changes
        return None if changes is None else event_year_table(changes, self.survey, level=self.level)

    @cached_property
    def comparison(self) -> pd.DataFrame:
        """Stands and communities side by side, one row a difference."""
        return comparison_table(self)

    @cached_property
    def parameters(self) -> pd.DataFrame:
        """One row a parameter, prior and posterior."""
        return parameter_table(self)

    @cached_property
    def prior_sensitivity(self) -> pd.DataFrame:
        """One row an assumption and unit."""
        return sensitivity_table(self)

    @cached_property
    def all_stands(self) -> pd.DataFrame:
        """One row a number with an interval of `stand_summary`, `cohorts` and `pulses`."""
        tables = {name: getattr(self, name) for name in ("stand_summary", "cohorts", "pulses")}
        return all_stands_table(tables, self.survey)

    @cached_property
    def tables(self) -> dict[str, pd.DataFrame]:
        """All tables of a result by file name without ending."""
        found = {table.name: self._table(table.name) for table in RESULT_TABLES}
        return {name: table for name, table in found.items() if table is not None}

    def _table(self, name: str) -> pd.DataFrame | None:
        return claim_table(self.claims) if name == CLAIMS.name else getattr(self, name)

    @cached_property
    def ring_years(self) -> pd.DataFrame | None:
        """One row a ring of a tree; None without ring widths."""
        return None if self.growth_changes is None else ring_years(self.growth_changes)

    @cached_property
    def delays(self) -> pd.DataFrame:
        """One row a unit, delay and number of seasons: its chance before and after the data."""
        return delay_table(self)

    @cached_property
    def size_curves(self) -> pd.DataFrame:
        """One row a unit and season since breast height: median diameter."""
        return size_curve_table(self)

    @cached_property
    def diameter_check(self) -> pd.DataFrame:
        """One row a unit and class of diameter: stems listed and expected."""
        return diameter_table(self)

    @cached_property
    def count_check(self) -> pd.DataFrame:
        """One row a unit and seedling stage: plants counted and expected."""
        return count_table(self)

    @cached_property
    def fit_grade(self) -> FitGrade:
        """How far the fit can be trusted."""
        survey = self.survey
        strained = strained_delays(
            self.parameters,
            set(survey.known_age_stems["stand"]),
            set(survey.stands_of_counts()),
            self.posterior.level,
        )
        return fit_grade(self.posterior.verdict, self.count_check, strained)

    @cached_property
    def units(self) -> tuple[UnitFindings, ...]:
        """What the tables say of each unit, with the claims about it."""
        found = (
            unit_findings(
                row,
                self.survey,
                pulses=self.pulses,
                attribution=self.attribution,
                cohorts=self.cohorts,
                groups=self.stand_table,
                rate=self.rate,
                trees=self.tree_dates,
            )
            for row in self.stand_summary.to_dict("records")
        )
        return tuple(
            replace(unit, claims=unit_claims(self, number, unit))
            for number, unit in enumerate(found)
        )
