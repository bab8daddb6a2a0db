"""How objects look where they are shown in a notebook: a card with a title, a few large numbers, a
small picture and what to know about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

INK, FAINT, LINE, PAPER = "#1b2a33", "#5b6b75", "#dfe5e8", "#ffffff"
BLUE, LIGHT_BLUE, ORANGE = "#1f5f99", "#b9d3ea", "#c8641e"
GOOD, BAD = "#2e7d4f", "#b3261e"  # of the word beside the title; the word itself says it, too
MOST_NOTES = 3  # shown; how many more there are is written below them


@dataclass(frozen=True)
class ObjectCard:
    """What the card of an object shows.

    kind, title, subtitle : what it is, its name, and a line below. mark : a word beside the title,
    and whether it is a good one. numbers : (number, of what). picture : SVG, with `picture_title`
    above it. notes : sentences at the foot.
    """

    kind: str
    title: str
    subtitle: str = ""
    mark: tuple[str, bool] | None = None
    numbers: Sequence[tuple[str, str]] = ()
    picture_title: str = ""
    picture: str = ""
    notes: Sequence[str] = ()

    def html(self) -> str:
        """The card as HTML that needs nothing from elsewhere."""
        parts = [self._head(), self._large_numbers(), self._picture(), self._notes()]
        return (
            f'<div style="box-sizing:border-box;max-width:720px;padding:20px 24px;color:{INK};'
            f"background:{PAPER};border:1px solid {LINE};border-radius:10px;"
            'font:14px/1.45 system-ui,sans-serif">' + "".join(parts) + "</div>"
        )

    def _head(self) -> str:
        mark = ""
        if self.mark is not None:
            word, good = self.mark
            mark = (
                f'<span style="float:right;padding:3px 12px;border-radius:999px;color:{PAPER};'
                f'background:{GOOD if good else BAD};font-size:13px">{escape(word)}</span>'
            )
        subtitle = f'<div style="color:{FAINT}">{escape(self.subtitle)}</div>'
        return (
            f'{mark}<div style="color:{BLUE};font-size:12px;letter-spacing:.08em;'
            f'text-transform:uppercase">{escape(self.kind)}</div>'
            f'<div style="font-size:24px;font-weight:600;line-height:1.25">{escape(self.title)}'
            "</div>" + (subtitle if self.subtitle else "")
        )

    def _large_numbers(self) -> str:
        if not self.numbers:
            return ""
        cells = (
            '<div><div style="font-size:26px;font-weight:600;line-height:1.2">'
            f'{escape(number)}</div><div style="color:{FAINT};font-size:13px">{escape(of)}</div>'
            "</div>"
            for number, of in self.numbers
        )
        return (
            '<div style="display:flex;flex-wrap:wrap;gap:10px 32px;margin-top:14px">'
            + "".join(cells)
            + "</div>"
        )

    def _picture(self) -> str:
        if not self.picture:
            return ""
        return (
            f'<div style="margin-top:16px;color:{FAINT};font-size:13px">'
            f"{escape(self.picture_title)}</div>{self.picture}"
        )

    def _notes(self) -> str:
        if not self.notes:
            return ""
        more = len(self.notes) - MOST_NOTES
        shown = [*self.notes[:MOST_NOTES], *([f"and {more} more"] if more > 0 else [])]
        return (
            f'<div style="margin-top:14px;padding-top:10px;border-top:1px solid {LINE};'
            f'color:{FAINT};font-size:13px">'
            + "".join(f"<div>{escape(note)}</div>" for note in shown)
            + "</div>"
        )
