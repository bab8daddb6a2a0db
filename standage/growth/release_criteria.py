"""Growth releases and suppressions by published criteria: two running windows side by side, and the
peaks of what they differ by.

All work on an array (series, year) with NaN outside a series; an absent ring is a ring of 0 mm and
counts as one. A change is looked at only where both windows are complete, so that the first and
last years of a series, as many as a window is long, can't hold one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

PRECEDING, FOLLOWING = "preceding", "following"
# a change this little below a threshold has reached it: widths are decimal, sums of them are not
# [relative]
MOSTLY_EQUAL = 1e-9


@dataclass(frozen=True)
class Criterion:
    """How two windows are compared, and from what change on it is a release.

    window : length of each window. [rings]
    middle : `mean` or `median` of a window.
    relative : change in per cent of the preceding window; otherwise in mm.
    least : smallest change that is a release, reached included. [% or mm]; None: `spreads` standard
        deviations of all changes given.
    major : change from which a release is called major. [same unit]; None where the source has no
        levels.
    year_in : window that the year itself belongs to.
    least_apart : of two peaks fewer years apart the greater stays. [years]
    source : where it comes from.
    """

    name: str
    window: int
    middle: str
    relative: bool
    least: float | None
    major: float | None
    year_in: str
    least_apart: int
    source: str
    spreads: float = 1.25

    def __post_init__(self) -> None:
        if self.window < 1 or self.least_apart < 0:
            raise ValueError(
                f"a window needs at least one ring and a distance can't be negative: {self.window},"
                f" {self.least_apart}"
            )
        if self.middle not in ("mean", "median"):
            raise ValueError(f"the middle of a window is 'mean' or 'median', not {self.middle!r}")
        if self.year_in not in (PRECEDING, FOLLOWING):
            raise ValueError(
                f"a year belongs to the '{PRECEDING}' or the '{FOLLOWING}' window, not"
                f" {self.year_in!r}"
            )
        if self.least is not None and not self.least > 0:
            raise ValueError(f"the smallest change must be above 0, not {self.least}")


RECOVERY_YEARS = 10  # a rise so soon after a suppression of the series is its recovery (assumption)
DATED_WITHIN = 2  # years by which noise moves the ends of a low (assumption)
SMOOTHED = 3  # years of the running median by which the length of a low is measured (assumption)

# that the year itself belongs to the preceding window is from memory, for all four; `year_in`
# changes it
CRITERIA: dict[str, Criterion] = {
    criterion.name: criterion
    for criterion in (
        Criterion(
            "percent_change_means",
            10,
            "mean",
            True,
            25.0,
            50.0,
            PRECEDING,
            10,
            "Nowacki & Abrams 1997",
        ),
        Criterion(
            "percent_change_medians",
            10,
            "median",
            True,
            25.0,
            50.0,
            PRECEDING,
            10,
            "Rubino & McCarthy 2004",
        ),
        Criterion(
            "sustained", 15, "mean", True, 50.0, 100.0, PRECEDING, 15, "Lorimer & Frelich 1989"
        ),
        # the publication's thresholds are by species and none is known for the species here; 1.25
        # standard deviations is from memory
        Criterion(
            "absolute_increase", 10, "mean", False, None, None, PRECEDING, 10, "Fraver & White 2005"
        ),
    )
}


def criterion_named(name: str) -> Criterion:
    """The criterion of that name. Raises ValueError that lists the names."""
    if name not in CRITERIA:
        raise ValueError(
            f"there is no release criterion {name!r}; there are change_point (the model),"
            f" {', '.join(CRITERIA)}"
        )
    return CRITERIA[name]


def criterion_words(name: str) -> str:
    """A published criterion with its source, as a sentence names it: `percent change means (Nowacki
    & Abrams 1997)`.
    """
    source = f" ({CRITERIA[name].source})" if name in CRITERIA else ""
    return f"{name.replace('_', ' ')}{source}"


def window_middles(widths: np.ndarray, window: int, middle: str) -> tuple[np.ndarray, np.ndarray]:
    """Middle of the window that ends with each year, and of the one that begins after it.

    widths : (series, year) ring widths, NaN outside a series. [mm]
    Returns two (series, year) arrays, NaN where a window is not complete.
    """
    widths = _checked(widths)
    ending = np.full(widths.shape, np.nan)
    beginning = np.full(widths.shape, np.nan)
    if widths.shape[1] >= window:
        runs = np.lib.stride_tricks.sliding_window_view(widths, window, axis=1)
        ending[:, window - 1 :] = runs.mean(axis=2) if middle == "mean" else np.median(runs, axis=2)
        beginning[:, : widths.shape[1] - window] = ending[:, window:]
    return ending, beginning


def growth_change(widths: np.ndarray, criterion: Criterion) -> np.ndarray:
    """Change of growth at each year: 100 (M2 - M1)/M1 in per cent, or M2 - M1 in mm. (series, year)

    M1 and M2 are the middles of the preceding and the following window. Infinite where a window of
    nothing but absent rings is followed by growth; NaN where a window is not complete, or both hold
    nothing but absent rings.
    """
    return _relative_change(*_windows(widths, criterion), criterion)


def growth_loss(widths: np.ndarray, criterion: Criterion) -> np.ndarray:
    """The same read backwards, 100 (M1 - M2)/M2 or M1 - M2: a fall to two thirds is a loss of 50 %,
    as the way back is a gain of 50 %.
    """
    before, after = _windows(widths, criterion)
    return _relative_change(after, before, criterion)


def _windows(widths: np.ndarray, criterion: Criterion) -> tuple[np.ndarray, np.ndarray]:
    """M1 and M2 at each year. (series, year)"""
    before, after = window_middles(widths, criterion.window, criterion.middle)
    if criterion.year_in != FOLLOWING:
        return before, after
    later = np.full((len(before), 1), np.nan)
    return (
        np.concatenate([later, before[:, :-1]], axis=1),
        np.concatenate([later, after[:, :-1]], axis=1),
    )


def _relative_change(first: np.ndarray, second: np.ndarray, criterion: Criterion) -> np.ndarray:
    """From one middle to the other, relative to the first [per cent] or not [mm]."""
    if not criterion.relative:
        return second - first
    with np.errstate(divide="ignore", invalid="ignore"):
        return 100 * (second - first) / first


def smallest_change(widths: np.ndarray, criterion: Criterion) -> float:
    """From which change on it is a release: the criterion's own, or so many standard deviations of
    all changes of these series.
    """
    if criterion.least is not None:
        return float(criterion.least)
    changes = growth_change(widths, criterion)
    changes = changes[np.isfinite(changes)]
    if len(changes) < 2:
        return np.inf  # nothing to measure a change by, so that none is found
    return float(max(criterion.spreads * changes.std(ddof=1), np.finfo(float).tiny))


def peaks(changes: np.ndarray, least: float, least_apart: int) -> np.ndarray:
    """Years of the changes to be reported. (series, year) bool

    Of each run of consecutive years that reach `least` the year of the greatest change, the first
    of equals. Then, from the greatest down, a peak stays unless a greater one stays fewer than
    `least_apart` years away; of equals the earlier.
    """
    changes = np.asarray(changes, dtype=float)
    reached = changes >= least - MOSTLY_EQUAL * abs(least)
    found = np.zeros(changes.shape, dtype=bool)
    for series in np.flatnonzero(reached.any(axis=1)):
        inside = np.flatnonzero(reached[series])
        row = changes[series]
        runs = np.split(inside, np.flatnonzero(np.diff(inside) > 1) + 1)
        places = np.array([run[int(np.argmax(row[run]))] for run in runs])
        kept: list[int] = []
        for place in places[np.argsort(-row[places], kind="stable")]:
            if all(abs(place - other) >= least_apart for other in kept):
                kept.append(int(place))
        found[series, kept] = True
    return found


def found_changes(widths: np.ndarray, years: np.ndarray, criterion: Criterion) -> pd.DataFrame:
    """All releases and suppressions of many series.

    Parameters
    ----------
    widths : (series, year) ring widths, NaN outside a series. [mm]
    years : (year,) consecutive calendar years.

    Returns
    -------
    DataFrame by series and year: `series` (place in `widths`), `kind` (`release`, `suppression`,
    `recovery`), `year` (as the criterion dates it), `first_year` (of the following window: the
    first ring of the new growth), `change` (% or mm, positive), `before_mm`, `after_mm`, `major`
    (bool; False where the criterion has no levels).

    A rise that ends a low of at most `RECOVERY_YEARS` is a recovery, unless what follows it exceeds
    by as much as the criterion asks what had been before the low. How long the low was is measured
    on the rings: windows longer than it date its two ends anywhere within their length.
    """
    widths = _checked(widths)
    before, after = window_middles(widths, criterion.window, criterion.middle)
    # how far the last year of the preceding window lies before the year itself
    shift = 1 if criterion.year_in == FOLLOWING else 0
    least = smallest_change(widths, criterion)
    rows = []
    for kind, changes in (
        ("release", growth_change(widths, criterion)),
        ("suppression", growth_loss(widths, criterion)),
    ):
        for series, place in np.argwhere(peaks(changes, least, criterion.least_apart)):
            rows.append(
                {
                    "series": int(series),
                    "kind": kind,
                    "year": int(years[place]),
                    "first_year": int(years[place]) + 1 - shift,
                    "change": float(changes[series, place]),
                    "before_mm": float(before[series, place - shift]),
                    "after_mm": float(after[series, place - shift]),
                    "major": bool(
                        criterion.major is not None
                        and changes[series, place] >= criterion.major * (1 - MOSTLY_EQUAL)
                    ),
                }
            )
    columns = ["series", "kind", "year", "first_year", "change", "before_mm", "after_mm", "major"]
    table = pd.DataFrame(rows, columns=columns).sort_values(
        ["series", "year", "kind"], ignore_index=True
    )
    return _recoveries_named(table, widths, int(years[0]), criterion, least)


def _recoveries_named(
    table: pd.DataFrame, widths: np.ndarray, first_year: int, criterion: Criterion, least: float
) -> pd.DataFrame:
    kinds = table["kind"].tolist()
    for place, row in enumerate(table.itertuples()):
        if row.kind != "release":
            continue
        falls = table[
            (table["series"] == row.series)
            & (table["kind"] == "suppression")
            & (row.year - table["year"]).between(1, RECOVERY_YEARS + 2 * criterion.window)
        ]
        short = []
        for fall in falls.itertuples():
            ends = fall.year - first_year, row.year - first_year
            low = low_years(widths[row.series], *ends, fall.before_mm, criterion.window)
            # a window longer than the low dates either end up to its surplus away; what lies
            # further apart is not this low's
            if (
                low <= RECOVERY_YEARS
                and row.year - fall.year <= max(low, 2 * criterion.window - low) + DATED_WITHIN
            ):
                short.append(fall.before_mm)
        if not short:
            continue
        gain = (
            100 * (row.after_mm - max(short)) / max(short)
            if criterion.relative
            else row.after_mm - max(short)
        )
        if gain < least * (1 - MOSTLY_EQUAL):
            kinds[place] = "recovery"
    return table.assign(kind=kinds)


def low_years(widths: np.ndarray, fall: int, rise: int, former: float, window: int) -> int:
    """How many years growth was low between a fall and a rise that windows of so many years have
    found.

    widths: (year,) of one series. fall, rise: places of the two. former: the level before the fall.
    [mm] Low is a running median of three years below the middle between that level and the lowest
    median between the two, round the place of the lowest.
    """
    begin, end = max(fall - window + 1, 1), min(rise + window, len(widths) - 1)
    three = np.lib.stride_tricks.sliding_window_view(widths[begin - 1 : end + 1], SMOOTHED)
    level = np.median(three, axis=1)
    between = slice(fall + 1 - begin, rise + 1 - begin)
    lowest = between.start + int(
        np.argmin(np.where(np.isnan(level[between]), np.inf, level[between]))
    )
    low = level < (former + level[lowest]) / 2
    left = lowest - int(np.argmin(low[lowest::-1])) if not low[: lowest + 1].all() else -1
    right = lowest + int(np.argmin(low[lowest:])) if not low[lowest:].all() else len(low)
    return right - left - 1


def _checked(widths: np.ndarray) -> np.ndarray:
    widths = np.asarray(widths, dtype=float)
    if widths.ndim != 2:
        raise ValueError(f"ring widths are an array (series, year), not of shape {widths.shape}")
    if (widths < 0).any() or np.isinf(widths).any():
        raise ValueError(
            "ring widths can't be negative or infinite; an absent ring is 0, a year outside a"
            " series NaN"
        )
    return widths
