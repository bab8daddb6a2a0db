"""How far readings of the same core agree, reader by reader."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standage.evidence.core import core_table
from standage.evidence.ring_count import date_innermost_rings
from standage.profiles import Profile

if TYPE_CHECKING:
    from standage.survey.survey import Survey

UNNAMED = "cores.csv"  # the reader of a core's own reading, where it isn't recorded
EVERYONE = "all"
PRIOR_READINGS = 4.0
"""Readings that what all readers have in common counts for, where a reader's own spread and lean
are worked out (assumption): after four readings half of each is the reader's own.
"""
FAR_APART = 3.0
"""Standard deviations of a difference of two readings from which a core is named for re-reading
(assumption)."""

AGREEMENT_COLUMNS = (
    "reader",
    "other_reader",
    "pairs",
    "blind_pairs",
    "mean_difference_rings",
    "sd_difference_rings",
    "share_identical",
    "share_within_1",
    "share_within_2",
    "largest_difference_rings",
)
READING_COLUMNS = ("core", "reader", "rings", "blind", "usual_sd")
READER_COLUMNS = ("reader", "cores", "lean_rings", "spread_rings")


def all_readings(survey: Survey, profiles: Mapping[str, Profile]) -> pd.DataFrame:
    """Every reading of the cores that were read more than once: `core`, `reader`, `rings` (further
    back than the core's own reading), `blind`, `usual_sd` of one reading. profiles: by species, for
    the usual error of a count; cores of others are left out.
    """
    parts = [_readings_of(survey, key, profile) for key, profile in profiles.items()]
    return pd.concat([pd.DataFrame(columns=list(READING_COLUMNS)), *parts], ignore_index=True)


def _readings_of(survey: Survey, species: str, profile: Profile) -> pd.DataFrame:
    cores = core_table(survey)
    cores = cores[cores["species"] == species]
    ring = date_innermost_rings(cores, profile)
    own = pd.DataFrame(
        {
            "core": cores["core"].to_numpy(object),
            "reader": cores["reader"].replace("", UNNAMED).to_numpy(object),
            "year": ring.innermost_year,
            "last": ring.last_ring_year,
            "usual_sd": ring.reader_scale,
        }
    )
    own = own[own["core"].isin(survey.core_readings["core"]) & own["year"].notna()]
    more = survey.core_readings.merge(own.drop(columns="reader"), on="core", how="inner")
    counted = more["last"] - more["ring_count"] + 1.0
    more["rings"] = more["year"] - more["first_ring_year"].fillna(counted)
    first = own.assign(rings=0.0, blind="yes")  # whoever reads first has nothing to know
    columns = list(READING_COLUMNS)
    return pd.concat([first[columns], more.loc[more["rings"].notna(), columns]])


def reader_agreement(readings: pd.DataFrame) -> pd.DataFrame:
    """A row for each two readers, and for all: differences of two readings of a core, the first
    reader's less the other's, positive where the first sees more rings.
    """
    pairs: list[tuple[str, str, float, bool]] = []
    for _, own in readings.groupby("core", sort=False):
        rows = sorted(own.itertuples(index=False), key=lambda row: row.reader)
        for one, other in combinations(rows, 2):
            blind = one.blind == other.blind == "yes"
            pairs.append((one.reader, other.reader, one.rings - other.rings, blind))
    table = pd.DataFrame(pairs, columns=["reader", "other_reader", "difference", "blind"])
    found = [
        (*readers, *_of_pairs(each))
        for readers, each in table.groupby(["reader", "other_reader"], sort=True)
    ]
    if len(found) > 1:
        found.append((EVERYONE, EVERYONE, *_of_pairs(table)))
    return pd.DataFrame(found, columns=list(AGREEMENT_COLUMNS))


def _of_pairs(pairs: pd.DataFrame) -> tuple[float, ...]:
    difference = pairs["difference"]
    apart = difference.abs()
    return (
        len(pairs),
        int(pairs["blind"].sum()),
        difference.mean(),
        difference.std() if len(pairs) > 1 else np.nan,
        (apart == 0).mean(),
        (apart <= 1).mean(),
        (apart <= 2).mean(),
        apart.max(),
    )


def readers(readings: pd.DataFrame) -> pd.DataFrame:
    """A row a reader: cores read by others too, `lean_rings` (mean of what the reader sees more
    than the others of the same core) and `spread_rings` (sd about it), both drawn to what
    all have in common where there are few.
    """
    sums, sizes = (readings.groupby("core")["rings"].transform(how) for how in ("sum", "size"))
    several = readings[sizes > 1].assign(
        off=((readings["rings"] * sizes - sums) / (sizes - 1))[sizes > 1]
    )
    everyone = float((several["off"] ** 2).mean()) if len(several) else np.nan
    rows = []
    for reader, own in several.groupby("reader", sort=True):
        number = len(own)
        lean = own["off"].sum() / (number + PRIOR_READINGS)
        squares = ((own["off"] - lean) ** 2).sum()
        spread = np.sqrt((squares + PRIOR_READINGS * everyone) / (number + PRIOR_READINGS))
        rows.append((reader, number, lean, spread))
    return pd.DataFrame(rows, columns=list(READER_COLUMNS))


def far_apart(readings: pd.DataFrame) -> list[tuple[str, float]]:
    """Cores whose readings differ by more than counts stray, worst first: `(core, rings)`."""
    spans = readings.groupby("core").agg(
        low=("rings", "min"), high=("rings", "max"), sd=("usual_sd", "max")
    )
    apart = spans["high"] - spans["low"]
    # a crossdated core has no error of its own: one ring stands for it
    odd = apart[apart > FAR_APART * np.sqrt(2.0) * spans["sd"].clip(lower=1.0)]
    return [(str(core), float(rings)) for core, rings in odd.sort_values(ascending=False).items()]
