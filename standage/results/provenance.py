"""What a result records of how it was made: enough to make it again."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from llvmlite.binding import get_host_cpu_name

from standage.profiles import Profile
from standage.results.table_files import plain_values
from standage.stand.posterior import Posterior

LIBRARIES = ("numpy", "pandas", "scipy", "numba", "nutpie", "pymc", "arviz", "matplotlib")


def provenance(
    posterior: Posterior,
    *,
    level: float,
    profiles: Iterable[Profile],
    settings: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """What is needed to make the result again: version, seed, inputs with their hashes, profiles
    with their sources, libraries.
    """
    survey = posterior.survey
    return {
        "version": _version("standage"),
        "written": datetime.now(UTC).isoformat(timespec="seconds"),
        "survey": survey.name,
        "inputs_sha256": dict(survey.hashes),
        "seed": posterior.seed,
        "level": level,
        **plain_values(settings or {}),
        "profiles": [_recorded(profile) for profile in profiles],
        "libraries": library_versions(),
        "processor": get_host_cpu_name(),
    }


def library_versions() -> dict[str, str]:
    """Python and the libraries whose versions a result records."""
    return {"python": platform.python_version()} | {name: _version(name) for name in LIBRARIES}


def _recorded(profile: Profile) -> dict[str, Any]:
    return {
        "key": profile.key,
        "name": profile.name,
        "species": profile.species,
        "sha256": profile.sha256,
        "standing": profile.standing(),
        "sources": list(profile.sources),
    }


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
