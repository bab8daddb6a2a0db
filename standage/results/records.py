"""JSON records of a result, read with care: a stranger may have written them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from standage.survey.limits import TooLarge, content_of

PROVENANCE_FILE = "provenance.json"
"""The file that tells a result from any other folder; written last."""

SEAL = "record_sha256"
"""Of a record: the hash of all else in it, by which a later edit is seen."""


def sealed(record: Mapping[str, Any]) -> dict[str, Any]:
    """A record as JSON holds it, with its hash."""
    rest = json.loads(json.dumps({name: record[name] for name in record if name != SEAL}))
    text = json.dumps(rest, sort_keys=True)
    return rest | {SEAL: hashlib.sha256(text.encode()).hexdigest()}


def is_as_written(record: Mapping[str, Any]) -> bool:
    """Whether nothing in it was changed after it was sealed. One without a seal may be a draft's or
    have lost it: nothing else in it tells.
    """
    try:
        return SEAL in record and record[SEAL] == sealed(record)[SEAL]
    except (RecursionError, ValueError):
        return False


def read_record(path: Path) -> dict[str, Any] | None:
    """The object in a JSON file; None where there is no file, or none that can be read as one."""
    try:
        record = json.loads(content_of(path))
    except (OSError, ValueError, RecursionError, TooLarge):
        return None
    return record if isinstance(record, dict) else None


def listed_files(provenance: Path) -> set[str]:
    """The files that a result lists as its own, by path below its folder."""
    files = (read_record(provenance) or {}).get("files")
    return {name for name in files if isinstance(name, str)} if isinstance(files, list) else set()
