"""What a posterior was made from, its survey and species profiles, as groups of arrays with names,
and read from them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, fields
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from standage.profiles import Profile, Sourced
from standage.stand.table_variables import table_of, table_variables
from standage.survey.readings import Reading
from standage.survey.schema import TABLES
from standage.survey.survey import Survey, empty_table

READING = tuple(field.name for field in fields(Reading))
PROFILE = ("key", "name", "species", "checked", "sha256")
NUMBER = ("key", *(field.name for field in fields(Sourced)))


def survey_groups(survey: Survey) -> dict[str, xr.Dataset]:
    """The survey as it was fitted: what it is, then a group a table that has rows."""
    about = xr.Dataset(
        {"notes": texts(survey.notes, "survey_note")},
        # whose computer it was read on is nobody's business
        attrs={
            "name": survey.name,
            "path": Path(survey.path).name,
            "main_species": survey.main_species,
        },
    )
    if survey.known_species is not None:
        about["known_species"] = texts(survey.known_species, "known")
    files = pd.DataFrame({"file": survey.hashes.keys(), "sha256": survey.hashes.values()})
    # a row that is none is 0, a column that is none is blank
    readings = pd.DataFrame(
        [
            asdict(one) | {"row": one.row or 0, "column": one.column or ""}
            for one in survey.readings
        ],
        columns=READING,
    ).astype({"row": "int64"})
    groups = {"": about, "files": table_variables(files)}
    if survey.readings:
        groups["readings"] = table_variables(readings)
    for each in TABLES:
        table = getattr(survey, each.name)
        if len(table):
            meanings = {column.name: (column.unit, column.meaning) for column in each.columns}
            groups[each.name] = table_variables(table, meanings)
    return groups


def survey_of(groups: Mapping[str, xr.Dataset]) -> Survey:
    """The survey in groups that `survey_groups` made."""
    about, files = groups[""], table_of(groups["files"])
    readings = table_of(groups["readings"]) if "readings" in groups else pd.DataFrame()
    tables = {
        each.name: table_of(groups[each.name]) if each.name in groups else empty_table(each)
        for each in TABLES
    }
    return Survey(
        **tables,
        **{name: about.attrs[name] for name in ("name", "path", "main_species")},
        notes=texts_of(about["notes"]),
        hashes=dict(zip(files["file"], files["sha256"], strict=True)),
        known_species=texts_of(about["known_species"]) if "known_species" in about else None,
        readings=tuple(
            Reading(**one | {"row": one["row"] or None, "column": one["column"] or None})
            for one in readings.to_dict("records")
        ),
    )


def profile_group(profile: Profile) -> xr.Dataset:
    """A profile: a record a number."""
    numbers = pd.DataFrame(
        [{"key": key} | asdict(number) for key, number in profile.numbers.items()], columns=NUMBER
    )
    about = {name: getattr(profile, name) for name in PROFILE} | {
        "shipped": int(profile.shipped),
        "path": Path(profile.path).name,
    }
    return table_variables(numbers).assign_attrs(about)


def profile_of(group: xr.Dataset) -> Profile:
    """The profile in a group that `profile_group` made."""
    numbers = table_of(group).to_dict("records")
    return Profile(
        **{name: group.attrs[name] for name in PROFILE},
        shipped=bool(group.attrs["shipped"]),
        path=group.attrs["path"],
        numbers={number.pop("key"): Sourced(**number) for number in numbers},
    )


def texts(lines: Iterable[str], what: str) -> xr.Variable:
    """Lines of text along a dimension of their own."""
    listed = list(lines)
    return xr.Variable((what,), np.array(listed, dtype=object if listed else str))


def texts_of(variable: xr.DataArray) -> tuple[str, ...]:
    """The lines that `texts` was given."""
    return tuple(variable.values.tolist())
