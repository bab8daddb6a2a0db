"""What local delays say of the numbers of a species profile."""

from __future__ import annotations

import math
from collections.abc import Mapping

from standage.evidence.delays import dispersion_at_pace, species_delays
from standage.evidence.known_age import MARK, KnownAge, mark_of
from standage.evidence.local_delays import LocalDelays
from standage.profiles import QUANTITIES, Profile, Sourced
from standage.survey.survey import Survey

TAILS = 1.645  # standard deviations from the middle to either end of 90 % of a normal distribution
ONE_STAND = 0.01  # between-stand spread of a profile of one stand alone: the least allowed
# key, key of how far it may be wrong, axis of the grid, what it is
_GRASS = (
    ("grass_stage.median_years", "grass_stage.median_log_sd", 0, "Median"),
    ("grass_stage.within_stand_log_sd", "grass_stage.within_log_sd", 1, "Spread within stands"),
)
_GROWTH = (
    ("height_growth.years_to_breast_height", "height_growth.years_log_sd", 2, "Mean"),
    ("height_growth.dispersion", "height_growth.dispersion_log_sd", 3, "Variance over mean"),
)


def measured_numbers(
    survey: Survey,
    known: Mapping[str, KnownAge],
    delays: LocalDelays,
    profile: Profile,
    *,
    stand: str = "",
) -> dict[str, Sourced]:
    """The numbers of a profile that the survey's stems of known age speak of, by key.

    Of the region's middle stand, or of `stand`, whose profile then allows no difference between
    stands. Numbers on which no stem bears stay out.
    """
    belief = delays.stands[stand] if stand else delays.middle
    whose = f"stand {stand}" if stand else "the region's middle stand"
    numbers: dict[str, Sourced] = {}
    for about, entries, between in (
        ("about_grass", _GRASS, "grass_stage.between_stand_log_sd"),
        ("about_growth", _GROWTH, "height_growth.between_stand_log_sd"),
    ):
        stems = {name: getattr(rows, about) for name, rows in known.items()}
        if not sum(stems.values()):
            continue
        source = _source(survey, stems)
        for key, wrong, axis, what in entries:
            mean, sd = belief.moments(axis)
            if key == "height_growth.dispersion":
                # at the measured pace, which is the new profile's
                mean = math.log(
                    dispersion_at_pace(species_delays(profile), mean, belief.moments(2)[0])
                )
            low, high = math.exp(mean - TAILS * sd), math.exp(mean + TAILS * sd)
            reason = (
                f"{what} of {whose}, 90 % {low:.3g} to {high:.3g};"
                f" before the stems {profile[key]:.3g}, log-sd {profile[wrong]:.2g}."
            )
            numbers[key] = _sourced(key, math.exp(mean), source, reason)
            numbers[wrong] = _sourced(wrong, sd, source, f"Of the line above: {reason}")
        if stand:
            reason = f"For surveys of stand {stand} alone: the line above is its own."
            numbers[between] = _sourced(between, ONE_STAND, source, reason)
    return numbers | _longest(numbers, profile)


def _source(survey: Survey, stems: Mapping[str, int]) -> str:
    held = ", ".join(f"{name} {count}" for name, count in stems.items() if count)
    last = survey.stands["survey_date"].max()
    return (
        f"{sum(stems.values())} stems of known age, survey {survey.name} of {last:%Y-%m-%d}"
        f" ({held}; {MARK} {mark_of(survey)})"
    )


def _sourced(key: str, value: float, source: str, reason: str) -> Sourced:
    quantity = QUANTITIES[key]
    within = min(max(value, quantity.lowest), quantity.highest)
    return Sourced(within, quantity.unit, source, reason, "derived")


def _longest(numbers: Mapping[str, Sourced], profile: Profile) -> dict[str, Sourced]:
    """Longest delays that leave room for slow plants, where the measured ones need more."""
    found = {}
    for longest, usual in (
        ("grass_stage.longest_years", "grass_stage.median_years"),
        ("height_growth.longest_height_years", "height_growth.years_to_breast_height"),
    ):
        if usual in numbers and profile[longest] < 2 * numbers[usual].value:
            room = math.ceil(3 * numbers[usual].value)
            reason = f"Three times {usual}, so that slow plants have room."
            found[longest] = _sourced(longest, room, numbers[usual].source, reason)
    return found
