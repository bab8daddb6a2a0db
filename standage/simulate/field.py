"""The field crew of a simulated survey: lists stems, counts seedlings, cores and reads, and keeps
the truth beside it.
"""

from __future__ import annotations

import bisect
import dataclasses
import math
from collections.abc import Mapping
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from standage.simulate.cores import Centre, CoredStem, Reading, draw_early_growth_mm, read_core
from standage.simulate.departures import (
    PLANTED_GRASS_MEDIAN_YEARS,
    Departures,
    by_vigour,
    coring_order,
    rotten_share,
)
from standage.simulate.extras import (
    dead_stems,
    known_age_stems,
    planted_stems,
    stems_of_other_species,
    stems_picked_by_eye,
    stump,
    winter_date,
)
from standage.simulate.history import StandHistory
from standage.simulate.life import LifeHistory
from standage.simulate.plants import Plants, grow, share_left, standing_after

Name = TypeVar("Name", bound=str)

# common practice, no source: smaller stems were not worth a turpentine face
_LEAST_FACED_DBH_CM = 25.0
_COMMON_AGE_RANGES = (
    (1, 3),
    (1, 5),
    (2, 6),
    (1, 8),
    (3, 12),
    (1, 15),
)  # what a person can judge, narrowest first


class Surveyor:
    """One stand's survey in the making: rows by table in `rows`, truth beside them in `truth`.
    `life` is how its trees of `species` grow.
    """

    def __init__(
        self, history: StandHistory, life: LifeHistory, species: str, rng: np.random.Generator
    ) -> None:
        self.history, self.life, self.species, self.rng = history, life, species, rng
        self.rows: dict[str, list[dict]] = {
            name: []
            for name in ("stands", "plots", "trees", "cores", "counts", "known_age_stems", "events")
        }
        self.truth: dict[str, pd.DataFrame] = {}
        self._true_trees: list[dict] = []
        self._true_cores: list[dict] = []
        self._core_heights_cm: dict[str, list[float]] = {}  # by tree
        self._listed_by_year = np.zeros(len(history.years), dtype=int)
        self._date = pd.Timestamp(history.survey_date)

    def survey(self, plot_dispersion: float, count_dispersion: float) -> None:
        """Do the field work once."""
        history, rng = self.history, self.rng
        self.rows["stands"].append(
            {
                "stand": history.stand,
                "community": history.community or None,
                "survey_date": self._date,
                "origin": history.origin,
            }
            | {"area_ha": history.area_ha}
            | ({"note": history.note} if history.note else {})
        )
        left = share_left(rng, self.life, history.years, history.cuts)
        before = history.before_cuts_per_ha()
        living = before * left
        plots = [
            (f"{history.stand}-{place + 1}", area / 1e4)
            for place, area in enumerate(history.design.plot_areas_m2)
        ]
        listed = self._list_stems(plots, before, plot_dispersion)
        self._count_seedlings(plots, living, count_dispersion)
        self._core_listed(listed)
        self._add_extras(plots, living)
        for number, event in enumerate(history.events):
            self.rows["events"].append(
                {"event": f"{history.stand}-e{number + 1}", "stand": history.stand} | event
            )
        self._settle_truth(living, left)

    def _list_stems(
        self, plots: list[tuple[str, float]], before: np.ndarray, dispersion: float
    ) -> list[tuple[dict, Plants]]:
        """List every live stem of the plots; each row with its plant (one plant long)."""
        history, rng = self.history, self.rng
        listed: list[tuple[dict[str, Any], Plants]] = []
        for plot, area_ha in plots:
            self.rows["plots"].append(
                {
                    "plot": plot,
                    "stand": history.stand,
                    "area_m2": round(area_ha * 1e4, 1),
                    "min_dbh_cm": history.design.min_dbh_cm,
                    "placement": history.design.placement,
                }
            )
            richness = rng.gamma(dispersion, 1 / dispersion) if math.isfinite(dispersion) else 1.0
            plants = grow(rng, self.life, history.years, before * area_ha * richness)
            plants = plants.chosen(standing_after(rng, plants, history.cuts))
            trees = plants.chosen(plants.stage(history.season, history.design.min_dbh_cm) == "tree")
            if self.life.departures.planted_share:
                trees = trees.and_also(self._planted_unrecorded(len(trees)))
            trees = trees.chosen(rng.permutation(len(trees)))
            np.add.at(self._listed_by_year, trees.establishment_year - history.first_year, 1)
            for number, dbh in enumerate(trees.dbh_cm(history.season)):
                # a stem below the limit must not reach it by rounding, nor one above it lose it
                row: dict[str, Any] = {
                    "tree": f"{plot}-{number + 1:02d}",
                    "stand": history.stand,
                    "plot": plot,
                    "species": self.species,
                    "dbh_cm": round(max(float(dbh), history.design.min_dbh_cm), 1),
                    "status": "live",
                }
                faced = history.extras.turpentined_in
                if (
                    faced is not None
                    and trees.dbh_cm(faced)[number] >= _LEAST_FACED_DBH_CM
                    and rng.random() < 0.6
                ):
                    row["scar"] = "turpentine"
                listed.append((row, trees.chosen(np.array([number]))))
        diameters = sorted(row["dbh_cm"] for row, _ in listed)
        for row, _ in listed:
            row["crown_class"] = _crown_class(row["dbh_cm"], diameters)
        self.rows["trees"] += [row for row, _ in listed]
        return listed

    def _planted_unrecorded(self, natural: int) -> Plants:
        """Planted stems that nobody wrote down as such, beside so many natural ones of a plot."""
        history, departures = self.history, self.life.departures
        stock = dataclasses.replace(
            self.life, grass_median_years=PLANTED_GRASS_MEDIAN_YEARS, departures=Departures()
        )
        expected = natural * departures.planted_share / (1 - departures.planted_share)
        planted = grow(self.rng, stock, np.array([departures.planted_in]), np.array([expected]))
        return planted.chosen(planted.stage(history.season, history.design.min_dbh_cm) == "tree")

    def _count_seedlings(
        self, plots: list[tuple[str, float]], living: np.ndarray, dispersion: float
    ) -> None:
        history, rng, design = self.history, self.rng, self.history.design
        factor = {
            stage: math.exp(design.stage_factor_log_sd * rng.standard_normal())
            for stage in design.stages
        }
        area_ha = design.subplot_area_m2 / 1e4
        for plot, _ in plots:
            for _ in range(design.subplots_per_plot):
                for stage in design.stages:
                    clump = (
                        rng.gamma(dispersion, 1 / dispersion) if math.isfinite(dispersion) else 1.0
                    )
                    plants = grow(
                        rng, self.life, history.years, living * area_ha * clump * factor[stage]
                    )
                    found = plants.chosen(plants.stage(history.season, design.min_dbh_cm) == stage)
                    row = {
                        "plot": plot,
                        "stage": stage,
                        "species": self.species,
                        "area_m2": design.subplot_area_m2,
                        "count": len(found),
                    }
                    if stage == "grass" and len(found) and rng.random() < design.judged_age_share:
                        age = history.season - found.establishment_year
                        fitting = [
                            (low, high)
                            for low, high in _COMMON_AGE_RANGES
                            if low <= age.min() and age.max() + 1 <= high
                        ]
                        if fitting:
                            row |= {
                                "age_low_years": fitting[0][0],
                                "age_high_years": fitting[0][1],
                                "age_basis": "judged",
                            }
                    self.rows["counts"].append(row)

    def _core_listed(self, listed: list[tuple[dict, Plants]]) -> None:
        history, rng, design = self.history, self.rng, self.history.design
        large = [
            place
            for place, (row, _) in enumerate(listed)
            if row["dbh_cm"] >= design.least_cored_dbh_cm
        ]
        departures = self.life.departures
        age = (
            history.season
            - np.array([int(listed[place][1].establishment_year[0]) for place in large])
            + 1.0
        )
        dbh = np.array([listed[place][0]["dbh_cm"] for place in large])
        order = iter([large[place] for place in coring_order(rng, departures, age, dbh)])
        early = draw_early_growth_mm(rng, self.life, len(listed))
        if departures.vigour:
            vigour = np.array([float(plant.vigour[0]) for _, plant in listed])
            early = early[by_vigour(rng, departures, vigour, early)]
        tried: set[int] = set()
        winter = history.extras.winter_core
        while len(self.rows["cores"]) < design.cores and (place := next(order, None)) is not None:
            row, plant = listed[place]
            tried.add(place)
            if departures.rot_by_age and rng.random() < rotten_share(
                history.season - int(plant.establishment_year[0]) + 1
            ):
                # the borer met rot, a sound neighbour was cored, and often nobody wrote it down
                row["core_outcome"] = (
                    "no_sound_wood" if departures.rot_written_down else "not_tried"
                )
                continue
            # rot is commoner in thick stems; it must not depend on age in any other way
            if rng.random() < 2 * design.no_sound_wood_share * min(row["dbh_cm"] / 40, 1.5):
                row["core_outcome"] = "no_sound_wood" if rng.random() < 0.8 else "unreadable"
                continue
            reading = self._draw_reading()
            if winter and reading.dating == "counted":
                reading, winter = (
                    dataclasses.replace(reading, core_date=winter_date(history)),
                    False,
                )
            height = float(rng.choice(design.core_heights_cm))
            first = self._core(row, plant, float(early[place]), height, reading)
            if first and rng.random() < design.second_core_share:
                other = float(rng.choice(design.core_heights_cm))
                self._core(
                    row,
                    plant,
                    float(early[place]),
                    other,
                    dataclasses.replace(self._draw_reading(), height_recorded=True),
                )
            row["core_outcome"] = "taken" if first else "not_tried"
        for place, (row, plant) in enumerate(listed):
            if place not in tried:
                row["core_outcome"] = "not_tried"
            self._true_tree(row["tree"], plant)

    def _draw_reading(self) -> Reading:
        rng, design = self.rng, self.history.design
        return Reading(
            centre=_pick(rng, design.centres),
            dating=_pick(rng, design.datings),
            core_date=self._date,
            height_recorded=bool(rng.random() >= design.height_blank_share),
            outer_known=bool(rng.random() < 0.8),
            outer_lost=bool(rng.random() < 0.1),
        )

    def _core(
        self,
        row: dict,
        plant: Plants,
        early_mm: float,
        height: float,
        reading: Reading,
        last_season: int | None = None,
    ) -> bool:
        """Core a stem, as low as need be to meet a few rings; whether a core came of it."""
        for at in dict.fromkeys((height, 30.0, 20.0)):
            if at > height:
                continue
            first_ring = int(plant.first_ring_year(at)[0])
            last, overtopped = (
                last_season or self.history.season,
                row.get("crown_class") == "suppressed",
            )
            stem = CoredStem(
                row["tree"], row.get("dbh_cm") or 45.0, at, first_ring, last, early_mm, overtopped
            )
            earlier = len(self._core_heights_cm.get(row["tree"], []))
            read = read_core(
                self.rng, self.life, stem, reading, f"{row['tree']}-{'abcdef'[earlier]}"
            )
            if read is not None:
                self.rows["cores"].append(read[0])
                self._true_cores.append(read[1])
                self._core_heights_cm.setdefault(row["tree"], []).append(read[1]["height_cm"])
                return True
        return False

    def _add_extras(self, plots: list[tuple[str, float]], living: np.ndarray) -> None:
        history, rng, extras = self.history, self.rng, self.history.extras
        names: dict[str, int] = {}
        numbers = {
            plot: sum(row.get("plot") == plot for row in self.rows["trees"]) for plot, _ in plots
        }

        def outside(kind: str) -> str:
            names[kind] = names.get(kind, 0) + 1
            return f"{history.stand}-{kind}{names[kind]}"

        def add(row: dict) -> dict:
            if row.get("plot"):
                numbers[row["plot"]] += 1
                row["tree"] = f"{row['plot']}-{numbers[row['plot']]:02d}"
            full = {"stand": history.stand, "species": self.species, "status": "live"} | row
            self.rows["trees"].append(full)
            return full

        for row in stems_of_other_species(rng, history, plots):
            add(row)
        if extras.planted_in is not None:
            for dbh in planted_stems(rng, history, self.life, extras.planted_in):
                add(
                    {
                        "plot": plots[0][0],
                        "dbh_cm": round(float(dbh), 1),
                        "origin": "planted",
                        "planted_year": extras.planted_in,
                        "core_outcome": "not_tried",
                    }
                )
        if extras.picked_by_eye:
            plants = stems_picked_by_eye(rng, history, self.life, living)
            for number, dbh in enumerate(plants.dbh_cm(history.season)):
                row = add(
                    {
                        "tree": outside("x"),
                        "dbh_cm": round(float(dbh), 1),
                        "note": "chosen outside the plots",
                    }
                )
                self._core_outside(row, plants.chosen(np.array([number])))
        if extras.dead:
            plants, died = dead_stems(rng, history, self.life, living)
            for number, last in enumerate(died):
                plant = plants.chosen(np.array([number]))
                dbh = round(float(plant.dbh_cm(int(last))[0]), 1)
                row = add({"plot": plots[number % len(plots)][0], "dbh_cm": dbh, "status": "dead"})
                if number % 3 == 1:
                    row |= {
                        "death_year": int(last),
                        "death_year_sd": 1.0,
                        "core_outcome": "not_tried",
                    }
                    self._true_tree(row["tree"], plant)
                else:
                    self._core_outside(row, plant, int(last))
        if extras.stumps_of is not None:
            plant = stump(rng, self.life, extras.stumps_of)
            row = add(
                {
                    "tree": outside("stump"),
                    "status": "stump",
                    "death_year": extras.stumps_of,
                    "note": "cut stump, resinous",
                }
            )
            self._core_outside(row, plant, extras.stumps_of)
        if extras.known_age_stems:
            self.rows["known_age_stems"] += known_age_stems(rng, history, self.life, self.species)

    def _core_outside(self, row: dict, plant: Plants, last_season: int | None = None) -> None:
        """A stem outside the sample of living stems: cored near the ground and crossdated, as dead
        wood has to be.
        """
        early = float(draw_early_growth_mm(self.rng, self.life, 1)[0])
        centre: Centre = "pith" if self.rng.random() < 0.5 else "arcs"
        live = last_season is None
        reading = Reading(centre=centre, dating="crossdated", core_date=self._date, live=live)
        taken = self._core(row, plant, early, 30.0, reading, last_season)
        row["core_outcome"] = "taken" if taken else "not_tried"
        self._true_tree(row["tree"], plant)

    def _true_tree(self, tree: str, plant: Plants) -> None:
        heights = self._core_heights_cm.get(tree)
        below = int(plant.years_below(min(heights))[0]) if heights else None
        established = int(plant.establishment_year[0])
        self._true_trees.append(
            {
                "tree": tree,
                "stand": self.history.stand,
                "species": self.species,
                "establishment_year": established,
                "grass_years": int(plant.grass_years[0]),
                "core_height_cm": min(heights) if heights else None,
                "years_to_core_height": below,
                "year_at_core_height": None if below is None else established + below,
                "year_at_breast_height": int(plant.first_ring_year(137.0)[0]),
            }
        )

    def _settle_truth(self, living: np.ndarray, left: np.ndarray) -> None:
        history = self.history
        place = {"stand": history.stand, "species": self.species}
        self.truth["trees"] = pd.DataFrame(self._true_trees).astype(object)
        self.truth["cores"] = pd.DataFrame(self._true_cores).astype(object)
        self.truth["living"] = pd.DataFrame(
            place
            | {
                "year": history.years,
                "living_per_ha": living.round(5),
                "listed_stems": self._listed_by_year,
            }
        )
        pulses = [
            place
            | {
                "start": pulse.start,
                "end": pulse.end,
                "excess_per_ha": round(float((pulse.per_ha(history.years) * left).sum()), 2),
            }
            for pulse in history.pulses
        ]
        self.truth["pulses"] = pd.DataFrame(
            pulses, columns=["stand", "species", "start", "end", "excess_per_ha"]
        )
        self.truth["parameters"] = self.life.truth(history.stand, self.species)


def _pick(rng: np.random.Generator, weights: Mapping[Name, float]) -> Name:
    chances = np.array(list(weights.values()), dtype=float)
    return list(weights)[int(rng.choice(len(chances), p=chances / chances.sum()))]


def _crown_class(dbh_cm: float, diameters: list[float]) -> str:
    """Where a crown stands, told from the rank of its stem's diameter in the stand."""
    rank = bisect.bisect_left(diameters, dbh_cm) / len(diameters)
    return (
        "suppressed"
        if rank < 0.2
        else "intermediate"
        if rank < 0.5
        else "upper"
        if rank < 0.9
        else "open"
    )
