"""Numbers of result tables as they are written: enough digits, and none that a spreadsheet takes
for something else.
"""

from __future__ import annotations

import numpy as np

SIGNIFICANT_DIGITS = 5  # of amounts and shares in the files; far more than any survey knows


def in_digits(number: float, *, in_full: bool = False) -> str:
    """Five digits, and never the power-of-ten notation that a spreadsheet may take for text or a
    date. in_full: seven, for coordinates.
    """
    if in_full:
        return f"{number:.7g}"  # five digits of a longitude would be off by a hundred metres
    if number == 0 or not np.isfinite(number):
        return "0" if number == 0 else str(number)
    places = max(SIGNIFICANT_DIGITS - 1 - int(np.floor(np.log10(abs(number)))), 0)
    text = f"{number:.{min(places, 9)}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text) or "0"
