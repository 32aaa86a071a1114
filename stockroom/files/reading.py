"""Tables out of the files that people send: CSV in its many dialects (`texts`) and XLSX (`workbooks`).

Refused, each with its reason: files too large or with too much in them, workbooks with macros, encrypted files, old
binary workbooks, and files that are not what their name says.
"""

from collections.abc import Callable

from stockroom.files.tables import MAX_BYTES, FileTable, NotATable
from stockroom.files.texts import read_text
from stockroom.files.workbooks import read_workbook


def read_tables(
    data: bytes, file_name: str, encoding: str = "", known: Callable[[str], bool] = lambda _: False
) -> list[FileTable]:
    """Every table of the file that holds anything: one of a CSV file, one a sheet of a workbook.

    Args:
        encoding: of a CSV file, where somebody said it (`tables.ENCODINGS`); else it is guessed.
        known: whether a heading is one that we know, which tells the encoding best.

    Raises:
        NotATable: the file cannot be read as one.
    """
    if not data:
        raise NotATable("The file is empty.")
    if len(data) > MAX_BYTES:
        raise NotATable(f"The file has {len(data) / 1e6:.1f} MB; at most {MAX_BYTES / 1e6:g} MB is read. Split it.")
    suffix = file_name.rpartition(".")[2].casefold() if "." in file_name else ""
    is_archive = data.startswith(b"PK\x03\x04")
    read = read_workbook(data, suffix) if is_archive else [read_text(data, suffix, encoding, known)]
    tables = [table for table in read if table.rows]
    if not tables:
        raise NotATable("There is nothing in the file but empty cells.")
    return tables
