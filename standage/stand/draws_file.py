"""Draws that outlive the process that made them: sampling is most of a run, and whatever goes wrong
afterwards must not cost it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from standage.compiled import sources_hash
from standage.profiles import Profile
from standage.stand.data import StandData
from standage.stand.sampler import Draws
from standage.stand.whitening import Whitening

SAMPLED_WITH = ("standage", "numpy", "scipy", "numba", "nutpie")  # whose versions may move a draw
ARRAYS = ("values", "center", "rows", "ends")
NUMBERS = ("divergences", "steps_per_draw", "seconds", "made")


@dataclass(frozen=True)
class KeptDraws:
    """The file of draws of one run. Only draws of the very same inputs, settings and versions are
    taken up.
    """

    path: Path

    def take_up(self, key: str) -> Draws | None:
        """The draws, if they are there, whole and made under `key`."""
        try:
            # opened here, since what numpy opens it leaves open where it can't read it
            with self.path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
                about = json.loads(str(kept["about"]))
                values, center, rows, ends = (kept[name] for name in ARRAYS)
        except Exception:  # whatever is wrong with the file, there is nothing to take up
            return None
        if about.get("key") != key:
            return None
        return Draws(
            values,
            coordinates=Whitening(center, rows, ends),
            **{name: about[name] for name in NUMBERS},
        )

    def keep(self, key: str, draws: Draws) -> None:
        """Write the draws, whole or not at all. A full disk is no reason to lose the run that made
        them: then nothing is kept.
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
            half.unlink(missing_ok=True)


def draws_key(inputs: Mapping[str, str], data: StandData, settings: Mapping[str, int]) -> str:
    """Hash of all that decides the draws: the survey's files by name and SHA-256, what the model is
    given, seed and numbers, versions.
    """
    versions = {name: version(name) for name in SAMPLED_WITH}
    decided = {
        "inputs": dict(inputs),
        "settings": dict(settings),
        "versions": versions,
        "loops": sources_hash("standage.stand.sampler"),
    }
    digest = hashlib.sha256(json.dumps(decided, sort_keys=True).encode())
    for part in _parts(data):
        digest.update(part)
    return digest.hexdigest()


def _parts(value: Any) -> Iterator[bytes]:
    """Everything that a value is made of, in one order."""
    if isinstance(value, np.ndarray):
        yield f"{value.dtype} {value.shape}".encode() + np.ascontiguousarray(value).tobytes()
    elif isinstance(value, Profile):
        yield value.sha256.encode()
    elif is_dataclass(value):
        for field in fields(value):
            yield field.name.encode()
            yield from _parts(getattr(value, field.name))
    elif isinstance(value, Mapping):
        for key in value:
            yield repr(key).encode()
            yield from _parts(value[key])
    elif isinstance(value, tuple | list):
        yield f"{len(value)} in a row".encode()
        for one in value:
            yield from _parts(one)
    else:
        yield repr(value).encode() + b";"
