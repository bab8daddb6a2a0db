"""The generated part of docs/profiles.md."""

from __future__ import annotations

from standage.profiles.card import used_keys
from standage.profiles.library import models_folder, profile_keys
from standage.profiles.profile import Profile
from standage.profiles.quantities import QUANTITIES, STATUS_MARKS
from standage.profiles.reading import read_profile

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
    lines = ["## The shipped profiles side by side", ""]
    lines += [
        f"- `{profile.key}`, *{profile.species}*. {profile.standing()}" for profile in profiles
    ]
    lines += [
        "",
        f"Marks: {marks}; without one, {ASSUMED}. Reasons: `standage profiles KEY`.",
        "",
        "| key | meaning | unit | allowed | "
        + " | ".join(f"`{each.key}`" for each in profiles)
        + " |",
        "|---|---|---|---|" + "---|" * len(profiles),
    ]
    for key, quantity in QUANTITIES.items():
        cells = [_cell(profile, key) for profile in profiles]
        lines.append(
            f"| `{key}` | {quantity.meaning} | {quantity.unit} | {quantity.lowest:g}-"
            f"{quantity.highest:g} | {' | '.join(cells)} |"
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


def _cell(profile: Profile, key: str) -> str:
    """A number with the mark of its status; blank where the profile doesn't use it."""
    if key not in used_keys(profile):
        return ""
    number = profile.sourced(key)
    mark = "" if number.status == ASSUMED else f" {STATUS_MARKS[number.status]}"
    return f"{number.value:g}{mark}"


def _users(users: list[str], profiles: int) -> str:
    return "all" if len(users) == profiles else ", ".join(users)
