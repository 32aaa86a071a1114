"""Texts in a CSV file: no spreadsheet runs one as a formula, and every one comes back as it was."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stockroom.files.cells import STARTS, defused, restored
from stockroom.files.reading import read_tables

TRICKY = st.text(st.sampled_from("=+-@\\N\t\r\n1 ,;\"'ab＝"), max_size=8)


@given(TRICKY | st.text())
@example("\\N")
@example("\\\\=1")
def test_every_text_comes_back(text: str) -> None:
    assert restored(defused(text)) == text


@given(TRICKY | st.text())
def test_no_cell_begins_as_a_formula_unless_it_is_a_number(text: str) -> None:
    cell = defused(text)
    assert not cell.startswith(tuple(STARTS)) or float(cell.replace(",", ".")) is not None


@given(TRICKY | st.text())
def test_no_text_passes_for_the_mark_of_no_value(text: str) -> None:
    assert defused(text) != "\\N"


@pytest.mark.parametrize("text", ["tall boxes", "-5", "+1.5", "-0,85", "12AX7", "", "a=b"])
def test_what_is_harmless_is_left_as_it_is(text: str) -> None:
    assert defused(text) == text


@pytest.mark.parametrize("text", ["=1+1", "+44 20 7946 0000", "-2+3+cmd|' /C calc'!A0", "@SUM(1)", "\t=1", "\r=1", "-"])
def test_what_would_run_gets_a_backslash(text: str) -> None:
    assert defused(text) == f"\\{text}"


@given(st.lists(st.lists(TRICKY, min_size=2, max_size=4), min_size=1, max_size=6))
def test_the_import_reads_an_exported_file_back(rows: list[list[str]]) -> None:
    """But for what every import takes away: spaces around a text, and how a line ends."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerows([["heading", "other"], *([defused(cell) for cell in row] for row in rows)])
    table = read_tables(f"sep=,\n{out.getvalue()}".encode(), "export.csv")[0]
    read = {row.number - 3: [str(cell) for cell in row.cells] for row in table.rows}
    for number, row in enumerate(rows):
        wanted = [_plain(cell) for cell in row]
        found = [_plain(cell) for cell in read.get(number, [])]
        assert found + [""] * (len(wanted) - len(found)) == wanted


def _plain(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n").strip()
