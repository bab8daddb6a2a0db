"""Surveys with known pulses, or none, for the study of pulses: histories told in multiples of the
background and in listed stems.

A job is a dictionary: `seed`, `species`, `stems` (expected listed stems of the background) or
`living_in_pulse` (expected listed stems of the first pulse's years), `share_cored`, `pulses` as
[first year, last year, times the background]. What may trouble a null: `slope` (log units a
century), `mast_log_sd`, `uneven` (plots of unequal size, small stems neither listed nor cored),
`plot_dispersion`, `cuts` as [year, share removed, smallest, largest diameter in cm] and whether
they are `on_record`. `pulses_left_out`: a null of the same background and with as many cores.
`first_year` of the history.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from standage.profiles import Profile, load_profile
from standage.simulate.history import StandHistory, SurveyDesign, mast_years, steady_recruitment
from standage.simulate.life import LifeHistory, draw_life_histories
from standage.simulate.plants import Cut, grow, share_left
from standage.simulate.surveys import simulate_survey
from standage.simulate.tables import SimulatedSurvey

SURVEY_DATE, SEASON, FIRST_YEAR = "2024-06-11", 2024, 1720
# recruitment rises over the first years of a history: a stand that began at once began with a pulse
YEARS_OF_ONSET = 100
EVEN_PLOTS = (2500.0, 2500.0, 2500.0, 2500.0)
UNEVEN_PLOTS = (500.0, 1500.0, 3000.0, 5000.0)  # m2
# played forward to learn which share of a year's plants is listed: known within a few per cent over
# a pulse
PLANTS_A_YEAR = 80
MOST_TRIES = 200  # surveys drawn until the pulse holds the stems asked for


@dataclass(frozen=True)
class KnownSurvey:
    """A simulated survey and all that made it; rates `(year,)` over `history.years`.
    [stems/ha/yr]
    """

    simulated: SimulatedSurvey
    history: StandHistory
    profile: Profile
    plot_dispersion: float
    quiet_per_ha: np.ndarray  # background without the pulses

    def stems_in(self, first: int, last: int) -> tuple[int, int]:
        """Listed and cored stems that established in the years."""
        trees = self.simulated.truth["trees"]
        inside = trees["establishment_year"].between(first, last)
        return int(inside.sum()), int((inside & trees["core_height_cm"].notna()).sum())


def known_survey(job: dict, *, attempt: int = 0) -> KnownSurvey:
    """The survey of a job; other attempts are other surveys of the same kind."""
    rng = np.random.default_rng([job["seed"], attempt, 41])
    profile = load_profile(job["species"])
    first_year = job.get("first_year", FIRST_YEAR)
    years = np.arange(first_year, SEASON + 1)
    life = draw_life_histories(profile, rng, stands=1, first_year=first_year, last_year=SEASON)[0]
    quiet = steady_recruitment(
        profile, first_year, SEASON, per_ha_at_fifty=1.0, slope_per_century=job.get("slope", 0.0)
    )
    quiet = quiet * np.minimum((years - first_year + 1) / YEARS_OF_ONSET, 1.0)
    without = quiet * mast_years(rng, len(years), log_sd=job.get("mast_log_sd", 0.0))
    history = without.copy()
    for first, last, times in job.get("pulses", []):
        history += (times - 1) * quiet * ((years >= first) & (years <= last))
    cuts = tuple(Cut(*cut) for cut in job.get("cuts", []))
    areas = UNEVEN_PLOTS if job.get("uneven") else EVEN_PLOTS
    min_dbh, least_cored = (8.0, 15.0) if job.get("uneven") else (5.0, 8.0)
    listed = (
        listed_share(rng, life, years, min_dbh)
        * share_left(rng, life, years, cuts, trials=150)
        * sum(areas)
        / 1e4
    )
    if "living_in_pulse" in job:
        first, last, _ = job["pulses"][0]
        factor = (
            job["living_in_pulse"] / (history * listed)[(years >= first) & (years <= last)].sum()
        )
    else:
        factor = job["stems"] / (quiet * listed).sum()
    expected = factor * (history * listed).sum()
    design = SurveyDesign(
        plot_areas_m2=areas,
        min_dbh_cm=min_dbh,
        least_cored_dbh_cm=least_cored,
        cores=max(5, round(job["share_cored"] * expected)),
    )
    events = tuple(
        {
            "kind": "logging" if cut.share_removed > 0.5 else "thinning",
            "first_year": cut.year,
            "last_year": cut.year,
        }
        for cut in cuts
        if job.get("on_record", True)
    )
    if job.get("pulses_left_out"):
        history = without
    stand = StandHistory(
        "a",
        SURVEY_DATE,
        first_year,
        history * factor,
        cuts=cuts,
        life=life,
        design=design,
        events=events,
    )
    dispersion = job.get("plot_dispersion") or 4 * math.exp(0.8 * rng.standard_normal())
    simulated = simulate_survey(
        int(rng.integers(2**31)), stands=[stand], profile=profile, plot_dispersion=dispersion
    )
    return KnownSurvey(simulated, stand, profile, dispersion, quiet * factor)


def survey_with_stems(job: dict, *, cored: int, living: int) -> KnownSurvey:
    """The first survey of the job whose first pulse holds the stems asked for, within a tenth of
    the cored and a sixth of the living.
    """
    first, last, _ = job["pulses"][0]
    for attempt in range(MOST_TRIES):
        known = known_survey(job, attempt=attempt)
        listed_stems, cored_stems = known.stems_in(first, last)
        if (
            abs(cored_stems - cored) <= max(1, 0.1 * cored)
            and abs(listed_stems - living) <= living / 6
        ):
            return known
    raise ValueError(
        f"no survey in {MOST_TRIES} has about {cored} cored of {living} stems in its pulse"
    )


def listed_share(
    rng: np.random.Generator, life: LifeHistory, years: np.ndarray, min_dbh_cm: float
) -> np.ndarray:
    """Share of each establishment year's survivors that are large enough to be listed, shape
    (year,).
    """
    plants = grow(rng, life, years, np.full(len(years), float(PLANTS_A_YEAR)))
    listed = plants.stage(SEASON, min_dbh_cm) == "tree"
    there = np.bincount(plants.establishment_year - years[0], minlength=len(years))
    return np.bincount(
        plants.establishment_year[listed] - years[0], minlength=len(years)
    ) / np.maximum(there, 1)
