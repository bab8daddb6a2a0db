"""A profile as it is printed, and as it is shown in a notebook."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from standage.card_pictures import intervals
from standage.object_card import ObjectCard
from standage.profiles.quantities import QUANTITIES, STATUSES, YES_OR_NO

if TYPE_CHECKING:
    from standage.profiles.profile import Profile

TAILS = 1.645  # standard deviations from the middle to either end of 90 % of a normal distribution


@dataclass(frozen=True)
class Range:
    """A median and the ends of 90 % round it."""

    low: float
    median: float
    high: float

    @classmethod
    def of(cls, median: float, *log_sds: float) -> Range:
        """Of a log-normal quantity whose uncertainties add as squares."""
        factor = math.exp(TAILS * math.hypot(*log_sds))
        return cls(median / factor, median, median * factor)

    def brief(self) -> str:
        """The same, shorter."""
        return f"{self.median:.2g} ({self.low:.2g} to {self.high:.2g})"

    def __str__(self) -> str:
        return f"{self.median:.3g} (90 % {self.low:.2g} to {self.high:.2g})"


def text_card(profile: Profile) -> str:
    """The card: three sentences a forester can judge, then every number."""
    grass = "No grass stage: the stem starts in the first growing season."
    if profile.has_grass_stage:
        grass = (
            f"Grass stage: a stand's median {_grass_stage(profile)} seasons, a plant's"
            f" {_grass_stage(profile, 'within_stand_log_sd')}."
        )
    autumn = (
        "Seed sprouts in the autumn it falls"
        if profile["germination.autumn"]
        else "Seed sprouts in the year after it falls"
    )
    lines = [
        f"{profile.name} ({profile.species}), profile {profile.key}",
        profile.standing(),
        "",
        grass,
        f"From there to 1.37 m: a stand's mean {_height_growth(profile)} seasons.",
        f"Diameter: grows {_diameter_growth(profile)} cm a year when young, towards"
        f" {profile['size.asymptote_cm']:g} cm.",
        f"{autumn}; establishment is the year after the seed crop.",
    ]
    table = ""
    for key in used_keys(profile):
        number, (section, name) = profile.sourced(key), key.split(".")
        if number.unit == YES_OR_NO:
            continue
        if section != table:
            lines += ["", section.replace("_", " ")]
            table = section
        cited = "" if number.source == "none" else f", {_short(number.source)}"
        lines.append(f"  {name:<29}{number.value:>7g}  {number.unit:<29} {number.status}{cited}")
    return "\n".join([*lines, "", f"{_statuses(profile)}.", f"File: {profile.path}"])


def object_card(profile: Profile) -> ObjectCard:
    """The card in a notebook: what the species takes its time with, and how well that is known."""
    growth = _diameter_growth(profile)
    rows = [
        ("To breast height, a stand's mean", _height_growth(profile), "seasons"),
        ("Diameter growth when young", growth, "cm a year"),
    ]
    if profile.has_grass_stage:
        plants = _grass_stage(profile, "within_stand_log_sd")
        rows.insert(0, ("Grass stage, a plant's", plants, "seasons"))
        rows.insert(0, ("Grass stage, a stand's median", _grass_stage(profile), "seasons"))
    return ObjectCard(
        kind="Species profile",
        title=profile.name,
        subtitle=f"{profile.species}, {profile.key}",
        mark=None if profile.shipped and profile.checked else ("unchecked", False),
        picture_title="Median and 90 % of what is assumed beforehand, each from zero",
        picture=intervals(
            [(name, of.low, of.median, of.high, f"{of.brief()} {unit}") for name, of, unit in rows]
        ),
        notes=(f"{_statuses(profile)}.", profile.standing()),
    )


def _grass_stage(profile: Profile, *more: str) -> Range:
    """Median length in a stand, and with `more` of a plant. [growing seasons]"""
    spreads = ("median_log_sd", "between_stand_log_sd", *more)
    return Range.of(
        profile["grass_stage.median_years"], *(profile[f"grass_stage.{name}"] for name in spreads)
    )


def _height_growth(profile: Profile) -> Range:
    """Mean in a stand from the start of the stem to breast height. [growing seasons]"""
    return Range.of(
        profile["height_growth.years_to_breast_height"],
        profile["height_growth.years_log_sd"],
        profile["height_growth.between_stand_log_sd"],
    )


def _diameter_growth(profile: Profile) -> Range:
    """Median in a stand at breast height. [cm/year]"""
    return Range.of(
        profile["size.growth_cm_per_year"],
        profile["size.growth_log_sd"],
        profile["size.growth_between_stand_log_sd"],
    )


def _statuses(profile: Profile) -> str:
    used = [profile.sourced(key).status for key in used_keys(profile)]
    counts = ", ".join(f"{used.count(status)} {status}" for status in STATUSES if status in used)
    return f"Status of the numbers: {counts}"


def used_keys(profile: Profile) -> list[str]:
    """The keys the model uses: without a grass stage, of that table only `present`."""
    idle = (
        ()
        if profile.has_grass_stage
        else tuple(
            key for key in QUANTITIES if key.startswith("grass_stage.") and "present" not in key
        )
    )
    return [key for key in QUANTITIES if key not in idle]


def _short(source: str) -> str:
    """Author and year of a source, or its first words where it has no year."""
    dated = re.match(r".*?\b(1[89]|20)\d\d\b", source)
    return dated.group() if dated else source.split(",")[0]
