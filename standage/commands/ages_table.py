"""The table of `standage ages`, as text for a screen and as a CSV file."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd

from standage.errors import StandageError
from standage.replaced_file import replaced
from standage.survey.formula_escapes import escape_table, write_escaped_csv


def ages_text(table: pd.DataFrame, level: float) -> str:
    """One line a tree: establishment year and age with interval, and what each step adds [years,
    standard deviation].
    """
    wide, broad = (max([len(name), *table[name].str.len()]) for name in ("tree", "stand"))
    lines = [
        (
            f"Each cored tree by itself, flat prior on years, intervals of {level:.0%}; +- are"
            " standard deviations in years."
        ),
        (
            f"{'tree':<{wide}} {'stand':<{broad}} {'established':<20} {'age':>4}   "
            f"{'+-count':>7} {'centre':>7} {'height':>7} {'grass':>7} {'all':>7}"
        ),
    ]
    uncored = (
        table["innermost_ring_year"].isna()
        & table["establishment_year_median"].isna()
        & table["coring_height_year_median"].isna()
    )
    silent = uncored & table["left_out_reason"].str.startswith("not cored")
    for row in table[~silent].itertuples():
        if pd.notna(row.establishment_year_median):
            when = (
                f"{row.establishment_year_median:.0f}"
                f" ({row.establishment_year_low:.0f}-{row.establishment_year_high:.0f})"
            )
            age = f"{row.age_median:.0f}"
        elif pd.notna(row.coring_height_year_median):
            when = f"at core {row.coring_height_year_median:.0f}"
            age = ""
        else:
            lines.append(
                f"{row.tree:<{wide}} {row.stand:<{broad}} not dated: {row.left_out_reason}"
            )
            continue
        parts = [row.sd_count, row.sd_centre, row.sd_height, row.sd_grass, row.sd_total]
        figures = " ".join(f"{value:7.1f}" if pd.notna(value) else f"{'':7}" for value in parts)
        lines.append(f"{row.tree:<{wide}} {row.stand:<{broad}} {when:<20} {age:>4}   {figures}")
    if silent.any():
        lines.append(
            f"{int(silent.sum())} stems that were not cored are in the CSV only; the stand model"
            " (`standage run`) dates them by their size."
        )
    return "\n".join(lines)


def write_ages(table: pd.DataFrame, path: str | os.PathLike) -> Path:
    """Write the table whole or not at all; an earlier table of ages is replaced, any other file is
    not. Returns the path.

    Raises `StandageError` where the place can't be written or holds something else.
    """
    path = Path(path)
    header = ",".join(table.columns)
    try:
        with replaced(path, header=header, what="a table of ages") as file:
            write_escaped_csv(escape_table(table), file)
    except OSError as problem:
        found = f"a place that can't be written ({problem.strerror})"
        raise StandageError.at(
            path, found, "a place for the table", "Choose another place with --csv."
        ) from problem
    return path
