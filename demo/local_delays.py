"""Write the invented survey of docs/tutorial-local-delays.md: a stand of slow seedlings, and young
plants of known age beside it.

    python demo/local_delays.py FOLDER

FOLDER gets the tables; `truth` inside FOLDER-truth what they don't tell. The same bytes every time.
Nothing here was measured anywhere.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np

from standage.profiles import load_profile
from standage.simulate.history import Extras, Pulse, StandHistory, SurveyDesign, steady_recruitment
from standage.simulate.life import draw_life_histories
from standage.simulate.surveys import simulate_survey
from standage.simulate.tables import SimulatedSurvey

SEED = 20250301
FIRST_YEAR, SEASON = 1780, 2024
GRASS_YEARS, YEARS_TO_BREAST_HEIGHT = (
    10.0,
    4.0,
)  # of this stand; the profile holds 5.5 and 2.5 likeliest


def slow_stand() -> SimulatedSurvey:
    """A stand whose seedlings stay in the grass for ten seasons, with twenty-four sections."""
    profile = load_profile("longleaf-pine")
    middle = draw_life_histories(
        profile,
        np.random.default_rng(0),
        stands=1,
        first_year=FIRST_YEAR,
        last_year=SEASON,
        central=True,
    )[0]
    life = dataclasses.replace(
        middle,
        grass_median_years=GRASS_YEARS,
        years_to_breast_height=YEARS_TO_BREAST_HEIGHT,
        size_scatter=0.25,
    )
    stand = StandHistory(
        stand="tarnfield-flat",
        survey_date="2024-10-22",
        first_year=FIRST_YEAR,
        background_per_ha=steady_recruitment(profile, FIRST_YEAR, SEASON, per_ha_at_fifty=0.7),
        pulses=(Pulse(1928, 1938, 70.0),),
        community="wet-mesic flat",
        life=life,
        design=SurveyDesign(plot_areas_m2=(2000.0, 2000.0), cores=25),
        extras=Extras(known_age_stems=24),
    )
    return simulate_survey(
        SEED, stands=[stand], profile=profile, plot_dispersion=8.0, count_dispersion=2.0
    )


def main(folder: Path) -> None:
    """Write the survey and its truth."""
    survey = slow_stand()
    print(
        f"wrote {survey.write(folder)} and"
        f" {survey.write_truth(folder.with_name(folder.name + '-truth'))}"
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
