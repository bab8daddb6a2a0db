"""From the files of a survey to rows of written cells: folders, encodings, delimiters. Nothing is
interpreted here.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from standage.errors import Problem
from standage.survey.files.csv_files import read_csv_table, top_rows
from standage.survey.files.file_contents import no_file, read_content, took_lines
from standage.survey.files.form_rows import EXAMPLE_NOTE, example_problem, example_rows
from standage.survey.files.headed_tables import columns_of, table_by_headings
from standage.survey.files.placing import MARKS_SHEET, NOT_READ, place_names
from standage.survey.files.stacked_sheets import take_in
from standage.survey.flat_table import FLAT, table_of, tables_needed
from standage.survey.mapping import mapping_path, read_mapping
from standage.survey.schema import CORES, TABLES, TREES
from standage.survey.written import WrittenSurvey, WrittenTable, unreadable_file

RINGS_FOLDER = "rings"
OF_STEMS_OR_CORES = (FLAT, TREES, CORES)
NEARLY_RINGS_FOLDER = {"rings", "ring", "ringwidths", "ring_widths", "ring-widths", "rwl"}
DECADAL_ENDINGS = (".rwl", ".raw")
"""Files of raw ring widths in the decadal format are distributed under the first; some programs
write the second (from memory).
"""
TEXTS = (".txt", ".tsv", ".tab", ".doc", ".docx", ".rtf", ".odt")
"""Endings of files in which a table or the history of a stand may be written."""


def read_written(path: Path) -> WrittenSurvey:
    """Everything a folder of CSV files or an .xlsx workbook says; problems are collected, never
    raised.
    """
    survey = WrittenSurvey()
    if not path.exists() and not path.is_symlink():
        survey.problems.append(
            Problem(
                str(path),
                None,
                None,
                "nothing at this place",
                "a folder of CSV files or an .xlsx workbook",
                "Check the path; `standage new DIR` makes empty forms.",
            )
        )
    elif path.is_dir():
        _read_mapping(path, survey)
        _read_folder(path, survey)
    elif not path.is_file():
        survey.problems.append(no_file(str(path), path))
    elif path.suffix.lower() == ".xlsx":
        _read_mapping(path, survey)
        _read_book(path, survey)
    elif path.suffix.lower() == ".csv":
        _read_mapping(path, survey)
        _read_one_file(path, survey)
    else:
        survey.problems.append(
            Problem(
                str(path),
                None,
                None,
                f"a file ending in '{path.suffix}'",
                "a folder of CSV files or an .xlsx workbook",
                "Save the tables as CSV files in one folder, or as one .xlsx workbook.",
            )
        )
    _take_out_examples(survey)
    return survey


def _read_mapping(path: Path, survey: WrittenSurvey) -> None:
    """What a mapping file says of the sheets, if there is one."""
    mapping = mapping_path(path)
    if not os.path.lexists(mapping):
        return
    content = read_content(mapping, mapping.name, survey)
    if content is not None:
        survey.mapping = read_mapping(mapping.name, content, survey.problems)


def _read_one_file(path: Path, survey: WrittenSurvey) -> None:
    """A CSV file that holds trees and cores in the same rows."""
    mapped = survey.mapping.get(path.name)
    if mapped is None and not tables_needed(columns_of(top_rows(path), FLAT)):
        survey.problems.append(
            Problem(
                str(path),
                None,
                None,
                "a single CSV file",
                "the folder that holds the CSV files of the survey, or one file with trees and"
                " their cores in its rows",
                f"Give the folder: {path.parent}. If the file holds trees and cores under headings"
                f" of its own, `standage check {path.name} --draft` writes a file to say which.",
            )
        )
        return
    name = FLAT.name if mapped is None else mapped.holds
    content = read_content(path, path.name, survey)
    if content is not None and name:
        take_in({name: [read_csv_table(path.name, content, name, survey)]}, survey)


def _read_book(path: Path, survey: WrittenSurvey) -> None:
    from standage.survey.files.workbooks import (
        read_workbook,
    )  # imported here: most surveys are CSV, and it takes a while to load

    survey.book = path.name
    read_workbook(path, survey)


def _take_out_examples(survey: WrittenSurvey) -> None:
    """The forms' example rows, once there are others: a problem each. Where there is nothing else
    they are a survey to try things on.
    """
    examples = {
        name: example_rows(table_of(name), written.header, written.cells)
        for name, written in survey.tables.items()
    }
    if all(all(marks) for marks in examples.values()):
        if any(examples.values()):
            survey.notes.append("the survey holds nothing but the example rows of the empty forms")
        return
    for name, marks in examples.items():
        written = survey.tables[name]
        survey.problems += [
            example_problem(written.file, row)
            for row, mark in zip(written.rows, marks, strict=True)
            if mark
        ]
        mine = [place for place, mark in enumerate(marks) if not mark]
        cells, rows = (
            [written.cells[place] for place in mine],
            [written.rows[place] for place in mine],
        )
        survey.tables[name] = replace(written, cells=cells, rows=rows)
        if "note" in written.header:
            place = written.header.index("note")
            survey.problems += [
                Problem(
                    written.file,
                    row,
                    "note",
                    f"'{EXAMPLE_NOTE}' in a row that is not the example any more",
                    "a note of your own, or a blank cell",
                    "Empty the note if the row is yours, or delete the row.",
                )
                for record, row in zip(cells, rows, strict=True)
                if record[place] == EXAMPLE_NOTE
            ]


def _read_folder(folder: Path, survey: WrittenSurvey) -> None:
    try:
        entries = sorted(
            entry for entry in folder.iterdir() if not entry.name.startswith((".", "~$"))
        )
    except OSError as error:
        survey.problems.append(
            unreadable_file(
                str(folder),
                f"a folder that cannot be read ({error.strerror})",
                "a readable folder",
                "Check that you may read it.",
            )
        )
        survey.unreadable.update(each.name for each in TABLES)
        return
    tables: dict[str, str] = {}
    for entry in entries:
        if entry.suffix.lower() != ".csv":
            continue
        if entry.stem in tables:
            survey.problems.append(
                Problem(
                    entry.name,
                    None,
                    None,
                    f"the same table as in {tables[entry.stem]}",
                    "one file a table",
                    "Take one of the two out of the folder, or rename it.",
                )
            )
        else:
            tables[entry.stem] = entry.name
    workbooks = [
        entry.name
        for entry in entries
        if entry.is_file() and entry.suffix.lower() in (".xlsx", ".xls", ".ods")
    ]
    if not tables and len(workbooks) == 1 and workbooks[0].lower().endswith(".xlsx"):
        _read_book(folder / workbooks[0], survey)
        _read_rings(folder, survey)
        return
    if not tables and workbooks:
        survey.problems.append(
            Problem(
                str(folder),
                None,
                None,
                f"no CSV file, but {', '.join(workbooks)}",
                "CSV files in the folder",
                f"If the workbook is the survey, give its path: {folder / workbooks[0]}.",
            )
        )
        survey.unreadable.update(each.name for each in TABLES)
    if tables:
        for name in workbooks:
            _tell_of_workbook(folder / name, survey)
    placed = place_names(tables, survey, what="file", top=lambda file: top_rows(folder / file))
    read: dict[str, list[WrittenTable | None]] = {name: [] for name in placed}
    for name, file in ((name, file) for name, files in placed.items() for file in files):
        content = read_content(folder / file, file, survey)
        if content is None:
            survey.unreadable.add(name)
            continue
        survey.files.setdefault(name, file)
        read[name].append(read_csv_table(file, content, name, survey))
    take_in(read, survey)
    _name_other_files(entries, set(placed) | survey.unreadable, survey)
    _read_rings(folder, survey)


def _tell_of_workbook(path: Path, survey: WrittenSurvey) -> None:
    """A workbook beside CSV files isn't read: a problem where it lists stems or cores, else a
    note.
    """
    if path.name.split(".")[0].lower() in {each.name for each in TABLES}:
        return  # named with the other files
    sheets: dict[str, list[list[str]]] = {}
    if path.suffix.lower() == ".xlsx":
        from standage.survey.files.workbooks import top_rows_of_sheets  # takes a while to load

        sheets = top_rows_of_sheets(path)
    listing = [name for name, rows in sheets.items() if table_by_headings(rows, OF_STEMS_OR_CORES)]
    if not listing or MARKS_SHEET in sheets:
        survey.notes.append(
            f"workbook '{path.name}' beside the CSV files (a survey is CSV files, or one workbook"
            f" with all of it: save its sheets here as CSV) {NOT_READ}"
        )
        return
    survey.problems.append(
        Problem(
            path.name,
            None,
            None,
            f"a workbook that lists stems or cores ('{listing[0]}') beside CSV files",
            "CSV files alone, which are read here, or one workbook with all of the survey",
            "Save its sheets in this folder as CSV; or put the CSV files into it as sheets, and"
            f" check '{path.name}' itself. A copy of what the CSV files hold belongs into another"
            " folder.",
        )
    )


def _name_other_files(entries: list[Path], there: set[str], survey: WrittenSurvey) -> None:
    """Files that a table may hide in. One that would be missed is a problem, for without it the
    answer is another.
    """
    known = {each.name for each in TABLES}
    for entry in entries:
        stem = entry.name.split(".")[0].lower()
        if entry.suffix.lower() == ".csv" or entry.is_dir():
            continue
        if stem not in known:
            if entry.suffix.lower() not in TEXTS or not there or stem == "readme":
                continue
            if entry.suffix.lower() != ".txt" or not took_lines(entry, survey):
                survey.notes.append(f"file '{entry.name}' (tables are CSV files) {NOT_READ}")
            continue
        if stem in there:
            survey.notes.append(f"file '{entry.name}' was not read; tables are CSV files")
        else:
            survey.problems.append(
                Problem(
                    entry.name,
                    None,
                    None,
                    f"a file named '{entry.name}'",
                    f"'{stem}.csv'",
                    f"Save it as CSV under the name '{stem}.csv', or take it out of the folder.",
                )
            )
            survey.unreadable.add(stem)


def _read_rings(folder: Path, survey: WrittenSurvey) -> None:
    """The files of the folder `rings`; what looks like ring widths elsewhere is named, and not
    read.
    """
    for entry in sorted(folder.iterdir()):
        if (
            entry.is_dir()
            and entry.name != RINGS_FOLDER
            and entry.name.lower() in NEARLY_RINGS_FOLDER
        ):
            survey.notes.append(
                f"folder '{entry.name}' was not read; decadal ring-width files are looked for in"
                f" '{RINGS_FOLDER}'"
            )
        elif entry.is_file() and entry.suffix.lower() in DECADAL_ENDINGS:
            survey.notes.append(
                f"file '{entry.name}' was not read; decadal ring-width files belong into the folder"
                f" '{RINGS_FOLDER}'"
            )
    rings = folder / RINGS_FOLDER
    if not rings.is_dir():
        if rings.exists() or rings.is_symlink():
            survey.problems.append(
                unreadable_file(
                    RINGS_FOLDER,
                    "a file or a link to nothing",
                    "a folder of decadal ring-width files",
                    "Put the ring-width files into a folder of that name, or rename it.",
                )
            )
        return
    try:
        entries = sorted(rings.iterdir())
    except OSError as error:
        survey.problems.append(
            unreadable_file(
                RINGS_FOLDER,
                f"a folder that cannot be read ({error.strerror})",
                "a readable folder",
                "Check that you may read it.",
            )
        )
        return
    for entry in entries:
        name = f"{RINGS_FOLDER}/{entry.name}"
        if entry.name.startswith((".", "~$")) or entry.is_dir():
            continue
        if entry.suffix.lower() not in DECADAL_ENDINGS:
            survey.notes.append(
                f"file '{name}' was not read; decadal ring-width files end in"
                f" {' or '.join(DECADAL_ENDINGS)}"
            )
            continue
        content = read_content(entry, name, survey)
        if content is not None:
            survey.rings[name] = content
