"""What a result records of the run that made it, as far as it is read again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from os import PathLike
from pathlib import Path
from typing import Any

from standage.errors import StandageError
from standage.results.folder import read_provenance
from standage.results.records import PROVENANCE_FILE

SHOWN = (("accounted_for", dict), ("looks_wrong", list), ("sampler", str))


@dataclass(frozen=True)
class RunRecord:
    """The provenance of a survey's result, each part of the kind it should be.

    Attributes
    ----------
    version, libraries : of standage, and of what a result depends on by name.
    level : credible level of its intervals.
    inputs_sha256 : hashes of the survey's files, by name.
    profiles : hashes of the species profiles, by key.
    options, survey_path : how it was asked for; empty where no command made it.
    release_criterion : a name, or the numbers of a criterion of somebody's own.
    shown : what else the report shows of it.
    """

    version: str
    libraries: dict[str, str]
    level: float
    inputs_sha256: dict[str, str]
    profiles: dict[str, str]
    options: dict[str, Any]
    survey_path: str
    processor: str
    release_criterion: str | dict[str, Any]
    shown: dict[str, Any] = field(default_factory=dict)

    def number(self, option: str, usual: float) -> float:
        """A number that the run was asked with; the usual one where its record has none. Raises
        StandageError for what is none.
        """
        value = self.options.get(option, usual)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
            raise StandageError(
                f"{PROVENANCE_FILE}: the option {option} of the run is {value!r}; expected a"
                " number. Give the folder of another result, or run the survey again."
            )
        return float(value)


def read_run_record(folder: str | PathLike[str]) -> RunRecord:
    """The record of a result. Raises StandageError where the folder is no result of a survey, or
    somebody has changed what it says out of shape.
    """
    folder = Path(folder)
    record = read_provenance(folder)
    try:
        profiles = _part(record, "profiles", list)
        if not profiles:
            raise KeyError("profiles")
        _part(_part(record, "accounted_for", dict, {}), "in_words", list, [])
        return RunRecord(
            version=_part(record, "version", str),
            libraries=_texts(record, "libraries", {}),
            level=_level(record),
            inputs_sha256=_texts(record, "inputs_sha256"),
            profiles={
                _part(profile, "key", str): _part(profile, "sha256", str) for profile in profiles
            },
            options=_part(record, "options", dict, {}),
            survey_path=_part(record, "survey_path", str, ""),
            processor=_part(record, "processor", str, ""),
            release_criterion=_part(record, "release_criterion", (str, dict), "change_point"),
            shown={name: _part(record, name, kind) for name, kind in SHOWN if name in record},
        )
    except KeyError as lacking:
        raise StandageError.at(
            folder / PROVENANCE_FILE,
            f"no {lacking.args[0]} as a result of a survey has it",
            "what `standage run` wrote there",
            "Give the folder of another result, or run the survey again.",
        ) from None


def _part(record: Any, name: str, kind: Any, default: Any = None) -> Any:
    """A part of a record, of its kind. Raises KeyError with its name."""
    value = record.get(name, default) if isinstance(record, Mapping) else None
    if not isinstance(value, kind):
        raise KeyError(name)
    return value


def _texts(record: Any, name: str, default: Any = None) -> dict[str, str]:
    texts = _part(record, name, dict, default)
    if not all(isinstance(text, str) for text in texts.values()):
        raise KeyError(name)
    return dict(texts)


def _level(record: Any) -> float:
    level = _part(record, "level", float)
    if not 0 < level < 1:
        raise KeyError("level")
    return level
