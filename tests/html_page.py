"""A page of HTML taken apart, and a survey whose names are hostile."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
from fake_posterior import changed

HOSTILE = (
    "</script><script>alert(1)</script>\"'><img src=//x.example onerror=alert(2)> $\\frac{ & {{"
    " 7*7 }}"
)
VOID = {"meta", "link", "img", "br", "input", "hr"}


class HtmlPage(HTMLParser):
    """Elements of a page with their attributes, its text without script and style, and whether
    every element is closed in order.
    """

    def __init__(self, text: str):
        super().__init__(convert_charrefs=True)
        self.source = text
        self.elements, self.open, self.texts, self.mistakes = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.mistakes.append(f"</{tag}> inside {self.open[-1:]}")
        else:
            self.open.pop()

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("script", "style"):
            self.texts.append(data)

    def named(self, tag: str) -> list[dict]:
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def text(self) -> str:
        """In one line; signs that keep words together at line ends are the plain ones."""
        return " ".join(" ".join(self.texts).split()).replace("\u2011", "-")


def hostile(posterior):
    """The posterior with hostile text in every name that people type."""

    def spoilt(table: pd.DataFrame) -> pd.DataFrame:
        table = table.copy()
        for name in ("stand", "tree", "plot", "event", "note", "community", "core"):
            if name in table:
                table[name] = [
                    f"{HOSTILE} {value}" if str(value) else value for value in table[name]
                ]
        return table

    survey = posterior.survey
    names = ("stands", "plots", "trees", "cores", "counts", "events")
    return changed(
        posterior,
        units=[replace(unit, stand=f"{HOSTILE} {unit.stand}") for unit in posterior.units],
        trees=spoilt(posterior.trees),
        survey=replace(
            survey,
            name=HOSTILE,
            hashes={HOSTILE: "0" * 64},
            **{name: spoilt(getattr(survey, name)) for name in names},
        ),
        notes=(HOSTILE,),
        verdict={**posterior.verdict, "notes": [HOSTILE]},
    )
