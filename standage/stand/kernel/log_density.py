"""The log density of the stand model and its gradient, compiled: what is sampled in production.

`unit_log_density` is one unit (a species in a stand) of docs/the-model.md: forward through process,
delays, diameters and likelihood, then backward by hand. `bar` in a name means derivative of the log
density with respect to it. `Kernel` holds a survey's arrays and calls it for each unit. The same
density stands in `model.py` as a PyMC model and in the tests as a slow reference.
"""

from __future__ import annotations

import math

import numpy as np

from standage.compiled import compiled
from standage.stand.data import StandData
from standage.stand.kernel.emergence import (
    stages_of_exposed,
    stages_of_exposed_adjoint,
    staying,
    staying_adjoint,
    stems_begun,
    stems_begun_adjoint,
    tails_of_grass_stage,
)
from standage.stand.kernel.pieces import (
    delayed,
    delayed_adjoint,
    digamma,
    grass_stage,
    grass_stage_adjoint,
    height_growth,
    height_growth_adjoint,
    place_between_knots,
    reach_of,
    standard_normal_and_knots,
    t4_row,
)
from standage.stand.kernel.stages import shares_by_age, shares_by_age_adjoint, stages_at_survey
from standage.stand.kernel.trees import SMALLEST, cored_stems
from standage.stand.packing import CONSTANTS, pack_priors, pack_unit
from standage.stand.parameters import MARGIN_YEARS


@compiled
def unit_log_density(
    x,
    gradient,
    place,
    constants,
    flags,
    knot_spacing,
    knot_counts,
    reference,
    columns,
    removal_prior,
    heights,
    height_needed,
    edges,
    edge_used,
    plots,
    plot_ranges,
    uncored_class,
    uncored_count,
    count_rows,
    count_values,
    section_rows,
    node_ints,
    node_of_tree,
    tree_height,
    top_of_tree,
    tops,
    evidence,
    segments,
    max_nodes,
    openness,
    exposed,
):
    """Log likelihood of one unit; adds its derivative to `gradient` (parameter). Arrays as
    `packing.pack_unit` lays them out.
    """
    (
        grass_center,
        grass_sd,
        grass_between,
        spread_center,
        spread_sd,
        height_center,
        height_sd,
        height_between,
        dispersion,
        growth_center,
        growth_sd,
        growth_between,
        asymptote_center,
        asymptote_sd,
        scatter_center,
        scatter_sd,
        epoch_sd,
        slope_sd,
        early_sd,
        stage_scale,
        release_mean,
        release_sd,
    ) = constants
    last = flags[0]
    has_plots = flags[1] == 1
    at_coring_height = flags[2] == 1
    has_grass = flags[3] == 1
    longest_grass = flags[4]
    longest_height = flags[5]
    reference_height = flags[6]
    has_sizes = flags[7] == 1
    breast = flags[8]
    n = last + 1
    (
        i_grass,
        i_spread,
        i_height,
        i_growth,
        i_asymptote,
        i_scatter,
        i_plot,
        i_count,
        i_level,
        i_activity,
        i_pulse_scale,
        i_trend_scale,
        i_shared,
        i_grass_pace,
        i_height_pace,
        i_growth_pace,
        i_early_growth,
        i_counting,
        i_slope,
        i_early,
        i_stage,
        i_removal,
        i_release,
        i_pulse,
        i_trend,
        i_epoch,
    ) = place
    logp = 0.0

    # ---- scalars of the delays, and how far they move the process
    log_median = 0.0
    spread = 1.0
    half = math.sqrt(0.5)
    p = 1.0 / dispersion
    years_to_breast_height = math.exp(
        height_center
        + height_sd * x[i_height]
        + height_between * half * (x[i_shared] + x[i_height_pace])
    )
    shape = years_to_breast_height / (
        dispersion - 1.0
    )  # negative binomial shape at breast height; heights hold its share
    mean_grass = 0.0
    moved = 0.0
    if not at_coring_height:
        moved = heights[reference_height] * (years_to_breast_height - math.exp(height_center))
        if has_grass:
            log_median = (
                grass_center
                + grass_sd * x[i_grass]
                + grass_between * half * (x[i_shared] + x[i_grass_pace])
            )
            spread = math.exp(spread_center + spread_sd * x[i_spread])
            mean_grass = math.exp(log_median + 0.5 * spread * spread)
            moved += mean_grass - math.exp(grass_center + 0.5 * math.exp(2.0 * spread_center))

    # ---- establishment process
    activity = -2.5 + 0.7 * x[i_activity]
    pulse_scale = math.exp(math.log(2.0) + 0.25 * x[i_pulse_scale])
    trend_scale = math.exp(math.log(0.3) + 0.35 * x[i_trend_scale])
    n_columns = columns.shape[0]
    slopes = np.empty(n_columns)
    slopes[0] = slope_sd * x[i_slope]
    slopes[1] = early_sd * x[i_early]
    for j in range(2, n_columns):
        slopes[j] = -math.exp(
            removal_prior[j - 2, 0] + removal_prior[j - 2, 1] * x[i_removal + j - 2]
        )
    living = np.empty(n)
    pulse_at = np.empty(n)
    trend_at = np.empty(n)
    rise = np.empty(n)
    for i in range(n):
        knot, f, _ = place_between_knots(i + moved + MARGIN_YEARS, knot_spacing[0], knot_counts[0])
        pulse_at[i] = (1.0 - f) * x[i_pulse + knot] + f * x[i_pulse + knot + 1]
        knot, f, _ = place_between_knots(i + moved + MARGIN_YEARS, knot_spacing[1], knot_counts[1])
        trend_at[i] = (1.0 - f) * x[i_trend + knot] + f * x[i_trend + knot + 1]
        link = activity + pulse_scale * pulse_at[i]
        small = math.exp(-abs(link))
        softplus = max(link, 0.0) + math.log1p(small)
        rise[i] = 1.0 / (1.0 + small) if link > 0.0 else small / (1.0 + small)
        total = 2.0 * x[i_level] + trend_scale * trend_at[i] + softplus + reference[i]
        for j in range(n_columns):
            total += slopes[j] * columns[j, i]
        living[i] = math.exp(min(total, 60.0))
    living_bar = np.zeros(n)

    # ---- delays
    n_heights = len(heights)
    grass = np.zeros(longest_grass + 1)
    grass_bar = np.zeros(longest_grass + 1)
    grass_cdf = np.empty(longest_grass + 1)
    grass_pdf = np.empty(longest_grass + 1)
    grass_total = 1.0
    shape_bar = 0.0
    released = (
        len(exposed) > 0
    )  # some plants leave the grass stage at another pace than the stand's own
    tail = np.empty(longest_grass + 1)
    step = np.empty(longest_grass + 1)
    tail_total = 1.0
    rho = 0.0
    excess = np.zeros(len(openness))  # exp(rho o) - 1
    stays = np.zeros((len(exposed), longest_grass + 1))
    stays_bar = np.zeros((len(exposed), longest_grass + 1))
    growth_pmf = np.zeros((n_heights, longest_height + 1))
    growth_pmf_bar = np.zeros((n_heights, longest_height + 1))
    emerged = np.empty(n)
    emerged_bar = np.zeros(n)
    arrival = np.zeros((n_heights, n))
    arrival_bar = np.zeros((n_heights, n))
    if not at_coring_height:
        if has_grass:
            grass_total = grass_stage(log_median, spread, grass, grass_cdf, grass_pdf)
            if released:
                tail_total = tails_of_grass_stage(log_median, spread, tail, step)
                rho = release_mean + release_sd * x[i_release]
                for y in range(n):
                    excess[y] = math.expm1(rho * openness[y])
                staying(exposed, excess, tail, step, last, stays)
                stems_begun(living, exposed, grass, stays, emerged)
            else:
                delayed(living, grass, emerged, last)
        else:
            emerged[:] = living
        for h in range(n_heights):
            height_growth(shape * heights[h], p, growth_pmf[h])
            if height_needed[h] == 1:
                delayed(emerged, growth_pmf[h], arrival[h], last)
    else:
        for h in range(n_heights):
            arrival[h, :] = living
    n_segments = len(segments)
    increment = np.zeros((n_segments, longest_height + 1))
    increment_bar = np.zeros((n_segments, longest_height + 1))
    reach = np.zeros(n_segments, np.int64)
    for s in range(n_segments):
        height_growth(shape * segments[s], p, increment[s])
        reach[s] = reach_of(increment[s])

    # ---- diameters: distribution functions at the class edges, by year of breast height
    n_edges = len(edges)
    cdf = np.zeros((n_edges, n))
    pdf = np.zeros((n_edges, n))
    cdf_bar = np.zeros((n_edges, n))
    median_size = np.empty(n)
    share_growth = np.empty(n)
    scatter = 1.0
    if has_sizes:
        scatter = math.exp(scatter_center + scatter_sd * x[i_scatter])
        asymptote = math.exp(asymptote_center + asymptote_sd * x[i_asymptote])
        growth = math.exp(
            growth_center + growth_sd * x[i_growth] + growth_between * x[i_growth_pace]
        )
        for y in range(n):
            q = growth / asymptote * (last - y + 0.5)
            decay = math.exp(-q)
            share_growth[y] = q * decay / -math.expm1(-q)
            knot = y // knot_spacing[2]
            f = (y - knot * knot_spacing[2]) / knot_spacing[2]
            epoch = (1.0 - f) * x[i_epoch + knot] + (f * x[i_epoch + knot + 1] if f > 0.0 else 0.0)
            median_size[y] = math.log(asymptote) + math.log(-math.expm1(-q)) + epoch_sd * epoch
        for e in range(n_edges):
            if edge_used[e] == 1:
                if edges[e] <= 0.0:
                    continue
                if math.isinf(edges[e]):
                    cdf[e, :] = 1.0
                    continue
                t4_row(math.log(edges[e]), median_size, scatter, cdf[e], pdf[e])

    # ---- plots
    if has_plots:
        phi = math.exp(math.log(4.0) + 0.8 * x[i_plot])
        phi_bar = 0.0
        for j in range(plots.shape[0]):
            area = plots[j, 0]
            stems = plots[j, 1]
            low = plot_ranges[j, 0]
            high = plot_ranges[j, 1]
            expected = 0.0
            for y in range(n):
                expected += arrival[breast, y] * (cdf[high, y] - cdf[low, y])
            together = phi + area * expected
            logp += (
                phi * math.log(phi)
                - math.lgamma(phi)
                + math.lgamma(phi + stems)
                - (phi + stems) * math.log(together)
            )
            logp += stems * math.log(area)
            phi_bar += (
                math.log(phi)
                + 1.0
                - digamma(phi)
                + digamma(phi + stems)
                - math.log(together)
                - (phi + stems) / together
            )
            weight = -(phi + stems) / together * area
            for y in range(n):
                arrival_bar[breast, y] += weight * (cdf[high, y] - cdf[low, y])
                pushed = weight * arrival[breast, y]
                cdf_bar[high, y] += pushed
                cdf_bar[low, y] -= pushed
        gradient[i_plot] += 0.8 * phi * phi_bar
    else:
        for y in range(n):
            logp -= arrival[reference_height, y]
            arrival_bar[reference_height, y] -= 1.0

    # ---- stems without a usable core
    for j in range(len(uncored_class)):
        c = uncored_class[j]
        total = 0.0
        for y in range(n):
            total += arrival[breast, y] * (cdf[c + 1, y] - cdf[c, y])
        logp += uncored_count[j] * math.log(max(total, SMALLEST))
        if total > SMALLEST:
            weight = uncored_count[j] / total
            for y in range(n):
                arrival_bar[breast, y] += weight * (cdf[c + 1, y] - cdf[c, y])
                pushed = weight * arrival[breast, y]
                cdf_bar[c + 1, y] += pushed
                cdf_bar[c, y] -= pushed

    # ---- cored stems, then stages at the survey
    stems_logp, early_growth_bar, counting_bar = cored_stems(
        x[i_early_growth],
        x[i_counting],
        node_ints,
        node_of_tree,
        tree_height,
        top_of_tree,
        tops,
        evidence,
        max_nodes,
        increment,
        reach,
        arrival,
        cdf,
        arrival_bar,
        cdf_bar,
        increment_bar,
    )
    logp += stems_logp
    gradient[i_early_growth] += early_growth_bar
    gradient[i_counting] += counting_bar
    if not at_coring_height and (len(count_values) > 0 or len(section_rows) > 0):
        share, past = shares_by_age(grass, growth_pmf[breast], has_grass, n)
        share_bar = np.zeros((3, n))
        if released:
            stages_of_exposed(exposed, stays, growth_pmf[breast], share, past)
        logp += stages_at_survey(
            x,
            gradient,
            i_count,
            i_stage,
            stage_scale,
            count_rows,
            count_values,
            section_rows,
            has_grass,
            living,
            arrival[breast],
            cdf,
            share,
            grass,
            growth_pmf,
            living_bar,
            arrival_bar[breast],
            cdf_bar,
            share_bar,
            grass_bar,
            growth_pmf_bar,
        )
        if released:
            stages_of_exposed_adjoint(
                exposed, stays, growth_pmf[breast], share_bar, stays_bar, growth_pmf_bar[breast]
            )
        shares_by_age_adjoint(
            grass, growth_pmf[breast], has_grass, share_bar, grass_bar, growth_pmf_bar[breast]
        )

    # ---- backward: delays
    if at_coring_height:
        for h in range(n_heights):
            for y in range(n):
                living_bar[y] += arrival_bar[h, y]
    else:
        for h in range(n_heights):
            if height_needed[h] == 1:
                delayed_adjoint(
                    emerged, growth_pmf[h], arrival_bar[h], emerged_bar, growth_pmf_bar[h], last
                )
            shape_bar += heights[h] * height_growth_adjoint(
                shape * heights[h], p, growth_pmf[h], growth_pmf_bar[h]
            )
        if has_grass:
            if released:
                stems_begun_adjoint(
                    living, exposed, grass, stays, emerged_bar, living_bar, grass_bar, stays_bar
                )
            else:
                delayed_adjoint(living, grass, emerged_bar, living_bar, grass_bar, last)
            median_bar, log_spread_bar = grass_stage_adjoint(
                log_median, spread, grass, grass_bar, grass_pdf, grass_total
            )
            if released:
                more_median_bar, more_spread_bar, rho_bar = staying_adjoint(
                    exposed,
                    rho,
                    openness,
                    excess,
                    log_median,
                    spread,
                    tail,
                    step,
                    tail_total,
                    grass_pdf,
                    stays,
                    stays_bar,
                )
                median_bar += more_median_bar
                log_spread_bar += more_spread_bar
                gradient[i_release] += release_sd * rho_bar
            gradient[i_grass] += grass_sd * median_bar
            gradient[i_shared] += grass_between * half * median_bar
            gradient[i_grass_pace] += grass_between * half * median_bar
            gradient[i_spread] += spread_sd * log_spread_bar
        else:
            for y in range(n):
                living_bar[y] += emerged_bar[y]
    for s in range(n_segments):
        shape_bar += segments[s] * height_growth_adjoint(
            shape * segments[s], p, increment[s], increment_bar[s]
        )
    log_years_bar = shape_bar * shape
    gradient[i_height] += height_sd * log_years_bar
    gradient[i_shared] += height_between * half * log_years_bar
    gradient[i_height_pace] += height_between * half * log_years_bar

    # ---- backward: diameters
    if has_sizes:
        log_scatter_bar = 0.0
        log_growth_bar = 0.0
        log_asymptote_bar = 0.0
        size_bar = np.zeros(n)
        for e in range(n_edges):
            if edge_used[e] == 1 and edges[e] > 0.0 and not math.isinf(edges[e]):
                log_edge = math.log(edges[e])
                for y in range(n):
                    pushed = cdf_bar[e, y] * pdf[e, y] / scatter
                    size_bar[y] -= pushed
                    log_scatter_bar -= pushed * (log_edge - median_size[y])
        for y in range(n):
            log_growth_bar += size_bar[y] * share_growth[y]
            log_asymptote_bar += size_bar[y] * (1.0 - share_growth[y])
            knot = y // knot_spacing[2]
            f = (y - knot * knot_spacing[2]) / knot_spacing[2]
            gradient[i_epoch + knot] += size_bar[y] * epoch_sd * (1.0 - f)
            if f > 0.0:
                gradient[i_epoch + knot + 1] += size_bar[y] * epoch_sd * f
        gradient[i_scatter] += scatter_sd * log_scatter_bar
        gradient[i_growth] += growth_sd * log_growth_bar
        gradient[i_growth_pace] += growth_between * log_growth_bar
        gradient[i_asymptote] += asymptote_sd * log_asymptote_bar

    # ---- backward: establishment process
    moved_bar = 0.0
    for i in range(n):
        log_bar = living_bar[i] * living[i]
        gradient[i_level] += 2.0 * log_bar
        gradient[i_trend_scale] += 0.35 * trend_scale * trend_at[i] * log_bar
        knot, f, inside = place_between_knots(
            i + moved + MARGIN_YEARS, knot_spacing[1], knot_counts[1]
        )
        gradient[i_trend + knot] += trend_scale * (1.0 - f) * log_bar
        gradient[i_trend + knot + 1] += trend_scale * f * log_bar
        moved_bar += (
            inside
            * trend_scale
            * (x[i_trend + knot + 1] - x[i_trend + knot])
            / knot_spacing[1]
            * log_bar
        )
        link_bar = rise[i] * log_bar
        gradient[i_activity] += 0.7 * link_bar
        gradient[i_pulse_scale] += 0.25 * pulse_scale * pulse_at[i] * link_bar
        knot, f, inside = place_between_knots(
            i + moved + MARGIN_YEARS, knot_spacing[0], knot_counts[0]
        )
        gradient[i_pulse + knot] += pulse_scale * (1.0 - f) * link_bar
        gradient[i_pulse + knot + 1] += pulse_scale * f * link_bar
        moved_bar += (
            inside
            * pulse_scale
            * (x[i_pulse + knot + 1] - x[i_pulse + knot])
            / knot_spacing[0]
            * link_bar
        )
        gradient[i_slope] += slope_sd * columns[0, i] * log_bar
        gradient[i_early] += early_sd * columns[1, i] * log_bar
        for j in range(2, n_columns):
            gradient[i_removal + j - 2] += (
                removal_prior[j - 2, 1] * slopes[j] * columns[j, i] * log_bar
            )
    if not at_coring_height:
        log_years_bar = moved_bar * heights[reference_height] * years_to_breast_height
        gradient[i_height] += height_sd * log_years_bar
        gradient[i_shared] += height_between * half * log_years_bar
        gradient[i_height_pace] += height_between * half * log_years_bar
        if has_grass:
            median_bar = moved_bar * mean_grass
            gradient[i_grass] += grass_sd * median_bar
            gradient[i_shared] += grass_between * half * median_bar
            gradient[i_grass_pace] += grass_between * half * median_bar
            gradient[i_spread] += spread_sd * median_bar * spread * spread
    return logp


class Kernel:
    """The log density of a survey, ready to be called with flat parameter vectors (see
    `parameters.layout`).
    """

    def __init__(self, data: StandData):
        self._priors = pack_priors(data)
        self._units = [pack_unit(data, unit) for unit in range(len(data.units))]
        self.size = len(self._priors[0])

    def __call__(self, x: np.ndarray) -> tuple[float, np.ndarray]:
        """Log density and its gradient, shape `(parameter,)`."""
        gradient = np.zeros(self.size)
        logp = standard_normal_and_knots(x, gradient, *self._priors)
        for arrays in self._units:
            logp += unit_log_density(x, gradient, *arrays)
        return logp, gradient


def log_density_and_gradient(vector: np.ndarray, data: StandData) -> tuple[float, np.ndarray]:
    """Log density (with all constants) and gradient at one parameter vector; builds the arrays anew
    each call.
    """
    return Kernel(data)(np.ascontiguousarray(vector, dtype=float))


assert len(CONSTANTS) == 20  # the order that unit_log_density unpacks
