"""Pictures as SVG to stand inside a page: text stays text, names of parts are unique, and each says
in words what it shows.
"""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

from matplotlib.figure import Figure

from standage.figures.axes import without_formulas
from standage.figures.files import svg_text

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"
DROPPED = (
    f"{{{SVG}}}metadata",
    f"{{{SVG}}}script",
    f"{{{SVG}}}style",
)  # a style inside would hold for the whole page


def inline_svg(figure: Figure, name: str, alternative: str) -> str:
    """A figure as an `<svg>` element for a page of HTML.

    Parameters
    ----------
    figure : drawn, with its own canvas; names in it are drawn as written, never read as formulas.
    name : unique on the page, of letters, digits and hyphens; it goes before every id inside.
    alternative : what the picture shows, in words, for those who don't see it.
    """
    without_formulas(figure)
    return _as_part_of_page(ElementTree.fromstring(svg_text(figure)), name, alternative)


def _as_part_of_page(root: ElementTree.Element, name: str, alternative: str) -> str:
    ElementTree.register_namespace("", SVG)
    ElementTree.register_namespace("xlink", XLINK)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in DROPPED:
                parent.remove(child)
    for element in root.iter():
        for key, value in list(element.attrib.items()):
            if key == "id":
                element.set(key, f"{name}-{value}")
            elif value.startswith("#") and key in ("href", f"{{{XLINK}}}href"):
                element.set(key, f"#{name}-{value[1:]}")
            elif "url(#" in value:
                element.set(key, value.replace("url(#", f"url(#{name}-"))
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    title = ElementTree.Element(f"{{{SVG}}}title", {"id": f"{name}-title"})
    title.text = alternative
    root.insert(0, title)
    root.set("role", "img")
    root.set("aria-labelledby", f"{name}-title")
    return ElementTree.tostring(root, encoding="unicode", short_empty_elements=True)
