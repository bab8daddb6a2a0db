"""Species in the headings of counts, `LLP grass | SP sapling`, and stages of species that have no
such stage, or no profile.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache

from standage.errors import Problem, StandageError
from standage.profiles import load_profile, profile_keys
from standage.survey.cells.headings import without_unit
from standage.survey.readings import Reading
from standage.survey.schema import COUNTS
from standage.survey.synonyms import Meaning, code_meaning, is_no_pine, species_meaning
from standage.survey.written import WrittenSurvey

STAGE = COUNTS.column("stage")
GRASS = "grass"
NOT_OF = {"in", "under", "near", "below", "beside", "no", "not", "excl", "without"}
"""Words before a species that isn't the one that was counted (common practice, no source)."""
OTHERS_TOO = NOT_OF | {"and", "or", "pine", "pines", "excl.", "excluding"}
"""Words by which a heading with a hardwood may be of pines (common practice, no source)."""


def species_in(heading: str, legends: Mapping[str, str]) -> tuple[str, str]:
    """The species that a heading begins or ends with, and the rest of it; "" and the heading where
    it names none. legends: what those of the survey say of each code.
    """
    words = heading.replace("_", " ").split()
    keys = profile_keys()
    for length in range(len(words) - 1, 0, -1):
        start, ending = words[:length], words[-length:]
        for own, rest in ((start, words[length:]), (ending, words[:-length])):
            if own is ending and rest[-1].lower() in NOT_OF:
                continue  # `Saplings in slash`
            named = " ".join(own).strip(" ,:;()-")
            named = legends.get(named.casefold(), named)
            if species_meaning(named, keys) is not None or is_no_pine(named):
                return named, " ".join(rest).strip(" ,:;-")
    return "", heading


def two_species(named: str) -> str:
    """The species that a name may mean, in words, where they are several; "" otherwise."""
    meaning = species_meaning(named, profile_keys())
    return " or ".join(meaning) if isinstance(meaning, tuple) else ""


def without_a_pine(heading: str) -> bool:
    """Whether a heading is of counts of a species that has no profile, whatever their stage.

    >>> without_a_pine("Turkey oak sprouts"), without_a_pine("LLP saplings")
    (True, False)
    """
    words = without_unit(heading)[0].replace("&", " and ").split()
    return is_no_pine(" ".join(words)) and not {word.lower() for word in words} & OTHERS_TOO


def stages_of(species: str, meaning: Meaning) -> Meaning:
    """The stage, or the stages, that a word may mean of a species: one without a grass stage has
    none.

    >>> stages_of("slash-pine", ("germinant", "grass", "emerging"))
    ('germinant', 'emerging')
    """
    if isinstance(meaning, str) or meaning is None or has_grass_stage(species):
        return meaning
    left = tuple(each for each in meaning if each != GRASS)
    return left if len(left) > 1 else left[0]


@cache
def has_grass_stage(species: str) -> bool:
    """Whether a species may have a grass stage; of one without a profile nobody knows."""
    key = species_meaning(species, profile_keys())
    if not isinstance(key, str):
        return True
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # said where the profile is used
            return load_profile(key).has_grass_stage
    except StandageError:
        return True


def ask_of_headings_without(
    survey: WrittenSurvey, file: str, row: int, headings: Iterable[str], named: Mapping[str, str]
) -> None:
    """A question on each heading of a stage that names no species beside others that do. named:
    species by heading.
    """
    heading, species = next(iter(named.items()))
    for each in headings:
        found = f"the heading '{each}', which names no species beside '{heading}'"
        advice = f"Write the species into it, as '{species} {each}'."
        expected = "a species in every heading of counts, or in none"
        survey.problems.append(Problem(file, row, each, found, expected, advice))


def settle_stages_by_species(survey: WrittenSurvey) -> None:
    """Take out rows of counts of species without a profile that name no stage of pines, in place;
    ask which stage is meant of species without a grass stage.
    """
    written = survey.tables.get(COUNTS.name)
    if written is None or not {"stage", "species"} <= set(written.header):
        return
    at, of = (written.header.index(name) for name in ("stage", "species"))
    count = written.header.index("count") if "count" in written.header else of
    cells, rows = [], []
    for row, line in zip(written.cells, written.rows, strict=True):
        meaning = code_meaning(COUNTS.name, STAGE, row[at])
        own = stages_of(row[of], meaning) if isinstance(meaning, tuple) else meaning
        if not isinstance(meaning, str) and is_no_pine(row[of]):
            said = ", ".join(filter(None, (row[of], row[at], row[count])))
            why = "counts of a species without a profile, and no stage of pines"
            survey.readings.append(Reading(written.file, line, "stage", said, "no row", why))
            continue
        if own != meaning and own is not None:
            may_be = own if isinstance(own, str) else " or ".join(own)
            found = f"'{row[at]}' of {row[of]}, which has no grass stage"
            advice = "Write the one that is meant."
            problem = Problem(written.file, line, "stage", found, may_be, advice)
            survey.problems.append(problem)
            # one of them, so that no more is asked of the cell
            row = [*row[:at], own if isinstance(own, str) else own[0], *row[at + 1 :]]
        cells.append(row)
        rows.append(line)
    survey.tables[COUNTS.name] = replace(written, cells=cells, rows=rows)
