"""The establishment process of a unit (docs/the-model.md, section 2): living stems by year from the
parameters, and back.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from standage.compiled import Floats, compiled_part
from standage.stand.kernel.convolution import add_scaled, inner
from standage.stand.kernel.inputs import ParameterIndex, ProcessInputs
from standage.stand.kernel.knots import between_knots, between_knots_adjoint
from standage.stand.parameters import (
    ACTIVITY,
    ACTIVITY_SD,
    BEGINNING,
    BEGINNING_LOG_SD,
    BEGINNING_STEEPNESS,
    MARGIN_YEARS,
    PULSE_SCALE,
    PULSE_SCALE_LOG_SD,
    PULSE_SPACING,
    TREND_SCALE,
    TREND_SCALE_LOG_SD,
    TREND_SPACING,
)

MOST_LIVING = math.exp(60.0)  # far beyond any forest, and no overflow [stems/ha/year]
SLOPE, EARLY, FIRST_CUT = 0, 1, 2  # columns


class ProcessValues(NamedTuple):
    """What the derivative of the process needs.

    Attributes
    ----------
    pulse_scale, trend_scale : scales of the two processes.
    coefficients : (column,)
    pulse, trend : (year,) the processes.
    rise : (year,) slope of the softplus.
    before : (year,) share of a year's stems that is not there since the stand is younger.
    """

    pulse_scale: float
    trend_scale: float
    coefficients: Floats
    pulse: Floats
    trend: Floats
    rise: Floats
    before: Floats


@compiled_part
def log_linear_coefficients(x: Floats, process: ProcessInputs, index: ParameterIndex) -> Floats:
    """Coefficients of the columns (column,): age, early years, and each recorded cut's."""
    cuts = process.cuts
    out = np.empty(len(process.columns))
    out[SLOPE] = process.slope_sd * x[index.slope]
    out[EARLY] = process.early_sd * x[index.early]
    for cut in range(len(cuts)):
        out[FIRST_CUT + cut] = -math.exp(cuts[cut, 0] + cuts[cut, 1] * x[index.removal + cut])
    return out


@compiled_part
def establishment(
    x: Floats, process: ProcessInputs, index: ParameterIndex, moved: float, living: Floats
) -> ProcessValues:
    """Fills `living` (year,) at level 0; moved: how far the process is moved with the delay.
    [years]
    """
    activity = ACTIVITY + ACTIVITY_SD * x[index.activity]
    pulse_scale = PULSE_SCALE * math.exp(PULSE_SCALE_LOG_SD * x[index.pulse_scale])
    trend_scale = TREND_SCALE * math.exp(TREND_SCALE_LOG_SD * x[index.trend_scale])
    coefficients = log_linear_coefficients(x, process, index)
    log_living = process.reference.copy()
    for j in range(len(coefficients)):
        add_scaled(log_living, coefficients[j], process.columns[j])
    first = moved + MARGIN_YEARS
    pulse = np.empty(len(living))
    trend = np.empty(len(living))
    rise = np.empty(len(living))
    before = np.empty(len(living))
    log_beginning = math.log(BEGINNING) + BEGINNING_LOG_SD * x[index.beginning]
    pulse_knots = x[index.pulse_knots : index.pulse_knots + process.pulse_knots]
    trend_knots = x[index.trend_knots : index.trend_knots + process.trend_knots]
    between_knots(pulse_knots, PULSE_SPACING, first, pulse)
    between_knots(trend_knots, TREND_SPACING, first, trend)
    for i in range(len(living)):
        link = activity + pulse_scale * pulse[i]
        small = math.exp(-abs(link))
        rise[i] = 1.0 / (1.0 + small) if link > 0.0 else small / (1.0 + small)
        burst = (1.0 + small) / small if link > 0.0 else 1.0 + small  # exp(softplus(link))
        usual = math.exp(trend_scale * trend[i] + log_living[i])
        older = BEGINNING_STEEPNESS * (math.log(process.last - i + 1.0) - log_beginning)
        before[i] = 1.0 / (1.0 + math.exp(-older))
        living[i] = min(usual * burst, MOST_LIVING) / (1.0 + math.exp(older))
    return ProcessValues(pulse_scale, trend_scale, coefficients, pulse, trend, rise, before)


@compiled_part
def establishment_adjoint(
    x: Floats,
    gradient: Floats,
    process: ProcessInputs,
    index: ParameterIndex,
    values: ProcessValues,
    moved: float,
    log_bar: Floats,
) -> float:
    """Adds to `gradient` what log_bar (year,), the derivative with respect to the log of living
    stems, means; returns the derivative with respect to the years moved.
    """
    first = moved + MARGIN_YEARS
    trend_bar = np.empty(len(log_bar))
    pulse_bar = np.empty(len(log_bar))
    link_total = 0.0
    beginning_bar = 0.0
    for i in range(len(log_bar)):
        link_bar = values.rise[i] * log_bar[i]
        trend_bar[i] = values.trend_scale * log_bar[i]
        pulse_bar[i] = values.pulse_scale * link_bar
        link_total += link_bar
        beginning_bar += values.before[i] * log_bar[i]
    gradient[index.beginning] += BEGINNING_LOG_SD * BEGINNING_STEEPNESS * beginning_bar
    gradient[index.activity] += ACTIVITY_SD * link_total
    gradient[index.trend_scale] += TREND_SCALE_LOG_SD * inner(values.trend, trend_bar)
    gradient[index.pulse_scale] += PULSE_SCALE_LOG_SD * inner(values.pulse, pulse_bar)
    gradient[index.slope] += process.slope_sd * inner(process.columns[SLOPE], log_bar)
    gradient[index.early] += process.early_sd * inner(process.columns[EARLY], log_bar)
    for cut in range(len(process.cuts)):
        j = FIRST_CUT + cut
        strength_bar = values.coefficients[j] * inner(process.columns[j], log_bar)
        gradient[index.removal + cut] += process.cuts[cut, 1] * strength_bar
    start, end = index.pulse_knots, index.pulse_knots + process.pulse_knots
    moved_bar = between_knots_adjoint(
        x[start:end], PULSE_SPACING, first, pulse_bar, gradient[start:end]
    )
    start, end = index.trend_knots, index.trend_knots + process.trend_knots
    moved_bar += between_knots_adjoint(
        x[start:end], TREND_SPACING, first, trend_bar, gradient[start:end]
    )
    return moved_bar
