"""The bytes of the files of a survey, as far as they can be had."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from standage.errors import Problem
from standage.survey.files.placing import NOT_READ
from standage.survey.limits import TooLarge, content_of
from standage.survey.sheets.note_sheets import LINES_READ, lines_of_notes
from standage.survey.written import WrittenSurvey, too_large, unreadable_file

_YEAR = re.compile(r"(?<!\d)(?:1[6-9]|20)\d\d(?!\d)")


def read_content(path: Path, name: str, survey: WrittenSurvey) -> bytes | None:
    """The bytes of a file of the survey, whose hash is kept; None, with a problem, where there are
    none to be had.
    """
    if not path.is_file():  # a pipe would be waited for, and a device may never end
        survey.problems.append(no_file(name, path))
        return None
    try:
        content = content_of(path)
    except OSError as error:
        survey.problems.append(
            unreadable_file(
                name,
                f"a file that cannot be read ({error.strerror})",
                "a readable file",
                "Close it in other programs, and check that you may read it.",
            )
        )
        return None
    except TooLarge as error:
        survey.problems.append(too_large(name, error))
        return None
    survey.hashes[name] = hashlib.sha256(content).hexdigest()
    return content


def took_lines(path: Path, survey: WrittenSurvey) -> bool:
    """Whether a text file holds notes, and no list, of no other year than the survey's: its lines
    are then titles of the survey. What else it has is not read, and said.
    """
    try:
        content = content_of(path) if path.is_file() else b""
    except (OSError, TooLarge):
        return False
    lines = content.decode("utf-8-sig", errors="replace").splitlines()
    filled = [line for line in lines if line.strip()]
    years = {year for text in (path.name, *filled) for year in _YEAR.findall(text)}
    if not filled or not all(map(_is_of_words, filled)) or not years <= _years_of(survey):
        return False
    survey.hashes[path.name] = hashlib.sha256(content).hexdigest()
    survey.titles += lines_of_notes(path.name, [[line] for line in lines])
    survey.notes.append(f"file '{path.name}' {LINES_READ}; otherwise it {NOT_READ}")
    return True


def _is_of_words(line: str) -> bool:
    """Whether a line may be of notes, and not of a list.

    >>> _is_of_words("All stems 5 cm dbh and up, at 2 ft"), _is_of_words("R2 T101 30 84")
    (True, False)
    >>> _is_of_words("core,tree,rings"), _is_of_words("pine  30  84 pith")
    (False, False)
    """
    cells = re.split(r"\t|[,;|]| {2,}", line.strip())
    words = re.findall(r"[^\s,;|]+", line)
    numbers = sum(any(map(str.isdigit, word)) for word in words)
    listed = len(cells) > 2 and 2 * sum(" " not in cell.strip() for cell in cells) >= len(cells)
    begins = re.match(r"\W*[^\W\d_]{2}", line) is not None
    return begins and not listed and (numbers < 2 or 2 * numbers < len(words))


def _years_of(survey: WrittenSurvey) -> set[str]:
    """Years in the columns of dates, and in titles, of the tables read."""
    texts = [title.text for title in survey.titles if not title.of_notes]
    for table in survey.tables.values():
        places = [at for at, own in enumerate(table.header) if "date" in own.lower()]
        texts += [row[at] for row in table.cells for at in places]
    return {year for text in texts for year in _YEAR.findall(text)}


def no_file(name: str, path: Path) -> Problem:
    what = (
        "a folder"
        if path.is_dir()
        else (
            "a link to nothing" if path.is_symlink() and not path.exists() else "a pipe or a device"
        )
    )
    return unreadable_file(
        name, f"{what}, not a file", "a file", "Put the file itself in its place."
    )
