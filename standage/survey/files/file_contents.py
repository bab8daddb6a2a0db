"""The bytes of the files of a survey, as far as they can be had."""

from __future__ import annotations

import hashlib
from pathlib import Path

from standage.errors import Problem
from standage.survey.limits import TooLarge, content_of
from standage.survey.sheets.note_sheets import LINES_READ, lines_of_notes
from standage.survey.written import WrittenSurvey, too_large, unreadable_file


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
    """Whether a text file holds notes, and no table, whose lines are then titles of the survey."""
    content = read_content(path, path.name, survey)
    lines = (content or b"").decode("utf-8-sig", errors="replace").splitlines()
    if not lines or 2 * sum(line.count("\t") > 1 for line in lines) > len(lines):
        return False
    survey.titles += lines_of_notes(path.name, [[line] for line in lines])
    survey.notes.append(f"file '{path.name}' {LINES_READ}")
    return True


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
