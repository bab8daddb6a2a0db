"""The assumptions whose weight on the answer is told: where each stands among the parameters, and
by how much it is moved.

Everything sampled is standard normal in the prior, so an assumption of a profile is a place in the
parameter vector, and another profile is another mean there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from standage.profiles import Profile
from standage.stand.data import StandData, UnitData
from standage.stand.parameters import layout

# Steps that a forester would call a different opinion, not an error (assumption): the profile's own
# spreads are of this order
GRASS_STAGE_LONGER = 2.0  # years, of the median
BREAST_HEIGHT_LATER = 1.0  # years
FIRST_RINGS_NARROWER = 0.2  # share
DIAMETER_FASTER = 0.2  # share


@dataclass(frozen=True)
class PriorComponent:
    """One assumption of a unit.

    Attributes
    ----------
    name, changed : what it is, and the change in words that go after "if".
    change, unit : the same as a number.
    places : places in the parameter vector of all the factors it is made of.
    weights : of these factors in its own quantity, on the scale on which that is normal; 0 for
        spreads.
    by : how far the prior mean of each factor is moved [prior standard deviations].
    """

    name: str
    changed: str
    change: float
    unit: str
    places: tuple[int, ...]
    weights: tuple[float, ...]
    by: tuple[float, ...]


def prior_components(data: StandData, which: int) -> tuple[PriorComponent, ...]:
    """The assumptions that a unit's likelihood or process uses, in the order of
    docs/the-model.md.
    """
    unit = data.units[which]
    species = data.species[unit.species_index]
    profile = species.profile
    places = layout(data)
    own = places.unit_offsets[which]
    of_species = {name: place + unit.species_index for name, place in places.offsets.items()}
    found = []
    if unit.basis == "establishment":
        if species.has_grass_stage:
            found.append(_grass_stage(profile, of_species, own))
        found.append(_height_growth(profile, of_species, own))
    found.append(_survivorship_slope(profile, own))
    if unit.basis == "establishment":
        found.append(_early_survivorship(profile, own))
    if len(unit.removal_m):
        found.append(_recorded_cuts(unit, own))
    if any(node.loads_gamma for tree in unit.trees for node in tree.nodes):
        found.append(_early_growth(profile, own))
    if unit.has_plots or any(node.dbh_class >= 0 for tree in unit.trees for node in tree.nodes):
        found.append(_size_growth(profile, of_species, own))
    return tuple(found)


def _grass_stage(profile: Profile, of_species: dict, own: dict) -> PriorComponent:
    sd, between = (
        profile["grass_stage.median_log_sd"],
        profile["grass_stage.between_stand_log_sd"] * math.sqrt(0.5),
    )
    years = profile["grass_stage.median_years"]
    return PriorComponent(
        "grass stage",
        f"the grass stage lasts {GRASS_STAGE_LONGER:g} years longer than the profile says",
        GRASS_STAGE_LONGER,
        "years, of the median",
        (
            of_species["grass_median"],
            own["shared_pace"],
            own["grass_pace"],
            of_species["grass_spread"],
        ),
        (sd, between, between, 0.0),
        (math.log((years + GRASS_STAGE_LONGER) / years) / sd, 0.0, 0.0, 0.0),
    )


def _height_growth(profile: Profile, of_species: dict, own: dict) -> PriorComponent:
    sd, between = (
        profile["height_growth.years_log_sd"],
        profile["height_growth.between_stand_log_sd"] * math.sqrt(0.5),
    )
    years = profile["height_growth.years_to_breast_height"]
    later = "1 year" if BREAST_HEIGHT_LATER == 1 else f"{BREAST_HEIGHT_LATER:g} years"
    return PriorComponent(
        "height growth",
        f"stems take {later} longer to breast height than the profile says",
        BREAST_HEIGHT_LATER,
        "years, of the mean",
        (
            of_species["height_years"],
            own["shared_pace"],
            own["height_pace"],
            of_species["height_spread"],
        ),
        (sd, between, between, 0.0),
        (math.log((years + BREAST_HEIGHT_LATER) / years) / sd, 0.0, 0.0, 0.0),
    )


def _survivorship_slope(profile: Profile, own: dict) -> PriorComponent:
    times = math.exp(profile["survival.slope_sd"])
    # a positive factor means more old stems, so steeper losses are a negative one
    return PriorComponent(
        "survivorship slope",
        f"a century of age leaves {times:.2g} times fewer stems than the profile says",
        times,
        "times fewer stems per century",
        (own["slope"],),
        (-1.0,),
        (-1.0,),
    )


def _early_survivorship(profile: Profile, own: dict) -> PriorComponent:
    times = math.exp(profile["survival.early_sd"])
    return PriorComponent(
        "early survivorship",
        f"there are {times:.2g} times fewer seedlings to each grown stem than the profile says",
        times,
        "times fewer germinants to each grown stem",
        (own["early"],),
        (-1.0,),
        (-1.0,),
    )


def _recorded_cuts(unit: UnitData, own: dict) -> PriorComponent:
    number = len(unit.removal_m)
    cuts = "the recorded cut" if number == 1 else "the recorded cuts"
    each = tuple(range(own["removal"], own["removal"] + number))
    return PriorComponent(
        "recorded cuts",
        f"{cuts} took more, by one standard deviation of what is assumed",
        1.0,
        "prior standard deviations",
        each,
        (1.0,) * number,
        (1.0,) * number,
    )


def _early_growth(profile: Profile, own: dict) -> PriorComponent:
    by = -math.log(1 - FIRST_RINGS_NARROWER) / profile["core.early_growth_stand_log_sd"]
    percent = 100 * FIRST_RINGS_NARROWER
    return PriorComponent(
        "early growth",
        f"the rings next to the pith are {percent:.0f} % narrower than assumed",
        -percent,
        "%",
        (own["early_growth"],),
        (1.0,),
        (by,),
    )


def _size_growth(profile: Profile, of_species: dict, own: dict) -> PriorComponent:
    sd, between = profile["size.growth_log_sd"], profile["size.growth_between_stand_log_sd"]
    percent = 100 * DIAMETER_FASTER
    return PriorComponent(
        "size growth",
        f"young stems grow {percent:.0f} % faster in diameter than the profile says",
        percent,
        "%",
        (of_species["growth"], own["growth_pace"]),
        (sd, between),
        (math.log1p(DIAMETER_FASTER) / sd, 0.0),
    )
