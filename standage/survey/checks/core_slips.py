"""Slips in what is written of a core, by what else is known: a pith farther off than the stem is
wide, a height ten times that of nearly all, a name after another tree; and a stem ten times too
wide.
"""

from __future__ import annotations

import re

import numpy as np

from standage.survey.cells.references import alike
from standage.survey.checks.core_checks import likely_diameter_cm
from standage.survey.checks.rows import Rows, as_cells
from standage.survey.checks.table_checks import reporter

OFF_CENTRE, BEYOND = 1.3, 1.5
"""A pith so many times half of the diameter away is hard to believe, and beyond the second of them
it is in another stem (assumption)."""
USUAL_SHARE, FEWEST = 0.5, 5
"""Share of the heights that are the same, and their number, from which a tenth or ten times of it
is a slip (assumption)."""
NAMED_AFTER = 0.8
"""Share of cores whose names begin with their tree's, from which another is asked about
(assumption)."""
TEN_TIMES = 2.0
"""A stem so many times as thick as the next of its species, and a usual one at a tenth, looks like
a lost decimal mark (assumption)."""
SMALL_CLASSES = ("suppressed", "intermediate")
"""Crown classes of stems that aren't the widest of a stand."""
TIMES_AS_WIDE, FEW_RINGS = 5.0, 5.0
"""Rings to the pith so many times as wide or narrow as those of the core, and so many of them apart
from what the distance holds, are a slip (assumption)."""
_LETTER = re.compile(r"[-_ .]*([a-z]|(?<=[-_ .])\d)$", re.IGNORECASE)


@np.errstate(divide="ignore", invalid="ignore")  # of blanks, and of no rings
def judge_slips(
    file: str, cores: Rows, trees: Rows, of_trees: str, problems: list, warnings: list
) -> None:
    """All of it. cores: with the species, limits, `dbh_cm` of the tree and `rings` of each."""
    _far_piths(file, cores, problems, warnings)
    _two_ways_to_the_pith(file, cores, warnings)
    _heights_by_ten(file, cores, warnings)
    _names(file, cores, trees, warnings)
    _wide_stems(of_trees, trees, warnings)
    _wide_for_their_class(of_trees, trees, warnings)


def _far_piths(file: str, cores: Rows, problems: list, warnings: list) -> None:
    likely = likely_diameter_cm(cores)
    radius = 10.0 * likely * (0.5 - cores["bark_share"])  # [mm] of wood
    wood = cores["core_length_mm"].fillna(cores["rings"] * cores["narrowest_mm"]).fillna(0.0)
    distance = cores["pith_distance_mm"]
    table = cores.assign(radius=radius.round(0), least=wood.round(0))
    words = (
        "{pith_distance_mm} mm to the pith, and at least {least} mm of wood with the rings seen, in"
        " a stem of about {radius} mm radius at the core",
        "no more than the radius",
        "Check the distance (in mm), the diameter (in cm) and which tree the core is of.",
    )
    far = distance > BEYOND * radius
    reporter(file, table, problems)(far, "pith_distance_mm", *words)
    reporter(file, table, warnings)(
        (distance + wood > OFF_CENTRE * radius) & (distance > 0) & ~far, "pith_distance_mm", *words
    )


def _two_ways_to_the_pith(file: str, cores: Rows, warnings: list) -> None:
    """Rings to the pith beside a distance in which they would be far wider or narrower than those
    of the core.
    """
    likely = likely_diameter_cm(cores)
    radius = 10.0 * likely * (0.5 - cores["bark_share"])  # [mm] of wood
    rings, distance, missed = cores["rings"], cores["pith_distance_mm"], cores["rings_to_pith"]
    own = as_cells(cores["core_length_mm"] / rings).fillna((radius - distance) / rings)
    own = as_cells(cores["inner_ring_mm"]).fillna(own)
    width = distance / missed
    apart = (width > TIMES_AS_WIDE * own) | (width < own / TIMES_AS_WIDE)
    apart &= np.abs(distance / own - missed) > FEW_RINGS
    table = cores.assign(width=np.round(width, 2), own=np.round(own, 2))
    reporter(file, table, warnings)(
        apart & (own > 0),
        "rings_to_pith",
        "{rings_to_pith} rings to the pith over {pith_distance_mm} mm, {width} mm a ring, beside"
        " {own} mm in the core",
        "rings to the pith about as wide as those of the core",
        "Correct the one that is wrong: the rings are used, the distance is not.",
    )


def _heights_by_ten(file: str, cores: Rows, warnings: list) -> None:
    heights = np.asarray(cores["height_cm"])
    known = heights[heights > 0]
    if len(known) < FEWEST:
        return
    values, numbers = np.unique(known, return_counts=True)
    usual = values[numbers.argmax()]
    if numbers.max() < USUAL_SHARE * len(known):
        return
    slip = np.isclose(heights, 10 * usual) | np.isclose(heights, usual / 10)
    reporter(file, cores.assign(usual=np.full(len(heights), usual)), warnings)(
        slip,
        "height_cm",
        "{height_cm} cm above the ground, and {usual} of most",
        "the height of the core",
        "Correct it if a nought is missing or too many.",
    )


def _names(file: str, cores: Rows, trees: Rows, warnings: list) -> None:
    """Cores named after another tree than theirs, where nearly all are named after their own."""
    known = {_parts(tree) for tree in trees["tree"]}
    tags = {parts[-1:] for parts in known}
    named, other = [], []
    for core, tree in zip(cores["core"], cores["tree"], strict=True):
        own, ways = _parts(tree), {_parts(core), _parts(_LETTER.sub("", core))}
        elsewhere = own not in ways and bool(ways & known)
        after_own = own in ways or (not elsewhere and own[-1:] in {way[-1:] for way in ways})
        named.append(after_own)
        other.append(elsewhere or (not after_own and any(way[-1:] in tags for way in ways)))
    if sum(named) < NAMED_AFTER * len(named):
        return
    reporter(file, cores, warnings)(
        np.array(other, dtype=bool),
        "tree",
        "core '{core}' of tree '{tree}', named after another tree",
        "the tree that the core is named after",
        "Correct the tree, or the name of the core.",
    )


def _parts(name: str) -> tuple[str, ...]:
    """The letters and numbers of a name one by one: `GH3-07` and `GH-3-7` have the same."""
    return tuple(part.lstrip("0") for part in re.findall(r"\d+|[^\W\d_]+", alike(name)))


def _wide_stems(file: str, trees: Rows, warnings: list) -> None:
    dbh, species = np.asarray(trees["dbh_cm"]), np.asarray(trees["species"])
    slip = np.zeros(len(dbh), dtype=bool)
    next_widest = np.full(len(dbh), np.nan)
    for name in set(species):
        here = np.flatnonzero((species == name) & ~np.isnan(dbh))
        if len(here) <= FEWEST:
            continue
        widest = here[np.argmax(dbh[here])]
        others = dbh[here[here != widest]]
        next_widest[widest] = others.max()
        tenth = others.min() / 2 <= dbh[widest] / 10 <= others.max()
        slip[widest] = tenth and dbh[widest] > TEN_TIMES * others.max()
    reporter(file, trees.assign(next_widest=next_widest), warnings)(
        slip,
        "dbh_cm",
        "{dbh_cm} cm, and at most {next_widest} cm in all other {species}",
        "a diameter at breast height in cm",
        "Check it for a lost decimal mark or another unit; it is used as written.",
    )


def _wide_for_their_class(file: str, trees: Rows, warnings: list) -> None:
    """Stems of the lower crown classes far wider than the others of their class, and usual at a
    tenth.
    """
    dbh, species, crown = (np.asarray(trees[name]) for name in ("dbh_cm", "species", "crown_class"))
    slip = np.zeros(len(dbh), dtype=bool)
    next_widest = np.full(len(dbh), np.nan)
    for kind in set(zip(species, crown, strict=True)):
        here = np.flatnonzero((species == kind[0]) & (crown == kind[1]) & ~np.isnan(dbh))
        if kind[1] not in SMALL_CLASSES or len(here) <= FEWEST:
            continue
        usual = dbh[here] <= TEN_TIMES * np.median(dbh[here])
        others = dbh[here][usual]
        next_widest[here] = others.max()
        tenth = (dbh[here] / 10 >= others.min() / 2) & (dbh[here] / 10 <= others.max())
        slip[here] = tenth & (dbh[here] > TEN_TIMES * others.max())
    told = {each.row for each in warnings if (each.file, each.column) == (file, "dbh_cm")}
    slip &= ~np.isin(np.asarray(trees["row"]), list(told))
    reporter(file, trees.assign(next_widest=next_widest), warnings)(
        slip,
        "dbh_cm",
        "{dbh_cm} cm, {crown_class}, and at most {next_widest} cm in other {species} of that crown"
        " class",
        "a diameter like those of its crown class",
        "Check it for a lost decimal mark, or the crown class; it is used as written.",
    )
