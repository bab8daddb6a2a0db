"""What `standage check` prints of a survey that can be used: what takes no part first, what was
read, what looks wrong, and a closing sentence that says whether all is well.
"""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

from standage.causes import (
    FIRST_SCREEN,
    SCREEN_WIDTH,
    causes_of,
    fitting,
    height_of,
    lines_of_causes,
)
from standage.errors import SurveyError, how_many
from standage.grammar import counted
from standage.problems import plainly
from standage.survey.accounted import lines_of_unused
from standage.survey.card import LONGEST_LINE, summary_card
from standage.survey.cells.cells import NOT_KNOWN
from standage.survey.files.placing import NOT_READ
from standage.survey.liberties import lines_of_readings
from standage.survey.reading import UNDATED
from standage.survey.readings import RefusedSurvey

if TYPE_CHECKING:
    from standage.survey.accounted import Account
    from standage.survey.survey import Survey

ALL_WELL = "No problems found."
READ_DIFFERENTLY = "read differently from what was written"
LOOK_WRONG = "look wrong, too, used as written:"
LINES_OF_READINGS = 7
"""Lines that a first screen of problems leaves for what was read differently (assumption)."""
LINES_OF_WARNINGS = 8
"""Lines for which the card gives way to what looks wrong (assumption)."""
LEAST_NEEDED = ("attempts", "known age", "events", "counts", "plots", "rings", "sizes")
"""Lines of the card that give way first: their numbers are in the account, too."""


def screen_width() -> int:
    """Columns of the terminal; `SCREEN_WIDTH` where there is none."""
    return shutil.get_terminal_size((SCREEN_WIDTH, FIRST_SCREEN)).columns


def check_text(
    survey: Survey, account: Account, *, in_full: bool = False, width: int = SCREEN_WIDTH
) -> str:
    """The text for the screen: `FIRST_SCREEN` lines of it, or everything. What doesn't fit is
    counted.
    """
    unused = [*undated_of(survey), *not_used_of(survey)]
    first = [
        *lost_for_a_diameter(survey),
        account.in_a_line(),
        *(plainly(note, LONGEST_LINE) for note in unused),
    ]
    first = [line for line in first if line]
    card = summary_card(survey, survey.summary_counts(), notes=False).split("\n")
    closing = closing_lines(survey, account)
    warnings = [str(each) for each in (survey.warnings if in_full else causes_of(survey.warnings))]
    readings = lines_of_readings(survey.readings, in_full=in_full)
    left_out = lines_of_unused(account.tallies) if in_full else []
    parts = [
        ("take no part", left_out),
        ("look wrong, used as written", warnings),
        (READ_DIFFERENTLY, readings),
        ("notes", [plainly(note, LONGEST_LINE) for note in survey.notes if note not in unused]),
    ]
    parts = [(title, _indented(lines)) for title, lines in parts if lines]
    warned = _indented(warnings)
    always = [*first, *_indented(str(account).split("\n")), *closing]
    # what has no room shares one line
    titles = len(parts) if in_full else min(len(parts), 2)
    room = FIRST_SCREEN - _height(always, width) - titles
    if not in_full:
        card = _shortened(card, room - min(_height(warnings, width), LINES_OF_WARNINGS), width)
    room -= _height(card, width)
    shown = [*first, *card, *_indented(str(account).split("\n"))]
    unseen: list[str] = []
    for title, lines in parts:
        number = len(lines) if in_full else fitting(lines, max(room, 0), width)
        left = len(lines) - number
        if not number and lines == warned:
            left = len(survey.warnings)  # as the last line counts them
            if room > 0:
                shown += [f"{title} ({left}: --all), as:", f"{lines[0][: width - 1]}…"]
                room -= 1
                continue
        if number:
            shown += [f"{title}{f' ({left} more: --all)' if left else ''}:", *lines[:number]]
            room -= _height(lines[:number], width)
        else:
            unseen.append(f"{title} ({left})")
    if unseen:
        shown.append(f"{'; '.join(unseen)}: --all")
    return "\n".join([*shown, *closing])


def refusal_text(refused: SurveyError, *, in_full: bool, width: int = SCREEN_WIDTH) -> str:
    """The problems of a survey that can't be used, and below them what was read differently from
    what was written: `FIRST_SCREEN` lines, or everything.
    """
    given = refused.readings if isinstance(refused, RefusedSurvey) else ()
    notes = [
        plainly(note, LONGEST_LINE)
        for note in (refused.notes if isinstance(refused, RefusedSurvey) else ())
    ]
    besides = refused.warnings if isinstance(refused, RefusedSurvey) else ()
    readings = _indented(lines_of_readings(given, in_full=in_full))
    if in_full:
        title = [f"{READ_DIFFERENTLY}:"] if readings else []
        doubts = [LOOK_WRONG, *_indented([str(each) for each in besides])] if besides else []
        return "\n".join([refused.in_full(), *doubts, *title, *readings, *notes])
    causes = causes_of(refused.problems)
    if besides:
        entries = counted(len(besides), "entry looks", "entries look")
        notes = [f"{entries} wrong, too, and will be asked about next: --all names them", *notes]
    kept_free = min(_height(readings, width) + 1, LINES_OF_READINGS) if readings else 0
    below = _height(notes, width)
    shown = lines_of_causes(causes, room=FIRST_SCREEN - 1 - kept_free - below, width=width)
    room = FIRST_SCREEN - 2 - _height(shown, width) - below
    number = fitting(readings, max(room, 0), width)
    left = len(readings) - number
    title = [f"{READ_DIFFERENTLY}{f' ({left} more: --all)' if left else ''}:"] if readings else []
    return "\n".join([how_many(causes), *shown, *title, *readings[:number], *notes])


def _height(lines: list[str], width: int) -> int:
    return sum(height_of(line, width) for line in lines)


def _shortened(card: list[str], room: int, width: int) -> list[str]:
    """The card without what else is told, as far as room is lacking."""
    card = list(card)
    for subject in LEAST_NEEDED:
        if _height(card, width) > room:
            card = [line for line in card if not line.startswith(f"  {subject}")]
    return card


def not_used_of(survey: Survey) -> list[str]:
    """The notes on columns, sheets and files that nothing is taken from."""
    return [note for note in survey.notes if note.endswith((NOT_KNOWN, NOT_READ))]


def lost_for_a_diameter(survey: Survey) -> list[str]:
    """A line for each stand and species that would have stems enough for a history, were it not for
    diameters that are blank.
    """
    from standage.evidence.participation import FEWEST_STEMS  # takes a while to load

    trees = survey.trees
    own = trees[
        trees["species"].isin(survey.known_species or ())
        & (trees["status"] == "live")
        & (trees["plot"] != "")
    ]
    lines = []
    for (stand, species), stems in own.groupby(["stand", "species"], sort=False):
        blank = stems.loc[stems["dbh_cm"].isna(), "tree"].tolist()
        sized = len(stems) - len(blank)
        if sized < FEWEST_STEMS <= len(stems):
            more = f" and {len(blank) - 3} more" if len(blank) > 3 else ""
            lines.append(
                f"{stand}: no history of {species}, for {sized} stems have a diameter and"
                f" {FEWEST_STEMS} are needed. Find that of {', '.join(blank[:3])}{more}."
            )
    return lines


def undated_of(survey: Survey) -> list[str]:
    """The note on years of rings without a word on how they were dated."""
    return [note for note in survey.notes if note.endswith(UNDATED)]


def closing_lines(survey: Survey, account: Account) -> list[str]:
    """The last words: all well, or what to look at before relying on what comes out."""
    not_used = not_used_of(survey)
    undated = undated_of(survey)
    if account.complete and not survey.warnings and not not_used and not undated:
        return [ALL_WELL]
    number = len(survey.warnings)
    looks = "1 entry looks" if number == 1 else f"{number} entries look"
    found = "No mistakes found in the rest" if not_used else "No mistakes found"
    said = [f"{found}, but {looks} wrong." if number else f"{found}."]
    if not_used:
        said.insert(
            0,
            "NOT ALL IS READ: what is named above and belongs to the survey is lost until it has"
            " the survey's name (`standage check SURVEY --draft` writes a list to fill in).",
        )
    if not account.complete:
        said.append("What takes no part is in the first line.")
    if undated:
        said.append("Whether the rings were crossdated is asked in a line above.")
    lines = [" ".join(said)]
    if not account.histories:
        lines.append(
            "No stand can be given a history, so `standage run` will refuse and say why; `standage"
            " ages` dates each core by itself."
        )
    if account.missing:
        named = "; ".join(str(each) for each in account.missing[:2])
        more = len(account.missing) - 2
        named += f"; and {counted(more, 'more stand')}" if more > 0 else ""
        lines.append(
            f"`standage run` will stop, for so much takes no part that the answer would be another:"
            f" {named}. --accept-left-out goes on."
        )
    return lines


def _indented(lines: list[str]) -> list[str]:
    return [f"  {line}" for line in lines]
