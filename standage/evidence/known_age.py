"""Stems of known age, and small stems cut and read, as numbers about the delays."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standage.errors import StandageError
from standage.evidence.delays import HEIGHT_CLASS_CM
from standage.evidence.tree_ages import last_completed_season
from standage.profiles import Profile

if TYPE_CHECKING:
    from standage.survey.survey import Survey

# kinds of evidence: what is known of the grass stage G, or of the delay B to a height; the last two
# are a class of height, so many seasons after the first one, or after the start of the stem
EXACTLY, LONGER, AT_MOST, RING_DIFFERENCE, HEIGHT_OF_AGE, HEIGHT_OF_STEM = range(6)
HEIGHT_STEP_CM = 5.0  # to which heights of cut stems are rounded, so that few are worked out
MARK = "stems"  # word before the mark, in the sources of a profile made from them
_READ = [
    "stand",
    "species",
    "known_from",
    "still_in_grass",
    "age_years",
    "grass_years",
    "height_cm",
    "rings_at_ground",
    "rings_at_height",
]


@dataclass(frozen=True)
class KnownAge:
    """What the stems of known age of a species in a stand show, a row each.

    kind : `EXACTLY` so many seasons of grass stage, `LONGER`, `AT_MOST`, `RING_DIFFERENCE` between
        the ground and a height, `HEIGHT_OF_AGE` or `HEIGHT_OF_STEM`. (row,)
    seasons : of it, whole. (row,)
    height_cm : of the upper rings, or the lower end of the class; 0 for rows about the grass stage.
        (row,) [cm]
    """

    kind: NDArray[np.int64]
    seasons: NDArray[np.int64]
    height_cm: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.kind)

    @property
    def about_grass(self) -> int:
        """Rows about the grass stage alone."""
        return int(np.isin(self.kind, (EXACTLY, LONGER, AT_MOST, HEIGHT_OF_AGE)).sum())

    @property
    def about_growth(self) -> int:
        """Rows about the growth to a height."""
        return int(np.isin(self.kind, (RING_DIFFERENCE, HEIGHT_OF_AGE, HEIGHT_OF_STEM)).sum())


def age_to_seasons(survey: Survey, stand: str) -> int:
    """What is added to an age in completed seasons to get seasons begun after the first one."""
    date = survey.stands.set_index("stand").loc[stand, "survey_date"]
    return survey.survey_season(stand) - last_completed_season(date) - 1


def germinated_after_the_season(survey: Survey, profile: Profile) -> pd.Series:
    """Which rows of counts are of seedlings that came up after the last growing season and begin
    their first one after the survey, as longleaf pine does from November on: germinants of age 0
    counted from October to February, of a species whose seed sprouts in the autumn it falls.
    """
    counts = survey.counts
    found = (
        (counts["stage"] == "germinant")
        & (counts["age_high_years"] == 0)
        & (counts["species"] == profile.key)
        & (profile["germination.autumn"] == 1)
    )
    # a look at the seasons of all stands, for each of them, takes long where stands are many
    stand = survey.stands_of_counts()[found].dropna()
    over = {name: age_to_seasons(survey, name) < 0 for name in stand.unique()}
    return found & found.index.isin(stand.index[stand.map(over).astype(bool)])


def known_age_of(survey: Survey, stand: str, species: str, profile: Profile) -> KnownAge:
    """What the stems of known age of a species in a stand show: docs/the-model.md, section 6."""
    known = survey.known_age_stems
    own = (known["stand"] == stand) & (known["species"].replace("", survey.main_species) == species)
    begun = age_to_seasons(survey, stand)
    rows: list[tuple[int, float, float]] = []
    start = profile["grass_stage.emergence_height_cm"] if profile.has_grass_stage else 0.0
    for row in known[own].itertuples():
        age = max(0.0, row.age_years + begun)
        if row.known_from in ("records", "tagged"):
            tall = (
                np.isfinite(age)
                and row.height_cm >= start
                and np.isnan(row.rings_at_height)
                and row.still_in_grass != "yes"
            )
            height_class = HEIGHT_CLASS_CM * (row.height_cm // HEIGHT_CLASS_CM)
            grass = row.grass_years if profile.has_grass_stage else np.nan
            if np.isfinite(grass):
                rows.append((EXACTLY, grass, 0.0))
                if tall:
                    rows.append((HEIGHT_OF_STEM, max(0.0, age - grass), height_class))
            elif tall:
                rows.append((HEIGHT_OF_AGE, age, height_class))
            elif profile.has_grass_stage and np.isfinite(age) and row.still_in_grass:
                rows.append((LONGER if row.still_in_grass == "yes" else AT_MOST, age, 0.0))
        if (
            np.isfinite(row.height_cm)
            and np.isfinite(row.rings_at_ground)
            and np.isfinite(row.rings_at_height)
        ):
            seasons = max(0.0, row.rings_at_ground - row.rings_at_height)
            height = HEIGHT_STEP_CM * round(row.height_cm / HEIGHT_STEP_CM)
            rows.append((RING_DIFFERENCE, seasons, height))
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return KnownAge(table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2])


def mark_of(survey: Survey) -> str:
    """Of what the stems of known age of a survey say, by which a profile made from them is known
    when it meets them again; "" without any.
    """
    known = survey.known_age_stems
    if known.empty:
        return ""
    lines = sorted(map(repr, known[_READ].itertuples(index=False, name=None)))
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]


def refuse_own_stems(survey: Survey, profiles: Mapping[str, Profile]) -> None:
    """Raises StandageError where a profile was made from the very stems of known age that the
    survey would give the model once more.
    """
    mark = mark_of(survey)
    for profile in profiles.values():
        if mark and any(mark in source for source in profile.sources):
            raise StandageError.at(
                profile.path,
                f"delays measured on the stems of known age of this survey ({MARK} {mark})",
                "each measurement used once",
                "Run this survey without --profiles: its stems of known age are in the model"
                " already. The profile is for surveys that don't hold them.",
            )
