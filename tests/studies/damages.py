"""Valid surveys and what happens to such files: slips of the pen, spreadsheets, mail, bad disks,
other people's files.

A survey is a dictionary of file contents by path. Each damage changes one in place and returns what
a person meant by it: a `Slip`. `HARMLESS` damages change nothing of what the tables say.
"""

from __future__ import annotations

import csv
import datetime as dt
import functools
import io
import re
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from openpyxl import Workbook, load_workbook

from standage.simulate.surveys import small_survey
from standage.survey.files.forms import write_template
from standage.survey.schema import TABLES, Column, table

PROJECT = Path(__file__).resolve().parents[2]
BOOK = "survey.xlsx"
Files = dict[str, bytes]

ODD_CELLS = (
    *(
        "",
        " ",
        "0",
        "-1",
        "1e400",
        "1e-400",
        "nan",
        "NA",
        "inf",
        "-",
        "?",
        "#REF!",
        "#N/A",
        "=1+1",
        "1,5",
        "1.234,5",
        "12 cm",
        "6'2\"",
        "~40",
        ">40",
    ),
    *(
        "1_0",
        "0x1f",
        "1e5",
        "+5",
        "5.",
        ".5",
        "1 000",
        "1\u00a0000",
        "\u0661\u0662",
        "\uff11\uff12",
        "\u00bd",
        "True",
        "2021-02-30",
        "2021-7-4",
    ),
    *(
        "14/07/2021",
        "07.14.21",
        "44391",
        "44391.5",
        "2021",
        "2021-07-14 00:00:00",
        "2021-07-14T08:30",
        "9999-12-31",
        "0001-01-01",
        "1899-12-31",
    ),
    *(
        "\u0662\u0660\u0662\u0661-\u0660\u0667-\u0661\u0664",
        "a,b",
        '"',
        "'",
        '"north"',
        "a\nb",
        "a\x07b",
        "a\x1b[31mb",
        "a\u200bb",
        "\ufeffa",
        "a\u202eb",
        "$x^2$",
    ),
    *(
        "<script>alert(1)</script>",
        "{stand}",
        "../../x",
        "/etc/passwd",
        "con",
        "row",
        "x" * 300,
        "9" * 40,
        "live ",
        "LIVE",
        "Longleaf Pine",
        "pith?",
    ),
)
FOREIGN_COLUMNS = (
    *(
        "stand",
        "plot",
        "tree",
        "core",
        "species",
        "file",
        "row",
        "place",
        "first",
        "last",
        "span",
        "sum_mm",
        "whole",
        "radius",
        "diameter",
        "index",
    ),
    *(
        "level_0",
        "core_season",
        "plot_stand",
        "measured",
        "column",
        "death",
        "note",
        "notes",
        "x",
        "year",
        "Unnamed: 0",
        "row (as written)",
        "age",
    ),
)


# --- the surveys that are damaged ---


@functools.cache
def valid_surveys() -> dict[str, Files]:
    """By name: the demo, the forms' example, simulated surveys, one with ring widths in both
    formats; as CSV and as workbooks.
    """
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_template(folder / "forms")
        surveys = {
            "demo": _files_of(PROJECT / "demo" / "longleaf-survey"),
            "forms": _files_of(folder / "forms"),
        }
        for seed in (1, 2):
            surveys[f"small-{seed}"] = _files_of(
                small_survey(seed, stems=25, cores=8).write(folder / f"small-{seed}")
            )
        surveys["rings"] = with_rings(
            _files_of(small_survey(3, stems=25, cores=12).write(folder / "rings"))
        )
    for name in ("forms", "small-1", "rings"):
        surveys[f"{name}-workbook"] = {BOOK: workbook_of(surveys[name])}
    return surveys


def _files_of(folder: Path) -> Files:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def with_rings(files: Files) -> Files:
    """The survey with invented ring widths of every core that has a first year: in turn in
    ring_widths.csv and in a decadal file.
    """
    header, *rows = records_of(files["cores.csv"])
    place = {name: number for number, name in enumerate(header)}
    dbh = {row[0]: row[4] for row in records_of(files["trees.csv"])[1:]}
    written, lines = (
        [["core", "year", "width_mm"]],
        ["site  1 An invented site", "site  2 Nowhere", "site  3 Nobody"],
    )
    dated = [row for row in rows if row[place["first_ring_year"]]]
    for number, row in enumerate(dated):
        first, last = int(row[place["first_ring_year"]]), int(row[place["last_ring_year"]] or 2023)
        rings = last - first + 1
        length = row[place["core_length_mm"]]
        mean = min(
            max(
                (float(length) if length else 3.5 * float(dbh[row[place["tree"]]])) * 0.9 / rings,
                0.3,
            ),
            6,
        )
        widths = [
            round(100 * mean * (1 + 0.4 * ((7 * year + 3 * number) % 5 - 2) / 2))
            for year in range(rings)
        ]
        name = row[place["core"]]
        if number % 2 or len(name) > 8:
            written += [
                [name, str(first + year), f"{width / 100:g}"] for year, width in enumerate(widths)
            ]
        else:
            lines += decadal_lines(name, first, widths)
    return files | {
        "ring_widths.csv": csv_of(written),
        "rings/site.rwl": ("\n".join(lines) + "\n").encode(),
    }


def decadal_lines(name: str, first: int, widths: list[int]) -> list[str]:
    """A series of hundredths of a millimetre, 998 in place of 999, which would be an end mark."""
    cells = [*(998 if width == 999 else width for width in widths), 999]
    lines, year, at = [], first, 0
    while at < len(cells):
        room = 10 - year % 10
        lines.append(f"{name:<8}{year}" + "".join(f"{cell:6d}" for cell in cells[at : at + room]))
        year, at = year + room, at + room
    return lines


def workbook_of(files: Files) -> bytes:
    """The tables as a workbook with numbers as numbers and dates as dates; ring files have no place
    in it.
    """
    book = Workbook()
    book.remove(book.active)
    for each in TABLES:
        if each.file not in files:
            continue
        header, *rows = records_of(files[each.file])
        sheet = book.create_sheet(each.name)
        sheet.append(header)
        kinds = {column.name: column for column in each.columns}
        for row in rows:
            sheet.append(
                [_typed(cell, kinds.get(name)) for name, cell in zip(header, row, strict=True)]
            )
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def _typed(cell: str, column) -> object:
    if not cell:
        return None
    if column is not None and column.is_number:
        return float(cell) if "." in cell or "e" in cell else int(cell)
    if column is not None and column.kind == "date":
        return dt.datetime.fromisoformat(cell)
    return cell


def records_of(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def csv_of(records: list[list[str]], *, quoting: int = csv.QUOTE_MINIMAL) -> bytes:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n", quoting=quoting).writerows(records)
    return stream.getvalue().encode("utf-8", "surrogatepass")


# --- damages of CSV files ---


@dataclass(frozen=True)
class Slip:
    """What a damage did. same: everything still means what it meant. cell: table, row and column
    of the one cell that it touched, None for more. unit: what was put in another unit, and by
    which factor.
    """

    same: bool = False
    cell: tuple[str, int, str] | None = None
    unit: str = ""


Damage = Callable[[Files, np.random.Generator], Slip | None]
"""Changes files; None where it does not apply."""


def _pick(rng: np.random.Generator, choices):
    choices = list(choices)
    return choices[int(rng.integers(len(choices)))]


def _csv_file(files: Files, rng: np.random.Generator) -> str:
    return _pick(rng, [name for name in files if name.endswith(".csv") and name != "columns.csv"])


def _records(files: Files, rng: np.random.Generator) -> tuple[str, list[list[str]]]:
    name = _csv_file(files, rng)
    return name, records_of(files[name])


def _spoilt(cell: str, rng: np.random.Generator, column: Column | None = None) -> tuple[str, bool]:
    """A cell with a slip of the pen, and whether a person still takes it for the same."""
    at = int(rng.integers(len(cell) + 1))
    number = column is not None and column.is_number and cell != ""
    name = column is not None and column.kind in ("code", "reference", "identifier")
    ways = (
        lambda: _pick(rng, ODD_CELLS),
        lambda: cell[:at] + cell[at + 1 :],
        lambda: cell[:at] + cell[at : at + 1] * 2 + cell[at + 1 :],
        lambda: cell[:at] + _pick(rng, "0123456789.,-; x'\u00e9") + cell[at:],
        lambda: cell.replace(".", ","),
        lambda: cell.replace(".", ""),
        lambda: cell[::-1],
        lambda: f" {cell}\t",
        lambda: cell.upper(),
        lambda: cell + _pick(rng, (" cm", "?", "*", " (est.)", "\u00a0", "00", "%")),
        lambda: "'" + cell,
    )
    spoilt = _pick(rng, ways)()
    same = spoilt.strip() == cell or (name and spoilt.casefold() == cell.casefold())
    if number:
        unit = f"{cell} {column.unit}"
        # 38.125 with a comma may be thousands to whoever doesn't see the rest of the column
        comma = cell.replace(".", ",") if not re.search(r"\.\d{3}$", cell) else cell
        same = same or spoilt in (unit, comma)
    return spoilt, same


def a_cell(files: Files, rng: np.random.Generator):
    name, records = _records(files, rng)
    if len(records) < 2:
        return None
    row, column = int(rng.integers(1, len(records))), int(rng.integers(len(records[0])))
    title = records[0][column]
    of = next((each for each in _columns(name) if each.name == title), None)
    records[row][column], same = _spoilt(records[row][column], rng, of)
    files[name] = csv_of(records)
    return Slip(same, (name.removesuffix(".csv"), row + 1, title))


def a_unit(files: Files, rng: np.random.Generator):
    """A number, or a whole column of them, in another unit."""
    name, records = _records(files, rng)
    numbers = [
        place
        for place, cell in enumerate(records[0])
        if any(column.name == cell and column.is_number for column in _columns(name))
    ]
    if not numbers or len(records) < 2:
        return None
    place, times = _pick(rng, numbers), _pick(rng, (10, 0.1, 1 / 2.54, 25.4, 1000, 0.3048, -1))
    every = rng.random() < 0.5
    for row in records[1:] if every else [_pick(rng, records[1:])]:
        if row[place]:
            row[place] = f"{float(row[place]) * times:.6g}"
    files[name] = csv_of(records)
    return Slip(unit=f"{records[0][place]} x {times:.3g}{'' if every else ', once'}")


def _columns(file: str):
    return table(file.removesuffix(".csv")).columns


def an_identifier(files: Files, rng: np.random.Generator):
    """An identifier in another writing, repeated, or one of another table."""
    name, records = _records(files, rng)
    ids = [
        place
        for place, cell in enumerate(records[0])
        if any(c.name == cell and c.kind in ("identifier", "reference") for c in _columns(name))
    ]
    if not ids or len(records) < 2:
        return None
    place, row = _pick(rng, ids), _pick(rng, records[1:])
    cell = row[place]
    other = _pick(rng, records[1:])[place]
    ways = (
        cell.upper(),
        cell.replace("0", ""),
        cell.replace("-", "_"),
        f"{cell} ",
        cell.replace("-", " "),
        other,
        "",
        f"0{cell}",
        cell[:-1],
        cell + "\u0301",
        cell.replace("a", "\u0430"),
        f"{cell}.0",
        "../" * 3 + cell,
        cell * 40,
    )
    number = int(rng.integers(len(ways)))
    row[place] = ways[number]
    files[name] = csv_of(records)
    same = number in (0, 2, 3, 4) or row[place] == cell
    return Slip(same, (name.removesuffix(".csv"), records.index(row) + 1, records[0][place]))


def some_rows(files: Files, rng: np.random.Generator):
    name, records = _records(files, rng)
    if len(records) < 2:
        return None
    at = int(rng.integers(1, len(records)))
    row, width = list(records[at]), len(records[0])
    ways = (
        lambda: records.pop(at),
        lambda: records.insert(at, row),
        lambda: records.insert(at, list(records[0])),
        lambda: records.insert(at, ["# remark"]),
        lambda: records.insert(at, ["Total", *[""] * (width - 1)]),
        lambda: records.__setitem__(at, row[: int(rng.integers(width))]),
        lambda: records.__setitem__(at, [*row, _pick(rng, ODD_CELLS)]),
        lambda: records.__setitem__(at, ["", *row]),
        lambda: records.__setitem__(at, row[1:]),
        lambda: records.__setitem__(at, row[::-1]),
        lambda: records.__setitem__(slice(at, None), []),
        lambda: records.insert(0, ["A title above the header"]),
        lambda: records.pop(0),
        lambda: records.insert(0, list(records[0])),
    )
    _pick(rng, ways)()
    files[name] = csv_of(records)
    return Slip()


def some_columns(files: Files, rng: np.random.Generator):
    name, records = _records(files, rng)
    header = records[0]
    at, other = (int(rng.integers(len(header))) for _ in range(2))
    title = header[at]

    renamed = []

    def rename(to: str) -> None:
        header[at] = to
        renamed.append(to)

    def swap_titles() -> None:
        header[at], header[other] = header[other], header[at]

    def drop() -> None:
        for row in records:
            del row[at]

    def shift_down() -> None:
        cells = [row[at] for row in records[1:]]
        for row, cell in zip(records[1:], ["", *cells], strict=False):
            row[at] = cell

    def add() -> None:
        new = _pick(rng, FOREIGN_COLUMNS)
        for row in records:
            row.append(_pick(rng, ("1", "x", "", "2021-01-01")))
        header[-1] = new

    rename_to = (
        title.upper(),
        title.replace("_", " "),
        title[:-1],
        title + "s",
        f" {title} ",
        "",
        header[other],
        f"\ufeff{title}",
        title.replace("_cm", "_in").replace("_mm", "_cm"),
        f"{title} (cm)",
        _pick(rng, FOREIGN_COLUMNS),
    )
    _pick(rng, (lambda: rename(_pick(rng, rename_to)), swap_titles, drop, shift_down, add, add))()
    files[name] = csv_of(records)
    same = (title.upper(), title.replace("_", " "), f" {title} ", f"\ufeff{title}")
    return Slip(bool(renamed) and renamed[0] in same)


def an_encoding(files: Files, rng: np.random.Generator):
    name = _csv_file(files, rng)
    text = files[name].decode("utf-8-sig")
    if rng.random() < 0.6:
        records = records_of(files[name])
        row = _pick(rng, records[1:] or records)
        row[int(rng.integers(len(row)))] = _pick(
            rng, ("Jos\u00e9", "M\u00fcller", "\u201cquoted\u201d", "\u2013", "na\u00efve \u20ac5")
        )
        text = csv_of(records).decode()
    code = _pick(
        rng,
        (
            "cp1252",
            "latin-1",
            "utf-16",
            "utf-16-le",
            "utf-32",
            "mac-roman",
            "cp437",
            "utf-8-sig",
            "cp037",
        ),
    )
    files[name] = text.encode(code, "replace")
    if rng.random() < 0.1:
        files[name] = b"\xef\xbb\xbf" * 2 + text.encode()
    return Slip()


def a_delimiter(files: Files, rng: np.random.Generator):
    name, records = _records(files, rng)
    mark = _pick(rng, (";", "\t", "|", " ", ":"))
    lines = [mark.join(row) for row in records]
    if rng.random() < 0.4:  # in a few rows only
        kept = files[name].decode("utf-8-sig").splitlines()
        at = int(rng.integers(len(kept)))
        kept[at] = kept[at].replace(",", mark)
        lines = kept
    files[name] = ("\n".join(lines) + "\n").encode()
    clean = [row for row in records if any(mark in cell for cell in row)]
    return Slip(mark in ";\t|" and len(lines[0].split(mark)) == len(records[0]) and not clean)


def some_bytes(files: Files, rng: np.random.Generator):
    """A bad disk or a broken transfer: bytes changed, lost, doubled, zeroed, cut off."""
    name = _pick(rng, files)
    content = bytearray(files[name])
    at, span = int(rng.integers(len(content) + 1)), int(rng.integers(1, 40))

    def flips() -> None:
        for _ in range(int(rng.integers(1, 4))):
            place = int(rng.integers(len(content)))
            content[place] ^= 1 << int(rng.integers(8))

    ways = (
        flips,
        flips,
        lambda: content.__delitem__(slice(at, at + span)),
        lambda: content.__setitem__(slice(at, at), content[at : at + span]),
        lambda: content.__delitem__(slice(at, None)),
        lambda: content.__setitem__(slice(at, at), bytes(int(rng.integers(1, 9)))),
        lambda: content.__setitem__(slice(at, at + span), bytes(len(content[at : at + span]))),
        lambda: content.extend(rng.bytes(span)),
        lambda: content.__setitem__(
            slice(at, at),
            _pick(
                rng, (b'"', b"\r", b"\x1a", b"\x0b", b"\x0c", b"\xff", b"\xc2\x85", b"\xe2\x80\xa8")
            ),
        ),
    )
    if content:
        _pick(rng, ways)()
    files[name] = bytes(content)
    return Slip()


def whole_files(files: Files, rng: np.random.Generator):
    """Files swapped, lost, emptied, renamed, copied, or of another kind."""
    first, second = _pick(rng, files), _pick(rng, files)
    ways = (
        lambda: files.update({first: files[second], second: files[first]}),
        lambda: files.pop(first),
        lambda: files.update({first: b""}),
        lambda: files.update(
            {
                _pick(
                    rng,
                    (
                        first.upper(),
                        first.replace(".", "s."),
                        f"copy of {first}",
                        first + ".txt",
                        first.title(),
                    ),
                ): files.pop(first)
            }
        ),
        lambda: files.update({_pick(rng, TABLES).file: files[first]}),
        lambda: files.update({first.replace(".csv", ".CSV"): files[first]}),
        lambda: files.update({first: b"PK\x03\x04" + rng.bytes(60)}),
        lambda: files.update({first: rng.bytes(int(rng.integers(200)))}),
        lambda: files.update({first: b"<!DOCTYPE html><html><body>Sign in</body></html>"}),
        lambda: files.update({f"{first}/x.csv": files.pop(first)}),
        lambda: files.update(
            {f"rings/{Path(second).name}": files[second], "rings/other.rwl": files[first]}
        ),
        lambda: files.update(
            {"rings/big.rwl": b"\n".join(b"A1      1900" + b"   100" * 10 for _ in range(50))}
        ),
    )
    _pick(rng, ways)()
    return Slip()


def a_ring_file(files: Files, rng: np.random.Generator):
    """A line of the decadal format spoilt as its many writers spoil it."""
    if "rings/site.rwl" not in files:
        return None
    lines = files["rings/site.rwl"].decode("latin-1").splitlines()
    at = int(rng.integers(len(lines)))
    line, place = lines[at], int(rng.integers(len(lines[at]) + 1))
    ways = (
        lambda: lines.pop(at),
        lambda: lines.insert(at, line),
        lambda: lines.__setitem__(at, line[:place] + line[place + 1 :]),
        lambda: lines.__setitem__(at, line[:place] + _pick(rng, "0123456789 -.\tx") + line[place:]),
        lambda: lines.__setitem__(
            at, line[:place] + _pick(rng, "0123456789 -.\tx") + line[place + 1 :]
        ),
        lambda: lines.__setitem__(
            at,
            line.replace("   999", _pick(rng, ("", " -9999", "  9999", "   998", "   999   999"))),
        ),
        lambda: lines.__setitem__(at, " ".join(line.split())),
        lambda: lines.__setitem__(at, line[:12].replace("19", "18", 1) + line[12:]),
        lambda: lines.__setitem__(at, line.lower()),
        lambda: lines.__setitem__(at, line[:place]),
        lambda: lines.insert(
            at,
            _pick(
                rng,
                ("", "junk", "# note", "12345", "a-1-1  1 header again", "\x1a", "a-1     1990"),
            ),
        ),
        lambda: lines.__setitem__(slice(at, at + 2), lines[at : at + 2][::-1]),
    )
    _pick(rng, ways)()
    files["rings/site.rwl"] = (
        _pick(rng, ("\n", "\r\n", "\r", "\r\r\n")).join([*lines, ""]).encode("latin-1", "replace")
    )
    return Slip()


# --- damages that change nothing of what the tables say ---


def nothing_said(files: Files, rng: np.random.Generator):
    """Another order of columns, line ends, quotation marks, a byte-order mark, blank rows and cells
    at the end, remarks of the computer.
    """
    name, records = _records(files, rng)
    order = rng.permutation(len(records[0]))
    plain = files[name].removeprefix(b"\xef\xbb\xbf")
    ways = (
        lambda: csv_of([[row[place] for place in order] for row in records]),
        lambda: plain.replace(b"\n", b"\r\n"),
        lambda: plain.replace(b"\n", b"\r"),
        lambda: csv_of(records, quoting=csv.QUOTE_ALL),
        lambda: b"\xef\xbb\xbf" + plain,
        lambda: plain.rstrip(b"\n"),
        lambda: plain + b"," * (len(records[0]) - 1) + b"\n\n  \n",
        lambda: b"\n\n" + plain,
        lambda: csv_of([[f" {cell}" for cell in row] for row in records]),
        lambda: csv_of([[*row, "", ""] for row in records]),
    )
    files[name] = _pick(rng, ways)()
    if rng.random() < 0.3:
        files[
            _pick(rng, (".DS_Store", "~$trees.csv", "readme.txt", "Thumbs.db", ".trees.csv.swp"))
        ] = rng.bytes(20)
    return Slip(same=True)


# --- damages of workbooks ---


def a_sheet(files: Files, rng: np.random.Generator):
    """A workbook as people and programs leave it: other kinds of cells, sheets renamed, hidden,
    added, rows of another length.
    """
    if BOOK not in files:
        return None
    book = load_workbook(io.BytesIO(files[BOOK]))
    sheet = book[_pick(rng, book.sheetnames)]
    cell = sheet.cell(
        int(rng.integers(1, sheet.max_row + 1)), int(rng.integers(1, sheet.max_column + 1))
    )
    before = str(cell.value) if cell.value is not None else ""
    odd = (
        *(
            True,
            0.1 + 0.2,
            1e20,
            dt.datetime(2021, 7, 14, 8, 30),
            dt.datetime(1905, 7, 1),
            dt.time(8, 30),
            dt.timedelta(days=2, hours=3),
        ),
        *(
            "=1+1",
            "=A1",
            "#REF!",
            before,
            f" {before} ",
            "\u00a0",
            dt.date(2030, 1, 1),
            "x" * 2000,
            "a\nb",
            44391,
            12.5,
        ),
    )

    def put() -> None:
        cell.value = _pick(rng, odd)

    def spoil() -> None:
        cell.value = "".join(letter for letter in _spoilt(before, rng)[0] if letter >= " ")

    def style() -> None:
        cell.number_format = _pick(rng, ("0%", "yyyy-mm-dd", "[h]:mm", "General", "@", "0.00E+00"))

    def titled() -> None:
        sheet.title = _pick(
            rng,
            (
                sheet.title.upper(),
                f"{sheet.title} 2021",
                sheet.title[:-1] or "x",
                f" {sheet.title}",
            ),
        )

    def state() -> None:
        sheet.sheet_state = "hidden"

    def blank_row() -> None:
        sheet.insert_rows(1)

    ways = (
        put,
        put,
        put,
        spoil,
        spoil,
        style,
        titled,
        state,
        lambda: book.create_sheet(_pick(rng, ("Sheet1", "notes", "tree", "cores2"))).append(
            ["x", 1]
        ),
        lambda: book.remove(sheet) if len(book.sheetnames) > 1 else None,
        blank_row,
        lambda: sheet.delete_rows(1),
        lambda: sheet.insert_cols(1),
        lambda: sheet.delete_rows(max(2, cell.row)),
        lambda: sheet.append(["Total", 3]),
        lambda: sheet.merge_cells(start_row=1, start_column=1, end_row=1, end_column=2),
        lambda: book.create_chartsheet("chart"),
        lambda: sheet.cell(sheet.max_row + 500, sheet.max_column + 30).__setattr__("value", " "),
    )
    way = _pick(rng, ways)
    way()
    content = io.BytesIO()
    book.save(content)
    files[BOOK] = content.getvalue()
    return Slip(same=way in (state, titled, blank_row))


def a_part_of_the_workbook(files: Files, rng: np.random.Generator):
    """The archive put together anew with one part spoilt: text lost, parts missing or twice."""
    if BOOK not in files:
        return None
    with zipfile.ZipFile(io.BytesIO(files[BOOK])) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    name = _pick(rng, parts)
    text = parts[name]
    at, span = int(rng.integers(len(text) + 1)), int(rng.integers(1, 60))
    swaps = (
        (b' t="n"', b' t="s"'),
        (b' t="s"', b""),
        (b"<v>", b"<v>9"),
        (b' r="', b' r="Z'),
        (b"</row>", b""),
        (b'r="2"', b'r="1"'),
        (b"<sheetData>", b"<sheetData/><x>"),
        (b"dimension ref", b"dimension rex"),
        (b"utf-8", b"utf-9"),
        (b"rId1", b"rId2"),
        (b"<?xml", b'<!DOCTYPE a [<!ENTITY b "bbbb">]><?xml'),
    )
    ways = (
        lambda: parts.pop(name),
        lambda: parts.update({name: text[:at] + text[at + span :]}),
        lambda: parts.update({name: text[:at]}),
        lambda: parts.update({name: text.replace(*_pick(rng, swaps))}),
        lambda: parts.update({name: text.replace(*_pick(rng, swaps), 1)}),
        lambda: parts.update({name: b""}),
    )
    _pick(rng, ways)()
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        for part, written in parts.items():
            archive.writestr(part, written)
    files[BOOK] = content.getvalue()
    return Slip()


CSV_DAMAGES: dict[str, Damage] = {
    "a cell": a_cell,
    "a unit": a_unit,
    "an identifier": an_identifier,
    "rows": some_rows,
    "columns": some_columns,
    "encoding": an_encoding,
    "delimiter": a_delimiter,
    "bytes": some_bytes,
    "whole files": whole_files,
    "ring file": a_ring_file,
    "nothing said": nothing_said,
}
BOOK_DAMAGES: dict[str, Damage] = {
    "sheet": a_sheet,
    "part of a workbook": a_part_of_the_workbook,
    "workbook's bytes": some_bytes,
}
HARMLESS = ("nothing said",)
