"""A workbook as the bytes of its file, made in memory: an archive that can't be ended, on a disk
without room, is ended later, with a traceback on the screen.
"""

from __future__ import annotations

import io
import zipfile

from openpyxl import Workbook
from openpyxl.writer.excel import ExcelWriter


def workbook_bytes(book: Workbook) -> bytes:
    """The .xlsx file of a workbook. Raises OSError where there is no room for its sheets, which the
    library writes to temporary files first.
    """
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        ExcelWriter(book, archive).save()
    return content.getvalue()
