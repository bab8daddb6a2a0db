"""Cores of one tree whose rings to the pith are too far apart for miscounts."""

from __future__ import annotations

import numpy as np

from standage.problems import Problem
from standage.survey.checks.rows import Rows

SAME_HEIGHT_CM = 10.0
"""Cores so near each other reach rings of the same years, but for one or two (assumption). [cm]"""
MOST_RINGS, MOST_SHARE = 10, 0.15
"""Counts of one tree may differ by so many rings, or such a share of the larger (assumption)."""
MOST_INSIDE_ARCS = 25
"""Rings that may be missed where the innermost ones curve (assumption: a core that shows arcs has
passed within some centimetres of the pith)."""


def judge_siblings(file: str, cores: Rows, warnings: list[Problem]) -> None:
    """Each further core of a tree that has more rings than another of the tree has to the pith, or
    fewer, as a warning, unless the one with more is lower. cores: with `rings`, complete where the
    pith is in the core or the rings to it are given, and nearly where arcs are seen.
    """
    to_pith = np.asarray(cores["rings_to_pith"], dtype=float)
    rings = np.asarray(cores["rings"], dtype=float)
    centre = np.asarray(cores["centre"], dtype=object)
    known = ~np.isnan(to_pith) | np.isin(centre, ["pith", "arcs"])
    spare = np.where(np.isnan(to_pith) & (centre == "arcs"), MOST_INSIDE_ARCS, 0)
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
                more, fewer = (place, other) if total[place] > total[other] else (other, place)
                fits = height[more] < height[fewer] - SAME_HEIGHT_CM  # lower down there are more
                unknown = np.isnan(height[place]) or np.isnan(height[other])
                if not tree or fits or unknown or lost[place] or lost[other]:
                    continue
                apart = total[more] - total[fewer] - spare[fewer] - (last[more] - last[fewer])
                if not known[fewer] or not apart > max(MOST_RINGS, MOST_SHARE * total[more]):
                    continue
                near = abs(height[place] - height[other]) <= SAME_HEIGHT_CM
                where = "at the same height" if near else "where the higher one has more"
                found = (
                    f"{total[place]:.0f} rings, and {total[other]:.0f} in core"
                    f" '{cores['core'][other]}' of the same tree {where}"
                )
                advice = "Check the counts, the rings to the pith, and which tree each core is of."
                row, expected = int(cores["row"][place]), "cores of one tree that agree"
                warnings.append(Problem(file, row, "ring_count", found, expected, advice))
                break
