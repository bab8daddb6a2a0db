"""Diameters by year of breast height (docs/the-model.md, section 5): from the parameters to the
distribution functions at the class edges, and back.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from standage.compiled import Floats, compiled, compiled_loop, compiled_part
from standage.stand.kernel.convolution import inner
from standage.stand.kernel.distributions import t4_row
from standage.stand.kernel.inputs import ParameterIndex, SizeInputs
from standage.stand.parameters import EPOCH_SPACING, LATE_GROWTH


class SizeValues(NamedTuple):
    """Diameters under given parameters.

    Attributes
    ----------
    scatter : scale of log diameters round their median.
    growth : diameter growth of a young stem. [cm/year]
    asymptote : diameter where growth has slowed down. [cm]
    log_median : (year,) of the diameter by year of breast height. [log cm]
    growth_slope : (year,) of the log median with the log of growth; with that of the asymptote it
        is 1 less that.
    """

    scatter: float
    growth: float
    asymptote: float
    log_median: Floats
    growth_slope: Floats


@compiled_loop
def epoch_weight(year: int) -> tuple[int, float]:
    """Knot to the left of a year of the axis, and the weight of the next one."""
    knot = year // EPOCH_SPACING
    return knot, (year - knot * EPOCH_SPACING) / EPOCH_SPACING


@compiled_part
def median_sizes(x: Floats, sizes: SizeInputs, index: ParameterIndex, last: int) -> SizeValues:
    """Median and scatter of the diameters at the survey, in season `last`."""
    scatter = math.exp(sizes.log_scatter + sizes.scatter_log_sd * x[index.scatter])
    asymptote = math.exp(
        sizes.log_asymptote
        + sizes.asymptote_log_sd * x[index.asymptote]
        + sizes.asymptote_stand_log_sd * x[index.site_asymptote]
    )
    growth = math.exp(
        sizes.log_growth
        + sizes.growth_log_sd * x[index.growth]
        + sizes.growth_stand_log_sd * x[index.growth_pace]
    )
    knots = x[index.epoch_knots :]
    log_asymptote = math.log(asymptote)
    log_median = np.empty(last + 1)
    growth_slope = np.empty(last + 1)
    for y in range(last + 1):
        q = growth / asymptote * (last - y + 0.5)
        left = math.exp(-q)
        size = -math.expm1(-q) + LATE_GROWTH * q
        growth_slope[y] = q * (left + LATE_GROWTH) / size
        knot, f = epoch_weight(y)
        epoch = (1.0 - f) * knots[knot] + (f * knots[knot + 1] if f > 0.0 else 0.0)
        log_median[y] = log_asymptote + math.log(size) + sizes.epoch_log_sd * epoch
    return SizeValues(scatter, growth, asymptote, log_median, growth_slope)


@compiled_loop
def below_edge(edge: float, log_median: Floats, scatter: float, cdf: Floats, pdf: Floats) -> None:
    """Fills the probability (year,) of a diameter below a class edge [cm], and the density there of
    the standardised log diameter.
    """
    if edge <= 0.0:
        cdf[:] = 0.0
        pdf[:] = 0.0
    elif math.isinf(edge):
        cdf[:] = 1.0
        pdf[:] = 0.0
    else:
        t4_row(math.log(edge), log_median, scatter, cdf, pdf)


@compiled_part
def class_edges(sizes: SizeInputs, values: SizeValues, cdf: Floats) -> Floats:
    """Fills `cdf` (edge, year) at the edges that are used; returns the densities, same shape."""
    edges = sizes.edges
    log_median = values.log_median
    pdf = np.zeros(cdf.shape)
    for e in range(len(edges)):
        if sizes.used[e]:
            below_edge(edges[e], log_median, values.scatter, cdf[e], pdf[e])
    return pdf


@compiled_loop
def edge_adjoint(
    cdf_bar: Floats, pdf: Floats, log_edge: float, values: SizeValues, median_bar: Floats
) -> float:
    """Adds to median_bar (year,) what the derivative with respect to one edge's distribution
    function means; returns the derivative with respect to the log of the scatter.
    """
    log_median = values.log_median
    over = 1.0 / values.scatter
    log_scatter_bar = 0.0
    for y in range(len(cdf_bar)):
        pushed = cdf_bar[y] * pdf[y] * over
        median_bar[y] -= pushed
        log_scatter_bar -= pushed * (log_edge - log_median[y])
    return log_scatter_bar


@compiled_part
def diameters_adjoint(
    gradient: Floats,
    sizes: SizeInputs,
    index: ParameterIndex,
    values: SizeValues,
    pdf: Floats,
    cdf_bar: Floats,
) -> None:
    """Adds to `gradient` what cdf_bar (edge, year) means; pdf (edge, year) as `class_edges` gives
    it.
    """
    edges = sizes.edges
    growth_slope = values.growth_slope
    median_bar = np.zeros(len(growth_slope))
    log_scatter_bar = 0.0
    for e in range(len(edges)):
        if sizes.used[e] and edges[e] > 0.0 and not math.isinf(edges[e]):
            log_edge = math.log(edges[e])
            log_scatter_bar += edge_adjoint(cdf_bar[e], pdf[e], log_edge, values, median_bar)
    log_growth_bar = inner(median_bar, growth_slope)
    log_asymptote_bar = 0.0
    knots_bar = gradient[index.epoch_knots :]
    for y in range(len(median_bar)):
        log_asymptote_bar += median_bar[y] * (1.0 - growth_slope[y])
        knot, f = epoch_weight(y)
        knots_bar[knot] += median_bar[y] * sizes.epoch_log_sd * (1.0 - f)
        if f > 0.0:
            knots_bar[knot + 1] += median_bar[y] * sizes.epoch_log_sd * f
    gradient[index.scatter] += sizes.scatter_log_sd * log_scatter_bar
    gradient[index.growth] += sizes.growth_log_sd * log_growth_bar
    gradient[index.growth_pace] += sizes.growth_stand_log_sd * log_growth_bar
    gradient[index.asymptote] += sizes.asymptote_log_sd * log_asymptote_bar
    gradient[index.site_asymptote] += sizes.asymptote_stand_log_sd * log_asymptote_bar


@compiled
def in_class_by_draw(
    log_median: Floats, scatter: Floats, low: float, high: float, out: Floats
) -> None:
    """Probability of a diameter between two class edges [cm] for every draw: log_median and out
    (draw, year), scatter (draw,).
    """
    n = log_median.shape[1]
    below = np.empty(n)
    above = np.empty(n)
    density = np.empty(n)
    for d in range(len(scatter)):
        below_edge(low, log_median[d], scatter[d], below, density)
        below_edge(high, log_median[d], scatter[d], above, density)
        for y in range(n):
            out[d, y] = above[y] - below[y]
