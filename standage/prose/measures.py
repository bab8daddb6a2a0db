"""Amounts with their units: metric, and on request those of the United States beside."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from standage.choices import Units
from standage.prose.wording import amount_words, rounded

METRIC: Units = "metric"
US: Units = "us"
HECTARES_PER_ACRE = 0.40468564224  # the international acre, exact
CM_PER_INCH = 2.54  # exact
CM_PER_FOOT = 30.48  # exact
FT2_PER_M2 = 1 / 0.3048**2  # exact
FT2_PER_ACRE = FT2_PER_M2 * HECTARES_PER_ACRE  # of one m2/ha


def per_acre(low: float, high: float, unit: str = " per acre") -> str:
    """The ends of a density by the acre, `24 to 36 per acre`. [stems/ha]"""
    return f"{rounded(low * HECTARES_PER_ACRE)} to {rounded(high * HECTARES_PER_ACRE)}{unit}"


@dataclass(frozen=True)
class Measures:
    """How amounts are written: `metric`, or `us`, which adds acres, inches and feet in brackets."""

    units: Units = METRIC

    def __post_init__(self) -> None:
        if self.units not in (METRIC, US):
            raise ValueError(f"units are '{METRIC}' or '{US}', got '{self.units}'")

    def stems_between(self, low: float, middle: float, high: float, what: str = "stems") -> str:
        """A density with its interval, `about 200 stems per hectare (150 to 260; 61 to 110 per
        acre)`. [stems/ha]
        """
        words = amount_words(low, middle, high, f"{what} per hectare".strip())
        if self.units != US or not np.isfinite(middle):
            return words
        return f"{words.removesuffix(')')}; {per_acre(low, high)})"

    def density(self, low: float, middle: float, high: float) -> str:
        """A density without its median, `60 to 90 per hectare (24 to 36 per acre)`. [stems/ha]"""
        return self._bracketed(
            amount_words(low, middle, high, "per hectare", median=False), per_acre(low, high)
        )

    def basal_area(self, number: float) -> str:
        """Cross-section of stems. [m2/ha]"""
        if not np.isfinite(number):
            return ""
        feet = f"{rounded(number * FT2_PER_ACRE)} ft\u00b2 per acre"
        return self._bracketed(f"{rounded(number)} m\u00b2 per hectare", feet)

    def basal_area_between(self, low: float, middle: float, high: float) -> str:
        """Cross-section with its interval, `about 9.4 m\u00b2 per hectare (6.2 to 14; 27 to 61
        ft\u00b2 per acre)`. [m2/ha]
        """
        words = amount_words(low, middle, high, "m\u00b2 per hectare")
        if self.units != US or not np.isfinite(middle):
            return words
        least, most = (rounded(end * FT2_PER_ACRE) for end in (low, high))
        feet = f"{least} to {most} ft\u00b2 per acre"
        return f"{words.removesuffix(')')}; {feet})" if "(" in words else f"{words} ({feet})"

    def basal_area_parts(self, number: float) -> tuple[str, str]:
        """The same for a narrow cell: `23 m2/ha`, and what stands below it, `= 100 ft2/acre` or
        nothing. [m2/ha]
        """
        other = f"= {rounded(number * FT2_PER_ACRE)} ft\u00b2/acre"
        return f"{rounded(number)} m\u00b2/ha", other if self.units == US else ""

    def diameter(self, number: float) -> str:
        """[cm]"""
        return self._written(number, "cm", number / CM_PER_INCH, "in")

    def beside_cm(self, sentence: str) -> str:
        """A sentence with inches beside its centimetres, `stems from 22 cm (8.7 in) up`."""
        return re.sub(
            r"(\d+(?:\.\d+)?) cm\b", lambda found: self.diameter(float(found[1])), sentence
        )

    def height(self, number: float) -> str:
        """[cm]"""
        return self._written(number, "cm", number / CM_PER_FOOT, "ft")

    def _written(self, number: float, unit: str, other: float, other_unit: str) -> str:
        return (
            ""
            if not np.isfinite(number)
            else self._bracketed(f"{number:.4g} {unit}", f"{other:.1f} {other_unit}")
        )

    def _bracketed(self, metric: str, other: str) -> str:
        return f"{metric} ({other})" if self.units == US else metric
