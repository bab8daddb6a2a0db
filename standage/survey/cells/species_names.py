"""Names of species as crews write them, to the keys of their profiles."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Mapping

import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.grammar import counted, listed
from standage.survey.readings import Reading
from standage.survey.schema import TABLES
from standage.survey.synonyms import plain, species_meaning, words_of_species

MISSPELT_SPECIES = 0.9
"""Similarity (difflib) from which a species without a profile is taken for a misspelt one with a
profile.
"""
LONGEST_CODE, RARE, FREQUENT = 6, 0.05, 10
"""Letters of a code, the share of rows up to which it is rare, and how many times more often one
is written of which it may be a slip (assumption)."""
_NO_NAME = re.compile(r"(?!\d{3}$)[\d.,/ %-]+|\d+ \w.*|[^\W\d_]|[^\w?]+")
"""A number but one of three figures, as inventories have for species, a number of things, a letter
or a mark: none is the name of a species (common practice, no source)."""
SPECIES_NAMED = 10
"""Without a profile, in the note about them."""
SPECIES_COMPARED = 500
"""Species without a profile that are compared with those that have one (assumption: more than any
flora of pines).
"""
HOLDING = {"trees": "stem", "counts": "row of counts", "known_age_stems": "stem of known age"}
"""Tables with species, and what one of their rows is."""


def read_species(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    keys: tuple[str, ...],
    problems: list[Problem],
    readings: list[Reading],
    warnings: list[Problem],
) -> None:
    """Put the key of its profile in place of every other name of a species, in all tables. A name
    in use for several species is a problem; one of no profile stays, in its commonest spelling.
    """
    spelt = _spellings(frames, keys)
    for table in TABLES:
        if not any(column.name == "species" for column in table.columns):
            continue
        frame = frames[table.name]
        meanings = {
            word: species_meaning(word, keys)
            for word in dict.fromkeys(frame["species"].tolist())
            if word and word not in keys
        }
        for word, meaning in meanings.items():
            if meaning is None and word in spelt:
                readings += [
                    Reading(
                        files[table.name], int(row), "species", word, spelt[word], "one spelling"
                    )
                    for row in frame.loc[frame["species"] == word, "row"]
                ]
                continue
            if meaning is None:
                _near_a_code(files[table.name], frame, word, meanings, warnings)
                continue
            rows = frame.loc[frame["species"] == word, "row"]
            if isinstance(meaning, str):
                readings += [
                    Reading(
                        files[table.name], int(row), "species", word, meaning, "name of a species"
                    )
                    for row in rows
                ]
                continue
            problems += [
                Problem(
                    files[table.name],
                    int(row),
                    "species",
                    f"'{word}'",
                    " or ".join(meaning),
                    "The name may mean either: write the species that is meant.",
                )
                for row in rows[:TOLD_OF_A_COLUMN]
            ]
        named = spelt | {word: key for word, key in meanings.items() if isinstance(key, str)}
        if not named.keys().isdisjoint(frame["species"].tolist()):
            frame["species"] = frame["species"].replace(named).astype(object)


def _spellings(frames: Mapping[str, pd.DataFrame], keys: tuple[str, ...]) -> dict[str, str]:
    """Names of species without a profile that differ from a commoner one of the survey by capitals,
    blanks or marks alone, and that one.
    """
    numbers = Counter(word for name in HOLDING for word in frames[name]["species"].tolist() if word)
    common: dict[str, str] = {}
    for word in sorted(numbers, key=lambda word: (-numbers[word], word)):
        if species_meaning(word, keys) is None:
            common.setdefault(plain(word).replace(" ", ""), word)
    return {
        word: common[folded]
        for word in numbers
        if (folded := plain(word).replace(" ", "")) in common and common[folded] != word
    }


def _near_a_code(
    file: str, frame: pd.DataFrame, word: str, meanings: Mapping, warnings: list[Problem]
) -> None:
    """A rare code without a profile, one letter from a code of the same column that is frequent and
    has one: it may be another species, or a slip.
    """
    rows = frame.loc[frame["species"] == word, "row"]
    if len(word) > LONGEST_CODE or len(rows) > RARE * len(frame):
        return
    for other, meaning in meanings.items():
        if not isinstance(meaning, str) or not _one_letter_apart(word.upper(), other.upper()):
            continue
        if (frame["species"] == other).sum() < FREQUENT * len(rows):
            continue
        warnings += [
            Problem(
                file,
                int(row),
                "species",
                f"'{word}', a letter from '{other}'",
                "a code that can't be taken for a slip",
                f"Write '{other}' if it is a slip; another species is tallied only.",
            )
            for row in rows
        ]
        return


def _one_letter_apart(one: str, other: str) -> bool:
    """Whether a letter more, less, or another makes one code of the other.

    >>> _one_letter_apart("PIPL", "PIPA"), _one_letter_apart("PIEL2", "PIEL")
    (True, True)
    """
    short, long = sorted((one, other), key=len)
    if len(short) < 3 or len(long) - len(short) > 1:
        return False
    if len(short) == len(long):
        return sum(a != b for a, b in zip(short, long, strict=True)) == 1
    return any(long[:at] + long[at + 1 :] == short for at in range(len(long)))


def check_species(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    keys: tuple[str, ...],
    problems: list[Problem],
) -> list[str]:
    """Notes on the species without a profile, which are tallied, of all tables together; a misspelt
    key, or a survey without any key, is a problem.
    """
    plainly = words_of_species(keys) | {key.casefold().replace("-", ""): key for key in keys}
    unsure = set(_unsure(frames, files, keys, problems))
    misspelt = set(unsure)
    none_known = False
    for name in HOLDING:
        frame = frames[name]
        # thousands of species are a column of something else
        for species in sorted(set(frame["species"].tolist()) - set(keys) - {""})[:SPECIES_COMPARED]:
            if species in unsure:
                continue  # asked about already
            folded = "".join(letter for letter in species.casefold() if letter.isalnum())
            near = difflib.get_close_matches(folded, list(plainly), 1, MISSPELT_SPECIES)
            if not near:
                continue
            misspelt.add(species)
            for row in frame.loc[frame["species"] == species, "row"].head(TOLD_OF_A_COLUMN):
                problems.append(
                    Problem(
                        files[name],
                        int(row),
                        "species",
                        f"'{species}'",
                        f"'{plainly[near[0]]}'",
                        f"Write '{plainly[near[0]]}', or a name unlike it if another species is"
                        " meant.",
                    )
                )
    numbers: dict[str, pd.Series] = {}
    for name in HOLDING:
        frame = frames[name]
        refused = [
            each.row for each in problems if each.column == "species" and each.file == files[name]
        ]
        words = frame["species"].tolist()
        if not {*keys, "", *misspelt}.issuperset(words):
            unknown = ~frame["species"].isin([*keys, "", *misspelt]) & ~frame["row"].isin(refused)
            if unknown.any():
                numbers[name] = frame.loc[unknown, "species"].value_counts()
        if name == "trees" and not refused and set(keys).isdisjoint(words):
            none_known = any(words)
    if not none_known:
        return [_without_profile(numbers)] if numbers else []
    found = list(dict.fromkeys(name for each in numbers.values() for name in sorted(each.index)))
    more = len(found) - SPECIES_NAMED
    named = ", ".join(f"'{species}'" for species in found[:SPECIES_NAMED])
    problems.append(
        Problem(
            files["trees"],
            None,
            "species",
            named + (f" and {more} more" if more > 0 else ""),
            f"a species with a profile: {', '.join(keys) or 'there is none'}",
            "Write the key of a profile (`standage profiles` lists them), or copy one and edit"
            " it for the species.",
        )
    )
    return []


def _unsure(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    keys: tuple[str, ...],
    problems: list[Problem],
) -> list[str]:
    """Names of species with a question mark that may be of one with a profile, and a question mark
    alone, a problem each.
    """
    unsure = []
    for name in HOLDING:
        words = frames[name]["species"]
        different = list(dict.fromkeys(words.tolist()))
        for word in [each for each in different if _NO_NAME.fullmatch(each)]:
            unsure.append(word)
            problems += [
                Problem(
                    files[name],
                    int(row),
                    "species",
                    f"'{word}'",
                    "the name of a species, or a code of two letters or more",
                    "Write the species; or delete the row if it is no stem of the list.",
                )
                for row in frames[name].loc[words == word, "row"].head(TOLD_OF_A_COLUMN)
            ]
        for word in [each for each in different if "?" in each][:SPECIES_COMPARED]:
            key = species_meaning(word.replace("?", "").strip(" ()"), keys)
            if key is None and word.strip("? ()"):
                continue
            unsure.append(word)
            for row in frames[name].loc[words == word, "row"].head(TOLD_OF_A_COLUMN):
                advice = f"Write '{key}' if it is taken for that, or another name, as 'not known'."
                if not isinstance(key, str):
                    advice = (
                        "Write the species it is taken for; or 'not known', if nobody can say: it"
                        " is then tallied only."
                    )
                problems.append(
                    Problem(files[name], int(row), "species", f"'{word}'", "a species", advice)
                )
    return unsure


def _without_profile(numbers: Mapping[str, pd.Series]) -> str:
    """`3 stems and 2 rows of counts of species without a profile, tallied only: 2 oak, 3 fir`."""
    all_of = pd.concat(list(numbers.values())).groupby(level=0, sort=False).sum()
    all_of = all_of.sort_values(ascending=False, kind="stable")
    named = ", ".join(f"{count} {species}" for species, count in all_of.head(SPECIES_NAMED).items())
    more = len(all_of) - SPECIES_NAMED
    named += f" and {more} more species" if more > 0 else ""
    things = []
    for name, of in numbers.items():
        one = HOLDING[name]
        many = one.replace("row", "rows") if name == "counts" else one.replace("stem", "stems")
        things.append(counted(int(of.sum()), one, many))
    return f"{listed(things)} of species without a profile, tallied only: {named}"
