"""Pictures as files, in the formats of their style."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path

from matplotlib import rc_context
from matplotlib.figure import Figure

from standage.figures.axes import without_formulas
from standage.figures.styles import current_style

SALT = (  # of the names matplotlib gives to parts, so that the same picture has the same text
    "standage"
)


def write_figures(figures: Mapping[str, Figure], folder: Path) -> None:
    """Writes pictures by name into a folder that is there, in the formats of the current style.
    Names in them are drawn as written.
    """
    style = current_style()
    for name, figure in figures.items():
        without_formulas(figure)
        for ending in style.formats:
            path = folder / f"{name}.{ending}"
            if ending == "svg":
                path.write_bytes(svg_text(figure))
            else:
                figure.savefig(path, dpi=style.dots_per_inch)
            figure.set_layout_engine("none")  # laid out once; that is most of the work


def svg_text(figure: Figure) -> bytes:
    """A figure as SVG whose text stays text. The same figure gives the same bytes."""
    written = io.BytesIO()
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": SALT}):
        figure.savefig(written, format="svg", metadata={"Date": None})
    return written.getvalue()
