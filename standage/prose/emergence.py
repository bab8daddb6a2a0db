"""What openings did to the end of the grass stage, in words."""

from __future__ import annotations

from standage.findings.attribution import NEEDED_FACTOR
from standage.findings.emergence_effect import EmergenceEffect
from standage.prose.wording import rounded


def emergence_paragraph(effect: EmergenceEffect) -> str:
    """What was learned of the plants of one unit that openings let go."""
    species = effect.species.replace("-", " ")
    return f"{effect.stand}, {species}, after openings. {_effect_sentence(effect)}"


def _effect_sentence(effect: EmergenceEffect) -> str:
    low, middle, high = (rounded(pace) for pace in effect.pace)
    factor = effect.bayes_factor
    if effect.assumed:
        return (
            "It was taken for granted that the openings on record let waiting plants leave the"
            " grass stage sooner; how much sooner was learned: just after one, at about"
            f" {middle} times the usual pace (between {low} and {high})."
        )
    if 1 / NEEDED_FACTOR < factor < NEEDED_FACTOR:
        return (
            "Whether the openings on record hastened or delayed the end of the grass stage can't"
            " be told: just after one, plants may have left it at anything between"
            f" {low} and {high} times the usual pace (Bayes factor for faster {factor:.1f})."
        )
    side, odds = ("sooner", factor) if factor >= 1 else ("later", 1 / factor)
    return (
        f"Plants left the grass stage {side} after the openings on record than in other years"
        f" (Bayes factor {'over 100' if odds > 100 else f'{odds:.0f}'}): just after one, at about"
        f" {middle} times the usual pace (between {low} and {high})."
    )
