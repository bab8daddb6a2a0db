"""The table of `standage ages`, as text for a screen and as a CSV file."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd

from standage.errors import StandageError


def ages_text(table: pd.DataFrame, level: float) -> str:
    """One line a tree: establishment year and age with interval, and what each step adds [years, standard deviation]."""
    lines = [
        f"Each cored tree by itself, flat prior on years, intervals of {level:.0%}; +- are standard deviations in years.",
        f"{'tree':<14} {'stand':<12} {'established':<20} {'age':>4}   {'+-count':>7} {'centre':>7} {'height':>7} {'grass':>7} {'all':>7}",
    ]
    for row in table.itertuples():
        if pd.notna(row.establishment_year_median):
            when = f"{row.establishment_year_median:.0f} ({row.establishment_year_low:.0f}-{row.establishment_year_high:.0f})"
            age = f"{row.age_median:.0f}"
        elif pd.notna(row.coring_height_year_median):
            when = f"at core {row.coring_height_year_median:.0f}"
            age = ""
        else:
            lines.append(f"{row.tree:<14} {row.stand:<12} not dated: {row.left_out_reason}")
            continue
        parts = [row.sd_count, row.sd_centre, row.sd_height, row.sd_grass, row.sd_total]
        figures = " ".join(f"{value:7.1f}" if pd.notna(value) else f"{'':7}" for value in parts)
        lines.append(f"{row.tree:<14} {row.stand:<12} {when:<20} {age:>4}   {figures}")
    return "\n".join(lines)


def write_ages(table: pd.DataFrame, path: str | os.PathLike) -> None:
    """Write the table whole or not at all. Raises `StandageError` where the place can't be written."""
    path = Path(path)
    beside = path.with_name(path.name + ".part")
    try:
        table.to_csv(beside, index=False)
        os.replace(beside, path)
    except OSError as problem:
        beside.unlink(missing_ok=True)
        raise StandageError(f"{path}: can't be written ({problem.strerror}); choose another place with --csv") from problem
