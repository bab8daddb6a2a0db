"""What a species is known to reach, from its profile, beside the rows of a table: beyond that a
number looks wrong, and far beyond it is refused.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable

import numpy as np
import pandas as pd

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

FAR_BEYOND = 1.5
"""A tree so many times older than the oldest known of its species is refused (assumption)."""


def limits_of(species: Iterable[str], profile_folder: str | None = None) -> pd.DataFrame:
    """A row a species, NaN where it has no profile that can be read; columns as in `KEYS`."""
    names = list(dict.fromkeys(species))
    table = pd.DataFrame(np.nan, index=pd.Index(names, dtype=object), columns=list(KEYS))
    known = set(profile_keys(profile_folder))
    for name in names:
        if name not in known:
            continue
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # said where the profile is used
                profile = load_profile(name, profile_folder)
        except StandageError:
            continue
        table.loc[name] = [profile[key] for key in KEYS.values()]
    return table


def with_limits(rows: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """The rows with the limits of their `species` beside them, under the names of `KEYS`."""
    beside = limits.reindex(rows["species"]).set_axis(rows.index)
    return rows.drop(columns=list(KEYS), errors="ignore").join(beside)
