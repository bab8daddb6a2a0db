"""Counts of a simulated survey that are grossly off, added to a survey already made: the random
numbers of its making are not touched.

Deliberately not the law that the evidence assumes: decades are skipped and counted twice alike and
up to three at a time, other slips are log-normal, and labels are truly exchanged.
"""

from __future__ import annotations

import math

import numpy as np

from standage.simulate.tables import SimulatedSurvey

_DECADES = (10, 10, 10, 20, 30)
_SLIP_MEDIAN, _SLIP_LOG_SD = 14.0, 0.5  # of a slip that isn't of decades, invented [rings]
_LEAST_OFF = 5  # fewer is no gross error [rings]
_DECADE_SHARE, _SLIP_SHARE = 0.45, 0.4  # the rest are labels


def with_misread_counts(simulated: SimulatedSurvey, share: float, seed: int) -> SimulatedSurvey:
    """The survey with each counted core grossly misread with probability `share`. Its truth on
    `cores` says by how many rings as `misread_rings`, positive where too many were counted.

    >>> simulated = small_survey(5, stems=30, cores=6)
    >>> with_misread_counts(simulated, 0.0, seed=1).truth["cores"]["misread_rings"].tolist()
    [0, 0, 0, 0, 0, 0]
    """
    rng = np.random.default_rng([seed, 9])
    cores = simulated.tables["cores"].copy()
    off = np.zeros(len(cores), dtype=int)
    rings = cores["ring_count"].to_numpy(float, na_value=math.nan)
    counted = np.flatnonzero((cores["dating"] == "counted").to_numpy() & np.isfinite(rings))
    for row in counted:
        if rng.random() < share:
            off[row] = _rings_off(rng, rings, int(row), counted)
    cores["ring_count"] = [
        count if not more else count + more
        for count, more in zip(cores["ring_count"], off, strict=True)
    ]
    truth = simulated.truth["cores"].copy()
    by_core = dict(zip(cores["core"], off.tolist(), strict=True))
    truth["misread_rings"] = [by_core[core] for core in truth["core"]]
    return SimulatedSurvey(simulated.tables | {"cores": cores}, simulated.truth | {"cores": truth})


def _rings_off(rng: np.random.Generator, rings: np.ndarray, row: int, counted: np.ndarray) -> int:
    """Rings counted too many, or too few, by `_LEAST_OFF` or more; 0 where none such can be."""
    for _ in range(50):
        kind, sign = rng.random(), 1 if rng.random() < 0.5 else -1
        if kind < _DECADE_SHARE:
            off = sign * int(rng.choice(_DECADES))
        elif kind < _DECADE_SHARE + _SLIP_SHARE:
            off = sign * round(_SLIP_MEDIAN * math.exp(_SLIP_LOG_SD * rng.standard_normal()))
        else:
            off = int(rings[rng.choice(counted)] - rings[row])
        if abs(off) >= _LEAST_OFF and rings[row] + off >= 3:
            return off
    return 0
