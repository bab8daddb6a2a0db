"""Files that are no slip of the pen: too large, endless, tangled, or made by somebody to do harm.
Each is refused in words, in bounded time and memory, and nothing in it is run.
"""

from __future__ import annotations

import io
import os
import pickle
import time
import zipfile
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from fake_posterior import fake_posterior
from good_survey import TABLE_NAMES, good_workbook, problems_of, the_problem, write_survey
from openpyxl import Workbook

from standage.errors import KEPT_OF_A_COLUMN, Problem, ProblemList, StandageError, SurveyError
from standage.results.folder import check_result_folder
from standage.survey import limits as survey_limits
from standage.survey.cells import cell_values, date_cells, table_cells
from standage.survey.cells import cells as survey_cells
from standage.survey.checks import table_checks as survey_checks
from standage.survey.files import layout as survey_layout
from standage.survey.files import workbook_guard
from standage.survey.limits import LONGEST_CELL, LONGEST_NAME, MOST_COLUMNS
from standage.survey.reading import read_survey
from standage.survey.schema import Column

# --- workbooks ---


def workbook(path: Path, change=lambda parts: None) -> Path:
    """The good survey as a workbook, its parts changed: `change` is given the dictionary of parts
    by name.
    """
    plain = io.BytesIO()
    good_workbook().save(plain)
    with zipfile.ZipFile(plain) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    change(parts)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return path


def in_trees(old: bytes, new: bytes):
    """A change of the sheet of trees."""

    def change(parts: dict[str, bytes]) -> None:
        name = f"xl/worksheets/sheet{TABLE_NAMES.index('trees') + 1}.xml"
        assert old in parts[name]
        parts[name] = parts[name].replace(old, new, 1)

    return change


def test_a_workbook_put_together_anew_is_good(tmp_path):
    assert len(read_survey(workbook(tmp_path / "fine.xlsx")).trees) == 3


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b'<row r="3"', b'<row r="2"', "row 2 after row 2"),
        (b'<row r="4"', b'<row r="9999999999"', "row 9999999999"),
        (b'r="A3"', b'r="ZZZZZZ3"', "no sheet has"),
        (b'r="B3"', b'r="A3"', "out of its place"),
        (b'r="A3"', b'r="A2"', "out of its place"),
        (b"<worksheet", b'<!DOCTYPE a [<!ENTITY b "bb">]><worksheet', "document type"),
        (b"</row>", b"", "does not open"),
    ],
)
def test_sheets_that_would_lose_rows_or_take_all_memory_are_refused(tmp_path, old, new, said):
    """A second row 2, or a cell left of the last one, would be passed over by the library without a
    word.
    """
    path = workbook(tmp_path / "book.xlsx", in_trees(old, new))
    assert said in the_problem(path, "book.xlsx", None, None).found


@pytest.mark.slow
def test_a_single_cell_a_million_rows_down_is_read_or_told(tmp_path):
    """Whoever scrolled too far: a million blank rows between are no rows of the table."""
    path = workbook(
        tmp_path / "book.xlsx",
        in_trees(b"</sheetData>", b'<row r="1048576"><c r="A1048576"/></row></sheetData>'),
    )
    assert len(read_survey(path).trees) == 3


def test_a_workbook_that_unpacks_to_more_than_the_limit_is_refused_unread(tmp_path, monkeypatch):
    monkeypatch.setattr(workbook_guard, "LARGEST_UNPACKED", 1_000_000)
    path = workbook(
        tmp_path / "bomb.xlsx",
        lambda parts: parts.update({"xl/bomb.xml": b"<a>" + b" " * 2_000_000 + b"</a>"}),
    )
    assert path.stat().st_size < 50_000
    problem = the_problem(path, "bomb.xlsx", None, None)
    assert "2 MB" in problem.found and "1 MB" in problem.expected


def test_a_part_that_is_longer_than_it_says_is_never_unpacked_whole(tmp_path):
    path = workbook(
        tmp_path / "liar.xlsx",
        lambda parts: parts.update({"xl/bomb.xml": b"<a>" + b" " * 5_000_000 + b"</a>"}),
    )
    size = (5_000_007).to_bytes(4, "little")
    content = path.read_bytes()
    assert content.count(size) == 2
    path.write_bytes(content.replace(size, (7).to_bytes(4, "little")))
    assert "does not open" in the_problem(path, "liar.xlsx", None, None).found


BEFORE_CELLS = b"<sheetData"


@pytest.mark.parametrize(
    ("part", "mark", "more", "said"),
    [
        ("xl/styles.xml", b"</cellXfs>", b"<xf/>" * 300_001, "300,000 elements"),
        ("xl/workbook.xml", b"</workbook>", b"<x/>" * 3001, "3,000 elements"),
        ("sheet", BEFORE_CELLS, b"<x/>" * 3001, "3,000 elements"),
        ("sheet", b"</row>", b"<x/>" * 3001, "3,000 elements"),
        ("sheet", BEFORE_CELLS, b'<x a="' + b"y" * 2_000_000 + b'"/>', "a tag of more than 1 MB"),
        ("sheet", BEFORE_CELLS, b'<x xmlns:a="' + b"y" * 2_000_000 + b'"/>', "a tag"),
        ("sheet", BEFORE_CELLS, b"<" + b"y" * 2_000_000 + b"/>", "a tag"),
        ("xl/workbook.xml", b"<workbook", b"0" * 2_000_000, "a tag"),
        ("sheet", BEFORE_CELLS, b"<!--" + b"<y" * 2_000_000 + b"-->", "a long comment"),
        ("sheet", BEFORE_CELLS, b"<?a " + b"<y" * 2_000_000 + b"?>", "a long comment"),
    ],
    ids=lambda value: value[:12] if isinstance(value, bytes) else value,
)
def test_small_files_that_would_take_memory_or_time_are_refused(
    tmp_path, monkeypatch, part, mark, more, said
):
    """Four million empty styles are 45 kB in the archive, and 2.6 GB once they are read."""
    if "300,000" not in said:
        monkeypatch.setattr(workbook_guard, "MOST_ELEMENTS", 3000)

    def change(parts: dict[str, bytes]) -> None:
        name = (
            f"xl/worksheets/sheet{TABLE_NAMES.index('trees') + 1}.xml" if part == "sheet" else part
        )
        assert mark in parts[name]
        parts[name] = parts[name].replace(mark, more + mark, 1)

    path = workbook(tmp_path / "small.xlsx", change)
    assert path.stat().st_size < 100_000
    began = time.process_time()
    assert said in the_problem(path, "small.xlsx", None, None).found
    assert time.process_time() - began < 20


def test_one_long_text_shown_a_thousand_times_is_held_to_the_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(survey_limits, "MOST_CHARACTERS", 1_000_000)
    book = Workbook()
    book.active.title = "trees"
    for _ in range(100):
        book.active.append([" " + "x" * 30_000])
    book.save(tmp_path / "long.xlsx")
    assert "characters" in the_problem(tmp_path / "long.xlsx", "long.xlsx", None, None).found


# --- size ---


def test_a_file_or_a_table_beyond_the_limits_is_refused_with_the_limit(tmp_path, monkeypatch):
    path = write_survey(tmp_path)
    sizes = {file.name: file.stat().st_size for file in path.iterdir()}
    largest = max(sizes, key=sizes.get)
    monkeypatch.setattr(survey_limits, "LARGEST_FILE", sizes[largest] - 1)
    assert "at most" in the_problem(path, largest, None, None).expected
    monkeypatch.undo()
    for limit, word in (
        ("MOST_ROWS", "rows"),
        ("MOST_CELLS", "cells"),
        ("MOST_CHARACTERS", "characters"),
    ):
        monkeypatch.setattr(survey_limits, limit, 3)
        assert any(f"more than 3 {word}" in problem.found for problem in problems_of(path))
        monkeypatch.undo()
    monkeypatch.setattr(survey_layout, "MOST_CELLS", 60)
    assert (
        "at most"
        in next(problem for problem in problems_of(path) if problem.file == "trees.csv").expected
    )


def test_thousands_of_columns_are_refused(tmp_path):
    path = write_survey(tmp_path)
    header, *rows = (path / "plots.csv").read_text().splitlines()
    more = [f"extra{number}" for number in range(MOST_COLUMNS)]
    (path / "plots.csv").write_text(
        "\n".join([",".join([header, *more]), *(row + "," * MOST_COLUMNS for row in rows)]) + "\n"
    )
    assert "columns" in the_problem(path, "plots.csv", None, None).found


def test_millions_of_problems_are_not_all_kept():
    problems = ProblemList()
    problems.extend(
        Problem("a.csv", row, "x", "'?'", "a number", "Write it.")
        for row in range(KEPT_OF_A_COLUMN + 1000)
    )
    problems.append(Problem("a.csv", 2, "y", "'?'", "a number", "Write it."))
    assert len(problems) == KEPT_OF_A_COLUMN + 2 and problems[-1].column == "y"
    assert "more than" in problems[-2].found and problems[-2].row is None


def test_advice_is_worked_out_only_for_the_problems_that_are_told(tmp_path, monkeypatch):
    """A million rows wrong in every column would take minutes otherwise, and most of it would be
    thrown away.
    """
    told, asked = 20, set()
    for module in (cell_values, date_cells, table_cells, survey_cells, survey_checks):
        monkeypatch.setattr(module, "TOLD_OF_A_COLUMN", told)
    for module, name in (
        (cell_values, "_odd_number"),
        (cell_values, "_odd_code"),
        (date_cells, "_odd_date"),
    ):
        true = getattr(module, name)

        def counted(*given, true=true):
            (column,) = (each.name for each in given if isinstance(each, Column))
            (cell,) = (each for each in given if isinstance(each, str) and "wrong" in each)
            asked.add((column, cell))
            return true(*given)

        monkeypatch.setattr(module, name, counted)
    path = write_survey(tmp_path, without=["cores", "core_readings", "ring_widths"])
    header = (path / "trees.csv").read_text().splitlines()[0]
    columns = header.split(",")
    rows = [",".join(f"wrong {number}" for _ in columns) for number in range(500)]
    (path / "trees.csv").write_text("\n".join([header, *rows]) + "\n")
    with pytest.raises(SurveyError) as refused:
        read_survey(path)
    by_column = Counter(
        problem.column for problem in refused.value.problems if problem.file == "trees.csv"
    )
    assert max(by_column.values()) <= 2 * told  # refused as a cell, and as a name that is nowhere
    assert {"dbh_cm", "status", "stand", "plot"} <= set(by_column)
    assert told < len(asked) <= told * len(columns)


def test_thousands_of_lost_names_are_not_all_compared_with_all_others(tmp_path):
    """Names nearly the same are looked for where that helps; for 3,000 names against 1,000 it would
    take minutes.
    """
    path = write_survey(tmp_path, without=["cores", "core_readings", "ring_widths"])
    letters = "abcdefghij"
    known = [
        "".join(letters[int(digit)] for digit in f"{number:03d}") + "-stem-in-the-wood"
        for number in range(1000)
    ]
    (path / "trees.csv").write_text(
        "tree,stand,species,dbh_cm\n"
        + "".join(f"{name},north,longleaf-pine,40\n" for name in known)
    )
    (path / "cores.csv").write_text(
        "core,tree,centre,ring_count\n"
        + "".join(f"k{n},lost stem {n} of the wood,pith,50\n" for n in range(3000))
    )
    told = [problem for problem in problems_of(path) if problem.file == "cores.csv"]
    assert len(told) == 3000 and {problem.column for problem in told} == {"tree"}


LENGTHS = {
    ("trees", "tree"): LONGEST_NAME,
    ("trees", "species"): LONGEST_NAME,
    ("stands", "community"): LONGEST_NAME,
    ("trees", "note"): LONGEST_CELL,
}


@pytest.mark.parametrize(
    ("name", "column", "most"), [(*place, most) for place, most in LENGTHS.items()]
)
def test_absurdly_long_cells_are_refused_where_they_stand(tmp_path, name, column, most):
    path = write_survey(tmp_path / "long", changes=[(name, 1, column, "x" * (most + 1))])
    problem = next(
        problem
        for problem in problems_of(path)
        if (problem.file, problem.row, problem.column) == (f"{name}.csv", 3, column)
    )
    assert f"{most + 1:,} characters" in problem.found and f"{most:,}" in problem.expected
    if (name, column) != ("trees", "tree"):  # its core would lose it
        assert read_survey(
            write_survey(tmp_path / "not-too-long", changes=[(name, 1, column, "x" * most)])
        )


# --- names and notes that do harm where they are shown ---


@pytest.mark.parametrize("letter", ["\x07", "\x1b", "\n", "\u200b", "\u202e", "\u2028", "\x85"])
def test_names_with_characters_that_nobody_sees_are_refused(tmp_path, letter):
    path = write_survey(tmp_path, changes=[("stands", 1, "community", f"hill{letter}side")])
    problem = the_problem(path, "stands.csv", 3, "community")
    assert f"U+{ord(letter):04X}" in problem.found
    assert letter not in str(problem) and letter.encode("unicode_escape").decode() in str(problem)


def test_notes_may_have_lines_and_nothing_that_steers_a_terminal(tmp_path):
    survey = read_survey(
        write_survey(tmp_path / "lines", changes=[("trees", 0, "note", "two\nlines,\tand a mark")])
    )
    assert survey.trees["note"][0] == "two\nlines,\tand a mark"
    path = write_survey(tmp_path / "steers", changes=[("trees", 0, "note", "\x1b]0;title\x07")])
    assert "U+001B" in the_problem(path, "trees.csv", 2, "note").found


def test_what_is_shown_of_a_survey_steers_no_terminal(tmp_path):
    path = write_survey(
        tmp_path, changes=[("trees", 0, "dbh_cm", "\x1b[31m40"), ("trees", 1, "x\x1b[2J", "1")]
    )
    (path / "\x1b[1m.txt").write_text("x")
    with pytest.raises(SurveyError) as caught:
        read_survey(path)
    assert "\x1b" not in str(caught.value) and "\\x1b[31m40" in str(caught.value)
    (path / "trees.csv").write_text((path / "trees.csv").read_text().replace("\x1b[31m40", "40"))
    card = str(read_survey(path))
    assert "\x1b" not in card and "x\\x1b[2J" in card


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "../../x",
        "/etc/passwd",
        "C:\\x",
        "CON",
        "a/b",
        "~",
        "$(id)",
        "`id`",
        "-rf",
        "{0}",
        "%s",
        "<b>",
    ],
)
def test_names_that_are_tricks_elsewhere_are_names(tmp_path, name):
    path = write_survey(tmp_path, changes=[("trees", 0, "tree", name), ("cores", 0, "tree", name)])
    before = sorted(tmp_path.parent.rglob("*"))
    assert read_survey(path).trees["tree"][0] == name
    assert sorted(tmp_path.parent.rglob("*")) == before


# --- what is no file ---


@pytest.mark.parametrize("name", ["counts.csv", "rings/site.rwl"])
def test_pipes_devices_folders_and_broken_links_are_refused_and_not_waited_for(tmp_path, name):
    for number, (make, said) in enumerate(
        (
            (os.mkfifo, "pipe"),
            (lambda place: place.symlink_to("/dev/zero"), "device"),
            (lambda place: place.symlink_to("nowhere"), "link"),
        )
    ):
        path = write_survey(tmp_path / str(number), without=["counts"])
        (path / "rings").mkdir()
        make(path / name)
        assert said in the_problem(path, name, None, None).found
    path = write_survey(tmp_path / "folder", without=["counts"])
    (path / "counts.csv").mkdir()
    assert "folder" in the_problem(path, "counts.csv", None, None).found
    os.mkfifo(tmp_path / "pipe.xlsx")
    assert (
        "pipe" in the_problem(tmp_path / "pipe.xlsx", str(tmp_path / "pipe.xlsx"), None, None).found
    )


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_files_and_folders_that_may_not_be_read_are_told(tmp_path):
    path = write_survey(tmp_path / "a")
    (path / "counts.csv").chmod(0)
    assert "cannot be read" in the_problem(path, "counts.csv", None, None).found
    path.chmod(0)
    try:
        assert "cannot be read" in problems_of(path)[0].found
    finally:
        path.chmod(0o700)


def test_a_table_that_is_there_twice_or_under_another_ending_is_never_passed_over(tmp_path):
    path = write_survey(tmp_path / "twice")
    (path / "counts.CSV").write_bytes((path / "counts.csv").read_bytes())
    assert "same table" in str(problems_of(path))
    path = write_survey(tmp_path / "text", without=["counts"])
    (path / "counts.csv.txt").write_text("plot,stage,area_m2,count\np1,grass,100,3\n")
    assert "counts.csv" in the_problem(path, "counts.csv.txt", None, None).expected


def test_rings_of_other_people_are_named_and_left_alone(tmp_path):
    path = write_survey(tmp_path)
    (path / "rings" / "old").mkdir(parents=True)
    for name in ("photo.jpg", "letter.docx", "a.rwl.bak", ".hidden.rwl", "~$open.rwl"):
        (path / "rings" / name).write_bytes(b"\xff\xd8 whatever")
    notes = " ".join(read_survey(path).notes)
    assert (
        "photo.jpg" in notes
        and "letter.docx" in notes
        and "a.rwl.bak" in notes
        and "hidden" not in notes
    )
    (path / "rings" / "photo.rwl").write_bytes(b"\xff\xd8\xff\xe0" + bytes(range(256)))
    assert problems_of(path)[0].file == "rings/photo.rwl"


# --- results and posteriors of strangers ---


@pytest.fixture(scope="module")
def posterior():
    return fake_posterior(draws=20)


@pytest.fixture(scope="module")
def saved(posterior, tmp_path_factory):
    path = tmp_path_factory.mktemp("saved") / "posterior.nc"
    posterior.save(path)
    return path


def test_loading_a_posterior_never_unpickles(saved, posterior, monkeypatch):
    from standage.stand.posterior import load_posterior

    def never(*_, **__):
        raise AssertionError("something was unpickled")

    for name in ("load", "loads", "Unpickler"):
        monkeypatch.setattr(pickle, name, never)
    assert load_posterior(saved).verdict == posterior.verdict


class Harmful:
    def __reduce__(self):
        return (os.mkdir, ("harmed",))


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not a posterior",
        b"\x89HDF\r\n\x1a\n" + bytes(200),
        b"CDF\x01" + bytes(100),
        pickle.dumps(Harmful()),
    ],
)
def test_files_that_are_no_posterior_are_refused_in_words(tmp_path, monkeypatch, content):
    from standage.stand.posterior import load_posterior

    monkeypatch.chdir(tmp_path)
    (tmp_path / "posterior.nc").write_bytes(content)
    with pytest.raises(StandageError, match="expected a posterior"):
        load_posterior(tmp_path / "posterior.nc")
    assert not (tmp_path / "harmed").exists()


@pytest.mark.slow
def test_a_damaged_posterior_is_refused_or_whole(saved, posterior, tmp_path):
    """Bytes changed or cut off anywhere: words, or the draws; no other error."""
    from standage.stand.posterior import load_posterior

    whole, rng, refused = saved.read_bytes(), np.random.default_rng(1), 0
    for number in range(20):
        content = bytearray(whole)
        if number % 4 == 0:
            del content[int(rng.integers(len(content))) :]
        else:
            at = int(rng.integers(len(content) if number % 2 else 4000))
            content[at : at + 8] = rng.bytes(8)
        (tmp_path / "posterior.nc").write_bytes(content)
        try:
            assert (
                load_posterior(tmp_path / "posterior.nc").year_at_core.shape
                == posterior.year_at_core.shape
            )
        except StandageError as error:
            assert "posterior" in str(error)
            refused += 1
    assert refused >= 5, "files cut off, at the least"


@pytest.mark.slow
def test_a_posterior_that_asks_for_all_memory_or_does_not_belong_together_is_refused(
    saved, tmp_path, monkeypatch
):
    import h5py

    from standage.stand import netcdf_file, posterior

    path = tmp_path / "posterior.nc"
    path.write_bytes(saved.read_bytes())
    with monkeypatch.context() as patched:
        patched.setattr(netcdf_file, "MOST_BYTES", 1e4)
        with pytest.raises(StandageError, match="GB"):
            posterior.load_posterior(path)
    with h5py.File(path, "r+") as file:
        file["posterior"]["living"][0, 0, 0, 0] = np.nan
    with pytest.raises(StandageError, match="damaged"):
        posterior.load_posterior(path)


def test_provenance_of_strangers_is_refused_in_words(tmp_path):
    from standage.commands.compare import compare_results
    from standage.report.card import write_card

    for text in (
        "[]",
        "{}",
        '{"made_by": "standage result"}',
        '{"made_by": "standage result", "files": [["x"], 3], "profiles": 7, "level": "high"}',
    ):
        (tmp_path / "provenance.json").write_text(text)
        (tmp_path / "posterior.nc").write_bytes(b"")
        with pytest.raises(StandageError):
            write_card(tmp_path, "a", tmp_path / "cards")
        with pytest.raises(StandageError):
            compare_results([tmp_path, tmp_path])
        with pytest.raises(StandageError):
            check_result_folder(tmp_path)
