"""Lists, counts and capitals in English sentences."""

from __future__ import annotations

import re

# what is counted in whole numbers; other units have no plural to take away
COUNTED = r"(\s*(?:growing )?(?:stem|tree|core|plot|plant|ring|year|season|pulse|stand|draw))s\b"


def capital(words: str) -> str:
    """With a capital at its beginning, the rest as it is: names keep their own."""
    return f"{words[:1].upper()}{words[1:]}"


def uncapital(words: str) -> str:
    """With a small letter at its beginning, the rest as it is."""
    return f"{words[:1].lower()}{words[1:]}"


def listed(parts: list[str], joined_by: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`; nothing for nothing."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {joined_by} {parts[-1]}"


def after_number(number: str, unit: str) -> str:
    """A unit as it stands after a number: in the singular after 1.

    >>> after_number("1", "stems per hectare"), after_number("2", "rings"), after_number("1", "cm")
    ('stem per hectare', 'rings', 'cm')
    """
    return re.sub(f"^{COUNTED}", r"\1", unit) if number == "1" else unit


def counted(number: int, one: str, many: str | None = None) -> str:
    """`no core`, `1 core`, `7 cores`.

    >>> counted(1, "core"), counted(0, "tree"), counted(3, "community", "communities")
    ('1 core', 'no tree', '3 communities')
    """
    if number == 1:
        return f"1 {one}"
    return f"no {one}" if number == 0 else f"{number} {many or one + 's'}"
