"""The table of `standage ages`, as text for a screen and as a CSV file."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from standage.errors import StandageError
from standage.evidence.tree_ages import DEAD_NOT_CORED, LEAST_AGE, NOT_CORED
from standage.replaced_file import replaced
from standage.survey.accounted import LEFT_OUT, Account
from standage.survey.files.formula_escapes import escape_table, write_escaped_csv

READERS = ["reader", "other_reader"]
UNDATED = ("not cored", DEAD_NOT_CORED)
"""How the reasons begin of stems without a core, those that a run dates by size first."""
MOST_NAMED = 8  # cores to read once more, on a screen


def with_reasons(table: pd.DataFrame, accounted: Account) -> pd.DataFrame:
    """The table with the reason of each stem that was not cored and that a run leaves out, too."""
    unused = (each for of in accounted.tallies if of.what == "stems" for each in of.unused)
    left = {each.name: each.reason for each in unused if each.part == LEFT_OUT}
    own, names = table["left_out_reason"].tolist(), table["tree"].tolist()
    reasons = [
        f"not cored: {left[name]}" if reason.startswith(NOT_CORED) and name in left else reason
        for reason, name in zip(own, names, strict=True)
    ]
    return table.assign(left_out_reason=pd.Series(reasons, index=table.index, dtype=object))


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
        & table["establishment_year_high"].isna()
    )
    silent = uncored & table["left_out_reason"].str.startswith(NOT_CORED)
    undated = uncored & table["left_out_reason"].str.startswith(UNDATED) & ~silent
    for row in table[~(silent | undated)].itertuples():
        if row.note.startswith(LEAST_AGE) and pd.isna(row.establishment_year_median):
            lines.append(f"{row.tree:<{wide}} {row.stand:<{broad}} {_least(row)}")
            continue
        if pd.notna(row.establishment_year_median):
            when = (
                f"{row.establishment_year_median:.0f}"
                f" ({row.establishment_year_low:.0f}-{row.establishment_year_high:.0f})"
            )
            age = f"{row.age_median:.0f}"
        elif pd.notna(row.coring_height_year_median):
            when = f"at core {row.coring_height_year_median:.0f}"
            age = ""
        elif pd.notna(row.establishment_year_high):
            when, age = f"by {row.establishment_year_high:.0f}", ""
            if pd.notna(row.age_low):
                age = f"{row.age_low:.0f}+"
            lines.append(
                f"{row.tree:<{wide}} {row.stand:<{broad}} {when:<20} {age:>4}   {row.note}"
            )
            continue
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
    if undated.any():
        reasons = table.loc[undated, "left_out_reason"].str.removeprefix("not cored: ")
        named = "; ".join(f"{count} {why}" for why, count in reasons.value_counts().items())
        lines.append(f"{int(undated.sum())} stems that were not cored stay undated: {named}.")
    return "\n".join(lines)


def _least(row: Any) -> str:
    """What a least number of rings says of a tree: the latest year, and the least age."""
    if pd.isna(row.establishment_year_high):
        return f"{f'at core by {row.coring_height_year_high:.0f}':<20} {'':>4}   {row.note}"
    when, age = f"before {row.establishment_year_high + 1:.0f}", f"{row.age_low:.0f}+"
    return f"{when:<20} {age:>4}   {row.note}"


def write_ages(
    table: pd.DataFrame, path: str | os.PathLike, *, what: str = "a table of ages"
) -> Path:
    """Write the table whole or not at all; an earlier table of this kind is replaced, any other
    file is not. Returns the path.

    Raises `StandageError` where the place can't be written or holds something else.
    """
    path = Path(path)
    header = ",".join(table.columns)
    try:
        with replaced(path, header=header, what=what) as file:
            write_escaped_csv(escape_table(table), file)
    except OSError as problem:
        found = f"a place that can't be written ({problem.strerror})"
        raise StandageError.at(
            path, found, "a place for the table", "Choose another place with --csv."
        ) from problem
    return path


def readings_text(
    agreement: pd.DataFrame, each: pd.DataFrame, odd: Sequence[tuple[str, float]]
) -> str:
    """How far readers agree, and which cores to read once more; "" without further readings."""
    if agreement.empty:
        return ""
    wide = max(len("readers"), *(len(f"{a}, {b}") for a, b in agreement[READERS].to_numpy()))
    lines = [
        "Readings of the same core, the first reader's rings less the other's:",
        f"{'readers':<{wide}} {'pairs':>5} {'blind':>5} {'mean':>6} {'sd':>6} {'same':>5}"
        f" {'within 1':>8} {'within 2':>8} {'most':>5}",
    ]
    for row in agreement.itertuples(index=False):
        spread = f"{row.sd_difference_rings:6.1f}" if row.pairs > 1 else f"{'':6}"
        lines.append(
            f"{f'{row.reader}, {row.other_reader}':<{wide}} {row.pairs:>5} {row.blind_pairs:>5}"
            f" {row.mean_difference_rings:>+6.1f} {spread} {row.share_identical:>5.0%}"
            f" {row.share_within_1:>8.0%} {row.share_within_2:>8.0%}"
            f" {row.largest_difference_rings:>5.0f}"
        )
    leans = ", ".join(
        f"{row.reader} {row.lean_rings:+.1f} (sd {row.spread_rings:.1f}, {row.cores} cores)"
        for row in each.itertuples(index=False)
    )
    lines.append(f"Rings a reader sees more than the others, drawn together where few: {leans}.")
    if odd:
        named = ", ".join(f"{core} ({rings:.0f} rings apart)" for core, rings in odd[:MOST_NAMED])
        more = f" and {len(odd) - MOST_NAMED} more" if len(odd) > MOST_NAMED else ""
        lines.append(f"To read once more, readings further apart than counts stray: {named}{more}.")
    return "\n".join(lines)
