"""JSON records of a result, read with care: a stranger may have written them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from standage.survey.limits import TooLarge, content_of

PROVENANCE_FILE = "provenance.json"
"""The file that tells a result from any other folder; written last."""


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
