"""Plants below breast height by stage, and whether they reach a stocking."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from standage.stand.posterior import Posterior

# 300 established seedlings per acre, what planters and managers commonly take for the least with
# which a young longleaf stand is stocked (common practice, no source) [plants/ha]
STOCKING_PER_HA = 740.0
# of the stages of counts.csv: those that outlived their first season
ESTABLISHED = ("grass", "emerging")
STAGES = ("germinant", *ESTABLISHED)
ESTABLISHED_SEEDLINGS = "established seedlings"  # the subject of a claim about all of these


def regeneration(posterior: Posterior, number: int) -> Mapping[str, np.ndarray]:
    """Living plants of a unit with plots by stage, those of the survey's season as germinants; no
    grass stage where the species has none. (draw,) [plants/ha]
    """
    unit = posterior.unit(number)
    living, grass = unit.living_rate, unit.share_in_grass_stage
    emerging = np.clip(1 - grass - unit.share_past_emerging, 0, 1)
    older = living[:, :-1]
    stages = {
        "germinant": living[:, -1],
        "grass": (older * grass[:, :-1]).sum(axis=1),
        "emerging": (older * emerging[:, :-1]).sum(axis=1),
    }
    if not grass[:, :-1].any():
        del stages["grass"]
    return stages


def established_seedlings(plants: Mapping[str, np.ndarray]) -> np.ndarray:
    """The plants that outlived their first season, of those by stage. (draw,) [plants/ha]"""
    return np.sum([plants[stage] for stage in ESTABLISHED if stage in plants], axis=0)


def stocking_probability(plants: Mapping[str, np.ndarray], wanted_per_ha: float) -> float:
    """Probability that the plants that outlived their first season reach a stocking."""
    return float(np.mean(established_seedlings(plants) >= wanted_per_ha))
