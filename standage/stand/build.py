"""From a survey to what the stand model is given: which stems count, on which axis, with which
evidence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from standage.evidence.core import core_table, read_cores
from standage.evidence.known_age import refuse_own_stems
from standage.evidence.participation import (
    AT_ODDS,
    BEFORE_AXIS,
    FEWEST_STEMS,
    Participation,
    participation,
    profiles_of,
    stands_with_plots,
)
from standage.profiles import Profile
from standage.stand.build_notes import (
    core_notes,
    event_notes,
    no_history,
    too_old_records,
    why_no_history,
)
from standage.stand.choice_of_cores import choice_notes
from standage.stand.data import SpeciesData, StandData, UnitData
from standage.stand.dated_stems import DatedStem, Group, class_edges, dated_stems
from standage.stand.unit_arrays import unit_data
from standage.survey.survey import Survey


@dataclass(frozen=True)
class BuiltStands:
    """The arrays of the model and, beside them, every stem it speaks about; `profiles` by key of
    all species of the survey that have one.
    """

    data: StandData
    stems: tuple[DatedStem, ...]
    notes: tuple[str, ...]
    profiles: Mapping[str, Profile]


def build_stands(survey: Survey, *, profile_folder: str | None = None) -> BuiltStands:
    """Reduce a checked survey to the model's arrays. Raises `StandageError` when no stand has
    enough to model.

    >>> built = build_stands(survey)
    >>> len(built.data.units), len(built.stems)
    (1, 95)
    """
    profiles = profiles_of(survey, profile_folder)
    refuse_own_stems(survey, profiles)
    taking_part = participation(survey, profiles)
    groups = _groups(survey, profiles, taking_part)
    modelled = [group for group in groups if group.number >= 0]
    if not modelled:
        readable = sum(int(group.readings.readable.sum()) for group in groups)
        raise no_history(survey, [_why_none(group) for group in groups], readable)
    years = np.arange(
        int(taking_part.first_year),
        max(survey.survey_season(group.stand) for group in modelled) + 1,
    )
    limits = [survey.plots[name].dropna() for name in ("min_dbh_cm", "max_dbh_cm")]
    edges = class_edges(
        float(np.nanmax([10.0, *survey.trees["dbh_cm"]])), np.concatenate(limits).astype(float)
    )
    keys = sorted({group.species for group in modelled})
    units: list[UnitData] = []
    stems: list[DatedStem] = []
    notes: list[str] = []
    cores = core_table(survey)
    for group in groups:
        own = dated_stems(group, years, edges)
        if group.number < 0:
            notes.append(_alone(group))
        else:
            unit, unused = unit_data(survey, group, own, years, edges, keys.index(group.species))
            units.append(unit)
            notes += unused
        stems += own
        name = f"{group.stand}, {group.species.replace('-', ' ')}"
        of_stand = survey.trees[survey.trees["stand"] == group.stand]
        notes += choice_notes(name, of_stand, group.species, set(survey.cores["tree"]))
        notes += too_old_records(name, group.stems, int(years[0]))
        aside = group.taking_part.set_index("tree")["set_aside"]
        notes += core_notes(
            group.stand,
            group.species,
            group.readings,
            cores[(cores["stand"] == group.stand) & (cores["species"] == group.species)],
            at_odds=list(aside.index[aside == AT_ODDS]),
            too_early=list(aside.index[aside == BEFORE_AXIS]),
            misread=group.taking_part.set_index("tree")["misread"],
        )
    species = tuple(SpeciesData(key, profiles[key], profiles[key].has_grass_stage) for key in keys)
    data = StandData(len(years), int(years[0]), tuple(units), species, edges)
    return BuiltStands(data, tuple(stems), (*notes, *event_notes(survey)), profiles)


def _groups(
    survey: Survey, profiles: Mapping[str, Profile], taking_part: Participation
) -> Sequence[Group]:
    """The species of each stand that have a profile, in the order of the stands."""
    trees = survey.trees.assign(natural=taking_part.stems["natural"].to_numpy())
    with_plots, groups, units = stands_with_plots(survey), [], 0
    for stand in survey.stands["stand"]:
        for key, profile in profiles.items():
            stems = trees[(trees["stand"] == stand) & (trees["species"] == key)]
            if stems.empty:
                continue
            own = taking_part.groups.loc[(stand, key)]
            is_modelled = (stand, key) in taking_part.modelled
            groups.append(
                Group(
                    stand=stand,
                    species=key,
                    profile=profile,
                    stems=stems,
                    taking_part=taking_part.stems.loc[stems.index],
                    readings=read_cores(survey, stand, key, profile),
                    has_plots=stand in with_plots,
                    at_coring_height=bool(own["at_coring_height"]),
                    commonest_height_cm=float(own["commonest_height_cm"]),
                    number=units if is_modelled else -1,
                )
            )
            units += is_modelled
    return groups


def _why_none(group: Group) -> str:
    return why_no_history(
        group.stand, group.species, group.stems, group.stems["natural"], FEWEST_STEMS
    )


def _alone(group: Group) -> str:
    """What becomes of the cores of a group without a history."""
    if group.readings.readable.any():
        return f"{_why_none(group)}; each core is dated by itself."
    return f"{_why_none(group)}; no core can be read, and none is dated."
