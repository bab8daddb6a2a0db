"""From an .xlsx workbook to rows of written cells."""

from __future__ import annotations

import io
from pathlib import Path

from standage.survey.files import (
    WrittenSurvey,
    lay_out,
    place_names,
    read_content,
    too_large,
    unreadable_file,
)
from standage.survey.form_rows import header_place
from standage.survey.limits import MOST_COLUMNS, TooLarge
from standage.survey.schema import TABLES, table
from standage.survey.workbook_cells import (
    as_text,
    names_made_dates,
    names_made_numbers,
    sheet_values,
    uncomputed,
)
from standage.survey.workbook_guard import guarded
from standage.survey.workbook_marks import (
    fill_merged,
    keep_comments,
    tell_of_hidden,
)


def read_workbook(path: Path, survey: WrittenSurvey) -> None:
    """Read the sheets of a workbook. Dates and numbers are turned into the text a CSV file would
    hold.
    """
    content = read_content(path, path.name, survey)
    if content is None:
        survey.unreadable.update(each.name for each in TABLES)
        return
    from openpyxl import (
        load_workbook,
    )  # imported here: most surveys are CSV, and it takes a while to load

    try:
        workbook = guarded(content)
        book = load_workbook(io.BytesIO(workbook.content), read_only=True, data_only=True)
        written = (
            load_workbook(io.BytesIO(workbook.content), read_only=True)
            if workbook.formulas
            else None
        )
        sheets = {sheet.title: sheet for sheet in book.worksheets}
        named = place_names({title: title for title in sheets}, survey, what="sheet")
        # read whole before anything is taken for a table: a damaged part may show at its very end
        values = {name: sheet_values(sheets[title]) for name, title in named.items()}
        raw = (
            {name: sheet_values(written[title]) for name, title in named.items()}
            if written is not None
            else {}
        )
    except TooLarge as error:
        survey.problems.append(too_large(path.name, error))
    except (
        Exception
        # a damaged archive fails in the unpacking, the XML or the library, each with errors of its
        # own
    ) as error:
        survey.problems.append(
            unreadable_file(
                path.name,
                f"a file that does not open as a workbook ({error})",
                "an .xlsx workbook",
                "Open it in the spreadsheet and save it anew as .xlsx, without a password.",
            )
        )
    else:
        for name, title in named.items():
            file = f"{path.name}, sheet {title}"
            survey.files[name] = file
            records = [[as_text(value) for value in record] for record in values[name]]
            header = header_place(records, table(name)) or 0
            if name in raw:
                uncomputed(file, raw[name], records, header, survey.problems)
            marks = workbook.marks_of(sheets[title])
            fill_merged(file, records, header, marks, survey.problems, survey.readings)
            names_made_dates(file, values[name], records, header, table(name), survey.notes)
            # A sheet has no ragged rows: trailing blanks are simply not stored.
            width = min(len(records[header]) if records else 0, MOST_COLUMNS)
            lay_out(
                file,
                [record + [""] * (width - len(record)) if record else record for record in records],
                name,
                survey,
                sheet=True,
            )
            if name not in survey.tables:
                continue
            laid_out = keep_comments(name, survey.tables[name], marks, survey)
            survey.tables[name] = laid_out
            tell_of_hidden(laid_out, marks, workbook.struck_texts, survey.notes)
            names_made_numbers(name, laid_out, values[name], survey.numbers)
        return
    survey.unreadable.update(each.name for each in TABLES)
