"""The generated part of docs/profiles.md."""

from __future__ import annotations

from standage.profiles.card import used_keys
from standage.profiles.library import models_folder, profile_keys
from standage.profiles.profile import Profile
from standage.profiles.quantities import QUANTITIES, STATUS_MARKS
from standage.profiles.reading import read_profile


def profile_reference() -> str:
    """The reference part of docs/profiles.md in Markdown: the shipped profiles side by side, then
    the source of each number that has one.
    """
    profiles = [
        read_profile(models_folder() / f"{key}.toml", shipped=True) for key in profile_keys()
    ]
    marks = ", ".join(f"{mark} {status}" for status, mark in STATUS_MARKS.items())
    lines = ["## The shipped profiles side by side", ""]
    lines += [
        f"- `{profile.key}`, *{profile.species}*. {profile.standing()}" for profile in profiles
    ]
    lines += [
        "",
        f"Marks: {marks}. The reason of each number: `standage profiles KEY`.",
        "",
        "| key | meaning | unit | allowed | "
        + " | ".join(f"`{each.key}`" for each in profiles)
        + " |",
        "|---|---|---|---|" + "---|" * len(profiles),
    ]
    for key, quantity in QUANTITIES.items():
        cells = [_cell(profile, key) for profile in profiles]
        lines.append(
            f"| `{key}` | {quantity.meaning} | {quantity.unit} | {quantity.lowest:g} to"
            f" {quantity.highest:g} | {' | '.join(cells)} |"
        )
    sourced: dict[tuple[str, str], list[str]] = {}
    for profile in profiles:
        for key in used_keys(profile):
            number = profile.sourced(key)
            if number.source != "none":
                place = (number.source, f"`{key}`")
                sourced.setdefault(place, []).append(f"`{profile.key}`")
    lines += ["", "## Sources of published and derived numbers", ""]
    lines += ["| number | profiles | source |", "|---|---|---|"]
    lines += [
        f"| {key} | {', '.join(users)} | {source} |" for (source, key), users in sourced.items()
    ]
    return "\n".join(lines) + "\n"


def _cell(profile: Profile, key: str) -> str:
    """A number with the mark of its status; blank where the profile doesn't use it."""
    if key not in used_keys(profile):
        return ""
    number = profile.sourced(key)
    return f"{number.value:g} {STATUS_MARKS[number.status]}"
