"""The most different and the most alike pairs of stands, of more than anybody reads."""

from __future__ import annotations

import pandas as pd

from standage.findings.comparison_measures import AGE_STRUCTURE_DISTANCE

MOST_PAIRS = 24  # shown; of more, the most different half and the most alike half (assumption)


def distances(comparison: pd.DataFrame) -> pd.DataFrame:
    """Pairs whose age structures can be compared, the most different first.

    comparison : rows of the comparison table.
    """
    known = comparison["measure"] == AGE_STRUCTURE_DISTANCE
    known &= comparison["difference_median"].notna()
    return comparison[known].sort_values("difference_median", ascending=False, kind="stable")


def extremes(ordered: pd.DataFrame) -> pd.DataFrame:
    """Of many pairs the most different and the most alike. ordered: as `distances` gives them."""
    if len(ordered) <= MOST_PAIRS:
        return ordered
    half = MOST_PAIRS // 2
    return pd.concat([ordered.head(half), ordered.tail(half)])
