"""What the numbers of a profile are: meaning, unit and range of each, and how well it is known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

STATUS_MARKS = {
    "published": "p",
    "derived": "d",
    "common practice": "c",
    "from memory": "m",
    "assumed": "a",
}
STATUSES = tuple(STATUS_MARKS)
YES_OR_NO = "1 = yes, 0 = no"


@dataclass(frozen=True)
class Quantity:
    """What a profile key means, the one unit it may have, and the range that is not a slip of the
    pen. default: what stands for it in a profile without it; None where it is needed.
    """

    unit: str
    lowest: float
    highest: float
    meaning: str
    default: float | None = None


QUANTITIES: dict[str, Quantity] = {
    "grass_stage.present": Quantity(
        YES_OR_NO, 0, 1, "whether young plants stay without a stem for a time"
    ),
    "grass_stage.median_years": Quantity(
        "growing seasons", 0.5, 25, "median seasons without a stem, in the middle stand"
    ),
    "grass_stage.median_log_sd": Quantity(
        "log units", 0.01, 2, "how far the median may be wrong for the species"
    ),
    "grass_stage.between_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in their median"
    ),
    "grass_stage.within_stand_log_sd": Quantity(
        "log units", 0.05, 2, "how plants of one stand differ"
    ),
    "grass_stage.within_log_sd": Quantity("log units", 0.01, 2, "how far that may be wrong"),
    "grass_stage.longest_years": Quantity(
        "growing seasons", 1, 80, "longest grass stage the model allows"
    ),
    "grass_stage.emergence_height_cm": Quantity(
        "cm", 0, 100, "height at which the stem has started; 0 without a grass stage"
    ),
    "height_growth.years_to_breast_height": Quantity(
        "growing seasons", 0.5, 80, "mean from emergence (else establishment) to 1.37 m"
    ),
    "height_growth.years_log_sd": Quantity(
        "log units", 0.01, 2, "how far that mean may be wrong for the species"
    ),
    "height_growth.between_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in that mean"
    ),
    "height_growth.exponent": Quantity(
        "power of height",
        0.2,
        3,
        "seasons go with this power of height: 1 = even pace, less = slow start",
    ),
    "height_growth.dispersion": Quantity(
        "variance / mean", 0.05, 20, "how plants of one stand differ in the years taken"
    ),
    "height_growth.dispersion_log_sd": Quantity(
        "log units", 0.01, 2, "how far that may be wrong for the species"
    ),
    "height_growth.longest_height_years": Quantity(
        "growing seasons", 3, 250, "longest time to any coring height the model allows"
    ),
    "survival.adult_hazard_per_year": Quantity(
        "per year", 1e-4, 0.1, "death rate of established trees"
    ),
    "survival.seedling_hazard_per_year": Quantity(
        "per year", 0, 5, "death rate of new seedlings on top of that"
    ),
    "survival.seedling_decline_years": Quantity(
        "years", 0.5, 50, "age by which the seedlings' extra rate has fallen to 37 %"
    ),
    "survival.slope_sd": Quantity(
        "log units per century", 0.01, 5, "freedom of the long trend in living stems by age"
    ),
    "survival.early_sd": Quantity("log units", 0.01, 5, "freedom of the first two decades"),
    "size.growth_cm_per_year": Quantity(
        "cm of dbh per year",
        0.05,
        4,
        "median diameter growth just above breast height",
    ),
    "size.growth_log_sd": Quantity(
        "log units", 0.01, 2, "how far that growth may be wrong for the species"
    ),
    "size.growth_between_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in that growth"
    ),
    "size.asymptote_cm": Quantity(
        "cm", 10, 500, "diameter where the median tree's growth has slowed down"
    ),
    "size.asymptote_log_sd": Quantity("log units", 0.01, 2, "how far that diameter may be wrong"),
    "size.asymptote_between_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in that diameter", 0.3
    ),
    "size.scatter": Quantity("log units", 0.05, 1.5, "how trees of one age differ in diameter"),
    "size.scatter_log_sd": Quantity("log units", 0.01, 2, "how far the scatter may be wrong"),
    "size.epoch_log_sd": Quantity(
        "log units", 0.01, 1, "how growth differed between periods a few decades long"
    ),
    "core.pith_radius_mm": Quantity("mm", 0, 10, "radius of the pith itself, which is not wood"),
    "core.early_growth_mm_per_year": Quantity(
        "mm per year", 0.1, 20, "median radial growth next to the pith"
    ),
    "core.early_growth_log_sd": Quantity(
        "log units", 0.05, 2, "how trees of one stand differ in early growth"
    ),
    "core.early_growth_stand_log_sd": Quantity(
        "log units", 0.01, 2, "how stands differ in early growth"
    ),
    "core.early_to_inner_ratio": Quantity(
        "ratio", 0.2, 5, "growth in the missed part over growth in the innermost rings seen"
    ),
    "core.bark_share_of_diameter": Quantity(
        "share of diameter, one side", 0, 0.25, "bark thickness on one side over diameter over bark"
    ),
    "core.taper_per_m": Quantity(
        "share of dbh per m", 0, 0.3, "diameter lost per metre above breast height, gained below it"
    ),
    "core.eccentricity_log_sd": Quantity(
        "log units", 0.01, 1, "how far the cored radius differs from half the diameter"
    ),
    "core.dry_shrinkage_share": Quantity(
        "share of length", 0, 0.2, "radial length lost when a core dries"
    ),
    "core.unknown_pith_share": Quantity(
        "share of cores",
        0,
        1,
        "cores with pith where nothing is recorded of the centre",
    ),
    "core.unknown_missing_rings_median": Quantity(
        "rings", 0.5, 100, "median rings missed by the others"
    ),
    "core.unknown_missing_rings_log_sd": Quantity(
        "log units", 0.1, 3, "how far one such core may differ from that"
    ),
    "rings.false_per_100": Quantity(
        "rings per 100 counted", 0, 30, "false rings taken for annual ones"
    ),
    "rings.absent_per_100": Quantity(
        "rings per 100 visible", 0, 30, "years without a visible ring"
    ),
    "rings.bias_sd": Quantity(
        "share of rings", 5e-4, 0.5, "how stands differ in net counting bias"
    ),
    "rings.reader_sd_rings": Quantity(
        "rings", 0.05, 20, "mean reading error of a count, fixed part (the two add as squares)"
    ),
    "rings.reader_sd_share": Quantity(
        "share of rings", 0, 0.3, "mean reading error of a count, part that grows with it"
    ),
    "longevity.years": Quantity("years", 50, 6000, "greatest age the model allows"),
    "germination.autumn": Quantity(YES_OR_NO, 0, 1, "whether seed sprouts in the autumn it falls"),
    "limits.largest_dbh_cm": Quantity(
        "cm", 10, 1500, "diameter above which one is asked about; it changes no date", 250
    ),
    "limits.density_index": Quantity(
        "stems of 25.4 cm per ha",
        100,
        10_000,
        "stand density index of the densest stands; areas far above it are asked about",
        2500,
    ),
    "limits.widest_mean_ring_mm": Quantity(
        "mm", 1, 40, "mean ring of a core above which it is asked about", 15
    ),
    "limits.narrowest_mean_ring_mm": Quantity(
        "mm", 0.02, 5, "mean ring of a core below which it is asked about", 0.1
    ),
}


def nearest(word: str, known: Iterable[str]) -> str:
    """The likeliest word of those known, as a question; nothing where none is near."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f" Did you mean '{close[0]}'?" if close else ""
