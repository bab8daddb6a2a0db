"""Which profiles there are, and one of them."""

from __future__ import annotations

import os
import warnings
from pathlib import Path

from standage.errors import Problem, SurveyError
from standage.notices import Notice
from standage.profiles.profile import Profile
from standage.profiles.reading import read_profile
from standage.replaced_file import EARLIER, PASSING


class UncheckedProfile(Notice):
    """Warned when a profile is loaded that no test of this package holds to outside sources.

    >>> import warnings
    >>> with warnings.catch_warnings(record=True) as caught:
    ...     warnings.simplefilter("always")
    ...     profile = load_profile("slash-pine")
    >>> [warning.category.__name__ for warning in caught]
    ['UncheckedProfile']
    """


def models_folder() -> Path:
    """The folder of shipped profiles: inside the package when installed, beside it in a source tree
    or an editable install.
    """
    package = Path(__file__).resolve().parents[1]
    inside = package / "models"
    return inside if inside.is_dir() else package.parent / "models"


def profile_keys(folder: str | Path | None = None) -> list[str]:
    """Keys of the shipped profiles, and of those in `folder` if one is given, in alphabetical
    order.

    >>> "longleaf-pine" in profile_keys()
    True
    """
    places = [models_folder()] if folder is None else [models_folder(), Path(folder)]
    return sorted({file.stem for place in places for file in place.glob("*.toml")})


def load_profile(key: str, folder: str | Path | None = None) -> Profile:
    """Load the profile `key`, from `folder` if it holds `key`.toml, else the shipped one.

    Raises SurveyError listing every problem of the file, or naming the profiles there are. Warns
    `UncheckedProfile` for a shipped profile that no test holds to outside sources, and for an own
    one, with the numbers in which it differs from the shipped one of the same key.

    >>> load_profile("longleaf-pine")["grass_stage.emergence_height_cm"]
    12.0
    """
    if folder is not None and not Path(folder).is_dir():
        expected, advice = "a folder with profiles", "Give the folder that holds the .toml files."
        raise SurveyError((Problem(str(folder), None, None, "no such folder", expected, advice),))
    profile = _locate(key, folder)
    if not profile.shipped or not profile.checked:
        changes = (
            profile.differences(_locate(key, None))
            if not profile.shipped and key in profile_keys()
            else {}
        )
        changed = "; ".join(
            f"{name} {own:g} (shipped: {shipped:g})" for name, (own, shipped) in changes.items()
        )
        warnings.warn(
            f"{key}: {profile.standing()}" + (f" Changed: {changed}." if changed else ""),
            UncheckedProfile,
            stacklevel=2,
        )
    return profile


def _locate(key: str, folder: str | Path | None) -> Profile:
    if folder is not None and os.path.lexists(own := Path(folder) / f"{key}.toml"):
        return read_profile(own, shipped=False)
    if folder is not None and (aside := [*Path(folder).glob(f"{PASSING}*/{EARLIER}/{key}.toml")]):
        found = f"none, but {aside[0]}, where a command that was stopped left it"
        expected, advice = "the profile in its place", "Move it back."
        raise SurveyError((Problem(str(own), None, None, found, expected, advice),))
    if key not in profile_keys():
        there_are = ", ".join(profile_keys(folder))
        advice = (
            "Use one of these keys, or copy the nearest profile into a folder of your own and edit"
            " it (docs/profiles.md)."
        )
        raise SurveyError(
            (Problem(f"{key}.toml", None, "species", key, f"one of: {there_are}", advice),)
        )
    return read_profile(models_folder() / f"{key}.toml", shipped=True)
