"""Write the demonstration survey and its truth: four invented stands in three natural communities.

    python demo/make_demo.py [FOLDER]

FOLDER is this one if left out. The same seed and profile give the same bytes. Nothing here was
measured anywhere: places, dates and trees are made up, from the life history in
models/longleaf-pine.toml and the histories below.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np

from standage.profiles import Profile, load_profile
from standage.simulate.history import (
    Extras,
    Pulse,
    StandHistory,
    SurveyDesign,
    mast_years,
    steady_recruitment,
)
from standage.simulate.life import LifeHistory, draw_life_histories
from standage.simulate.plants import Cut
from standage.simulate.surveys import simulate_survey
from standage.simulate.tables import SimulatedSurvey

SEED = 20240514
FIRST_YEAR = 1740
FIELD_WORK = {
    "no_sound_wood_share": 0.08,
    "subplots_per_plot": 4,
    "subplot_area_m2": 100.0,
    "judged_age_share": 0.3,
    "stage_factor_log_sd": 0.4,
}


def demo_survey() -> SimulatedSurvey:
    """The demonstration survey with its truth."""
    profile = load_profile("longleaf-pine")
    rng = np.random.default_rng(SEED)
    stands = [
        dunmarrow_ridge(profile, rng),
        oxbell_upland(profile, rng),
        hollowfern_upland(profile, rng),
        wicketmere_flat(profile, rng),
    ]
    return simulate_survey(
        SEED, stands=stands, profile=profile, plot_dispersion=6.0, count_dispersion=1.2
    )


def dunmarrow_ridge(profile: Profile, rng: np.random.Generator) -> StandHistory:
    """Dry sandhill, uneven-aged, recruiting at a steady rate for centuries: no pulse to find."""
    return StandHistory(
        stand="dunmarrow-ridge",
        survey_date="2024-05-14",
        first_year=FIRST_YEAR,
        background_per_ha=_background(
            profile, rng, season=2024, per_ha_at_fifty=1.05, seedlings=20.0
        ),
        community="dry sandhill",
        area_ha=38.0,
        events=(
            {
                "kind": "turpentining",
                "first_year": 1906,
                "last_year": 1909,
                "ended_year": 1915,
                "opens_canopy": "no",
                "source": "scar",
            },
            {
                "kind": "storm",
                "first_year": 1965,
                "last_year": 1965,
                "opens_canopy": "yes",
                "source": "record",
            },
        ),
        life=_life(
            profile,
            grass_median_years=7.0,
            years_to_breast_height=3.4,
            growth_cm_per_year=0.46,
            early_growth_mm_per_year=2.0,
            counting_bias_share=0.008,
            epoch_log_effects=(
                0.0,
                0.05,
                0.1,
                0.0,
                -0.05,
                0.0,
                0.1,
                0.15,
                0.1,
                0.0,
                -0.05,
                0.0,
                0.05,
            ),
        ),
        design=SurveyDesign(cores=78, min_dbh_cm=5.0, **FIELD_WORK),
        extras=Extras(
            {"turkey-oak": 45.0, "sand-post-oak": 12.0},
            picked_by_eye=4,
            dead=3,
            winter_core=True,
            turpentined_in=1909,
        ),
    )


def oxbell_upland(profile: Profile, rng: np.random.Generator) -> StandHistory:
    """Mesic upland, logged about 1922, with a strong pulse in the years after; fire kept out from
    the thirties.
    """
    return StandHistory(
        stand="oxbell-upland",
        survey_date="2024-06-11",
        first_year=FIRST_YEAR,
        background_per_ha=_background(
            profile, rng, season=2024, per_ha_at_fifty=0.75, seedlings=15.0
        ),
        pulses=(Pulse(1922, 1934, 115.0),),
        cuts=(Cut(1922, 0.85, 25.0),),
        community="mesic upland",
        area_ha=61.0,
        events=(
            {
                "kind": "logging",
                "first_year": 1921,
                "last_year": 1924,
                "opens_canopy": "yes",
                "share_removed": 0.85,
                "removed_dbh_low_cm": 25,
                "source": "record",
            },
            {
                "kind": "fire-exclusion",
                "first_year": 1934,
                "last_year": 1938,
                "ended_year": 1988,
                "source": "witness",
            },
        ),
        life=_life(
            profile,
            grass_median_years=5.0,
            years_to_breast_height=2.3,
            growth_cm_per_year=0.68,
            early_growth_mm_per_year=2.8,
            counting_bias_share=-0.006,
        ),
        design=SurveyDesign(cores=72, min_dbh_cm=5.0, **FIELD_WORK),
        extras=Extras(
            {"water-oak": 30.0, "loblolly-pine": 5.0}, picked_by_eye=3, dead=2, stumps_of=1922
        ),
    )


def hollowfern_upland(profile: Profile, rng: np.random.Generator) -> StandHistory:
    """Mesic upland on a field given up in the thirties: nearly even-aged, with recent advance
    regeneration and a few planted stems.
    """
    years = np.arange(FIRST_YEAR, 2024)
    background = _background(
        profile, rng, season=2023, per_ha_at_fifty=0.18, seedlings=10.0
    ) * np.where(years < 1936, 0.05, 1.0)
    return StandHistory(
        stand="hollowfern-upland",
        survey_date="2024-02-13",
        first_year=FIRST_YEAR,
        background_per_ha=background,
        pulses=(Pulse(1938, 1951, 235.0), Pulse(2011, 2021, 450.0)),
        cuts=(Cut(1987, 0.3, 12.0, 28.0),),
        community="mesic upland",
        area_ha=17.5,
        origin="mixed",
        note="old field; a gap was planted in 1989",
        events=(
            {
                "kind": "field-abandoned",
                "first_year": 1934,
                "last_year": 1938,
                "opens_canopy": "yes",
                "source": "witness",
            },
            {
                "kind": "thinning",
                "first_year": 1987,
                "last_year": 1987,
                "opens_canopy": "yes",
                "share_removed": 0.3,
                "removed_dbh_low_cm": 12,
                "removed_dbh_high_cm": 28,
                "source": "record",
            },
        ),
        life=_life(
            profile,
            grass_median_years=4.6,
            years_to_breast_height=2.2,
            growth_cm_per_year=0.72,
            early_growth_mm_per_year=3.2,
            counting_bias_share=-0.01,
        ),
        design=SurveyDesign(
            plot_areas_m2=(2000.0,) * 4,
            cores=64,
            min_dbh_cm=5.0,
            placement="systematic",
            **FIELD_WORK,
        ),
        extras=Extras({"sweetgum": 25.0}, picked_by_eye=2, dead=2, planted_in=1989),
    )


def wicketmere_flat(profile: Profile, rng: np.random.Generator) -> StandHistory:
    """Wet-mesic flat, logged about 1932 with a pulse after it; young plants of known age from the
    records of a former trial.
    """
    return StandHistory(
        stand="wicketmere-flat",
        survey_date="2024-11-19",
        first_year=FIRST_YEAR,
        background_per_ha=_background(
            profile, rng, season=2024, per_ha_at_fifty=0.6, seedlings=30.0
        ),
        pulses=(Pulse(1933, 1944, 70.0),),
        cuts=(Cut(1932, 0.8, 22.0),),
        community="wet-mesic flat",
        area_ha=44.0,
        events=(
            {
                "kind": "logging",
                "first_year": 1931,
                "last_year": 1933,
                "opens_canopy": "yes",
                "share_removed": 0.8,
                "removed_dbh_low_cm": 22,
                "source": "stumps",
            },
            {
                "kind": "storm",
                "first_year": 1985,
                "last_year": 1985,
                "opens_canopy": "yes",
                "source": "record",
            },
        ),
        life=_life(
            profile,
            grass_median_years=6.2,
            years_to_breast_height=2.8,
            growth_cm_per_year=0.6,
            early_growth_mm_per_year=2.4,
            counting_bias_share=0.004,
        ),
        design=SurveyDesign(
            plot_areas_m2=(1000.0, 3000.0, 3000.0, 4000.0), cores=68, min_dbh_cm=10.0, **FIELD_WORK
        ),
        extras=Extras({"swamp-tupelo": 15.0}, dead=2, known_age_stems=13),
    )


def _background(
    profile: Profile,
    rng: np.random.Generator,
    *,
    season: int,
    per_ha_at_fifty: float,
    seedlings: float,
) -> np.ndarray:
    """Steady recruitment with good and bad seed years; the fires of the last years were kind, so
    `seedlings` times the usual are there.
    """
    steady = steady_recruitment(profile, FIRST_YEAR, season, per_ha_at_fifty=per_ha_at_fifty)
    age = season - np.arange(FIRST_YEAR, season + 1)
    return steady * seedlings ** np.exp(-age / 6) * mast_years(rng, len(steady), log_sd=0.5)


def _life(profile: Profile, **stand: float | tuple[float, ...]) -> LifeHistory:
    """The profile's middle values with what is this stand's own."""
    middle = draw_life_histories(
        profile,
        np.random.default_rng(0),
        stands=1,
        first_year=FIRST_YEAR,
        last_year=2024,
        central=True,
    )[0]
    return dataclasses.replace(
        middle, size_scatter=0.22, most_scatter=3.0, asymptote_cm=52.0, **stand
    )


def main(folder: Path) -> None:
    """Write `longleaf-survey` and `truth` into a folder."""
    survey = demo_survey()
    print(survey)
    print(survey.write(folder / "longleaf-survey"))
    print(survey.write_truth(folder / "truth"))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
