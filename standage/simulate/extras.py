"""What a survey holds besides listed stems: other species, planted and dead stems, a stump, stems
picked by eye, stems of known age.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from standage.simulate.history import StandHistory
from standage.simulate.life import LifeHistory
from standage.simulate.plants import Plants, grow

_LEAST_RINGS = 15
PLANTED = 8  # stems a stand, where any were planted


def stems_of_other_species(
    rng: np.random.Generator, history: StandHistory, plots: list[tuple[str, float]]
) -> list[dict]:
    """Rows of trees.csv for species that are tallied only. `plots`: identifier and area in
    hectares.
    """
    rows = []
    for species, per_ha in history.extras.other_species.items():
        for plot, area_ha in plots:
            for _ in range(int(rng.poisson(per_ha * area_ha))):
                dbh = history.design.min_dbh_cm + rng.gamma(1.5, 5.0)
                rows.append(
                    {
                        "plot": plot,
                        "species": species,
                        "dbh_cm": round(float(dbh), 1),
                        "core_outcome": "not_tried",
                    }
                )
    return rows


def stems_picked_by_eye(
    rng: np.random.Generator, history: StandHistory, life: LifeHistory, living_per_ha: np.ndarray
) -> Plants:
    """Big old stems outside the plots, the kind that a person walks up to: the largest of many."""
    everyone = _population(rng, history, life, living_per_ha, stems=600)
    return everyone.chosen(
        np.argsort(-everyone.dbh_cm(history.season))[
            rng.permutation(40)[: history.extras.picked_by_eye]
        ]
    )


def dead_stems(
    rng: np.random.Generator, history: StandHistory, life: LifeHistory, living_per_ha: np.ndarray
) -> tuple[Plants, np.ndarray]:
    """Stems that died standing in the last twenty-five years, and the last season each lived, shape
    (plant,).
    """
    everyone = _population(rng, history, life, living_per_ha, stems=400)
    died = history.season - rng.integers(1, 26, len(everyone))
    fit = np.flatnonzero(
        (everyone.first_ring_year(137.0) < died - _LEAST_RINGS)
        & (everyone.dbh_cm(history.season) > 12)
    )
    fit = fit[: history.extras.dead]
    return everyone.chosen(fit), died[fit]


def stump(rng: np.random.Generator, life: LifeHistory, cut_in: int) -> Plants:
    """One stem that stood for a century before it was cut."""
    years = np.arange(cut_in - 160, cut_in - 90)
    return grow(rng, life, years, np.full(len(years), 1.0)).chosen(np.array([0]))


def planted_stems(
    rng: np.random.Generator,
    history: StandHistory,
    life: LifeHistory,
    planted_in: int,
) -> np.ndarray:
    """Diameters of planted stems (quick to start their stem) that reach the plots' limit, shape
    (plant,). [cm]
    """
    passed = planted_in + rng.integers(3, 7, PLANTED)
    dbh = life.median_dbh_cm(history.season - passed) * np.exp(0.15 * rng.standard_normal(PLANTED))
    return dbh[dbh >= history.design.min_dbh_cm]


def known_age_stems(
    rng: np.random.Generator, history: StandHistory, life: LifeHistory, species: str
) -> list[dict]:
    """Rows of known_age_stems.csv: young plants of known seed crop from records, some tagged, and a
    few cut and ring-counted.
    """
    rows: list[dict] = []
    wanted = history.extras.known_age_stems
    age = rng.integers(3, 16, wanted)
    plants = grow(rng, life, history.season - age, np.full(wanted, 3.0))
    for number in range(wanted):
        same_age = np.flatnonzero(plants.establishment_year == history.season - age[number])
        plant = plants.chosen(same_age[:1]) if len(same_age) else plants.chosen(np.array([0]))
        seasons_begun = int(history.season - plant.establishment_year[0]) + 1
        grass = int(plant.grass_years[0])
        row: dict = {
            "stem": f"{history.stand}-s{number + 1:02d}",
            "stand": history.stand,
            "species": species,
        }
        started = seasons_begun - 1 >= grass
        if started and number >= wanted - 3 and seasons_begun - 1 > plant.years_below(30.0)[0]:
            at_height = int(seasons_begun - plant.years_below(30.0)[0])
            seen_in_grass = int(
                rng.binomial(grass, 0.4)
            )  # most rings of the grass stage cannot be told apart at the collar
            at_ground = seasons_begun - grass + seen_in_grass
            row |= {
                "known_from": "rings",
                "still_in_grass": "no",
                "height_cm": 30.0,
                "rings_at_ground": at_ground,
                "rings_at_height": at_height,
            }
        else:
            row |= {
                "known_from": "records" if number % 4 else "tagged",
                "still_in_grass": "no" if started else "yes",
            }
            row["age_years"] = (
                seasons_begun if season_is_over(history.survey_date) else seasons_begun - 1
            )  # age counts completed seasons
            if started and number % 3 != 1:
                row["grass_years"] = grass
        rows.append(row)
    return rows


def season_is_over(survey_date: str) -> bool:
    """Whether the growing season begun last was complete at the survey: October to February."""
    month = pd.Timestamp(survey_date).month
    return month >= 10 or month <= 2


def winter_date(history: StandHistory) -> pd.Timestamp:
    """A December day before the survey, when the season's ring was whole."""
    return pd.Timestamp(year=pd.Timestamp(history.survey_date).year - 1, month=12, day=6)


def _population(
    rng: np.random.Generator,
    history: StandHistory,
    life: LifeHistory,
    living_per_ha: np.ndarray,
    *,
    stems: int,
) -> Plants:
    established = living_per_ha * (history.season - history.years > 25)
    return grow(rng, life, history.years, established * stems / established.sum())
