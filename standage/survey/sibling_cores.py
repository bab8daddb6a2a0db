"""Cores of one tree at one height whose rings to the pith are too far apart for miscounts."""

from __future__ import annotations

import numpy as np

from standage.problems import Problem
from standage.survey.rows import Rows

SAME_HEIGHT_CM = 10.0
"""Cores so near each other reach rings of the same years, but for one or two (assumption). [cm]"""
MOST_RINGS, MOST_SHARE = 10, 0.15
"""Counts of one tree may differ by so many rings, or such a share of the larger (assumption)."""


def judge_siblings(file: str, cores: Rows, warnings: list[Problem]) -> None:
    """Each further core of a tree that has more rings than another of the tree has to the pith, or
    fewer, as a warning. cores: with `rings`, complete where the pith is in the core or the rings to
    it are given.
    """
    to_pith = np.asarray(cores["rings_to_pith"], dtype=float)
    rings = np.asarray(cores["rings"], dtype=float)
    centre = np.asarray(cores["centre"], dtype=object)
    known = ~np.isnan(to_pith) | (centre == "pith")
    total = rings + np.nan_to_num(to_pith)
    height = np.asarray(cores["height_cm"], dtype=float)
    last = np.asarray(cores["season"], dtype=float)
    lost = np.asarray(cores["outer_ring"], dtype=object) == "lost"
    of_tree: dict[str, list[int]] = {}
    for place, tree in enumerate(cores["tree"]):
        of_tree.setdefault(tree, []).append(place)
    for tree, places in of_tree.items():
        for at, place in enumerate(places):
            for other in places[:at]:
                near = abs(height[place] - height[other]) <= SAME_HEIGHT_CM
                if not tree or not near or lost[place] or lost[other]:
                    continue
                more, fewer = (place, other) if total[place] > total[other] else (other, place)
                apart = total[more] - total[fewer] - (last[more] - last[fewer])
                if not known[fewer] or not apart > max(MOST_RINGS, MOST_SHARE * total[more]):
                    continue
                found = (
                    f"{total[place]:.0f} rings to the pith, and {total[other]:.0f} in core"
                    f" '{cores['core'][other]}' of the same tree at the same height"
                )
                advice = "Check the counts, the rings to the pith, and which tree each core is of."
                row, expected = int(cores["row"][place]), "cores of one tree that agree"
                warnings.append(Problem(file, row, "ring_count", found, expected, advice))
                break
