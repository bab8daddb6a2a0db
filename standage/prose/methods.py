"""A methods paragraph ready to adapt, with what it cites, and the assumptions behind it with their
sources.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

import pandas as pd

from standage.findings.findings import Findings
from standage.grammar import after_number, counted, listed
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import criterion_words
from standage.profiles import QUANTITIES, Profile

DUNCAN = "Duncan 1989, New Zealand Natural Sciences 16:31-37"
RICKER = "Ricker et al. 2020, PLoS ONE 15:e0239052"
NUTS = "Hoffman & Gelman 2014, Journal of Machine Learning Research 15:1593-1623"
RHAT = "Vehtari, Gelman, Simpson, Carpenter & Buerkner 2021, Bayesian Analysis 16:667-718"
POWER_SCALING = "Kallioinen, Paananen, Buerkner & Vehtari 2023, Statistics and Computing 34:57"
STATIC = "Johnson, Miyanishi & Kleb 1994, Journal of Ecology 82:923-931"
SCALE = (
    "IPCC 2007, Fourth Assessment Report, Working Group II: Communication of uncertainty (words for"
    " probabilities)"
)

# what a reader is told of a number that nobody has held to a source yet
STATUS_WORDS = {"from memory": "not yet checked"}


def methods_paragraph(findings: Findings) -> str:
    """What was done, in the past tense, to be adapted."""
    profiles = list(findings.profiles.values())
    changes = findings.growth_changes
    sentences = [
        *_survey_sentences(findings),
        (
            "Establishment years and age structure were estimated together in a Bayesian model of"
            f" each species in each stand (standage {version('standage')}). The year of the"
            " innermost ring allowed for counting errors, false and absent rings (Ricker et al."
            " 2020). Rings missed at the centre were estimated from the distance to the pith,"
            " found from inner arcs where they were measured (Duncan 1989), and the pace of early"
            " growth."
        ),
        _delay_sentence(any(profile.has_grass_stage for profile in profiles)),
        (
            "Living stems by year of establishment followed a smooth trend with bursts; stems"
            " without core were dated by their diameter and their stand's history. Prior knowledge"
            " of the species came from"
            f" {listed([f'the profile {profile.key}' for profile in profiles])}."
        ),
        *([] if changes is None else [_release_sentence(changes.criterion)]),
        _sampling_sentence(findings.posterior.verdict),
        (
            f"Intervals are credible intervals of {100 * findings.level:.0f} %. Age structures are"
            " those of living stems and can't tell recruitment from survival (Johnson, Miyanishi &"
            " Kleb 1994)."
        ),
    ]
    return " ".join(sentences)


def _survey_sentences(findings: Findings) -> list[str]:
    survey, cores = findings.survey, findings.survey.cores
    stands = len({unit.stand for unit in findings.posterior.units})
    sentences = [
        f"{counted(stands, 'stand').capitalize()} with {counted(len(survey.plots), 'plot')} were"
        f" surveyed; {counted(len(survey.trees), 'stem')} were recorded and"
        f" {counted(len(cores), 'core')} taken{_kinds(cores)}."
    ]
    if len(survey.counts):
        sentences.append("Seedling stages were counted in subplots.")
    return sentences


def _delay_sentence(grass_stage: bool) -> str:
    if grass_stage:
        return (
            "The years a tree stood in the grass stage and grew to the height of its core were"
            " added as distributions with their spread."
        )
    return (
        "The years a tree grew to the height of its core were added as a distribution with its"
        " spread."
    )


def _release_sentence(criterion: str) -> str:
    if criterion == MODEL:
        return (
            "Lasting changes of growth were found in ring widths as steps of their logarithm, tree"
            " by tree, and compared among trees."
        )
    return (
        "Lasting changes of growth were found in ring widths by the criterion"
        f" {criterion_words(criterion)}."
    )


def _kinds(cores: pd.DataFrame) -> str:
    if cores.empty:
        return ""
    pith = int((cores["centre"] == "pith").sum())
    crossdated = int((cores["dating"] == "crossdated").sum())
    return f", of which {pith} held the pith and {crossdated} were crossdated"


def _sampling_sentence(verdict: Mapping[str, Any]) -> str:
    outcome = "agreed" if verdict["passed"] else "DID NOT AGREE"
    return (
        f"{verdict['chains']} chains of {verdict['draws_per_chain']} draws of a No-U-Turn sampler"
        f" (Hoffman & Gelman 2014) {outcome}: largest R-hat {verdict['rhat_max']:.3f}, smallest"
        f" effective sample {verdict['ess_min']:.0f} (Vehtari et al. 2021),"
        f" {verdict['divergences']} divergent transitions."
    )


def citations(findings: Findings) -> list[str]:
    """Everything the paragraph and the report cite, once, those of the species profiles among
    them.
    """
    general = [DUNCAN, NUTS, STATIC, RICKER, RHAT, SCALE]
    if len(findings.prior_sensitivity):
        general.append(POWER_SCALING)
    of_profiles = [source for profile in findings.profiles.values() for source in profile.sources]
    return sorted(dict.fromkeys([*general, *of_profiles]))


def assumptions(profile: Profile) -> list[dict[str, str]]:
    """Every number assumed about a species: `meaning`, `value` with unit, `status`, `source`,
    `reason`.
    """
    rows = []
    for key, quantity in QUANTITIES.items():
        number = profile.sourced(key)
        rows.append(
            {
                "key": key,
                "meaning": quantity.meaning,
                "value": f"{number.value:g} {after_number(f'{number.value:g}', number.unit)}",
                "status": STATUS_WORDS.get(number.status, number.status),
                "source": "" if number.source == "none" else number.source,
                "reason": number.reason,
            }
        )
    return rows
