"""What the compiled log density is given of a unit, as named tuples of arrays.

`packing.pack_unit` makes them. Years are indices on the axis, 0 ... survey season; shapes are in
brackets.
"""

from __future__ import annotations

from typing import NamedTuple

from standage.compiled import Booleans, Floats, Integers
from standage.evidence.delays import SpeciesDelays

BREAST_HEIGHT = 0  # index of breast height among the heights of a unit
GERMINANT, GRASS, EMERGING, SAPLING = range(4)  # as in `data.STAGES`
# what a section shows: the years of the grass stage, that it lasts still, that it is over, rings
# at the ground less those at a height, the class of its height so many seasons after the first one,
# the same after the start of the stem
GRASS_YEARS, STILL_IN_GRASS, OUT_OF_GRASS, RINGS_TO_HEIGHT, TALL_SINCE_FIRST, TALL_SINCE_STEM = (
    range(6)
)
# columns of `TreeInputs.nodes`
NODE_CLASS, NODE_START, NODE_BAND, NODE_OFFSET, NODE_ON_EARLY, NODE_ON_COUNTING, NODE_SEGMENT = (
    range(7)
)


class ParameterIndex(NamedTuple):
    """Index of each of a unit's parameters in the flat vector; of those with several values, of the
    first. Names as in `parameters`.
    """

    plot_dispersion: int
    count_dispersion: int
    grass_median: int
    grass_spread: int
    height_years: int
    height_spread: int
    growth: int
    asymptote: int
    scatter: int
    level: int
    activity: int
    pulse_scale: int
    trend_scale: int
    shared_pace: int
    grass_pace: int
    height_pace: int
    growth_pace: int
    site_asymptote: int
    early_growth: int
    counting: int
    slope: int
    early: int
    beginning: int
    stage_factor: int
    removal: int
    pulse_knots: int
    trend_knots: int
    epoch_knots: int


class ProcessInputs(NamedTuple):
    """The establishment process (docs/the-model.md, section 2).

    Attributes
    ----------
    last : survey season.
    reference : (year,) log of the reference survivorship.
    columns : (column, year) a century of age, early years, then the reach of each recorded cut.
    slope_sd, early_sd : prior sd of the first two columns' coefficients.
    cuts : (cut, 2) prior mean and sd of the log strength of each recorded cut.
    pulse_knots, trend_knots : how many knots there are.
    """

    last: int
    reference: Floats
    columns: Floats
    slope_sd: float
    early_sd: float
    cuts: Floats
    pulse_knots: int
    trend_knots: int


class DelayInputs(NamedTuple):
    """Heights at which something is known, and the delays to them (section 3).

    Attributes
    ----------
    at_coring_height : under basis `coring height` there are no delays.
    species : distributions, and what is unsure of them.
    shares : (height,) mean seasons of growth to a height over those to breast height, which comes
        first.
    needed : (height,) whether arrivals are needed, and not the pmf of the seasons alone.
    reference : which height is the unit's commonest coring height.
    segments : (segment,) difference of shares between two heights of a tree.
    """

    at_coring_height: bool
    species: SpeciesDelays
    shares: Floats
    needed: Booleans
    reference: int
    segments: Floats


class SizeInputs(NamedTuple):
    """Diameters by year of breast height (section 5).

    Attributes
    ----------
    log_growth, growth_log_sd, growth_stand_log_sd : diameter growth of a young stem. [log cm/year]
    log_asymptote, asymptote_log_sd, asymptote_stand_log_sd : diameter where growth has slowed down.
        [log cm]
    log_scatter, scatter_log_sd : scatter of log diameters.
    epoch_log_sd : of growth by epoch.
    edges : (edge,) of the diameter classes. [cm]
    used : (edge,) whether the likelihood asks for the edge.
    any_used : whether it asks for any.
    """

    log_growth: float
    growth_log_sd: float
    growth_stand_log_sd: float
    log_asymptote: float
    asymptote_log_sd: float
    asymptote_stand_log_sd: float
    log_scatter: float
    scatter_log_sd: float
    epoch_log_sd: float
    edges: Floats
    used: Booleans
    any_used: bool


class ListedInputs(NamedTuple):
    """What the level is the level of (section 2).

    Attributes
    ----------
    by_plots : stems listed in plots, else all that were sampled.
    log_stems : of their number beforehand. [log stems/ha, or log stems]
    shares : (plot,) of the area of all plots.
    classes : (plot, 2) first and end edge of the diameters that were listed.
    """

    by_plots: bool
    log_stems: float
    shares: Floats
    classes: Integers


class CountInputs(NamedTuple):
    """Stems listed in plots, stems without a usable core, plants counted by stage, and sections
    (section 6).

    Attributes
    ----------
    has_plots : whether stems were listed in plots.
    plots : (plot, 2) area [ha], stems.
    plot_classes : (plot, 2) first and end edge of the diameters that were listed.
    uncored : (class, 2) diameter class, and how many stems of it have no usable core.
    stage_log_sd : of a stage's own factor.
    stages : (row, 4) stage, class edge below which a sapling is, first and last judged age (-1:
        none).
    plants : (row, 2) area [ha], plants.
    sections : (section, 4) what it shows, its value, the height it is at, the height above it.
    """

    has_plots: bool
    plots: Floats
    plot_classes: Integers
    uncored: Integers
    stage_log_sd: float
    stages: Integers
    plants: Floats
    sections: Integers


class TreeInputs(NamedTuple):
    """Chains of nodes of the cored stems, highest node first (section 4).

    Attributes
    ----------
    nodes : (node, 7) diameter class (-1: none); first year, length and offset of its evidence;
        whether that depends on the early-growth and on the counting factor; the segment above it.
    first_node : (tree + 1,) first node of each tree, and the end.
    height : (tree,) height of the lowest node.
    top : (tree,) which of `tops` the chain begins with; -1 for none.
    tops : (top, 4) diameter class, segment below, first and end year of what the cores below say:
        most trees begin with their diameter alone and go down to a core, and what that says is the
        same for all trees of a class cored at one height.
    evidence : (entry,) all bands of likelihood, by early-growth node, counting node and year.
    most_nodes : of one tree.
    """

    nodes: Integers
    first_node: Integers
    height: Integers
    top: Integers
    tops: Integers
    evidence: Floats
    most_nodes: int


class UnitInputs(NamedTuple):
    """All of one unit. Compiled functions take its parts, since a tuple of all of them takes long
    to compile.
    """

    parameters: ParameterIndex
    process: ProcessInputs
    delays: DelayInputs
    sizes: SizeInputs
    listed: ListedInputs
    counts: CountInputs
    trees: TreeInputs
