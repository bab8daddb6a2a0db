"""What a species is known to reach, from its profile, beside the rows of a table: beyond that a
number looks wrong, and far beyond it is refused.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping

import numpy as np

from standage.errors import StandageError
from standage.profiles import load_profile, profile_keys

KEYS = {
    "oldest": "longevity.years",
    "largest_dbh_cm": "limits.largest_dbh_cm",
    "densest": "limits.density_index",
    "widest_mm": "limits.widest_mean_ring_mm",
    "narrowest_mm": "limits.narrowest_mean_ring_mm",
    "bark_share": "core.bark_share_of_diameter",
    "taper": "core.taper_per_m",
    "unknown_missed": "core.unknown_missing_rings_median",
}

Limits = Mapping[str, tuple[float, ...]]
"""By species, in the order of `KEYS`."""

FAR_BEYOND = 1.5
"""A tree so many times older than the oldest known of its species is refused (assumption)."""


def limits_of(species: Iterable[str], profile_folder: str | None = None) -> Limits:
    """Of each species, as in `KEYS`; of those without a profile that can be read, nothing."""
    known = set(profile_keys(profile_folder))
    limits: dict[str, tuple[float, ...]] = {}
    for name in dict.fromkeys(species):
        if name not in known:
            continue
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # said where the profile is used
                profile = load_profile(name, profile_folder)
        except StandageError:
            continue
        limits[name] = tuple(float(profile[key]) for key in KEYS.values())
    return limits


def limits_beside(species: Iterable[str], limits: Limits) -> dict[str, np.ndarray]:
    """The limits of the species of each row, under the names of `KEYS`, (row,); NaN where there
    are none.
    """
    unknown = (np.nan,) * len(KEYS)
    found = np.array([limits.get(name, unknown) for name in species], dtype=float)
    return dict(zip(KEYS, found.reshape(-1, len(KEYS)).T, strict=True))
