"""How well anyone could tell a pulse: a likelihood-ratio scan that knows everything but whether and
when there was one.

It is given the background, the delays, the growth of the stand, the bias of its counts and its
plots' spread, and asks only whether ten years of five times the background are among the years. By
the lemma of Neyman & Pearson the mean of the likelihood ratio over the windows is the most powerful
statistic against a pulse whose window is as likely to be any. It shares the readings' evidence with
the package (the question is what can be made of the same readings), and nothing of the stand model.
"""

from __future__ import annotations

import math

import numpy as np
from first_passage import seasons_pmf
from scipy.special import logsumexp, ndtr, stdtr
from scipy.stats import nbinom
from studies.pulse_surveys import KnownSurvey

from standage.stand.build import BuiltStands

BREAST_HEIGHT_CM = 137.0
TAIL_DEGREES = 4  # of Student's t for diameters (docs/the-model.md, section 5)


def oracle_statistic(
    known: KnownSurvey, built: BuiltStands, *, times: float = 5.0, length: int = 10
) -> float:
    """Log of the mean likelihood ratio of `length` years of `times` the background against none,
    over all windows.
    """
    ratios = window_log_ratios(known, built, times=times, length=length)
    return float(logsumexp(ratios) - math.log(len(ratios)))


def window_log_ratios(
    known: KnownSurvey, built: BuiltStands, *, times: float, length: int
) -> np.ndarray:
    """Log likelihood ratio by first year of the window, shape (window,)."""
    quiet = _on_axis(known, built)
    stems = stem_likelihoods(known, built) * quiet
    unit = built.data.units[0]
    listed = listed_probability(known, built) * quiet
    extra = (times - 1) * _window_sums(np.vstack([stems, listed]), length)
    ratio = np.log1p(extra[:-1] / stems.sum(axis=1)[:, None]).sum(axis=0)
    phi = known.plot_dispersion
    for area, count in zip(unit.plot_area_ha, unit.plot_stems, strict=True):
        expected = area * listed.sum()
        ratio -= (phi + count) * (
            np.log(phi + expected + area * extra[-1]) - np.log(phi + expected)
        )
    return ratio


def _window_sums(rates: np.ndarray, length: int) -> np.ndarray:
    held = np.concatenate([np.zeros((len(rates), 1)), np.cumsum(rates, axis=1)], axis=1)
    return held[:, length:] - held[:, :-length]


def _on_axis(known: KnownSurvey, built: BuiltStands) -> np.ndarray:
    """The true background over the fitted axis, up to the survey season; nothing where the history
    had not begun.
    """
    years = built.data.years[: built.data.units[0].season_index + 1]
    return np.interp(years, known.history.years, known.quiet_per_ha) * (
        years >= known.history.first_year
    )


def stem_likelihoods(known: KnownSurvey, built: BuiltStands) -> np.ndarray:
    """Likelihood of what is known of each stem of the process, by establishment year, (stem,
    year).
    """
    sizes = _Sizes(known, built)
    gamma, delta = _true_factors(known)
    at_height: dict[float, np.ndarray] = {}
    by_class: dict[int, np.ndarray] = {}
    rows = []
    for stem in built.stems:
        if not stem.in_process or stem.left_out_reason:
            continue
        if stem.chain is None:
            if stem.dbh_class not in by_class:
                by_class[stem.dbh_class] = _delay_matrix(
                    known, BREAST_HEIGHT_CM, sizes.n_years
                ) @ sizes.in_class(stem.dbh_class)
            rows.append(by_class[stem.dbh_class])
            continue
        message, upper = np.ones(sizes.n_years), None
        for node in stem.chain.nodes:
            if upper is not None:
                climb = known.history.life.mean_seasons_to(
                    upper
                ) - known.history.life.mean_seasons_to(node.height_cm)
                message = _later(growth_pmf(known, float(climb)), sizes.n_years) @ message
            if node.evidence is not None:
                message = message * _core_likelihood(node, gamma, delta, sizes.n_years)
            if node.dbh_class >= 0:
                message = message * sizes.in_class(node.dbh_class)
            upper = node.height_cm
        if upper not in at_height:
            at_height[upper] = _delay_matrix(known, upper, sizes.n_years)
        rows.append(at_height[upper] @ message)
    return np.array(rows)


def listed_probability(known: KnownSurvey, built: BuiltStands) -> np.ndarray:
    """Probability that a survivor of each establishment year is large enough to be listed,
    (year,).
    """
    sizes = _Sizes(known, built)
    return _delay_matrix(known, BREAST_HEIGHT_CM, sizes.n_years) @ sizes.between(
        known.history.design.min_dbh_cm, math.inf
    )


def _true_factors(known: KnownSurvey) -> tuple[float, float]:
    """The stand's early-growth and counting factors in prior standard deviations
    (docs/the-model.md, section 4).
    """
    life, profile = known.history.life, known.profile
    early = (
        math.log(life.early_growth_mm_per_year / profile["core.early_growth_mm_per_year"])
        / profile["core.early_growth_stand_log_sd"]
    )
    mean = (profile["rings.absent_per_100"] - profile["rings.false_per_100"]) / 100
    return early, (life.counting_bias_share - mean) / profile["rings.bias_sd"]


def _core_likelihood(node, gamma: float, delta: float, n_years: int) -> np.ndarray:
    along_gamma = _spline(gamma) if node.loads_gamma else np.ones(1)
    along_delta = _spline(delta) if node.loads_delta else np.ones(1)
    band = np.einsum("i,j,ijy->y", along_gamma, along_delta, node.evidence)
    years = np.arange(node.band_start, node.band_start + len(band))
    likelihood = np.zeros(n_years)
    likelihood[years[years < n_years]] = band[years < n_years]
    return likelihood


def _spline(factor: float) -> np.ndarray:
    """Weights of the nodes -5 .. 5: uniform cubic B-splines of spacing 1."""
    distance = np.abs(min(max(factor, -3.9), 3.9) - np.arange(-5.0, 6.0))
    return np.where(
        distance < 1,
        2 / 3 - distance**2 + distance**3 / 2,
        np.where(distance < 2, (2 - distance) ** 3 / 6, 0.0),
    )


def growth_pmf(known: KnownSurvey, mean: float) -> np.ndarray:
    """Seasons of height growth of that mean, by the law the stand was simulated with."""
    seasons = np.arange(int(known.profile["height_growth.longest_height_years"]) + 1)
    life = known.history.life
    dispersion = life.height_dispersion
    if life.first_passage or dispersion <= 1:
        return seasons_pmf(seasons, mean, dispersion)
    return (
        nbinom.pmf(seasons, mean / (dispersion - 1), 1 / dispersion)
        if mean > 0
        else (seasons == 0) * 1.0
    )


def _grass_pmf(known: KnownSurvey) -> np.ndarray:
    life = known.history.life
    if not life.grass_stage:
        return np.ones(1)
    below = ndtr(
        (np.log(np.arange(life.longest_grass_years + 1) + 0.5) - math.log(life.grass_median_years))
        / life.grass_log_sd
    )
    return np.concatenate([[0.0], np.diff(below) / (below[-1] - below[0])])


def _delay_matrix(known: KnownSurvey, height_cm: float, n_years: int) -> np.ndarray:
    growth = growth_pmf(known, float(known.history.life.mean_seasons_to(height_cm)))
    return _later(np.convolve(_grass_pmf(known), growth), n_years)


def _later(pmf: np.ndarray, n_years: int) -> np.ndarray:
    """Probability by year (row) of what comes so many seasons later, in a year (column)."""
    lag = np.arange(n_years)[None, :] - np.arange(n_years)[:, None]
    return np.where((lag >= 0) & (lag < len(pmf)), pmf[np.clip(lag, 0, len(pmf) - 1)], 0.0)


class _Sizes:
    """Diameters by year of breast height under the stand's true growth."""

    def __init__(self, known: KnownSurvey, built: BuiltStands) -> None:
        life, season = known.history.life, built.data.units[0].season_index
        self.edges, self.n_years, self.scatter = (
            built.data.class_edges_cm,
            season + 1,
            life.size_scatter,
        )
        years = built.data.years[: self.n_years]
        self.location = np.log(life.median_dbh_cm(years[-1] - years)) + life.log_epoch_effect(years)

    def between(self, low_cm: float, high_cm: float) -> np.ndarray:
        def below(edge):
            return stdtr(TAIL_DEGREES, (np.log(edge) - self.location) / self.scatter)

        lower = below(low_cm) if low_cm > 0 else 0.0
        return (below(high_cm) if math.isfinite(high_cm) else 1.0) - lower

    def in_class(self, number: int) -> np.ndarray:
        return self.between(float(self.edges[number]), float(self.edges[number + 1]))
