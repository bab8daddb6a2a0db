"""The findings in plain sentences that can be read aloud.

Every number is one a person would say, with what it is sure to within; where the survey can't tell, the sentence says so.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from standage.findings.attribution import NEEDED_FACTOR
from standage.findings.attribution_words import pulse_words
from standage.findings.comparison_words import comparison_sentences
from standage.findings.events_on_record import LAG_WINDOW
from standage.findings.growth_changes import MODEL
from standage.findings.prior_sensitivity import STAGE_COUNTS, WORTH_TELLING_YEARS
from standage.findings.release_criteria import criterion_words
from standage.findings.stand_summary import EVEN_AGED_SHARE
from standage.findings.stems import CORING_HEIGHT, SAMPLED
from standage.results import result_tables
from standage.words import counted

WIDE_RATIO = 5.0  # an amount known no better than fivefold is not told as a number (assumption)
WIDE_YEARS = 60.0  # nor a year known no better than two generations of people (assumption)
AGREED = 0.8  # share of draws that must agree on a span of years before it is told (assumption)
SHARPER = 0.7  # of the range on record, below which a year that the rings have sharpened is told (assumption)
NOT_CHANCE = 0.1  # probability of an explanation from which it is said that agreement in time is no proof (assumption)
FEW_CORES = 10  # with fewer dated trees, pulses rest on almost nothing (common practice, no source)
MANY_FAILED = 0.25  # share of attempts without readable core from which the sample may miss the rotten, old trees (assumption)
NO_PROOF = "A release dates a change of growth; it doesn't prove what caused it."
MUCH_ONE_PLOT = 0.6  # share of a pulse in one plot from which it may be a patch rather than the stand (assumption)


def summary(posterior, *, level: float = 0.9, tables: Mapping[str, pd.DataFrame] | None = None) -> str:
    """The result as text: the verdict, each stand and species with its pulses, and warnings.

    Parameters
    ----------
    posterior : the posterior of a survey.
    level : credible level behind "between ... and ...".
    tables : `result_tables(posterior, level=level)`, where they are at hand.
    """
    tables = result_tables(posterior, level=level) if tables is None else tables
    parts = [verdict_sentence(posterior.verdict)]
    parts.append(f'"Between" means: with a probability of {100 * level:.0f} %, given the survey and the model.')
    parts += [unit_paragraph(row, tables) for _, row in tables["stand_summary"].iterrows()]
    parts += emergence_paragraphs(posterior, level)
    parts += ring_paragraphs(tables)
    compared = comparison_sentences(tables.get("comparison"))
    if compared:
        parts.append("Side by side. " + " ".join(compared))
    leaning = leaning_sentences(tables.get("prior_sensitivity"))
    if leaning:
        parts.append(" ".join(leaning))
    warned = warnings_about(posterior, tables)
    if warned:
        parts.append("Mind this:\n" + "\n".join(f"- {warning}" for warning in warned))
    return "\n\n".join(parts) + "\n"


def verdict_sentence(verdict: Mapping) -> str:
    """Whether the fit can be used, with its numbers."""
    numbers = (
        f"largest R-hat {verdict['rhat_max']:.3f}, smallest effective sample {verdict['ess_min']:.0f}, "
        f"{verdict['divergences']} divergent transitions"
    )
    passed = f"The fit passed its checks ({numbers})."
    failed = f"THE FIT DID NOT PASS its checks ({numbers}): do not use the numbers below."
    return " ".join([passed if verdict["passed"] else failed, *verdict.get("notes", ())])


def unit_paragraph(row: pd.Series, tables: Mapping[str, pd.DataFrame]) -> str:
    """One stand and species in sentences.

    row: its row of the summary table. tables: the tables of the result.
    """
    pulses = tables["pulses"]
    own = pulses[(pulses["stand"] == row["stand"]) & (pulses["species"] == row["species"])] if len(pulses) else pulses
    sentences = [*_amounts(row), *_ages(row, tables["tree_dates"]), *_spans(row), *_pulse_sentences(row, own)]
    sentences += attribution_sentences(row, tables.get("attribution"))
    return f"{row['stand']}, {row['species'].replace('-', ' ')}. " + " ".join(sentences)


def _amounts(row: pd.Series) -> list[str]:
    sentences = []
    if row["amounts"] == SAMPLED:
        sentences.append("There are no plots, so all of this is among the sampled trees; stems per hectare can't be told.")
    else:
        stems = _amount(row, "stems_per_ha", "stems per hectare past the emerging stage")
        sentences.append(f"{stems}; the stems listed have a basal area of {sayable(row['basal_area_m2_ha'])} square metres per hectare.")
        if row.get("grass_stage_per_ha_median", np.nan) > 0.5:
            sentences.append(_amount(row, "grass_stage_per_ha", "plants per hectare are still without a stem") + ".")
    if row["basis"] == CORING_HEIGHT:
        sentences.append("No coring height is recorded: years are those of reaching the height of the core, not of establishment.")
    return sentences


def _amount(row: pd.Series, name: str, what: str) -> str:
    low, middle, high = (float(row[name + point]) for point in ("_low", "_median", "_high"))
    if not np.isfinite(middle):
        return f"We can't tell how many {what}"
    if high > WIDE_RATIO * max(low, 1e-9) and high >= 1:
        return f"We can't tell well how many {what}: anything between {sayable(low)} and {sayable(high)}"
    return f"About {sayable(middle)} {what} (between {sayable(low)} and {sayable(high)})"


def _ages(row: pd.Series, trees: pd.DataFrame) -> list[str]:
    low, middle, high = (row["oldest_year" + point] for point in ("_low", "_median", "_high"))
    verb = "reached the height of the core" if row["basis"] == CORING_HEIGHT else "established"
    if pd.isna(middle):
        return ["No tree could be dated."]
    if high - low > WIDE_YEARS:
        unknown = f"We can't tell the year of the oldest tree, cored or not: it {verb} between {low} and {high}."
        return [unknown, *_oldest_cored(row, trees, verb)]
    return [f"The oldest tree dated {verb} {_about(low, middle, high)}."]


def _oldest_cored(row: pd.Series, trees: pd.DataFrame, verb: str) -> list[str]:
    """The oldest cored live tree by name: what is known where the oldest of all is not."""
    name = "coring_height_year" if row["basis"] == CORING_HEIGHT else "establishment_year"
    own = (
        (trees["stand"] == row["stand"]) & (trees["species"] == row["species"]) & (trees["basis"] == "cored") & (trees["status"] == "live")
    )
    cored = trees[own & trees[f"{name}_median"].notna()]
    if cored.empty:
        return []
    oldest = cored.sort_values([f"{name}_median", f"{name}_low"]).iloc[0]
    when = _about(oldest[f"{name}_low"], oldest[f"{name}_median"], oldest[f"{name}_high"])
    return [f"The oldest cored tree, {oldest['tree']}, {verb} {when}."]


def _spans(row: pd.Series) -> list[str]:
    if pd.isna(row["half_span_first"]):
        return ["We can't tell when the stems came."]
    share = float(row["share_in_20_years_median"])
    if share >= EVEN_AGED_SHARE:
        first = row["densest_20_years_first"]
        return [f"The stand is even-aged: {_percent(share)} of the stems came within the 20 years from {first}."]
    span = f"{row['half_span_years_median']} years or so from {row['half_span_first']} to {row['half_span_last']}"
    sentence = f"Half of the stems came in the {span}"
    if row["half_span_agreed"] < AGREED:
        sentence = f"Half of the stems came within {row['half_span_years_median']} years or so, but we can't tell which"
    over = [
        f"{_percent(row[f'share_over_{age}_years_median'])} are over {age} years old"
        for age in (60, 100, 150)
        if row[f"share_over_{age}_years_median"] >= 0.005
    ]
    return [f"{sentence}; {_listed(over)}." if over else f"{sentence}; hardly any are over 60 years old."]


def _pulse_sentences(row: pd.Series, pulses: pd.DataFrame) -> list[str]:
    if pulses.empty:
        return ["No recruitment pulse can be told from steady recruitment; that is not proof that there was none."]
    ending = "" if row["basis"] == CORING_HEIGHT else "s"
    burst = "burst of arrivals at coring height" if row["basis"] == CORING_HEIGHT else "recruitment pulse"
    sentences = [f"One {burst} stands out." if len(pulses) == 1 else f"{len(pulses)} {burst.replace('burst', 'bursts')}{ending} stand out."]
    for pulse in pulses.itertuples():
        name = f"Pulse {pulse.pulse}" if len(pulses) > 1 else "It"
        begun = f"{name} began {_about(pulse.start_low, pulse.start_median, pulse.start_high)}"
        ended = f"ended {_about(pulse.end_low, pulse.end_median, pulse.end_high)}"
        sentences.append(f"{begun} and {ended}; its probability is {_percent(pulse.probability)}.")
        shares = f"between {_percent(pulse.share_low)} and {_percent(pulse.share_high)}"
        sentences.append(
            f"It holds {_percent(pulse.share_median)} of the stems ({shares}), with {_trees(pulse.dated_stems)} dated by core in it."
        )
        if pd.notna(pulse.stems_per_ha_median):
            more = f"between {sayable(pulse.stems_per_ha_low)} and {sayable(pulse.stems_per_ha_high)}"
            sentences.append(f"That is {sayable(pulse.stems_per_ha_median)} plants per hectare ({more}) beyond the years around it.")
    if (pulses["holds_if_cutting_differs"] != "not assessed").any():
        sentences.append("Cutting is on record in this stand, and a cut can leave the same shape as a pulse.")
    return sentences


def attribution_sentences(row: pd.Series, table: pd.DataFrame | None) -> list[str]:
    """Each pulse of a unit beside the events of its stand, one sentence a pulse, and what such a sentence is not.

    row: the unit's row of the summary table. table: `attribution`, or None where there is none.
    """
    if table is None or table.empty:
        return []
    own = table[(table["stand"] == row["stand"]) & (table["species"] == row["species"])]
    by_pulse = [rows.to_dict("records") for _, rows in own.groupby("pulse", sort=True)]
    names = [f"pulse {rows[0]['pulse']}" if len(by_pulse) > 1 else "the pulse" for rows in by_pulse]
    sentences = [pulse_words(rows, name, LAG_WINDOW) for rows, name in zip(by_pulse, names, strict=True)]
    if (own["probability_explains"][own["event"] != ""] >= NOT_CHANCE).any():
        sentences.append("Agreement in time is not proof of cause.")
    return list(dict.fromkeys(sentences))


def emergence_paragraphs(posterior, level: float) -> list[str]:
    """What was learned of plants let go by openings, stand by stand; nothing where it was not asked (docs/the-model.md, section 11)."""
    paragraphs = []
    for unit, delays in zip(posterior.units, posterior.delay_posterior, strict=True):
        if "release" not in delays:
            continue
        rho = np.asarray(delays["release"], dtype=float)[:, 0]
        factor = ((rho > 0).sum() + 0.5) / ((rho <= 0).sum() + 0.5)  # the odds beforehand are 1
        low, middle, high = (sayable(pace) for pace in np.exp(np.quantile(rho, [(1 - level) / 2, 0.5, (1 + level) / 2])))
        if 1 / NEEDED_FACTOR < factor < NEEDED_FACTOR:
            told = "Whether the openings on record hastened or delayed the end of the grass stage can't be told: just after one, plants "
            told += f"may have left it at anything between {low} and {high} times the usual pace (Bayes factor for faster {factor:.1f})."
        else:
            side, odds = ("sooner", factor) if factor >= 1 else ("later", 1 / factor)
            told = f"Plants left the grass stage {side} after the openings on record than in other years (Bayes factor "
            told += f"{'over 100' if odds > 100 else f'{odds:.0f}'}): just after one, at about {middle} times the usual pace "
            told += f"(between {low} and {high})."
        paragraphs.append(f"{unit.stand}, {unit.species.replace('-', ' ')}, after openings. {told}")
    return paragraphs


def ring_paragraphs(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """What the ring widths say of each stand's disturbances, and of events whose year they sharpen; nothing without ring widths.

    tables: those of the result; `releases`, `disturbances` and `event_years` are read where they are there.
    """
    if "releases" not in tables:
        return []
    releases, disturbances, event_years = (tables[name] for name in ("releases", "disturbances", "event_years"))
    paragraphs = []
    for stand in dict.fromkeys([*event_years["stand"], *disturbances["stand"], *releases["stand"]]):
        by_rule = releases[(releases["stand"] == stand) & (releases["criterion"] != MODEL)]
        if len(by_rule):
            paragraphs.append(_by_criterion(stand, by_rule))
            continue
        sentences = []
        for row in disturbances[disturbances["stand"] == stand].itertuples():
            what = "trees were let go as by an opening" if row.kind == "opening" else "trees lost vigour"
            share = f", seen in {_percent(row.share_median)} of {row.trees_at_risk} trees" if row.trees_at_risk else ""
            when = _about(row.year_low, row.year_median, row.year_high)
            sentences.append(f"{what} {when}, with a probability of {_percent(row.probability)}{share}")
        told = [f"{stand}, from ring widths. {'; '.join(sentences)[:1].upper()}{'; '.join(sentences)[1:]}." if sentences else
                f"{stand}, from ring widths. No disturbance is likelier than not; light cuts leave no mark in open woodland."]  # fmt: skip
        for row in event_years[event_years["stand"] == stand].itertuples():
            if row.read_from and row.year_high - row.year_low < SHARPER * (row.last_year - row.first_year):
                known = f"known to {row.first_year} to {row.last_year}"
                told.append(f"The {row.kind.replace('-', ' ')} {known} began {_about(row.year_low, row.year_median, row.year_high)}.")
        if sentences:
            told.append(NO_PROOF)
        paragraphs.append(" ".join(told))
    return paragraphs


def _by_criterion(stand: str, rows: pd.DataFrame) -> str:
    """The releases of a stand's trees by a published criterion, which says nothing of the stand itself."""
    releases, suppressions = (int(rows[name].sum()) for name in ("released_trees", "suppressed_trees"))
    told = f"{stand}, from ring widths by the criterion {criterion_words(rows['criterion'].iloc[0])}. "
    told += f"{counted(releases, 'release')} and {counted(suppressions, 'suppression')} of trees"
    if releases:
        most = rows.loc[rows["share_released_median"].astype(float).idxmax()]
        told += f", releases most often about {most['year']} ({_percent(most['share_released_median'])} of {most['trees_at_risk']} trees)"
    return f"{told}. A criterion gives no probability that the stand was disturbed. {NO_PROOF}"


def leaning_sentences(table: pd.DataFrame | None) -> list[str]:
    """What the answer owes to the assumptions, where it matters: dates that move by more than a year, pulses that would be lost.

    table: `prior_sensitivity`, or None where there is none.
    """
    if table is None or table.empty:
        return []
    sentences = []
    moved = table[table["establishment_years_change"].astype(float).abs() > WORTH_TELLING_YEARS]
    said = [_moved_dates(of_one) for _, of_one in moved.groupby("what_is_changed", sort=False)]
    if said:
        sentences.append(f"The dates rest not only on the wood but also on what is assumed: {'; '.join(said)}.")
    lost = table[table["pulses_lost"].fillna(0) > 0]
    said = [_lost_pulses(changed, of_one) for changed, of_one in lost.groupby("what_is_changed", sort=False)]
    if said:
        sentences.append(f"Pulses rest on assumptions too: {'; '.join(said)}.")
    if ((moved["component"] == STAGE_COUNTS) & (moved["change"] > -100)).any():
        sentences.append("What leaving the seedling counts out altogether would do can only be seen by running the survey without them.")
    return sentences


def _moved_dates(rows: pd.DataFrame) -> str:
    """One assumption: how many years the cored trees of which stands would move."""
    years = rows["establishment_years_change"].astype(float)
    least, most = years.abs().min(), years.abs().max()
    span = f"{most:.1f}" if most - least < 0.5 else f"{least:.1f} to {most:.1f}"
    way = "earlier" if (years < 0).all() else "later" if (years > 0).all() else "earlier or later"
    return f"if {rows['what_is_changed'].iloc[0]}, the cored trees of {_listed(list(dict.fromkeys(rows['stand'])))} date {span} years {way}"


def _lost_pulses(changed: str, rows: pd.DataFrame) -> str:
    parts = [
        f"{'the pulse' if row.pulses_reported == 1 else f'{row.pulses_lost} of the {row.pulses_reported} pulses'} of {row.stand}"
        for row in rows.itertuples()
    ]
    return f"if {changed}, {_listed(parts)} would fall below the limit"


def _about(low: int, middle: int, high: int) -> str:
    return f"in {middle}" if low == high else f"about {middle} (between {low} and {high})"


def _trees(number: int) -> str:
    return "no tree" if number == 0 else "1 tree" if number == 1 else f"{number} trees"


def warnings_about(posterior, tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """What a reader must know before using the result, one sentence each."""
    warned = list(getattr(posterior, "notes", ()))
    for _, row in tables["stand_summary"].iterrows():
        name = f"{row['stand']}, {row['species'].replace('-', ' ')}"
        if "chosen" in row["placement"]:
            warned.append(f"{name}: plots were placed by choice, so results speak for the plots and not for the stand.")
        if "not recorded" in row["placement"]:
            warned.append(f"{name}: how the plots were placed is not recorded; only plots placed by chance or by a grid speak for it.")
        if row["cores"] < FEW_CORES:
            cores = "only one core" if row["cores"] == 1 else f"only {row['cores']} cores"
            warned.append(f"{name}: {cores}; the model's prior knowledge weighs heavily.")
        attempts = row["cores"] + row["attempts_failed"]
        if attempts and row["attempts_failed"] > MANY_FAILED * attempts:
            warned.append(f"{name}: {row['attempts_failed']} attempts to core gave nothing to read; old and rotten trees may be missed.")
    pulses = tables["pulses"]
    for pulse in pulses.itertuples():
        name = f"{pulse.stand}, pulse {pulse.pulse}"
        if pd.notna(pulse.largest_plot_share) and pulse.largest_plot_share > MUCH_ONE_PLOT and pulse.plots_with_it >= 1:
            share = _percent(pulse.largest_plot_share)
            warned.append(f"{name}: {share} of its stems stand in one plot; it may be a patch and not the stand.")
        if pulse.dated_stems == 0:
            warned.append(f"{name}: no cored tree dates from it; it rests on sizes and counts.")
    if len(pulses) and (pulses["limit_status"] == "assumed").any():
        limit = pulses.loc[pulses["limit_status"] == "assumed", "limit"].iloc[0]
        warned.append(f"Pulses are told from a probability of {100 * limit:.0f} % on; that limit is assumed, not tested by simulation.")
    warned += _cultural_scars(posterior.survey, rings="releases" in tables)
    trees = tables["tree_dates"]
    foreign = trees["left_out_reason"].str.startswith("no profile for species")
    if foreign.any():
        warned.append(
            f"Tallied only, for want of a profile: {foreign.sum()} stems of {_listed(sorted(set(trees.loc[foreign, 'species'])))}."
        )
    undated = trees.loc[~foreign & (trees["left_out_reason"] != ""), "left_out_reason"].value_counts()
    warned += [f"{count} {'tree' if count == 1 else 'trees'} left out: {reason}." for reason, count in undated.items()]
    return warned


def _cultural_scars(survey, *, rings: bool) -> list[str]:
    """A caution where the survey tells of scars that people made, monuments in places, or where ring widths invite more cores."""
    scarred = "scar" in survey.trees and (survey.trees["scar"] == "turpentine").any()
    if not scarred and not rings and not (survey.events["kind"] == "turpentining").any():
        return []
    return ["Turpentine scars and other marks that people left are protected in places: don't core or cut them to date them."]


def sayable(number: float) -> str:
    """A number as a person would say it: two digits above ten, one below, without false precision."""
    if not np.isfinite(number):
        return "an unknown number"
    if number < 0.1:
        return "none" if number < 0.005 else "less than 0.1"
    digits = 2 if number >= 1 else 1
    places = digits - 1 - int(np.floor(np.log10(number)))
    rounded = round(number, places)
    return f"{rounded:,.0f}".replace(",", " ") if rounded >= 10 or rounded == int(rounded) else f"{rounded:.1f}"


def _percent(share: float) -> str:
    if share < 0.01:
        return "less than 1 %"
    return "more than 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
