"""The findings in plain sentences that can be read aloud: the printed summary, and what it shares
with the report.

Every number is one a person would say, with what it is sure to within; where the survey can't tell,
the sentence says so.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from standage.findings.attribution import NEEDED_FACTOR
from standage.findings.events_on_record import stand_events
from standage.findings.findings import Findings
from standage.findings.prior_sensitivity import DISAGREE, STAGE_COUNTS, WORTH_TELLING_YEARS
from standage.grammar import capital, counted, listed
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import criterion_words
from standage.growth.tree_series import tree_series
from standage.prose.comparison import comparison_sentences
from standage.prose.measures import METRIC, Measures
from standage.prose.unit_answer import Answer, never_told, unit_answer
from standage.prose.wording import percent, probability_words, sayable, year_words

# of the range on record, below which a year that the rings have sharpened is told (assumption)
SHARPER = 0.7
FEW_CORES = 10  # with fewer dated trees, pulses rest on almost nothing (common practice, no source)
# share of attempts without readable core from which the sample may miss the rotten, old trees
# (assumption)
MANY_FAILED = 0.25
LIKELIER = 0.5  # probability from which the rings count as showing a disturbance
# prior probability from which that openings let plants go was assumed, not asked
TAKEN_FOR_GRANTED = 0.9
NO_CAUSE = "A release dates a change of growth; it doesn't prove what caused it."
LEFT_OUT_NAMED = 8  # series left out that are named one by one; more would fill the screen
# share of a pulse in one plot from which it may be a patch rather than the stand (assumption)
MUCH_ONE_PLOT = 0.6


def summary(
    posterior,
    *,
    level: float | None = None,
    tables: Mapping[str, pd.DataFrame] | None = None,
    units: str = METRIC,
) -> str:
    """The result as text: the verdict, each stand and species with its pulses, and warnings.

    Parameters
    ----------
    posterior : the posterior of a survey.
    level : credible level behind "between ... and ..."; that of the fit if None.
    tables : `Findings(posterior, level=level).tables`, where they are at hand.
    units : `metric`, or `us` for acres and feet beside.
    """
    level = posterior.level if level is None else level
    tables = Findings(posterior, level=level).tables if tables is None else tables
    measures = Measures(units)
    parts = [verdict_sentence(posterior.verdict), between_means(level)]
    for _, row in tables["stand_summary"].iterrows():
        parts.append(
            _paragraph(
                unit_answer(row, tables, measures, stand_events(posterior.survey, row["stand"]))
            )
        )
    parts += emergence_paragraphs(posterior, level)
    parts += ring_paragraphs(tables)
    compared = comparison_sentences(tables.get("comparison"))
    if compared:
        parts.append("Side by side. " + " ".join(compared))
    parts.append(
        "No survey of this kind can tell:\n"
        + "\n".join(f"- {sentence}" for sentence in never_told(tables))
    )
    leaning = leaning_sentences(tables.get("prior_sensitivity"))
    if leaning:
        parts.append(" ".join(leaning))
    warned = warnings_about(posterior, tables)
    if warned:
        parts.append("Mind this:\n" + "\n".join(f"- {warning}" for warning in warned))
    return "\n\n".join(parts) + "\n"


def between_means(level: float) -> str:
    """What an interval is, once for all sentences."""
    return (
        f'"Between" means: with a probability of {100 * level:.0f} %, given the survey and the'
        " model."
    )


def _paragraph(answer: Answer) -> str:
    """A unit in the summary: its sentences, then what can't be told of it."""
    lines = [" ".join([f"{answer.title}.", *answer.when])]
    lines += [
        " ".join(sentences) for sentences in (answer.preceded, answer.stands_there) if sentences
    ]
    lines += (
        ["Can't be told:", *(f"- {sentence}" for sentence in answer.not_told)]
        if answer.not_told
        else []
    )
    return "\n".join(lines)


def verdict_sentence(verdict: Mapping) -> str:
    """Whether the fit can be used, with its numbers."""
    numbers = (
        f"largest R-hat {verdict['rhat_max']:.3f}, smallest effective sample"
        f" {verdict['ess_min']:.0f}, {verdict['divergences']} divergent transitions"
    )
    passed = f"The fit passed its checks ({numbers})."
    failed = f"THE FIT DID NOT PASS its checks ({numbers}): do not use the numbers below."
    return " ".join([passed if verdict["passed"] else failed, *verdict.get("notes", ())])


def emergence_paragraphs(posterior, level: float) -> list[str]:
    """What was learned of plants let go by openings, stand by stand; nothing where they were left
    out (docs/the-model.md, section 11).
    """
    paragraphs = []
    for unit, prior, delays in zip(
        posterior.units, posterior.delay_prior, posterior.delay_posterior, strict=True
    ):
        if "release" not in delays:
            continue
        rho, before = (np.asarray(one["release"], dtype=float)[:, 0] for one in (delays, prior))
        factor = ((rho > 0).sum() + 0.5) / (
            (rho <= 0).sum() + 0.5
        )  # the odds beforehand are 1, where it was asked
        low, middle, high = (
            sayable(pace)
            for pace in np.exp(np.quantile(rho, [(1 - level) / 2, 0.5, (1 + level) / 2]))
        )
        if (before > 0).mean() > TAKEN_FOR_GRANTED:
            told = (
                "It was taken for granted that the openings on record let waiting plants leave the"
                " grass stage sooner; how much sooner "
            )
            told += (
                f"was learned: just after one, at about {middle} times the usual pace (between"
                f" {low} and {high})."
            )
        elif 1 / NEEDED_FACTOR < factor < NEEDED_FACTOR:
            told = (
                "Whether the openings on record hastened or delayed the end of the grass stage"
                " can't be told: just after one, plants "
            )
            told += (
                f"may have left it at anything between {low} and {high} times the usual pace (Bayes"
                f" factor for faster {factor:.1f})."
            )
        else:
            side, odds = ("sooner", factor) if factor >= 1 else ("later", 1 / factor)
            told = (
                f"Plants left the grass stage {side} after the openings on record than in other"
                " years (Bayes factor "
            )
            told += (
                f"{'over 100' if odds > 100 else f'{odds:.0f}'}): just after one, at about {middle}"
                " times the usual pace "
            )
            told += f"(between {low} and {high})."
        paragraphs.append(f"{unit.stand}, {unit.species.replace('-', ' ')}, after openings. {told}")
    return paragraphs


def ring_paragraphs(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """What the ring widths say of each stand's disturbances, and of events whose year they sharpen;
    nothing without ring widths.

    tables: those of the result; `releases`, `disturbances` and `event_years` are read where they
    are there.
    """
    if "releases" not in tables:
        return []
    releases, disturbances, event_years = (
        tables[name] for name in ("releases", "disturbances", "event_years")
    )
    paragraphs = []
    for stand in dict.fromkeys([*event_years["stand"], *disturbances["stand"], *releases["stand"]]):
        by_rule = releases[(releases["stand"] == stand) & (releases["criterion"] != MODEL)]
        if len(by_rule):
            paragraphs.append(_by_criterion(stand, by_rule))
            continue
        sentences = []
        of_stand = event_years[event_years["stand"] == stand]
        own = disturbances[disturbances["stand"] == stand]
        seen = own[[_seen_in_rings(row, of_stand) for row in own.itertuples()]] if len(own) else own
        for row in seen.itertuples():
            what = (
                "trees were let go as by an opening"
                if row.kind == "opening"
                else "trees lost vigour"
            )
            share = (
                f", seen in {percent(row.share_median)} of {row.trees_at_risk} trees"
                if row.trees_at_risk
                else ""
            )
            when = year_words(row.year_low, row.year_median, row.year_high)
            sentences.append(f"{what} {when}, {probability_words(row.probability)}{share}")
        found = (
            capital("; ".join(sentences))
            or "No disturbance is likelier than not; light cuts leave no mark in open woodland"
        )
        told = [f"{stand}, from ring widths. {found}."]
        if len(seen) < len(own):
            others = of_stand[
                of_stand["event"].isin("; ".join(own["events"].drop(seen.index)).split("; "))
            ]
            events = listed(
                [
                    f"{row.kind.replace('-', ' ')} {_range(row.first_year, row.last_year)}"
                    for row in others.itertuples()
                ]
            )
            told.append(
                "On record and not to be seen in the rings, which is no proof that nothing"
                f" happened: {events}."
            )
        for row in of_stand.itertuples():
            if row.read_from and row.year_high - row.year_low < SHARPER * (
                row.last_year - row.first_year
            ):
                known = f"known to {row.first_year} to {row.last_year}"
                told.append(
                    f"The {row.kind.replace('-', ' ')} {known} began"
                    f" {year_words(row.year_low, row.year_median, row.year_high)}."
                )
        if sentences:
            told.append(NO_CAUSE)
        paragraphs.append(" ".join(told))
    return paragraphs


def _seen_in_rings(row, event_years: pd.DataFrame) -> bool:
    """Whether a disturbance is told by the rings, or by what they make of an event on record;
    otherwise it is on record only.
    """
    if row.probability_rings >= LIKELIER or not row.events:
        return True
    named = event_years[event_years["event"].isin(row.events.split("; "))]
    return bool((named["seen_in_rings"].astype(float) >= LIKELIER).any())


def _range(first: int, last: int) -> str:
    return f"{first}" if first == last else f"{first} to {last}"


def _by_criterion(stand: str, rows: pd.DataFrame) -> str:
    """The releases of a stand's trees by a published criterion, which says nothing of the stand
    itself.
    """
    releases, suppressions = (
        int(rows[name].sum()) for name in ("released_trees", "suppressed_trees")
    )
    told = (
        f"{stand}, from ring widths by the criterion {criterion_words(rows['criterion'].iloc[0])}. "
    )
    told += f"{counted(releases, 'release')} and {counted(suppressions, 'suppression')} of trees"
    if releases:
        most = rows.loc[rows["share_released_median"].astype(float).idxmax()]
        told += (
            f", releases most often about {most['year']} ({percent(most['share_released_median'])}"
            f" of {most['trees_at_risk']} trees)"
        )
    return f"{told}. A criterion gives no probability that the stand was disturbed. {NO_CAUSE}"


def leaning_sentences(table: pd.DataFrame | None) -> list[str]:
    """What the answer owes to the assumptions, where it matters: dates that move by more than a
    year, pulses that would be lost.

    table: `prior_sensitivity`, or None where there is none.
    """
    if table is None or table.empty:
        return []
    sentences = []
    moved = table[table["establishment_years_change"].astype(float).abs() > WORTH_TELLING_YEARS]
    said = [_moved_dates(of_one) for _, of_one in moved.groupby("what_is_changed", sort=False)]
    if said:
        sentences.append(
            f"The dates rest not only on the wood but also on what is assumed: {'; '.join(said)}."
        )
    against = table[table["leaning"] == DISAGREE]
    said = [
        f"{what} ({listed(list(dict.fromkeys(of_one['stand'])))})"
        for what, of_one in against.groupby("component", sort=False)
    ]
    if said:
        sentences.append(
            f"Survey and species profile disagree about: {listed(said)}. Look for the reason before"
            " believing either."
        )
    lost = table[table["pulses_lost"].fillna(0) > 0]
    said = [
        _lost_pulses(changed, of_one)
        for changed, of_one in lost.groupby("what_is_changed", sort=False)
    ]
    if said:
        sentences.append(f"Pulses rest on assumptions too: {'; '.join(said)}.")
    if ((moved["component"] == STAGE_COUNTS) & (moved["change"] > -100)).any():
        sentences.append(
            "What leaving the seedling counts out altogether would do can only be seen by running"
            " the survey without them."
        )
    return sentences


def _moved_dates(rows: pd.DataFrame) -> str:
    """One assumption: how many years the cored trees of which stands would move."""
    years = rows["establishment_years_change"].astype(float)
    least, most = years.abs().min(), years.abs().max()
    span = f"{most:.1f}" if most - least < 0.5 else f"{least:.1f} to {most:.1f}"
    way = "earlier" if (years < 0).all() else "later" if (years > 0).all() else "earlier or later"
    return (
        f"if {rows['what_is_changed'].iloc[0]}, the cored trees of"
        f" {listed(list(dict.fromkeys(rows['stand'])))} date {span} years {way}"
    )


def _lost_pulses(changed: str, rows: pd.DataFrame) -> str:
    parts = []
    for row in rows.itertuples():
        some = f"{row.pulses_lost} of the {row.pulses_reported} pulses"
        parts.append(f"{'the pulse' if row.pulses_reported == 1 else some} of {row.stand}")
    return f"if {changed}, {listed(parts)} would fall below the limit"


_OF_CORES = re.compile(r"(?P<where>[^:]+): of (?P<cores>\d+ cores?) (?P<rest>.+)")


def together(notes: Iterable[str]) -> list[str]:
    """Notes that say the same of cores of several stands as one, where the first of them stood.

    >>> together(["a: of 2 cores nothing is known.", "else", "b: of 1 core nothing is known."])
    ['Of 2 cores (a) and 1 core (b) nothing is known.', 'else']
    """
    alike: dict[str, list[tuple[str, str]]] = {}
    for note in notes:
        found = _OF_CORES.fullmatch(note)
        said, cores = (
            (found["rest"], f"{found['cores']} ({found['where']})") if found else (note, "")
        )
        alike.setdefault(said, []).append((note, cores))
    return [
        (
            of[0][0]
            if len(of) == 1 or not of[0][1]
            else f"Of {listed([cores for _, cores in of])} {said}"
        )
        for said, of in alike.items()
    ]


def warnings_about(posterior, tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """What a reader must know before using the result, one sentence each."""
    warned = together(getattr(posterior, "notes", ()))
    for _, row in tables["stand_summary"].iterrows():
        name = f"{row['stand']}, {row['species'].replace('-', ' ')}"
        if "chosen" in row["placement"]:
            warned.append(
                f"{name}: plots were placed by choice, so results speak for the plots and not for"
                " the stand."
            )
        if "not recorded" in row["placement"]:
            warned.append(
                f"{name}: how the plots were placed is not recorded; only plots placed by chance or"
                " by a grid speak for it."
            )
        if row["trees_dated"] < FEW_CORES:
            dated = (
                f"{'only ' if row['trees_dated'] else ''}{counted(int(row['trees_dated']), 'tree')}"
            )
            verb = "are" if row["trees_dated"] > 1 else "is"
            warned.append(
                f"{name}: {dated} of the stand {verb} dated by core; years rest mostly on sizes and"
                " on what the profile assumes."
            )
        attempts = row["cores"] + row["attempts_failed"]
        if attempts and row["attempts_failed"] > MANY_FAILED * attempts:
            warned.append(
                f"{name}: {row['attempts_failed']} attempts to core gave nothing to read; old and"
                " rotten trees may be missed."
            )
    pulses = tables["pulses"]
    plots_of = dict(
        zip(tables["stand_summary"]["stand"], tables["stand_summary"]["plots"], strict=True)
    )
    for pulse in pulses.itertuples():
        name = f"{pulse.stand}, pulse {pulse.pulse}"
        if plots_of[pulse.stand] == 1:
            warned.append(
                f"{name}: the stand has one plot, so that a patch can't be told from the stand."
            )
        elif (
            pd.notna(pulse.largest_plot_share)
            and pulse.largest_plot_share > MUCH_ONE_PLOT
            and pulse.plots_with_it >= 1
        ):
            share = percent(pulse.largest_plot_share)
            warned.append(
                f"{name}: {share} of its stems stand in one plot; it may be a patch and not the"
                " stand."
            )
    if len(pulses) and (pulses["limit_status"] == "assumed").any():
        limit = pulses.loc[pulses["limit_status"] == "assumed", "limit"].iloc[0]
        warned.append(
            f"Pulses are told from a probability of {100 * limit:.0f} % on; that limit is assumed,"
            " not tested by simulation."
        )
    warned += _series_left_out(posterior.survey)
    warned += _cultural_scars(posterior.survey, rings="releases" in tables)
    trees = tables["tree_dates"]
    foreign = trees["left_out_reason"].str.startswith("no profile for species")
    if foreign.any():
        warned.append(
            f"Tallied only, for want of a profile: {foreign.sum()} stems of"
            f" {listed(sorted(set(trees.loc[foreign, 'species'])))}."
        )
    undated = trees.loc[
        ~foreign & (trees["left_out_reason"] != ""), "left_out_reason"
    ].value_counts()
    warned += [f"{counted(count, 'tree')} left out: {reason}." for reason, count in undated.items()]
    return warned


def _series_left_out(survey) -> list[str]:
    """Cores and trees whose rings say nothing of releases, each with its reason, the first few of
    many.
    """
    widths = getattr(survey, "ring_widths", None)
    if widths is None or widths.empty:
        return []
    reasons = tree_series(survey).left_out
    more = f"; and {len(reasons) - LEFT_OUT_NAMED} more" if len(reasons) > LEFT_OUT_NAMED else ""
    return (
        [f"Ring widths not used for releases: {'; '.join(reasons[:LEFT_OUT_NAMED])}{more}."]
        if reasons
        else []
    )


def _cultural_scars(survey, *, rings: bool) -> list[str]:
    """A caution where the survey tells of scars that people made, monuments in places, or where
    ring widths invite more cores.
    """
    scarred = "scar" in survey.trees and (survey.trees["scar"] == "turpentine").any()
    if not scarred and not rings and not (survey.events["kind"] == "turpentining").any():
        return []
    return [
        "Turpentine scars and other marks that people left are protected in places: don't core or"
        " cut them to date them."
    ]
