"""The life history of a species as numbers, each with unit, source, reason and status."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from standage.profiles.card import object_card, text_card
from standage.profiles.quantities import QUANTITIES, nearest


@dataclass(frozen=True)
class Sourced:
    """A number with its unit, source, reason and status (one of `STATUSES`)."""

    value: float
    unit: str
    source: str
    reason: str
    status: str


@dataclass(frozen=True, repr=False)
class Profile:
    """The life history of one species.

    `profile["grass_stage.median_years"]` is the number; `profile.sourced(...)` the number with
    unit, source, reason and status. Keys and units are those of `QUANTITIES`. Printing a profile
    gives its card. `shipped` is False for a user's own file, `checked` says where the shipped file
    is held to outside sources ("" = nowhere), `sha256` is that of the file.

    >>> profile = standage.load_profile("longleaf-pine")
    >>> profile.has_grass_stage, profile["grass_stage.median_years"] > 1
    (True, True)
    """

    key: str
    name: str
    species: str
    checked: str
    shipped: bool
    path: str
    sha256: str
    numbers: Mapping[str, Sourced] = field(hash=False, repr=False)

    def sourced(self, key: str) -> Sourced:
        """The number under `key` with everything known about it. Raises KeyError, naming the
        nearest key, where there is none.
        """
        if key not in self.numbers:
            raise KeyError(f"profile {self.key} has no '{key}'{nearest(key, QUANTITIES)}")
        return self.numbers[key]

    def __getitem__(self, key: str) -> float:
        return self.sourced(key).value

    @property
    def has_grass_stage(self) -> bool:
        """Whether young plants of the species wait without a stem."""
        return self["grass_stage.present"] == 1

    @property
    def sources(self) -> tuple[str, ...]:
        """Every source named in the profile once, in order of first use: what to cite beside a
        result.
        """
        return tuple(
            dict.fromkeys(
                number.source for number in self.numbers.values() if number.source != "none"
            )
        )

    def differences(self, other: Profile) -> dict[str, tuple[float, float]]:
        """Keys whose numbers differ, with (this profile's, the other's) value."""
        return {key: (self[key], other[key]) for key in QUANTITIES if self[key] != other[key]}

    def standing(self) -> str:
        """One sentence on how far the profile can be trusted, for cards and reports."""
        if not self.shipped:
            return (
                f"Own profile from {self.path}: not shipped with standage, and no test holds it to"
                " outside sources."
            )
        if not self.checked:
            return (
                "Shipped with standage, but no test holds it to outside sources: treat its numbers"
                " as a start."
            )
        return f"Shipped with standage and held to outside sources: {self.checked}."

    def __str__(self) -> str:
        return text_card(self)

    def __repr__(self) -> str:
        return f"<Profile {self.key}: {self.name}, {self.species}, {len(self.numbers)} numbers>"

    def _repr_html_(self) -> str:
        return object_card(self).html()
