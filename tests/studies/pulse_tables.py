"""From the rows of the study of pulses to its tables: limits, false pulses, power, narrow pulses.
Nothing is simulated here.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from standage.findings.pulse_limit import LEAST_LIMIT, reporting_limit

FALSE_SHARE = 0.025  # of surveys without a pulse that may report one, by design
MOST_FALSE = {
    "null": 0.03,
    "clumped plots": 0.10,
}  # of fresh surveys: 12 in 400 for the designs the limits were made for
# a reported pulse further than this from every true one is a false one beside it [years]
FAR_BESIDE = 10
BEHIND_ORACLE = 0.10  # the most that may be lost against the best possible
# what each scenario has to reach: share of surveys in which all of its pulses are told; None where
# failing is expected
POWER_NEEDED = {
    "12 cored": None,
    "20 cored": 0.87,
    "30 cored": None,
    "35 years apart": 0.75,
    "20 years apart": None,
    "past 180": None,
}
COVERED_NEEDED = 0.85


def conservative_quantile(values: np.ndarray, share: float = 1 - FALSE_SHARE) -> float:
    """Order statistic that a new value exceeds with a chance of at most 1 - share; the largest
    where there are too few for that.
    """
    in_order = np.sort(np.asarray(values, dtype=float))
    rank = math.ceil(share * (len(in_order) + 1) - 1e-9)
    return float(in_order[min(rank, len(in_order)) - 1])


def standard_error(hits: np.ndarray | pd.Series) -> float:
    """Of a share; surveys are independent, so each is a cluster of its own. Half a survey on either
    side keeps it above zero.
    """
    n = len(hits)
    share = (float(np.sum(hits)) + 0.5) / (n + 1)
    return math.sqrt(share * (1 - share) / max(n, 1))


def limit_row(rows: pd.DataFrame) -> pd.DataFrame:
    """The table of the reporting limit, one row, from surveys without pulses.

    The limit is the conservative order statistic of the best scores, never below `LEAST_LIMIT`, and
    rounded up.

    Parameters
    ----------
    rows : `listed_stems, best_score` a survey.
    """
    limit = (
        math.ceil(
            max(conservative_quantile(rows["best_score"].to_numpy()), LEAST_LIMIT) * 1000 - 1e-9
        )
        / 1000
    )
    stems = rows["listed_stems"]
    return pd.DataFrame(
        {
            "limit": [limit],
            "simulated_surveys": [len(rows)],
            "fewest_stems": [int(stems.min())],
            "most_stems": [int(stems.max())],
        }
    )


def score_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Surveys without pulses by number of listed stems: the 97.5 % point of each third, to see
    whether one limit does for all.
    """
    thirds = pd.qcut(rows["listed_stems"], 3)
    table = (
        rows.groupby(thirds, observed=True)["best_score"]
        .agg(["size", "median", conservative_quantile])
        .reset_index()
    )
    table["listed_stems"] = table["listed_stems"].map(
        lambda span: f"{span.left:.0f} to {span.right:.0f}"
    )
    return table.rename(columns={"size": "surveys", "conservative_quantile": "point_97.5"})


def false_pulse_table(rows: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """How many fresh surveys without a pulse report one, by kind, under a table of limits.

    Parameters
    ----------
    rows : `kind, listed_stems, best_score` a survey.
    """
    reports = reported(rows, limits)
    table = []
    for kind in MOST_FALSE:
        hits = reports[rows["kind"] == kind]
        if len(hits):
            allowed = math.floor(MOST_FALSE[kind] * len(hits) + 1e-9)
            table.append(
                (
                    kind,
                    len(hits),
                    int(hits.sum()),
                    hits.mean(),
                    standard_error(hits),
                    allowed,
                    int(hits.sum()) <= allowed,
                )
            )
    return pd.DataFrame(
        table,
        columns=["kind", "surveys", "false_pulses", "share", "standard_error", "allowed", "holds"],
    )


def cut_table(rows: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """Cuts without recruitment: how often a pulse is reported. rows: as for `false_pulse_table`."""
    reports = reported(rows, limits)
    of_kind = {kind: reports[rows["kind"] == kind] for kind in ("cut", "cut not on record")}
    return pd.DataFrame(
        [(kind, len(those), int(those.sum())) for kind, those in of_kind.items() if len(those)],
        columns=["kind", "surveys", "with_pulse"],
    )


def reported(rows: pd.DataFrame, limits: pd.DataFrame) -> pd.Series:
    """Whether each survey reports a pulse: its best score reaches the limit for as many stems."""
    needed = np.array([reporting_limit(stems, limits).value for stems in rows["listed_stems"]])
    return pd.Series(rows["best_score"].to_numpy() >= needed, index=rows.index)


def power_table(rows: pd.DataFrame, nulls: pd.DataFrame) -> pd.DataFrame:
    """How often the pulses of a scenario are told, against the best possible.

    Told: each true pulse is overlapped, from median start to median end, by a reported one of its
    own. The oracle tells where its statistic passes the conservative 97.5 % point of its own nulls;
    it is asked about single pulses only.

    Parameters
    ----------
    rows : `scenario, true_pulses` ([first, last] each), `reported_pulses` (dictionaries of
        `start_median, end_median, centre_low, centre_high`), `oracle` a survey.
    nulls : `scenario, oracle` a survey without pulse.
    """
    table = []
    for scenario, needed in POWER_NEEDED.items():
        of = rows[rows["scenario"] == scenario]
        if of.empty:
            continue
        told = of.apply(lambda row: told_apart(row["true_pulses"], row["reported_pulses"]), axis=1)
        beside = of.apply(
            lambda row: any(
                _far_from_all(one, row["true_pulses"]) for one in row["reported_pulses"]
            ),
            axis=1,
        )
        own_nulls = (
            nulls["oracle"][nulls["scenario"] == scenario] if len(nulls) else pd.Series(dtype=float)
        )
        oracle = (
            float((of["oracle"] > conservative_quantile(own_nulls)).mean())
            if len(own_nulls)
            else math.nan
        )
        holds = (
            needed is None or told.mean() >= needed
        ) and not told.mean() < oracle - BEHIND_ORACLE
        table.append(
            (
                scenario,
                len(of),
                told.mean(),
                standard_error(told),
                oracle,
                len(own_nulls),
                beside.mean(),
                needed,
                holds,
            )
        )
    columns = [
        "scenario",
        "surveys",
        "told",
        "standard_error",
        "best_possible",
        "oracle_nulls",
        "false_beside",
        "needed",
        "holds",
    ]
    return pd.DataFrame(table, columns=columns)


def told_apart(true_pulses: list, reported_pulses: list[dict]) -> bool:
    """Whether every true pulse has a reported one to itself."""
    if not true_pulses:
        return True
    first, last = true_pulses[0]
    return any(
        one["start_median"] <= last
        and one["end_median"] >= first
        and told_apart(true_pulses[1:], [*reported_pulses[:k], *reported_pulses[k + 1 :]])
        for k, one in enumerate(reported_pulses)
    )


def _far_from_all(one: dict, true_pulses: list) -> bool:
    return all(
        one["start_median"] > last + FAR_BESIDE or one["end_median"] < first - FAR_BESIDE
        for first, last in true_pulses
    )


def centre_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Whether the interval of a pulse's centre holds the true one, by scenario; of pulses found
    alone, each against its true one.

    Intervals are of whole years, so a centre between two years counts as held by either.
    """
    table = []
    scenarios = [*POWER_NEEDED, "all"]
    found = [
        (row["scenario"], abs_error, covered)
        for _, row in rows.iterrows()
        for abs_error, covered in _centres(row["true_pulses"], row["reported_pulses"])
    ]
    pairs = pd.DataFrame(found, columns=["scenario", "abs_error", "covered"])
    for scenario in scenarios:
        of = pairs if scenario == "all" else pairs[pairs["scenario"] == scenario]
        if len(of):
            share = of["covered"].mean()
            holds = scenario != "all" or share >= COVERED_NEEDED
            table.append(
                (
                    scenario,
                    len(of),
                    share,
                    standard_error(of["covered"]),
                    of["abs_error"].median(),
                    holds,
                )
            )
    return pd.DataFrame(
        table,
        columns=["scenario", "pulses", "covered", "standard_error", "median_error_years", "holds"],
    )


def _centres(true_pulses: list, reported_pulses: list[dict]) -> list[tuple[float, bool]]:
    """Error and coverage of reported pulses that overlap exactly one true pulse, and that one no
    other reported pulse.
    """

    def meet(one: dict, true: list) -> bool:
        return one["start_median"] <= true[1] and one["end_median"] >= true[0]

    out = []
    for true in true_pulses:
        meeting = [one for one in reported_pulses if meet(one, true)]
        if len(meeting) == 1 and sum(meet(meeting[0], other) for other in true_pulses) == 1:
            centre, one = (true[0] + true[1]) / 2, meeting[0]
            out.append(
                (
                    abs(one["centre_median"] - centre),
                    bool(one["centre_low"] - 0.5 <= centre <= one["centre_high"] + 0.5),
                )
            )
    return out


def departure_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Share of the older stems that established in a window, posterior against truth, by process
    and window.

    Parameters
    ----------
    rows : `process, pulse_years, windows` a survey; `windows` are dictionaries of `window` (its
        name), `truth, low, median, high`.
    """
    found = [
        (
            row["process"],
            row["pulse_years"],
            one["window"],
            math.log(one["median"] / one["truth"]),
            one["low"] <= one["truth"] <= one["high"],
            math.log(one["high"] / one["low"]),
        )
        for _, row in rows.iterrows()
        for one in row["windows"]
    ]
    columns = ["process", "pulse_years", "window", "log_bias", "covered", "log_width"]
    groups = pd.DataFrame(found, columns=columns).groupby(["window", "pulse_years", "process"])
    table = groups.agg(
        surveys=("log_bias", "size"),
        log_bias=("log_bias", "mean"),
        bias_error=("log_bias", "sem"),
        covered=("covered", "mean"),
        covered_error=("covered", standard_error),
        log_width=("log_width", "mean"),
    )
    return table.reset_index()


def markdown(table: pd.DataFrame) -> str:
    """A table as markdown, shares and figures to three places."""

    def cell(value: object) -> str:
        if isinstance(value, bool | np.bool_):
            return "yes" if value else "NO"
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return ""
        return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)

    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * len(table.columns)]
    lines += [
        "| " + " | ".join(cell(value) for value in row) + " |"
        for row in table.itertuples(index=False, name=None)
    ]
    return "\n".join(lines)
