"""Draws that outlive the process that made them: sampling is most of a run, and whatever goes wrong
afterwards must not cost it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from standage.compiled import sources_hash
from standage.profiles import Profile
from standage.stand.data import StandData
from standage.stand.draws import Draws
from standage.stand.whitening import Whitening

SAMPLED_WITH = ("standage", "numpy", "scipy", "numba", "nutpie")  # whose versions may move a draw
ARRAYS = ("values", "center", "rows", "ends")
NUMBERS = ("divergences", "steps_per_draw", "seconds", "made")


@dataclass(frozen=True)
class DrawsFile:
    """The file of draws of one run."""

    path: Path

    def read(self, key: str) -> Draws | None:
        """The draws, if they are there, whole and made under `key`."""
        try:
            # opened here, since what numpy opens it leaves open where it can't read it
            with self.path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
                about = json.loads(str(stored["about"]))
                values, center, rows, ends = (stored[name] for name in ARRAYS)
        except Exception:  # whatever is wrong with the file, there is nothing to be had from it
            return None
        if about.get("key") != key:
            return None
        return Draws(
            values,
            coordinates=Whitening(center, rows, ends),
            **{name: about[name] for name in NUMBERS},
        )

    def write(self, key: str, draws: Draws) -> None:
        """Write the draws, whole or not at all. A full disk is no reason to lose the run that made
        them: then nothing is written.
        """
        half = self.path.with_name(f"{self.path.name}.half")
        about = {"key": key} | {name: getattr(draws, name) for name in NUMBERS}
        coordinates = draws.coordinates
        try:
            with half.open("wb") as file:
                np.savez(
                    file,
                    about=json.dumps(about),
                    values=draws.values,
                    center=coordinates.center,
                    rows=coordinates.rows,
                    ends=coordinates.ends,
                )
                file.flush()
                os.fsync(file.fileno())
            half.replace(self.path)
        except OSError:
            with suppress(OSError):  # of a disk that is gone nothing can be removed
                half.unlink(missing_ok=True)


def draws_key(inputs: Mapping[str, str], data: StandData, settings: Mapping[str, int]) -> str:
    """SHA-256 of the JSON of all that decides the draws: the survey's files by name and SHA-256,
    what the model is given, seed and numbers, versions.
    """
    decided = {
        "inputs": dict(inputs),
        "settings": dict(settings),
        "versions": {name: version(name) for name in SAMPLED_WITH},
        "loops": sources_hash("standage.stand.fit"),
        "data": data,
    }
    text = json.dumps(decided, sort_keys=True, default=_as_json)
    return hashlib.sha256(text.encode()).hexdigest()


def _as_json(value: Any) -> object:
    """What JSON doesn't know, one level deep; arrays by their SHA-256."""
    if isinstance(value, np.ndarray):
        content = hashlib.sha256(np.ascontiguousarray(value).data).hexdigest()
        return [str(value.dtype), value.shape, content]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Profile):
        return value.sha256
    if is_dataclass(value):
        return {field.name: getattr(value, field.name) for field in fields(value)}
    raise TypeError(f"a {type(value).__name__} decides the draws, and has no place in their key")
