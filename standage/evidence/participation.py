"""Who takes part: which stems and cores of a survey the history of a stand rests on, which are
dated by themselves, which are only tallied, and which are left out, with the reason.

The stand model is built from this, and `standage check` tells it, so that both say the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standage.evidence.agreement import last_years_in_common, misread_words, one_is_misread
from standage.evidence.core import CoreReadings, core_table, readings_of
from standage.evidence.tree_ages import DEAD_NOT_CORED
from standage.profiles import Profile, load_profile, profile_keys
from standage.survey.accounted import ALONE, IN_HISTORY, LEFT_OUT, TALLIED

if TYPE_CHECKING:
    from standage.survey.survey import Survey

BREAST_HEIGHT_CM = 137.0
FEWEST_STEMS = 8
"""Fewer stems of a species in a stand are dated one by one, without a history of their own
(assumption).
"""
YEARS_BEFORE_OLDEST_RING = 120
SHORTEST_AXIS = 200
LARGEST_SHARE = 0.95

GROUP = ["stand", "species"]

AT_ODDS = "its cores contradict each other, or the year in which it is on record"
BEFORE_AXIS = "its cores lie before the years considered"


@dataclass(frozen=True)
class Participation:
    """What becomes of each stem and core of a survey.

    stems: a row a tree, in the order of trees.csv: `tree`, `stand`, `species`, `natural` (live, not
    planted and, where its stand has plots, inside one), `part` (see `standage.survey.accounted`),
    `reason` (of those left out or tallied), `set_aside` (why no core of it is used though one can
    be read; "" else), `misread` (that one of its cores is, by what the others say; "" else).
    cores: a row a core, in the order of cores.csv: `core`, `tree`, `part`, `reason`. groups: a row
    for a species of a stand that has a profile, by (`stand`, `species`): `natural` stems, `cores`
    readable, `modelled`, `at_coring_height` (no height is recorded), `commonest_height_cm` of cores
    that can be read. first_year: of the years considered; NaN where no stand has a history.
    """

    stems: pd.DataFrame
    cores: pd.DataFrame
    groups: pd.DataFrame
    first_year: float

    @property
    def modelled(self) -> pd.Index:
        """The (stand, species) that have a history."""
        return self.groups.index[self.groups["modelled"].to_numpy(dtype=bool)]


def profiles_of(survey: Survey, profile_folder: str | None = None) -> dict[str, Profile]:
    """The profiles of the species that the survey's trees are of, by key."""
    known = set(profile_keys(profile_folder))
    species = sorted(set(survey.trees["species"]) & known)
    return {key: load_profile(key, profile_folder) for key in species}


def stands_with_plots(survey: Survey) -> set[str]:
    """Stands that have plots with stems listed in them."""
    return set(survey.plots["stand"]) & set(survey.trees.loc[survey.trees["plot"] != "", "stand"])


def natural_stems(survey: Survey) -> NDArray[np.bool_]:
    """Live stems that came by themselves, inside the plots where their stand has plots: `(stem,)`,
    in the order of trees.csv. A stem in a plot whose diameter is lost isn't known to be one that
    the plot lists: its core dates it alone.
    """
    trees = survey.trees
    listed = (trees["plot"] != "") & trees["dbh_cm"].notna()
    inside = listed | ~trees["stand"].isin(stands_with_plots(survey))
    wanted = (trees["status"] == "live") & (trees["origin"] != "planted") & inside
    return wanted.to_numpy(dtype=bool)


def participation(survey: Survey, profiles: dict[str, Profile]) -> Participation:
    """What becomes of each stem and core. profiles: as `profiles_of` gives them."""
    trees = survey.trees
    stems = trees[["tree", "stand", "species"]].assign(
        natural=natural_stems(survey), sized=trees["dbh_cm"].notna()
    )
    cores, readings = _read_all(survey, profiles)
    groups = _groups(survey, stems, cores, profiles)
    first_year = _first_year(survey, stems, cores, groups, profiles)
    stems["set_aside"], stems["misread"] = _set_aside(
        stems, cores, readings, groups, profiles, first_year
    )
    stems["part"], stems["reason"] = _parts_of_stems(trees, stems, cores, groups, profiles)
    cores["part"], cores["reason"] = _parts_of_cores(stems, cores, profiles)
    return Participation(stems, cores[["core", "tree", "part", "reason"]], groups, first_year)


def axis_start(
    oldest_ring: float, last_season: int, longevity_years: float, seasons_of_size: float = 0.0
) -> int:
    """First year considered: before the oldest ring of a natural stem's core, as far back as the
    thickest stem without one may date by its size, and before what a long-lived tree could have
    seen.
    """
    return int(
        max(
            min(
                oldest_ring - YEARS_BEFORE_OLDEST_RING,
                last_season - SHORTEST_AXIS,
                last_season - math.ceil(seasons_of_size),
            ),
            min(last_season - int(longevity_years), oldest_ring - 20),
        )
    )


def seasons_to_size(profile: Profile, dbh_cm: float) -> float:
    """Seasons after which the median stem of a profile's central values is so thick, up to 95 % of
    the asymptote (docs/the-model.md, section 1).
    """
    asymptote = profile["size.asymptote_cm"]
    years_to_asymptote = asymptote / profile["size.growth_cm_per_year"]
    return -years_to_asymptote * math.log1p(-min(dbh_cm / asymptote, LARGEST_SHARE))


def _read_all(
    survey: Survey, profiles: dict[str, Profile]
) -> tuple[pd.DataFrame, dict[str, tuple[NDArray[np.int64], CoreReadings]]]:
    """A row a core, with the place of its stem in trees.csv and what was read; and the readings of
    each species with their rows.
    """
    table = core_table(survey).reset_index(drop=True)
    places = pd.Series(np.arange(len(survey.trees)), index=survey.trees["tree"])
    number = len(table)
    read = {
        "readable": np.zeros(number, dtype=bool),
        "innermost": np.full(number, np.nan),
        "height_cm": np.full(number, np.nan),
        "unread": np.full(number, "", dtype=object),
    }
    readings = {}
    species = table["species"].to_numpy(object)
    for key, profile in profiles.items():
        rows = np.flatnonzero(species == key)
        if not len(rows):
            continue
        of_species = readings_of(table.iloc[rows], profile)
        readings[key] = (rows, of_species)
        read["readable"][rows] = of_species.readable
        read["innermost"][rows] = of_species.innermost_year
        read["height_cm"][rows] = of_species.height_cm
        read["unread"][rows] = of_species.left_out_reason
    cores = table[["core", "tree", "stand", "species"]].assign(
        stem=places.reindex(table["tree"]).to_numpy(int), **read
    )
    return cores, readings


def _groups(
    survey: Survey, stems: pd.DataFrame, cores: pd.DataFrame, profiles: dict[str, Profile]
) -> pd.DataFrame:
    """A row for a species of a stand that has a profile: see `Participation.groups`."""
    of_profile = stems["species"].isin(list(profiles))
    by_stem = stems[of_profile].groupby(GROUP, sort=False)
    groups = pd.DataFrame(
        {"natural": by_stem["natural"].sum().astype(int), "sized": by_stem["sized"].any()}
    )
    usable = cores[cores["readable"]]
    heights = usable.groupby(GROUP, sort=False)["height_cm"]
    groups["cores"] = heights.size().reindex(groups.index, fill_value=0)
    known = heights.count().reindex(groups.index, fill_value=0)
    groups["at_coring_height"] = (groups["cores"] > 0) & (known == 0)
    # of heights as common as each other the lowest, for the groups are sorted by height
    often = usable.groupby([*GROUP, "height_cm"]).size().rename("often").reset_index()
    often = often.sort_values("often", ascending=False, kind="stable").drop_duplicates(GROUP)
    groups["commonest_height_cm"] = (
        often.set_index(GROUP)["height_cm"].reindex(groups.index).fillna(BREAST_HEIGHT_CM)
    )
    in_plots = groups.index.get_level_values("stand").isin(stands_with_plots(survey))
    groups["modelled"] = (groups["natural"] >= FEWEST_STEMS) & (
        (groups["cores"] > 0) | (in_plots & groups["sized"])
    )
    return groups.drop(columns="sized")


def _first_year(
    survey: Survey,
    stems: pd.DataFrame,
    cores: pd.DataFrame,
    groups: pd.DataFrame,
    profiles: dict[str, Profile],
) -> float:
    """First of the years considered for the stands that have a history; NaN without one."""
    modelled = groups.index[groups["modelled"]]
    if modelled.empty:
        return np.nan
    seasons = survey.survey_seasons()
    last = max(seasons[stand] for stand in modelled.get_level_values(0))
    longevity = max(
        profiles[species]["longevity.years"]
        for species in dict.fromkeys(modelled.get_level_values(1))
    )
    counted = stems["natural"].to_numpy()[cores["stem"]] & _among(cores, modelled)
    oldest = cores.loc[counted, "innermost"].min()
    on_record = survey.trees.loc[
        (stems["natural"] & _among(stems, modelled)).to_numpy(), "alive_in_year"
    ]
    # a record is a bound, so the years before it must be there; none is older than any tree
    oldest = np.fmin(oldest, on_record[on_record >= last - longevity].min())
    oldest = last if np.isnan(oldest) else min(oldest, last)
    with_sizes = groups.index[groups["modelled"] & ~groups["at_coring_height"]]
    uncored = stems["natural"] & _among(stems, with_sizes)
    uncored.iloc[cores.loc[cores["readable"], "stem"]] = False
    thickest = survey.trees.loc[uncored.to_numpy()].groupby("species")["dbh_cm"].max().dropna()
    by_size = [seasons_to_size(profiles[species], dbh) for species, dbh in thickest.items()]
    return axis_start(oldest, last, longevity, max(by_size, default=0.0))


def _among(rows: pd.DataFrame, groups: pd.Index) -> NDArray[np.bool_]:
    """Whether the stand and species of each row are among the groups, `(row,)`."""
    return pd.MultiIndex.from_frame(rows[GROUP]).isin(groups)


def _set_aside(
    stems: pd.DataFrame,
    cores: pd.DataFrame,
    readings: dict[str, tuple[NDArray[np.int64], CoreReadings]],
    groups: pd.DataFrame,
    profiles: dict[str, Profile],
    first_year: float,
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Why the readable cores of a stem are of no use together, "" where they are; that one of them
    is probably misread, "" where none is: `(stem,)` each.
    """
    why, misread = (np.full(len(stems), "", dtype=object) for _ in range(2))
    for key, (rows, of_species) in readings.items():
        used = np.flatnonzero(of_species.readable)
        if not len(used):
            continue
        here = cores.iloc[rows[used]]
        stem, tree = np.unique(here["stem"], return_inverse=True)
        height = _heights_used(here, groups)
        last = last_years_in_common(of_species, used, tree, height, profiles[key])
        # a comparison with NaN is false: without a history there are no years considered
        why[stem] = np.where(np.isnan(last), AT_ODDS, np.where(last < first_year, BEFORE_AXIS, ""))
        for number in np.flatnonzero(
            one_is_misread(of_species, used, tree, height, profiles[key]) & (why[stem] == "")
        ):
            misread[stem[number]] = misread_words(of_species.core[used[tree == number]])
    return why, misread


def _heights_used(cores: pd.DataFrame, groups: pd.DataFrame) -> NDArray[np.float64]:
    """Heights at which the cores of a stem are compared: where one is blank, the commonest of its
    stand and species; where all are, the same. [cm]
    """
    commonest = groups["commonest_height_cm"].reindex(pd.MultiIndex.from_frame(cores[GROUP]))
    height = cores["height_cm"].to_numpy(float)
    return np.where(np.isnan(height), commonest.to_numpy(float), height)


def _parts_of_stems(
    trees: pd.DataFrame,
    stems: pd.DataFrame,
    cores: pd.DataFrame,
    groups: pd.DataFrame,
    profiles: dict[str, Profile],
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Part and reason of each stem: `(stem,)` twice."""
    number = len(stems)
    own = groups.reindex(pd.MultiIndex.from_frame(stems[GROUP]))
    modelled = own["modelled"].eq(True).to_numpy(dtype=bool)
    at_core = own["at_coring_height"].eq(True).to_numpy(dtype=bool)
    natural, sized = stems["natural"].to_numpy(), stems["sized"].to_numpy() & ~at_core
    cored, readable = np.zeros(number, dtype=bool), np.zeros(number, dtype=bool)
    cored[cores["stem"]] = True
    readable[cores.loc[cores["readable"], "stem"]] = True
    dated = readable & (stems["set_aside"] == "").to_numpy(dtype=bool)
    planted = (trees["origin"] == "planted").to_numpy(dtype=bool)
    on_record = planted & trees["planted_year"].notna().to_numpy(dtype=bool)
    foreign = ~stems["species"].isin(list(profiles)).to_numpy(dtype=bool)
    part = np.select(
        [foreign, natural & modelled & (dated | sized), on_record | dated],
        [TALLIED, IN_HISTORY, ALONE],
        LEFT_OUT,
    ).astype(object)
    unread = np.full(number, "", dtype=object)
    lost = cores[~cores["readable"]].drop_duplicates("stem")
    unread[lost["stem"]] = lost["unread"]
    few = (own["natural"] < FEWEST_STEMS).to_numpy(dtype=bool)
    species = stems["species"].to_numpy(object)
    reason = np.select(
        [
            foreign,
            part != LEFT_OUT,
            (stems["set_aside"] != "").to_numpy(dtype=bool) & ~(natural & sized),
            natural & sized & few,
            natural & sized,
            cored,
            at_core,
            (trees["status"] != "live").to_numpy(dtype=bool),
            planted,
            (trees["plot"] != "").to_numpy(dtype=bool),
            ~natural,
        ],
        [
            "no profile for species '" + species + "': tallied only",
            "",
            stems["set_aside"].to_numpy(object),
            "of " + species + ", too few in this stand to date one by its size",
            species + " has no history in this stand to date one by its size",
            unread,
            "not cored, and without coring heights sizes can't be used",
            DEAD_NOT_CORED,
            "planted, and neither the year nor a core is recorded",
            "in a plot, with neither diameter nor core",
            "outside the plots and not cored",
        ],
        "neither core nor diameter",
    ).astype(object)
    return part, reason


def _parts_of_cores(
    stems: pd.DataFrame, cores: pd.DataFrame, profiles: dict[str, Profile]
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Part and reason of each core: `(core,)` twice."""
    stem = stems.iloc[cores["stem"].to_numpy()]
    foreign = ~cores["species"].isin(list(profiles)).to_numpy(dtype=bool)
    aside = stem["set_aside"].to_numpy(object)
    lost = ~cores["readable"].to_numpy(dtype=bool)
    conditions = [foreign, lost, aside != ""]
    part = np.select(conditions, [TALLIED, LEFT_OUT, LEFT_OUT], stem["part"].to_numpy(object))
    reasons = [stem["reason"].to_numpy(object), cores["unread"].to_numpy(object), aside]
    return part.astype(object), np.select(conditions, reasons, "").astype(object)
