"""A file of readings is understood as people have it, and what cannot be read is named by row and column."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grading.bench.pure.readings_file import Parsed, ReadingRow, parse
from grading.bench.pure.readings_header import READINGS, ReadingColumn, read_heading, read_section
from grading.metrology.units import MA_PER_V, MICROMHOS, Unit, UnknownUnit
from stockroom.files.layouts import Layout, first_choices
from stockroom.files.numbers import DecimalMark
from stockroom.files.reading import read_tables
from stockroom.files.tables import NotATable
from stockroom.pure.serials import serial

ONE, TWO, THREE = serial(1), serial(2), serial(3)


def parsed_bytes(data: bytes, mark: str = "", gm_unit: Unit = MA_PER_V) -> Parsed:
    """The file as its headings lay it out."""
    tables = read_tables(data, "readings.csv", known=READINGS.knows)
    return parse(Layout(tables, replace(first_choices(tables, READINGS, {}), mark=mark)), gm_unit=gm_unit)


def read(text: str, encoding: str = "utf-8", **choices: Any) -> Parsed:
    return parsed_bytes(text.encode(encoding), **choices)


def only(parsed: Parsed) -> ReadingRow:
    assert parsed.problems == ()
    assert len(parsed.rows) == 1
    return parsed.rows[0]


def complaints(parsed: Parsed) -> list[str]:
    return [str(problem) for problem in parsed.problems]


def test_one_row_a_section() -> None:
    parsed = read(f"serial,section,Ia (mA),gm (mA/V)\n{ONE},1,1.2,1.6\n{ONE},2,1.1,1.5\n")
    assert parsed.problems == ()
    assert parsed.rows == (
        ReadingRow(2, ONE, 1, anode_current_ma=1.2, gm_ma_per_v=1.6),
        ReadingRow(3, ONE, 2, anode_current_ma=1.1, gm_ma_per_v=1.5),
    )


@pytest.mark.parametrize(
    "heading",
    [
        "Ia1;gm1;Ia2;gm2",
        "section 1 Ia;section 1 gm;section 2 Ia;section 2 gm",
        "Ia_1;gm_1;Ia_2;gm_2",
        "Ia section 1;gm section 1;Ia section 2;gm section 2",
        "1 Ia;1 gm;2 Ia;2 gm",
    ],
)
def test_one_row_a_valve(heading: str) -> None:
    parsed = read(f"serial;{heading}\n{ONE};1,2;1,6;1,1;1,5\n")
    assert parsed.problems == ()
    assert [(row.row, row.section, row.anode_current_ma, row.gm_ma_per_v) for row in parsed.rows] == [
        (2, 1, 1.2, 1.6),
        (2, 2, 1.1, 1.5),
    ]


def test_a_valve_with_one_section_leaves_the_others_columns_empty() -> None:
    parsed = read(f"serial;Ia1;gm1;Ia2;gm2\n{ONE};47;11;;\n")
    assert [row.section for row in parsed.rows] == [1]


def test_everything_a_bench_writes_down_is_kept() -> None:
    parsed = read(
        "serial;section;test point;Ia;gm (µmho);shorts;leakage (µA);Ig (µA);noise;remark\n"
        f"{ONE};2;100 V;0,5;1250;hk;12,5;-0,2;slight;foot, loose\n"
    )
    assert only(parsed) == ReadingRow(
        2,
        ONE,
        2,
        "100 V",
        anode_current_ma=0.5,
        gm_ma_per_v=1.25,
        shorted=True,
        short_between="heater and cathode",
        heater_cathode_leakage_ua=12.5,
        grid_current_ua=-0.2,
        noise="slight",
        remark="foot, loose",
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_encodings_marks_and_line_ends_do_not_matter(encoding: str, newline: str) -> None:
    text = f"serial;Ia [mA];gm [µmho]{newline}{newline}{ONE};1,2;1600{newline}"
    assert only(read(text, encoding)) == ReadingRow(3, ONE, anode_current_ma=1.2, gm_ma_per_v=1.6)


@pytest.mark.parametrize("delimiter", [";", ",", "\t", "|"])
def test_the_delimiter_is_found(delimiter: str) -> None:
    text = "\n".join(delimiter.join(row) for row in [["serial", "Ia", "gm"], [ONE, "1.2", "1.6"]])
    assert only(read(text)) == ReadingRow(2, ONE, anode_current_ma=1.2, gm_ma_per_v=1.6)


def test_a_spreadsheets_word_on_its_delimiter_is_taken() -> None:
    assert only(read(f"sep=;\nserial;Ia\n{ONE};1,2\n")).row == 3


def test_lines_above_the_heading_and_blank_lines_are_passed_over_and_counted() -> None:
    assert only(read(f"Readings of the week;;\n\nserial;Ia\n;\n\n{ONE};1,2\n")).row == 6


def test_units_may_stand_in_the_row_beneath_the_heading() -> None:
    assert only(read(f"serial,Ia,gm\n,µA,umho\n{ONE},1200,1600\n")) == ReadingRow(
        3, ONE, anode_current_ma=1.2, gm_ma_per_v=1.6
    )


def test_units_may_stand_in_the_cells() -> None:
    assert only(read(f"serial;Ia;gm (µmho)\n{ONE};1200 µA;1,6 mA/V\n")).gm_ma_per_v == 1.6


def test_gm_without_a_unit_is_assumed_and_said_so() -> None:
    parsed = read(f"serial;gm\n{ONE};1600\n", gm_unit=MICROMHOS)
    assert only(parsed).gm_ma_per_v == 1.6
    assert "Column “gm” does not say its unit; µmho is assumed." in parsed.notes


@pytest.mark.parametrize(
    ("title", "field", "section", "unit"),
    [
        ("Serial No.", ReadingColumn.SERIAL, None, None),
        ("S/N", ReadingColumn.SERIAL, None, None),
        ("Section", ReadingColumn.SECTION, None, None),
        ("Ia", ReadingColumn.ANODE_CURRENT, None, None),
        ("Plate current, mA", ReadingColumn.ANODE_CURRENT, None, "mA"),
        ("Anode current / mA", ReadingColumn.ANODE_CURRENT, None, "mA"),
        ("anode_current_ma", ReadingColumn.ANODE_CURRENT, None, "mA"),
        ("gm_ma_per_v", ReadingColumn.GM, None, "mA/V"),
        ("S mA/V", ReadingColumn.GM, None, "mA/V"),
        ("S [mA/V]", ReadingColumn.GM, None, "mA/V"),
        ("S2 (mA/V)", ReadingColumn.GM, 2, "mA/V"),
        ("Gm (Micromhos)", ReadingColumn.GM, None, "µmho"),
        ("gm in μmho", ReadingColumn.GM, None, "µmho"),
        ("Transconductance (µS)", ReadingColumn.GM, None, "µmho"),
        ("h-k leakage (uA)", ReadingColumn.LEAKAGE, None, "µA"),
        ("heater_cathode_leakage_ua", ReadingColumn.LEAKAGE, None, "µA"),
        ("Ig1 (µA)", ReadingColumn.GRID_CURRENT, None, "µA"),
        ("Grid current 2", ReadingColumn.GRID_CURRENT, 2, None),
        ("Ia (section 2) [mA]", ReadingColumn.ANODE_CURRENT, 2, "mA"),
        ("half B Ia", ReadingColumn.ANODE_CURRENT, 2, None),
        ("Notes", ReadingColumn.REMARK, None, None),
        ("Noise 2", ReadingColumn.NOISE, 2, None),
    ],
)
def test_headings_have_many_spellings(title: str, field: ReadingColumn, section: int | None, unit: str | None) -> None:
    heading = read_heading(title)
    assert heading is not None
    assert (heading.field, heading.section, heading.unit and heading.unit.name) == (field, section, unit)


@pytest.mark.parametrize("title", ["", "Date", "Va", "mu", "S", "Ig2", "Type", "section 1"])
def test_other_columns_are_not_taken_for_ours(title: str) -> None:
    assert read_heading(title) is None


def test_a_numbered_grid_current_goes_with_its_section() -> None:
    parsed = read(f"serial;Ia1;Ig1;Ia2;Ig2\n{ONE};1,2;0,1;1,1;0,3\n")
    assert [row.grid_current_ua for row in parsed.rows] == [0.1, 0.3]


@pytest.mark.parametrize(
    ("text", "section"), [("1", 1), ("B", 2), ("II", 2), ("section 2", 2), ("1.0", 1), ("x", None)]
)
def test_a_section_has_many_spellings(text: str, section: int | None) -> None:
    assert read_section(text) == section


def test_a_column_we_do_not_keep_is_noted() -> None:
    assert "Column “Date” is not used." in read(f"serial;Date;Ia\n{ONE};2024-05-01;1,2\n").notes


# What is wrong is named by row and column.


def test_bad_cells_are_all_named_by_row_and_column() -> None:
    parsed = read(
        f"serial;section;Ia (mA);gm (µmho);noise\n{ONE};1;1,2;lots;quiet\n{TWO};9;1,2;1600;\n10000013;1;1;1;hum\n"
    )
    assert complaints(parsed) == [
        "row 2, column gm (µmho): “lots” is not a number.",
        "row 3, column section: “9” is no section. Write 1 or 2.",
        "row 4, column noise: “hum” is none of quiet, slight, noisy.",
        "row 4, column serial: “10000013” has a wrong digit or two digits swapped: its check digit does not agree.",
    ]


@pytest.mark.parametrize("row", [f"{ONE};1;1 V;lots", f"{ONE};9;1,2;lots", "10000013;1;1,2;lots"])
def test_two_bad_cells_in_a_row_are_both_named(row: str) -> None:
    assert len(read(f"serial;section;Ia;gm\n{row}\n").problems) == 2


def test_a_wrong_shared_cell_is_named_once_a_row() -> None:
    assert complaints(read(f"serial;Ia1;Ia2;noise\n{ONE};1;2;hum\n")) == [
        "row 2, column noise: “hum” is none of quiet, slight, noisy."
    ]


def test_an_unknown_unit_is_the_columns_fault() -> None:
    assert complaints(read(f"serial;Ia;leakage (MΩ)\n{ONE};1,2;5\n")) == [
        "row 1, column leakage (MΩ): “MΩ” is not a unit of current; use A or mA or µA or nA."
    ]
    with pytest.raises(UnknownUnit):
        read_heading("gm (volts)")


def test_a_serial_that_a_spreadsheet_rewrote_is_explained() -> None:
    assert "a spreadsheet rewrote" in complaints(read("serial;Ia\n1E+07;1,2\n"))[0]
    assert only(read(f"serial;Ia\n{ONE}.0;1,2\n")).serial == ONE
    assert only(read(f'serial;Ia\n="{ONE}";1,2\n')).serial == ONE


def test_a_missing_serial_is_refused() -> None:
    assert complaints(read(f"serial;Ia\n;1,2\n{ONE};1\n")) == ["row 2, column serial: there is no serial."]


def test_the_second_sections_row_may_leave_the_serial_to_the_row_above() -> None:
    parsed = read(f"serial;section;Ia\n{ONE};1;1,2\n;2;1,1\n")
    assert [row.serial for row in parsed.rows] == [ONE, ONE]
    assert any("valve above" in note and "row 3" in note for note in parsed.notes)


def test_a_bad_serial_is_not_lent_to_the_row_below() -> None:
    parsed = read(f"serial;section;Ia\n{ONE};1;1,2\nwhat;1;1,2\n;2;1,1\n")
    assert [str(problem).split(":")[0] for problem in parsed.problems] == [
        "row 3, column serial",
        "row 4, column serial",
    ]


def test_a_section_read_twice_is_refused() -> None:
    assert complaints(read(f"serial;section;Ia\n{ONE};1;1,2\n{ONE};A;1,3\n")) == [
        f"row 3: section 1 of {ONE} is in row 2 already."
    ]


def test_a_row_without_readings_is_left_out_and_noted() -> None:
    parsed = read(f"serial;Ia;gm\n{ONE};1,2;1,6\n{TWO};-;\n")
    assert [row.serial for row in parsed.rows] == [ONE]
    assert any("Left out" in note and "row 3" in note for note in parsed.notes)


def test_decimal_commas_between_commas_are_explained() -> None:
    assert "save it with semicolons" in complaints(read(f"serial,Ia,gm\n{ONE},1,2,1,6\n"))[0]


def test_a_stray_quotation_mark_is_explained() -> None:
    parsed = read(f'serial;Ia;remark\n{ONE};1,2;"cracked\n{TWO};1,2;\n{THREE};1,2;ok"\n')
    assert "stray quotation mark" in complaints(parsed)[0]


def test_two_columns_for_one_thing_are_refused() -> None:
    assert "gm once more, after column “gm”" in complaints(read(f"serial;gm;S (mA/V)\n{ONE};1,6;1,6\n"))[0]


def test_numbered_columns_beside_a_section_column_are_refused() -> None:
    assert "numbered" in complaints(read(f"serial;section;Ia1\n{ONE};1;1,2\n"))[0]


def test_an_unnumbered_current_beside_a_numbered_one_is_refused() -> None:
    assert "does not say which section" in complaints(read(f"serial;Ia;Ia2\n{ONE};1,2;1,1\n"))[0]


# What "1,600" means is settled by the column, or asked.


def test_a_doubtful_column_that_nothing_settles_is_asked_about_once() -> None:
    parsed = read(f"serial;gm\n{ONE};1,600\n{TWO};1,550\n")
    assert complaints(parsed) == [
        "row 2, column gm: “1,600” can be thousands or decimals, and nothing else settles it. "
        "Say on the page of columns which decimal mark it is."
    ]


@pytest.mark.parametrize(("mark", "gm"), [(DecimalMark.COMMA, 1.6), (DecimalMark.POINT, 1600)])
def test_the_persons_word_settles_it(mark: DecimalMark, gm: float) -> None:
    assert only(read(f"serial;gm\n{ONE};1,600\n", mark=mark)).gm_ma_per_v == gm


def test_the_columns_other_numbers_settle_it() -> None:
    parsed = read(f"serial;gm (µmho)\n{ONE};1,600\n{TWO};1550.5\n")
    assert [row.gm_ma_per_v for row in parsed.rows] == [1.6, 1.5505]
    parsed = read(f"serial;gm\n{ONE};1,600\n{TWO};1,55\n")
    assert [row.gm_ma_per_v for row in parsed.rows] == [1.6, 1.55]


def test_the_other_columns_settle_it_and_it_is_said() -> None:
    parsed = read(f"serial;Ia;gm (µmho)\n{ONE};1,2;1.600\n")
    assert only(parsed).gm_ma_per_v == 1.6
    assert any("“1.600” are read by the decimal comma of the others" in note for note in parsed.notes)


def test_a_column_that_mixes_marks_leaves_the_doubtful_one_in_doubt() -> None:
    parsed = read(f"serial;gm\n{ONE};1,6\n{TWO};1.6\n{THREE};1,600\n")
    assert "row 4, column gm: “1,600”" in complaints(parsed)[0]
    assert "decimal commas and decimal points" in complaints(parsed)[0]


def test_three_decimals_after_points_between_commas_need_no_asking() -> None:
    assert only(read(f"serial,Ia,gm\n{ONE},1.200,1.600\n")).gm_ma_per_v == 1.6


# What is no file of readings is refused by name.


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"PK\x03\x04" + b"\0" * 40, "workbook"),
        (b"\x89PNG\r\n\x1a\n", "picture"),
        (b"%PDF-1.7", "PDF"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "old binary workbook"),
        (b"\xff\xd8\xff\xe0", "picture"),
        (b"\x1f\x8b\x08", "compressed"),
        (b"", "empty"),
        (b" \r\n\r\n", "empty"),
        (b"\xef\xbb\xbf", "empty"),
        (b"\x00\x01\x02\x03", "not text"),
        (b"<html><body>serial</body></html>", "web page"),
        (b"serial;Ia\n" + b"x" * 8_000_001, "8.0 MB"),
    ],
)
def test_other_files_are_refused_by_what_they_are(data: bytes, what: str) -> None:
    with pytest.raises(NotATable, match=what):
        parsed_bytes(data)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"hello\nworld\n", "No headings were found, and no column is chosen for the serial."),
        (b"serial;remark;\xff\n", "There is a heading and no readings beneath it."),
        (b"serial;Ia\n" + b"10000012;1\n" * 5_001, "The file has 5001 rows; at most 5000"),
    ],
)
def test_a_table_without_readings_says_what_it_lacks(data: bytes, what: str) -> None:
    (problem,) = parsed_bytes(data).problems
    assert str(problem).startswith(what)


@settings(max_examples=100)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_and_never_break(data: bytes) -> None:
    for start in (b"", b"serial;Ia;gm\n"):
        try:
            assert isinstance(parsed_bytes(start + data), Parsed)
        except NotATable as refused:
            assert str(refused)


# Whatever the dialect, what was written is what is read.

value = st.none() | st.decimals(0, 999, places=4)
sections = st.fixed_dictionaries(
    {
        "anode_current_ma": st.decimals(0, 999, places=4),
        "gm_ma_per_v": st.none() | st.decimals(0, 99, places=4),
        "heater_cathode_leakage_ua": value,
        "grid_current_ua": st.none() | st.decimals(-99, 99, places=4),
        "noise": st.sampled_from(["", "quiet", "slight", "noisy"]),
        "remark": st.text(alphabet="abc éµ,;|.\"'", max_size=8).map(str.strip),
    }
)
HEADINGS = {
    "anode_current_ma": ["Ia (mA)", "anode_current_ma", "Ia [µA]", "Plate current, mA"],
    "gm_ma_per_v": ["gm (µmho)", "S [mA/V]", "gm_ma_per_v", "Transconductance (uS)"],
    "heater_cathode_leakage_ua": ["leakage (µA)", "h-k leakage [nA]"],
    "grid_current_ua": ["Ig (µA)", "grid current, uA"],
    "noise": ["noise", "Noise test"],
    "remark": ["remark", "Comments"],
}
THOUSANDTHS = {"Ia [µA]": 1000, "gm (µmho)": 1000, "Transconductance (uS)": 1000, "h-k leakage [nA]": 1000}


def written(heading: str, value: Any, mark: str) -> str:
    if value is None or isinstance(value, str):
        return value or ""
    return f"{value * THOUSANDTHS.get(heading, 1):.4f}".replace(".", mark)


def expected(rows: Sequence[tuple[int, dict[str, Any]]]) -> list[tuple[int, dict[str, Any]]]:
    return [
        (section, {n: v if isinstance(v, str) or v is None else float(v) for n, v in values.items()})
        for section, values in rows
    ]


@settings(max_examples=75, deadline=None)
@given(data=st.data(), valves=st.lists(st.lists(sections, min_size=1, max_size=2), min_size=1, max_size=5))
def test_what_is_written_in_any_dialect_is_read_back_equal(
    data: st.DataObject, valves: list[list[dict[str, Any]]]
) -> None:
    mark = data.draw(st.sampled_from(".,"))
    delimiter = data.draw(st.sampled_from(";\t|" if mark == "," else ";\t|,"))
    encoding = data.draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    newline = data.draw(st.sampled_from(["\n", "\r\n", "\r"]))
    quoting: Any = data.draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]))
    headings = {name: data.draw(st.sampled_from(spellings)) for name, spellings in HEADINGS.items()}
    order = data.draw(st.permutations(list(headings)))
    numbered = data.draw(st.booleans())

    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=newline, quoting=quoting)
    if numbered:
        writer.writerow(["serial", *(f"section {n} {headings[name]}" for n in (1, 2) for name in order)])
    else:
        writer.writerow(["serial", "section", *(headings[name] for name in order)])
    truth: list[tuple[str, int, dict[str, Any]]] = []
    for index, valve in enumerate(valves, start=1):
        truth += [(serial(index), number, values) for number, values in enumerate(valve, start=1)]
        cells = [[written(headings[name], values[name], mark) for name in order] for values in valve]
        if numbered:
            writer.writerow([serial(index), *cells[0], *(cells[1] if len(cells) > 1 else [""] * len(order))])
        else:
            writer.writerows([serial(index), number, *row] for number, row in enumerate(cells, start=1))
        if data.draw(st.booleans()):
            out.write(newline)

    parsed = parsed_bytes(out.getvalue().encode(encoding))
    assert parsed.problems == ()
    assert [row.serial for row in parsed.rows] == [where for where, _, _ in truth]
    got = [(row.section, {name: getattr(row, name) for name in HEADINGS}) for row in parsed.rows]
    assert got == expected([(section, values) for _, section, values in truth])
