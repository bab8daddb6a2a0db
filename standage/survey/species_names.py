"""Names of species as crews write them, to the keys of their profiles."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from standage.errors import TOLD_OF_A_COLUMN, Problem
from standage.survey.readings import Reading
from standage.survey.schema import TABLES
from standage.survey.synonyms import species_meaning


def read_species(
    frames: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    keys: tuple[str, ...],
    problems: list[Problem],
    readings: list[Reading],
) -> None:
    """Put the key of its profile in place of every other name of a species, in all tables. A name
    in use for several species is a problem; one of no profile stays.
    """
    for table in TABLES:
        if not any(column.name == "species" for column in table.columns):
            continue
        frame = frames[table.name]
        meanings = {
            word: species_meaning(word, keys)
            for word in frame["species"].unique()
            if word and word not in keys
        }
        for word, meaning in meanings.items():
            if meaning is None:
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
        plain = {word: key for word, key in meanings.items() if isinstance(key, str)}
        if plain:
            frame["species"] = frame["species"].replace(plain).astype(object)
