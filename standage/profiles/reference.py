"""The generated part of docs/profiles.md."""

from __future__ import annotations

from standage.profiles.card import used_keys
from standage.profiles.library import models_folder, profile_keys
from standage.profiles.profile import Profile
from standage.profiles.quantities import QUANTITIES, STATUS_MARKS, Quantity
from standage.profiles.reading import read_profile

LOG_UNITS = "log units"
NOT_HELD = "nothing, so treat its numbers as a start"
ASSUMED = "assumed"  # the commonest status, shown without a mark


def profile_reference() -> str:
    """The reference part of docs/profiles.md in Markdown: the shipped profiles side by side, then
    the source of each number that has one.
    """
    profiles = [
        read_profile(models_folder() / f"{key}.toml", shipped=True) for key in profile_keys()
    ]
    marks = ", ".join(
        f"{mark} {status}" for status, mark in STATUS_MARKS.items() if status != ASSUMED
    )
    lines = ["## The shipped profiles side by side", "", "What is held to outside sources:", ""]
    lines += [
        f"- `{profile.key}`, *{profile.species}*: {profile.checked or NOT_HELD}"
        for profile in profiles
    ]
    lines += [
        "",
        f"Numbers in this order; without a unit, in {LOG_UNITS}. Marks: {marks};"
        f" without one, {ASSUMED}. Reasons: `standage profiles KEY`.",
        "",
    ]
    for key, quantity in QUANTITIES.items():
        lines.append(
            f"- `{key}`: {quantity.meaning}{_unit(key, quantity)}: {_numbers(profiles, key)}"
        )
    sourced: dict[str, dict[str, list[str]]] = {}
    for profile in profiles:
        for key in used_keys(profile):
            number = profile.sourced(key)
            if number.source != "none":
                users = sourced.setdefault(number.source, {}).setdefault(f"`{key}`", [])
                users.append(f"`{profile.key}`")
    lines += ["", "## Sources of published and derived numbers", ""]
    for source, numbers in sourced.items():
        parts = [f"{key} ({_users(users, len(profiles))})" for key, users in numbers.items()]
        lines.append(f"- {source}: {', '.join(parts)}")
    return "\n".join(lines) + "\n"


def _unit(key: str, quantity: Quantity) -> str:
    """The unit, unless the key has it."""
    said = set(quantity.unit.split()) <= set(key.replace(".", "_").split("_"))
    return "" if said or quantity.unit == LOG_UNITS else f" [{quantity.unit}]"


def _numbers(profiles: list[Profile], key: str) -> str:
    """The numbers of the profiles that use the key, with their names where some don't."""
    shown = {each.key: _number(each, key) for each in profiles if key in used_keys(each)}
    if len(shown) < len(profiles):
        return ", ".join(f"`{name}` {number}" for name, number in shown.items())
    alike = len(set(shown.values())) == 1
    return f"all {shown[profiles[0].key]}" if alike else ", ".join(shown.values())


def _number(profile: Profile, key: str) -> str:
    """A number with the mark of its status."""
    number = profile.sourced(key)
    mark = "" if number.status == ASSUMED else f" {STATUS_MARKS[number.status]}"
    return f"{number.value:g}{mark}"


def _users(users: list[str], profiles: int) -> str:
    return "all" if len(users) == profiles else ", ".join(users)
