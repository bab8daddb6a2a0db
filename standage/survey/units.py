"""Units of measure as people write them, and what takes one into another."""

from __future__ import annotations

SAME_UNIT = {
    "cm": ("centimetre", "centimetres", "centimeter", "centimeters", "cms"),
    "mm": ("millimetre", "millimetres", "millimeter", "millimeters"),
    "m": ("metre", "metres", "meter", "meters"),
    "m2": ("m²", "m^2", "sqm", "sq m", "square metres", "square meters"),
    "ha": ("hectare", "hectares"),
    "in": ("inch", "inches", "ins", '"', "”", "″"),
    "ft": ("foot", "feet", "'", "’", "′"),
    "acres": ("acre", "ac"),
    "milacres": ("milacre", "mil-acre", "mil-acres"),
    "ft2": ("ft²", "ft^2", "sq ft", "sqft", "square feet"),
    "years": ("year", "yr", "yrs"),
    "rings": ("ring",),
    "stems": ("stem", "n", "number"),
    "degrees": ("degree", "deg", "°"),
    "calendar year": ("yyyy",),
    "share of stems": ("share",),
    "%": ("percent",),
}
MEASURES = {
    "cm",
    "mm",
    "m",
    "m2",
    "ha",
    "in",
    "ft",
    "acres",
    "milacres",
    "ft2",
    "degrees",
    "share of stems",
    "%",
}
"""Units that a value can be in by mistake for another; `rings` for a number of years is only
another word.
"""

OTHER_WORDS = {
    "date",
    "no",
    "nr",
    "cl",
    "class",
    "text",
    "name",
    "code",
    "list",
    "yyyy-mm-dd",
    "no unit",
    "none",
    "-",
    "units",
    "unit",
}

IN_METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": 0.0254, "ft": 0.3048}
IN_SQUARE_METRES = {
    "m2": 1.0,
    "ha": 1e4,
    "acres": 4046.8564224,
    "milacres": 4.0468564224,
    "ft2": 0.09290304,
}
"""Exact by the definition of the international foot (acre = 43,560 square feet)."""
SHARES = {"share of stems": 1.0, "%": 0.01}
DECIMALS = 6
"""Decimals that a converted value keeps: beyond any measurement in the units of the survey, and
free of what binary arithmetic adds at the end.
"""


def factor(written: str, wanted: str) -> float | None:
    """What a value in the unit `written` is multiplied by to be in `wanted`; None where the two
    measure different things.
    """
    for scale in (IN_METRES, IN_SQUARE_METRES, SHARES):
        if written in scale and wanted in scale:
            return scale[written] / scale[wanted]
    return 1.0 if written == wanted else None


def converted(value: float, written: str, wanted: str) -> float:
    """A value in another unit. Raises ValueError where the two measure different things."""
    by = factor(written, wanted)
    if by is None:
        raise ValueError(f"{written} is no measure of what {wanted} measures")
    return value if by == 1 else round(value * by, DECIMALS)


def how_to_convert(written: str, wanted: str) -> str:
    """The conversion as an instruction, "" where there is none."""
    by = factor(written, wanted)
    if by is None or by == 1:
        return ""
    if by < 1 and float(f"{1 / by:.6g}").is_integer():
        return f"divide by {1 / by:.6g}"
    return f"multiply by {by:.6g}"


def unit_of(cell: str) -> str | None:
    """The unit or other word that a cell of a row of units says; None where it says something
    else.
    """
    bare = (
        cell.strip("[]() ").rstrip(".").lower().removesuffix("; required").strip()
        if cell not in ('"', "'")
        else cell
    )
    return bare if bare in OTHER_WORDS else _UNITS.get(bare)


_UNITS = {name: unit for unit, names in SAME_UNIT.items() for name in (unit, *names)}


def measure_of(word: str) -> str | None:
    """The unit of measure that a word stands for; None for any other word, `n` and `none`
    included.
    """
    unit = _UNITS.get(word.strip().rstrip(".").strip().casefold())
    return unit if unit in MEASURES else None
