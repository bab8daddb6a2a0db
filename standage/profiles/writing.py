"""A profile as a file of one's own."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from standage.profiles.profile import Profile, Sourced
from standage.profiles.reading import HEADINGS, read_profile

FIRST_LINE = "# A species profile with delays measured here"


def write_profile(path: Path, profile: Profile, changed: Mapping[str, Sourced]) -> Profile:
    """Write a profile with some of its numbers changed, and read it back."""
    lines = [f"{FIRST_LINE}; the other numbers are those of {profile.key}.", ""]
    lines += [
        f"{heading} = {_text(str(getattr(profile, heading)) if heading != 'checked' else '')}"
        for heading in HEADINGS
    ]
    table = ""
    for key, number in profile.numbers.items():
        section, name = key.split(".")
        if section != table:
            lines += ["", f"[{section}]"]
            table = section
        lines.append(f"{name} = {_entry(changed.get(key, number))}")
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")
    return read_profile(path, shipped=False)


def _entry(number: Sourced) -> str:
    parts = [f"value = {number.value:.6g}"] + [
        f"{part} = {_text(getattr(number, part))}"
        for part in ("unit", "status", "source", "reason")
    ]
    return "{" + ", ".join(parts) + "}"


def _text(text: str) -> str:
    """As a TOML string; JSON escapes the same characters."""
    return json.dumps(text, ensure_ascii=False)
