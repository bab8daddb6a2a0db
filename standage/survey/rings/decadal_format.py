"""The decadal ring-width format of the public tree-ring archive: one file to series of dated
widths, or to problems that name the line.

A line holds a name (columns 1-8), a calendar year (9-12) and up to ten whole numbers of six
columns, ring by ring to the end of the decade. After the last ring stands an end mark that also
tells the precision: 999 = hundredths of a millimetre, -9999 = thousandths. Up to three header lines
come first. The layout is the archive's; what old files make of it, as handled below, is common
practice, no source: headers twice, none, or again further down; names of eight columns that run
into the year; names with blanks; every kind of line end, two carriage returns before the line feed
included; an end mark on a line of its own, or in an eleventh place; series in several parts.

What can be read in two ways is not read: it becomes a `Problem` with the line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from standage.errors import Problem
from standage.survey.schema import RING_WIDTHS

END_HUNDREDTHS, END_THOUSANDTHS = 999, -9999
UNIT_MM = {END_HUNDREDTHS: 0.01, END_THOUSANDTHS: 0.001}
NAME_COLUMNS, YEAR_END, VALUE_COLUMNS, VALUES_END = 8, 12, 6, 72
EARLIEST_YEAR, LATEST_YEAR = (int(end) for end in RING_WIDTHS.column("year").limits())
WIDEST_RING_MM = float(RING_WIDTHS.column("width_mm").limits()[1])
_HEADER = re.compile(r".{6} ?[123](?: |$)")
_IN_COLUMNS = re.compile(r"(?: {0,5}-?\d+)+")
_WHOLE = re.compile(r"-?\d+")
_YEAR = re.compile(r"[12]\d{3}")


@dataclass(frozen=True, eq=False)
class MeasuredPart:
    """An unbroken run of rings of a series. Ring width `(year,)` [mm], 0 = absent ring; lines: the
    line of each ring `(year,)`.
    """

    first_year: int
    widths_mm: np.ndarray
    lines: np.ndarray
    unit_mm: float

    @property
    def last_year(self) -> int:
        return self.first_year + len(self.widths_mm) - 1


@dataclass(frozen=True, eq=False)
class DecadalSeries:
    """A series under its name as written, outer blanks removed; parts in the order of years,
    without a year in common.
    """

    name: str
    parts: tuple[MeasuredPart, ...]


@dataclass(frozen=True, eq=False)
class DecadalFile:
    """What a file holds. of_file: problems of the file as a whole. spoilt: problems of single
    series, by name; these are not among `series`.
    """

    file: str
    series: tuple[DecadalSeries, ...]
    of_file: tuple[Problem, ...]
    spoilt: Mapping[str, tuple[Problem, ...]]
    notes: tuple[str, ...]

    @property
    def problems(self) -> tuple[Problem, ...]:
        """All of them, in order of lines."""
        everything = [*self.of_file, *(one for each in self.spoilt.values() for one in each)]
        return tuple(sorted(everything, key=lambda problem: problem.row or 0))


@dataclass(frozen=True)
class _Row:
    """A line of widths, end mark included; without values where the line is a problem. text: the
    line.
    """

    line: int
    name: str
    year: int
    values: tuple[int, ...]
    text: str


@dataclass
class _Reading:
    file: str
    problems: list[Problem] = field(default_factory=list)
    of_series: dict[str, list[Problem]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    passed_over: list[str] = field(default_factory=list)
    spoilt: set[str] = field(default_factory=set)
    not_in_columns: list[int] = field(default_factory=list)

    def problem(
        self,
        line: int | None,
        found: str,
        expected: str,
        what_to_do: str,
        text: str = "",
        *,
        series: str | None = None,
    ) -> None:
        """series: the one that the problem spoils; None for the file as a whole."""
        quoted = f" in the line '{text.rstrip()[:90]}'" if text else ""
        problem = Problem(self.file, line, None, found + quoted, expected, what_to_do)
        if series:
            self.of_series.setdefault(series, []).append(problem)
        else:
            self.problems.append(problem)


def read_decadal(file: str, content: bytes) -> DecadalFile:
    """Read a file of the decadal format; never raises, whatever the bytes are.

    >>> lines = b"A1      1998   120     0\\nA1      2000    95   999\\n"
    >>> read_decadal("a.rwl", lines).series[0].parts[0].widths_mm.tolist()
    [1.2, 0.0, 0.95]
    """
    reading = _Reading(file)
    text = _text(content, reading)
    blocks = _blocks(_rows(text, reading)) if text is not None else []
    parts: dict[str, list[MeasuredPart]] = {}
    for block in blocks:
        # one problem a series: a line that could not be read is not told a second time as a gap
        found = _parts(block, reading) if block[0].name not in reading.spoilt else None
        if found is None:
            reading.spoilt.add(block[0].name)
        else:
            parts.setdefault(block[0].name, []).extend(found)
    series = [
        DecadalSeries(name, joined)
        for name, each in parts.items()
        if name not in reading.spoilt and (joined := _in_order(name, each, reading)) is not None
    ]
    if text is not None and not blocks and not reading.problems and not reading.of_series:
        reading.problem(
            None,
            "no line of ring widths",
            "lines with a name, a year and whole numbers",
            "Check that it is a file of raw ring widths in the decadal format, or take it out of"
            " the folder.",
        )
    if reading.not_in_columns:
        lines = reading.not_in_columns
        reading.notes.append(
            f"{file}: {len(lines)} {'line does' if len(lines) == 1 else 'lines do'} not keep to the"
            f" columns of the format (first: line {lines[0]}) and"
            f" {'was' if len(lines) == 1 else 'were'} read by the blanks between"
        )
    if reading.passed_over:
        more = f" and {len(reading.passed_over) - 3} more" if len(reading.passed_over) > 3 else ""
        reading.notes.append(
            f"{file}: passed over, as no ring widths: {', '.join(reading.passed_over[:3])}{more}"
        )
    spoilt = {name: tuple(problems) for name, problems in reading.of_series.items()}
    return DecadalFile(file, tuple(series), tuple(reading.problems), spoilt, tuple(reading.notes))


def _text(content: bytes, reading: _Reading) -> str | None:
    """Latin-1 takes every byte: only header lines may hold letters beyond ASCII, and nothing is
    read from those.
    """
    if content.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"\x1f\x8b", b"%PDF")):
        reading.problem(
            None,
            "a packed file, workbook or document",
            "plain text",
            "Unpack it, or save it as plain text.",
        )
        return None
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        reading.problem(None, "UTF-16 text", "plain text", "Save it as plain text (UTF-8).")
        return None
    # An old end-of-file character (hexadecimal 1A) and zero bytes fill up what the file does not
    # need.
    return content.removeprefix(b"\xef\xbb\xbf").rstrip(b"\x00\x1a \r\n\t").decode("latin-1")


def _rows(text: str, reading: _Reading) -> list[_Row]:
    """The lines of widths. Headers and junk between series are passed over; a line that might be
    widths and is not plain is a problem.
    """
    rows: list[_Row] = []
    for line, raw in enumerate(re.split(r"\r*\n|\r", text), 1):
        written = raw.rstrip("\x00\x1a \t")
        if not written.strip() or written.lstrip().startswith("#"):
            continue
        row = _row_in_columns(line, written, reading)
        if row is None:
            if _HEADER.match(written) and (
                len(written) <= NAME_COLUMNS or re.search(r"[^\W\d]", written[NAME_COLUMNS:])
            ):
                continue
            row = _row_by_blanks(line, written, rows, reading)
        if row is None:
            _not_widths(line, written, rows, reading)
        elif row.values:
            rows.append(row)
        else:
            reading.spoilt.add(row.name or (rows[-1].name if rows else ""))
    return rows


def _row_in_columns(line: int, text: str, reading: _Reading) -> _Row | None:
    """A line with name and year in their columns; None if it is none. Values that cannot be told
    apart: a row without values.
    """
    if (
        "\t" in text
        or len(text) <= YEAR_END
        or not _YEAR.fullmatch(text[NAME_COLUMNS:YEAR_END])
        or not text[:NAME_COLUMNS].strip()
    ):
        return None
    name, year, body = (
        text[:NAME_COLUMNS].strip(),
        int(text[NAME_COLUMNS:YEAR_END]),
        text[YEAR_END:VALUES_END],
    )
    beyond = text[VALUES_END:].strip()
    if name.endswith("-") and text[NAME_COLUMNS - 1] == "-":
        reading.problem(
            line,
            f"'-{year}', a year before our era or a name that ends in '-'",
            "a name that does not end in '-'",
            "Take the '-' out of the name.",
            text,
            series=name,
        )
        return _Row(line, name, year, (), text)
    if not _IN_COLUMNS.fullmatch(body) or len(body) % VALUE_COLUMNS:
        return _row_of_words(line, name, year, text[YEAR_END:].split(), text, reading)
    cells = [body[place : place + VALUE_COLUMNS] for place in range(0, len(body), VALUE_COLUMNS)]
    if not all(_WHOLE.fullmatch(cell.lstrip()) for cell in cells):
        return _row_of_words(line, name, year, text[YEAR_END:].split(), text, reading)
    values = tuple(int(cell) for cell in cells)
    if beyond in ("999", "-9999"):
        values += (int(beyond),)
    elif re.search(r"\d", beyond):
        reading.problem(
            line,
            f"'{beyond}' after the tenth width",
            "ten widths at most, then nothing or an end mark",
            "Take out what follows column 72, or correct the columns of the line.",
            text,
            series=name,
        )
        return _Row(line, name, year, (), text)
    elif beyond:
        reading.passed_over.append(f"'{beyond[:20]}' at the end of line {line}")
    return _counted(line, name, year, values, text, reading)


def _row_of_words(
    line: int, name: str, year: int, words: list[str], text: str, reading: _Reading
) -> _Row | None:
    """Widths parted by blanks, and what may follow an end mark; None where the words are no whole
    numbers at all.
    """
    number = next(
        (place for place, word in enumerate(words) if not _WHOLE.fullmatch(word)), len(words)
    )
    values, rest = tuple(int(word) for word in words[:number]), words[number:]
    if not values or any(len(word) > VALUE_COLUMNS for word in words[:number]):
        return None
    if rest and (values[-1] not in UNIT_MM or any(re.search(r"\d", word) for word in rest)):
        return None
    if rest:
        reading.passed_over.append(f"'{' '.join(rest)[:20]}' at the end of line {line}")
    else:
        reading.not_in_columns.append(line)
    return _counted(line, name, year, values, text, reading)


def _row_by_blanks(line: int, text: str, rows: list[_Row], reading: _Reading) -> _Row | None:
    """A line that keeps to no columns, where only one word can be the year, or one is the year that
    the series has come to.
    """
    words = text.split()
    ways = [
        place
        for place in range(1, len(words) - 1)
        if _YEAR.fullmatch(words[place])
        and _WHOLE.fullmatch(words[place + 1])
        and len(" ".join(words[:place])) <= NAME_COLUMNS
    ]
    if len(ways) > 1 and rows:
        due = rows[-1].year + len(rows[-1].values)
        ways = [
            place
            for place in ways
            if " ".join(words[:place]) == rows[-1].name and int(words[place]) == due
        ] or ways
    if len(ways) > 1:
        reading.problem(
            line,
            "a line that keeps to no columns, with the year"
            f" {' or '.join(words[place] for place in ways)}",
            "the name in columns 1-8 and the year in columns 9-12",
            "Shift the line into its columns.",
            text,
        )
        return _Row(line, "", 0, (), text)
    if not ways:
        return None
    place = ways[0]
    return _row_of_words(
        line, " ".join(words[:place]), int(words[place]), words[place + 1 :], text, reading
    )


def _counted(
    line: int, name: str, year: int, values: tuple[int, ...], text: str, reading: _Reading
) -> _Row:
    """The row, if its decade has room for its values. An end mark may stand one place further than
    the last ring.
    """
    room = 10 - year % 10
    rings = len(values) - (values[-1] in UNIT_MM)
    if END_THOUSANDTHS in values[:-1] and not any(values[values.index(END_THOUSANDTHS) + 1 :]):
        values = values[: values.index(END_THOUSANDTHS) + 1]
        rings = len(values) - 1
        reading.passed_over.append(f"zeros after the end mark of line {line}")
    if rings > room:
        reading.problem(
            line,
            f"{rings} widths from {year} on",
            f"{room} at most, to the end of the decade",
            "Correct the year or the widths; each decade has its own line.",
            text,
            series=name,
        )
        return _Row(line, name, year, (), text)
    return _Row(line, name, year, values, text)


def _not_widths(line: int, text: str, rows: list[_Row], reading: _Reading) -> None:
    """Words above the first series are a header, and between series junk; anything like widths, or
    inside a series, is a problem.
    """
    inside = bool(rows) and rows[-1].values[-1] not in UNIT_MM
    numbers = sum(bool(_WHOLE.fullmatch(word)) for word in text.split())
    year = text[NAME_COLUMNS - 1 : YEAR_END].strip()
    words = re.search(r"[^\W\d]{3}", text[NAME_COLUMNS:])
    if re.fullmatch(r"-\d{1,4}|\d{1,3}", year) and numbers > 1 and not words:
        reading.problem(
            line,
            f"the year '{year}' (or a line out of its columns)",
            f"a year from {EARLIEST_YEAR} to {LATEST_YEAR} in columns 9-12",
            "Correct the year or the columns of the line.",
            text,
            series=rows[-1].name if inside else None,
        )
        reading.spoilt.add(rows[-1].name if inside else "")
    elif inside or (numbers >= 2 and not words):
        reading.problem(
            line,
            "something other than name, year and whole numbers",
            "the name in columns 1-8, the year in columns 9-12, widths of six columns each",
            "Correct the line; widths are whole hundredths or thousandths of a millimetre.",
            text,
            series=rows[-1].name if inside else None,
        )
        reading.spoilt.add(rows[-1].name if inside else "")
    elif rows:
        reading.passed_over.append(f"line {line} ('{text.strip()[:30]}')")


def _blocks(rows: list[_Row]) -> list[list[_Row]]:
    """Rows that follow one another under one name."""
    blocks: list[list[_Row]] = []
    for row in rows:
        if blocks and blocks[-1][-1].name == row.name:
            blocks[-1].append(row)
        else:
            blocks.append([row])
    return blocks


def _parts(block: list[_Row], reading: _Reading) -> list[MeasuredPart] | None:
    """The parts of one block of lines, each closed by an end mark; None, with a problem, where that
    is not plain.
    """
    name = block[0].name
    thousandths = any(END_THOUSANDTHS in row.values for row in block)
    parts: list[MeasuredPart] = []
    start: int | None = None  # of the part that is being read
    values: list[int] = []
    lines: list[int] = []

    def ambiguous(row: _Row, found: str, what_to_do: str) -> None:
        reading.problem(
            row.line,
            f"series {name}: {found}",
            "one reading of the line only",
            what_to_do,
            row.text,
            series=name,
        )

    for place, row in enumerate(block):
        if start is None:
            start = row.year
        due = start + len(values)
        if row.year != due:
            kind = (
                f"the years {due} to {row.year - 1} are missing"
                if row.year > due
                else f"the years {row.year} to {due - 1} come twice"
            )
            reading.problem(
                row.line,
                f"series {name}: {kind}, without an end mark before",
                f"a line for {due}",
                "Add what is missing (0 = absent ring), or close the part before with its end"
                " mark.",
                row.text,
                series=name,
            )
            return None
        after = block[place + 1] if place + 1 < len(block) else None
        for column, value in enumerate(row.values):
            last = column == len(row.values) - 1
            ends = value == END_THOUSANDTHS
            if ends and not last:
                ambiguous(
                    row,
                    "-9999 with widths after it",
                    "Take out -9999 if the series goes on; begin a new line after an end mark.",
                )
                return None
            if value == END_HUNDREDTHS:
                goes_on = not last or (after is not None and after.year == start + len(values) + 1)
                if goes_on and not thousandths:
                    ambiguous(
                        row,
                        "999 inside the series, a ring of 9.99 mm or an end mark",
                        "Write 998 or 1000 if it is a ring; if it ends a part, put the next part"
                        " under a name of its own.",
                    )
                    return None
                if not goes_on and thousandths:
                    ambiguous(
                        row,
                        "both 999 and -9999 end it, which are two precisions",
                        "Use one precision and end mark a series.",
                    )
                    return None
                ends = not goes_on
            if ends:
                if not values:
                    ambiguous(
                        row,
                        "an end mark without a ring before it",
                        "Delete the line, or add the rings.",
                    )
                    return None
                parts.append(_part(start, values, lines, UNIT_MM[value]))
                start, values, lines = None, [], []
                break
            if value < 0:
                ambiguous(
                    row,
                    f"the negative width {value} for {start + len(values)}",
                    "Write 0 for an absent ring; end the part (999 or -9999) where rings could not"
                    " be measured.",
                )
                return None
            values.append(value)
            lines.append(row.line)
    if start is not None:
        odd = " (9999 is none)" if values[-1] == 9999 else ""
        reading.problem(
            block[-1].line,
            f"series {name} without an end mark{odd}, so that its unit is not known",
            "999 (hundredths of a mm) or -9999 (thousandths) after the last ring",
            "Add the end mark.",
            block[-1].text,
            series=name,
        )
        return None
    return parts if _narrow_enough(block, parts, reading) else None


def _part(start: int, values: list[int], lines: list[int], unit_mm: float) -> MeasuredPart:
    # Division by a whole number gives the double nearest to the decimal figure; multiplying by 0.01
    # does not.
    widths = np.asarray(values, dtype=float) / round(1 / unit_mm)
    return MeasuredPart(start, widths, np.asarray(lines, dtype=np.int64), unit_mm)


def _narrow_enough(block: list[_Row], parts: list[MeasuredPart], reading: _Reading) -> bool:
    for part in parts:
        widest = int(part.widths_mm.argmax())
        if part.widths_mm[widest] > WIDEST_RING_MM:
            reading.problem(
                int(part.lines[widest]),
                f"series {block[0].name}: a ring of {part.widths_mm[widest]:g} mm in "
                f"{part.first_year + widest}",
                f"a width from 0 to {WIDEST_RING_MM:g} mm",
                "Correct the width, or the end mark that gives the unit (999 = 0.01 mm, -9999 ="
                " 0.001 mm).",
                series=block[0].name,
            )
            return False
    return True


def _in_order(
    name: str, parts: list[MeasuredPart], reading: _Reading
) -> tuple[MeasuredPart, ...] | None:
    """Parts by year. The same part twice is noted; different widths for one year are a problem."""
    kept: list[MeasuredPart] = []
    for part in sorted(parts, key=lambda each: each.first_year):
        before = kept[-1] if kept else None
        if before is None or part.first_year > before.last_year:
            kept.append(part)
        elif part.first_year == before.first_year and np.array_equal(
            part.widths_mm, before.widths_mm
        ):
            reading.notes.append(
                f"{reading.file}: series {name} stands there twice, in lines {before.lines[0]} and"
                f" {part.lines[0]}, with the same widths; read once"
            )
        else:
            reading.problem(
                int(part.lines[0]),
                f"series {name} again for {part.first_year} (first in line {before.lines[0]}), with"
                " other widths",
                "one width a year under one name",
                "Give each core its own name, or delete one of the two.",
                series=name,
            )
            return None
    return tuple(kept)
