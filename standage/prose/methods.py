"""A methods paragraph ready to adapt, with what it cites, and the assumptions behind it with their
sources.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from importlib.metadata import version

from standage.grammar import counted, listed
from standage.growth.growth_changes import MODEL
from standage.growth.release_criteria import criterion_words
from standage.profiles import QUANTITIES, Profile

DUNCAN = "Duncan 1989, New Zealand Natural Sciences 16:31-37"
RICKER = "Ricker et al. 2020, PLoS ONE 15:e0239052"
NUTS = (
    "Hoffman & Gelman 2014, Journal of Machine Learning Research 15:1593-1623 (volume and pages"
    " from memory)"
)
RHAT = "Vehtari, Gelman, Simpson, Carpenter & Buerkner 2021, Bayesian Analysis 16:667-718"
LEANING = "Kallioinen, Paananen, Buerkner & Vehtari 2023, Statistics and Computing 34:57"
STATIC = "Johnson, Miyanishi & Kleb 1994, Journal of Ecology 82:923-931"
SCALE = (
    "IPCC 2007, Fourth Assessment Report, Working Group II: Communication of uncertainty (words for"
    " probabilities)"
)


def methods_paragraph(
    posterior, *, level: float, profiles: Iterable[Profile], criterion: str | None
) -> str:
    """What was done, in the past tense, to be adapted. criterion: how releases were told; None
    where no ring widths were read.
    """
    survey, verdict = posterior.survey, posterior.verdict
    profiles = list(profiles)
    stands = len({unit.stand for unit in posterior.units})
    cores = survey.cores
    told = [
        f"{counted(stands, 'stand').capitalize()} with {counted(len(survey.plots), 'plot')} were"
        f" surveyed; {counted(len(survey.trees), 'stem')} were recorded and"
        f" {counted(len(cores), 'core')} taken{_kinds(cores)}."
    ]
    if len(survey.counts):
        told.append("Seedling stages were counted in subplots.")
    told.append(
        "Establishment years and age structure were estimated together in a Bayesian model of each"
        f" species in each stand (standage {version('standage')}). The year of the innermost ring"
        " allowed for counting errors, false and absent rings (Ricker et al. 2020). Rings missed"
        " at the centre were estimated from the distance to the pith, found from inner arcs where"
        " they were measured (Duncan 1989), and the pace of early growth."
    )
    if any(profile.has_grass_stage for profile in profiles):
        told.append(
            "The years a tree stood in the grass stage and grew to the height of its core were"
            " added as distributions with their spread."
        )
    else:
        told.append(
            "The years a tree grew to the height of its core were added as a distribution with its"
            " spread."
        )
    told.append(
        "Living stems by year of establishment followed a smooth trend with bursts; stems without"
        " core were dated by their diameter and their stand's history. Prior knowledge of the"
        f" species came from {listed([f'the profile {profile.key}' for profile in profiles])}."
    )
    if criterion == MODEL:
        told.append(
            "Lasting changes of growth were found in ring widths as steps of their logarithm, tree"
            " by tree, and compared among trees."
        )
    elif criterion:
        told.append(
            "Lasting changes of growth were found in ring widths by the criterion"
            f" {criterion_words(criterion)}."
        )
    told.append(_sampling(verdict))
    told.append(
        f"Intervals are credible intervals of {100 * level:.0f} %. Age structures are those of"
        " living stems and can't tell recruitment from survival (Johnson, Miyanishi & Kleb 1994)."
    )
    return " ".join(told)


def _kinds(cores) -> str:
    if "centre" not in cores or not len(cores):
        return ""
    pith = int((cores["centre"] == "pith").sum())
    crossdated = int((cores["dating"] == "crossdated").sum()) if "dating" in cores else 0
    told = f", of which {pith} held the pith"
    return f"{told} and {crossdated} were crossdated" if "dating" in cores else told


def _sampling(verdict: Mapping) -> str:
    draws = (
        f"{verdict['chains']} chains of {verdict['draws_per_chain']} draws"
        if {"chains", "draws_per_chain"} <= set(verdict)
        else "Several chains"
    )
    outcome = "passed" if verdict["passed"] else "DID NOT PASS"
    return (
        f"{draws} of a No-U-Turn sampler (Hoffman & Gelman 2014) {outcome} their checks: largest"
        f" R-hat {verdict['rhat_max']:.3f}, smallest effective sample {verdict['ess_min']:.0f}"
        f" (Vehtari et al. 2021), {verdict['divergences']} divergent transitions."
    )


def citations(profiles: Iterable[Profile], *, leaning: bool) -> list[str]:
    """Everything the paragraph and the report cite, once, those of the species profiles among
    them.
    """
    general = [DUNCAN, NUTS, STATIC, RICKER, RHAT, SCALE, *([LEANING] if leaning else [])]
    return sorted(
        dict.fromkeys([*general, *(source for profile in profiles for source in profile.sources)])
    )


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
                "value": f"{number.value:g} {number.unit}",
                "status": number.status,
                "source": "" if number.source == "none" else number.source,
                "reason": number.reason,
            }
        )
    return rows
