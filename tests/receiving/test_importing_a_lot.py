"""Importing a supplier's list into a lot: mapped, looked over, and booked whole or not at all."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from catalog.models import Alias, ValveType
from catalog.reference.scripts import normal
from stockroom.files import tables
from stockroom.files.layouts import Layout, read_rows
from stockroom.imports import keeping
from stockroom.imports.keeping import ImportedBefore, NotReady
from stockroom.models import (
    Charge,
    DateReading,
    Entry,
    Line,
    Lot,
    LotFile,
    Maker,
    MarkWarning,
    Place,
    SupplierMapping,
    Valve,
)
from stockroom.receiving.list_import import look, take_in
from stockroom.receiving.list_layout import LISTS, ListChoices, SupplierLists, receive
from stockroom.site.people import Role
from tests.factories import make_lot, make_supplier, make_type, make_user, source
from tests.files.test_tables import rezipped, workbook
from tests.keyboard import Keyboard

pytestmark = pytest.mark.django_db

HEADINGS = ["Type", "Brand", "Condition", "Qty", "Unit price", "Shelf", "Remarks"]
GOOD = [
    ["12AX7", "Dunvarrow", "boxed", 12, 4.5, "A1", "tall boxes"],
    ["ECC83", "DUNVARROW", "used", 3, 2, "a1", ""],
    ["el 84", "Brindlemoor", "boxed", 5, 3.25, "", ""],
]


@pytest.fixture
def by() -> User:
    return make_user("rowan", Role.RECEIVING)


@pytest.fixture
def lot(db: None) -> Lot:
    """A lot that cost 100 pounds; types 12AX7 (also ECC83) and EL84; the maker Dunvarrow and the place A1."""
    Alias.objects.create(type=make_type(), designation="ECC83", normal=normal("ECC83"), source=source())
    make_type("EL84")
    Maker.objects.create(name="Dunvarrow")
    Place.objects.create(code="A1")
    made = make_lot()
    Charge.objects.create(lot=made, kind="goods", amount=Decimal(100), currency="GBP")
    return made


def xlsx(*rows: Sequence[Any], headings: Sequence[str] = HEADINGS) -> bytes:
    return workbook(headings, *rows)


def saved(lot: Lot, data: bytes, name: str = "list.xlsx", **choices: Any) -> LotFile:
    file = receive(lot, name, data, None)
    file.choices = {**file.choices, **choices}
    file.save()
    return file


def problems(lot: Lot, *rows: Sequence[Any], **choices: Any) -> list[str]:
    return [str(one) for one in look(saved(lot, xlsx(*rows), **choices)).problems]


# A good list


def test_a_good_list_becomes_lines_that_share_the_cost(lot: Lot, by: User) -> None:
    file = saved(lot, xlsx(*GOOD))
    preview = look(file)
    assert preview.ready and (len(preview.planned), preview.pieces) == (3, 20)
    assert not lot.lines.exists()
    take_in(file, by)
    told = [
        (str(line.type), str(line.maker), line.condition, line.expected, line.weight, str(line.place), line.note)
        for line in lot.lines.all()
    ]
    assert told == [
        ("12AX7", "Dunvarrow", "nos-boxed", 12, Decimal("4.5"), "A1", "tall boxes"),
        ("12AX7", "Dunvarrow", "used", 3, Decimal(2), "A1", ""),
        ("EL84", "Brindlemoor", "nos-boxed", 5, Decimal("3.25"), "None", ""),
    ]
    assert sum(line.cost for line in lot.lines.all()) == 100
    assert Entry.objects.get(action="lines-imported").text == "3 lines, 20 pieces, imported from list.xlsx."
    file.refresh_from_db()
    assert (file.line_count, file.imported_by) == (3, by)


def test_new_makers_and_places_are_made_once_however_they_are_written(lot: Lot, by: User) -> None:
    file = saved(
        lot,
        xlsx(
            *[
                ["12AX7", name, "used", 1, 1, place, ""]
                for name, place in (("Halvory", "B2"), ("HALVORY", "b2"), ("halvory ", "B2"))
            ]
        ),
    )
    assert [word.said for word in look(file).makers] == ["Halvory"] and look(file).places == ["B2"]
    take_in(file, by)
    assert Maker.objects.filter(name__iexact="halvory").count() == Place.objects.filter(code__iexact="b2").count() == 1
    assert lot.lines.filter(maker__name="Halvory", place__code="B2").count() == 3


def test_titles_blank_rows_headings_once_more_and_totals_are_no_lines(lot: Lot) -> None:
    data = workbook(
        ["Stock of an invented shop"], [], HEADINGS, GOOD[0], [], HEADINGS, GOOD[1], ["", "", "Total", 15, "", "", ""]
    )
    preview = look(saved(lot, data))
    assert [one.row for one in preview.planned] == [4, 7] and preview.ready
    assert preview.notes == ["Left out, the headings once more: row 6.", "Left out, a total: row 8."]


def test_a_csv_with_a_byte_order_mark_and_decimal_commas_is_read(lot: Lot) -> None:
    text = "Typ;Hersteller;Zustand;Stück;Einzelpreis\nEL84;Dunvarrow;gebraucht;1.200;0,85\nEL84;;used;2;1.250\n"
    preview = look(saved(lot, text.encode("utf-8-sig"), "liste.csv"))
    assert [(one.expected, one.weight) for one in preview.planned] == [(1200, Decimal("0.85")), (2, Decimal(1250))]
    assert preview.notes == ["Read as UTF-8, separated by semicolons."]


def test_several_names_of_one_type_are_that_type_and_of_two_types_are_none(lot: Lot) -> None:
    preview = look(saved(lot, xlsx(["ECC83/12AX7", "", "used", 1, 1], ["ECC83/EL84", "", "used", 1, 1])))
    assert [str(one.type) for one in preview.planned] == ["12AX7"]
    assert "“ECC83/12AX7” is read as 12AX7: ECC83 is on file; 12AX7 is on file." in preview.notes
    (word,) = preview.types
    assert word.nearest[:2] == ["12AX7 (the same name)", "EL84 (the same name)"]


def test_a_designation_that_is_a_number_is_found(lot: Lot) -> None:
    make_type("6550")
    assert look(saved(lot, xlsx([6550, "", "used", 1, 1]))).ready


def test_without_a_column_for_pieces_each_row_is_one_and_it_is_said(lot: Lot) -> None:
    preview = look(saved(lot, xlsx(["12AX7", "used"], headings=["Type", "Condition"])))
    assert preview.planned[0].expected == 1 and "each row is taken for one piece" in preview.notes[-1]


# Faults


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        (["", "", "used", 1, 1], "row 2, column Type: no type is given. Give one, or leave the row out."),
        (["12AX7", "", "", 1, 1], "row 2, column Condition: no condition is given. Choose one for the rows that give"),
        (["12AX7", "", "used", "", 1], "row 2, column Qty: it does not say how many."),
        (["12AX7", "", "used", "six", 1], "row 2, column Qty: “six” is not a number."),
        (["12AX7", "", "used", 2.5, 1], "row 2, column Qty: 2.5 is not a whole number of pieces."),
        (["12AX7", "", "used", 0, 1], "row 2, column Qty: 0 pieces cannot be right"),
        (["12AX7", "", "used", 10_000_012, 1], "row 2, column Qty: 10000012 pieces cannot be right"),
        (["12AX7", "", "used", 1, ""], "row 2, column Unit price: no price is given."),
        (["12AX7", "", "used", 1, -1], "row 2, column Unit price: -1 cannot be a price"),
        (["12AX7", "", "used", 1, "1.250"], "row 2, column Unit price: “1.250” could be 1.25 or 1250."),
        (["12AX7", "x" * 81, "used", 1, 1], "row 2, column Brand: “" + "x" * 40 + "…” is too long for a name."),
        (["12AX7", "", "used", 1, 1, "y" * 21], "row 2, column Shelf: “" + "y" * 21 + "” is longer than a place’s 20"),
        (["12AX7", "", "used", 1, 1, "10000012"], "row 2, column Shelf: 10000012 is the serial of a valve"),
        (["12AX7", "", "used", 1, 1, "", "z" * 301], "row 2, column Remarks: the note has 301 characters"),
        (["12AX7", "", "used", "=1+1", 1], "row 2, column Qty: there is a formula whose value was never worked out."),
        (["=A1", "", "used", 1, 1], "row 2, column Type: there is a formula whose value was never worked out."),
    ],
)
def test_a_fault_is_named_by_row_and_column(lot: Lot, row: list[Any], problem: str) -> None:
    (found,) = problems(lot, row)
    assert found.startswith(problem)


def test_every_fault_of_a_row_is_named_and_one_faulty_row_stops_the_whole_list(lot: Lot, by: User) -> None:
    file = saved(lot, xlsx(*GOOD, ["12AX7", "", "used", "six", "dear"]))
    assert len(look(file).problems) == 2
    with pytest.raises(NotReady, match="nothing was imported"):
        take_in(file, by)
    assert not lot.lines.exists() and not Entry.objects.filter(lot=lot).exists()


def test_a_failure_half_way_leaves_nothing(lot: Lot, by: User, monkeypatch: pytest.MonkeyPatch) -> None:
    file = saved(lot, xlsx(["12AX7", "Halvory", "used", 1, 1, "B2", ""]))

    def fails(_: SupplierLists, file: LotFile, layout: Layout) -> None:
        assert Line.objects.exists()
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(SupplierLists, "remember", fails)
    with pytest.raises(RuntimeError):
        take_in(file, by)
    assert not Line.objects.exists() and not Maker.objects.filter(name="Halvory").exists()
    assert not Place.objects.filter(code="B2").exists() and LotFile.objects.get().imported_at is None


def test_rows_are_left_out_when_somebody_says_so(lot: Lot) -> None:
    preview = look(saved(lot, xlsx(*GOOD, ["relays", "", "", "", ""]), leave_out="5"))
    assert preview.ready and "Left out, as you said: row 5." in preview.notes


def test_rows_to_leave_out_are_read() -> None:
    assert read_rows(" 7, 12 - 14; 20") == [7, 12, 13, 14, 20] and read_rows("") == []
    for wrong in ("seven", "14-12", "1-2-3", "-5", "1-999999"):
        with pytest.raises(ValueError, match="names no rows"):
            read_rows(wrong)


@pytest.mark.parametrize("said", ["Summe", "Total", "TOTAL:", "Grand total", "Итого", "Total pieces"])
def test_a_total_in_the_column_of_types_is_no_type(lot: Lot, said: str) -> None:
    preview = look(saved(lot, xlsx(*GOOD, [said, "", "", 20, "", "", ""])))
    assert preview.ready and "Left out, a total: row 5." in preview.notes


def test_a_total_beside_a_merged_type_is_left_out_and_one_in_the_note_of_a_type_is_not(lot: Lot) -> None:
    rows = [GOOD[0], ["", "Total", "", 12, "", "", ""], ["EL84", "", "used", 1, 1, "", "total wreck"]]
    preview = look(saved(lot, merged("A2:A3", rows=rows)))
    assert preview.ready and [one.row for one in preview.planned] == [2, 4]
    assert "Left out, a total: row 3." in preview.notes


def test_a_word_for_a_total_that_somebody_explained_as_a_type_is_that_type(lot: Lot) -> None:
    file = saved(lot, xlsx(["Total", "", "used", 1, 1]), words={"type": {"total": "12AX7"}})
    assert [str(one.type) for one in look(file).planned] == ["12AX7"]


def test_a_table_without_headings_is_told_so_and_not_of_a_row_0(lot: Lot) -> None:
    file = saved(lot, b"12AX7;5\nEL84;7\n", "l.csv")
    assert [str(one) for one in look(file).problems] == [
        "No headings were found, and no column is chosen for the type."
    ]
    file = saved(lot, b"12AX7;5\nEL84;7\n", "l.csv", columns={"type": 0, "expected": 1}, condition="used")
    assert [(str(one.type), one.expected) for one in look(file).planned] == [("12AX7", 5), ("EL84", 7)]


def test_a_code_that_a_spreadsheet_may_have_made_a_day_is_remarked(lot: Lot) -> None:
    rows = [["12AX7", "used", 1, "K-1", 45292, ""], ["12AX7", "used", 1, "K-2", date(1962, 3, 1), ""]]
    rows += [["12AX7", "used", 1, f"K-{code}", code, ""] for code in ("914-5731", "99999", 274, "")]
    notes = look(saved(lot, xlsx(*rows, headings=STAMPED))).notes
    assert [note for note in notes if "may be a day" in note] == [
        "The code 45292 (2024-01-01) in row 2 may be a day that a spreadsheet made out of a code.",
        "The code 1962-03-01 in row 3 may be a day that a spreadsheet made out of a code.",
    ]


def test_hidden_rows_and_columns_are_told_before_anything_is_booked(lot: Lot) -> None:
    def change(book: Any) -> None:
        book.active.row_dimensions[3].hidden = book.active.column_dimensions["D"].hidden = True

    preview = look(saved(lot, workbook(HEADINGS, *GOOD, change=change)))
    assert preview.ready and len(preview.planned) == 3
    assert "Hidden in the workbook and read all the same: row 3." in preview.notes
    assert "Hidden in the workbook and read all the same: column Qty." in preview.notes


def test_why_rows_are_left_out_is_said_on_the_page_and_in_the_daybook(lot: Lot, by: User) -> None:
    file = saved(lot, xlsx(*GOOD), leave_out="3", why_out="lost on the way")
    assert "Left out, lost on the way: row 3." in look(file).notes
    take_in(file, by)
    assert Entry.objects.get(action="lines-imported").text == (
        "2 lines, 17 pieces, imported from list.xlsx. Left out, lost on the way: row 3."
    )


# Words


def test_unknown_types_are_listed_once_with_the_nearest_names(lot: Lot) -> None:
    rows = [[said, "", "used", 1, 1] for said in ("12AX8", "12AX8", "relay")]
    preview = look(saved(lot, xlsx(*rows)))
    assert [(word.said, word.rows, word.nearest) for word in preview.types] == [
        ("12AX8", [2, 3], ["12AX7 (only the spelling is near)"]),
        ("relay", [4], []),
    ]
    assert not preview.ready and not preview.problems


def test_a_word_once_explained_is_understood_and_remembered_for_the_supplier(lot: Lot, by: User) -> None:
    data = xlsx(["12AX8", "DV", "NIB", 1, 1], ["relay", "n/a", "NIB", 1, 1])
    words = {"type": {"12ax8": "12AX7", "relay": ""}, "maker": {"dv": "Dunvarrow"}, "condition": {"nib": "nos-boxed"}}
    file = saved(lot, data, words=words)
    assert "Left out, “relay” being no valve, as you said: row 3." in look(file).notes
    take_in(file, by)
    line = lot.lines.get()
    assert (str(line.type), str(line.maker), line.condition) == ("12AX7", "Dunvarrow", "nos-boxed")
    (again,) = look(saved(make_lot(), xlsx(["12AX8", "DV", "NIB", 2, 1]))).planned
    assert (str(again.type), again.maker, again.condition) == ("12AX7", "Dunvarrow", "nos-boxed")
    other = look(saved(make_lot(supplier=make_supplier("Ferncastle")), xlsx(["12AX8", "DV", "NIB", 3, 1])))
    assert [len(some) for some in (other.types, other.conditions, other.makers)] == [1, 1, 1]
    assert "relay" not in SupplierMapping.objects.get().words["type"]


def test_the_suppliers_own_columns_are_remembered(lot: Lot, by: User) -> None:
    headings = ["Ware", "How much", "Type", "Condition"]
    file = saved(lot, xlsx(["EL84", 4, "noval", "used"], headings=headings))
    assert file.choices["columns"]["type"] == 2
    file.choices = {**file.choices, "columns": {"type": 0, "expected": 1, "condition": 3}}
    file.save()
    take_in(file, by)
    again = receive(make_lot(), "next.xlsx", xlsx(["used", 7, "noval", "EL84"], headings=[*headings[::-1]]), None)
    assert again.choices["columns"] == {"condition": 0, "expected": 2, "type": 3}


# The same file


def test_the_same_file_is_imported_twice_only_on_purpose(lot: Lot, by: User) -> None:
    take_in(saved(lot, xlsx(*GOOD)), by)
    other = make_lot()
    again = saved(other, bytes(LotFile.objects.get().data), "renamed.xlsx")
    with pytest.raises(ImportedBefore, match=rf"This very file was imported on .* by rowan into lot {lot}, as list"):
        take_in(again, by)
    assert len(take_in(again, by, sure=True)) == 3
    with pytest.raises(ImportedBefore, match="has been imported already"):
        take_in(again, by, sure=True)
    assert other.lines.count() == 3


def test_a_file_sent_twice_for_a_lot_waits_once_and_old_ones_go(lot: Lot) -> None:
    first = saved(lot, xlsx(*GOOD))
    assert receive(lot, "list.xlsx", xlsx(*GOOD[:1]), None).pk != first.pk
    assert receive(lot, "list.xlsx", bytes(first.data), None).pk == first.pk
    LotFile.objects.filter(pk=first.pk).update(uploaded_at=timezone.now() - timedelta(days=8))
    receive(lot, "list.xlsx", xlsx(*GOOD[:2]), None)
    assert not LotFile.objects.filter(pk=first.pk).exists()


def test_a_thousand_lines_ask_few_questions(lot: Lot, by: User, django_assert_max_num_queries: Any) -> None:
    file = saved(lot, xlsx(*[["12AX7", f"Maker {n % 7}", "used", n + 1, 1.5, f"S{n % 5}", ""] for n in range(1000)]))
    with django_assert_max_num_queries(12):
        look(file)
    with django_assert_max_num_queries(170):  # rows go in by the portion, as SQLite allows
        take_in(file, by)
    assert lot.lines.count() == 1000


# Merged cells


def merged(*areas: str, rows: Sequence[Sequence[Any]], headings: Sequence[str] = HEADINGS) -> bytes:
    def change(book: Any) -> None:
        for area in areas:
            book.active.merge_cells(area)

    return workbook(headings, *rows, change=change)


def test_a_type_merged_over_several_rows_counts_in_each_and_the_row_says_so(lot: Lot, by: User) -> None:
    file = saved(
        lot,
        merged(
            "A2:A4",
            "B3:B4",
            rows=[
                ["12AX7", "Dunvarrow", "boxed", 12, 4.5, "", ""],
                ["", "Brindlemoor", "used", 3, 2, "", ""],
                ["", "", "used", 4, 2, "", ""],
                ["EL84", "", "used", 5, 1, "", ""],
            ],
        ),
    )
    preview = look(file)
    assert preview.ready
    assert [(one.row, str(one.type), one.maker, one.expected, one.filled) for one in preview.planned] == [
        (2, "12AX7", "Dunvarrow", 12, ""),
        (3, "12AX7", "Brindlemoor", 3, "type from the merged cell of row 2"),
        (4, "12AX7", "Brindlemoor", 4, "type, marked maker from the merged cell of rows 2, 3"),
        (5, "EL84", "", 5, ""),
    ]
    assert "What merged cells hold is filled down from their top cell: rows 3, 4." in preview.notes
    take_in(file, by)
    assert lot.lines.filter(type__designation="12AX7").count() == 3


def test_a_number_merged_over_several_rows_is_no_number_of_each(lot: Lot) -> None:
    file = saved(
        lot,
        merged(
            "D2:D3",
            "E2:E3",
            rows=[
                ["12AX7", "", "used", 12, 4.5, "", ""],
                ["EL84", "", "used", "", "", "", ""],
            ],
        ),
    )
    assert [str(one) for one in look(file).problems] == [
        "row 3, column Qty: the cell of row 2 is merged over this row, so it does not say how many of each. "
        "Give each row its own number."
    ]


def test_a_merged_heading_does_not_run_into_the_rows_beneath_it(lot: Lot) -> None:
    file = saved(lot, merged("A1:A2", rows=[["", "Dunvarrow", "used", 1, 1, "", ""], GOOD[0]]))
    assert [str(one) for one in look(file).problems] == [
        "row 2, column Type: no type is given. Give one, or leave the row out."
    ]


# One row a valve

ONE_BY_ONE = ["Type", "Brand", "Condition", "Serial no.", "Unit price", "Remarks"]


def test_rows_with_a_serial_become_valves_of_the_lines_they_agree_on(lot: Lot, by: User) -> None:
    file = saved(
        lot,
        xlsx(
            ["12AX7", "Dunvarrow", "used", "K-001", 4, "print worn"],
            ["EL84", "", "boxed", 77, 2, ""],
            ["12AX7", "dunvarrow", "used", "K-002", 4, ""],
            ["12AX7", "Dunvarrow", "boxed", "K-003", 6, ""],
            headings=ONE_BY_ONE,
        ),
    )
    preview = look(file)
    assert [(one.row, one.expected, one.valves_in_words) for one in preview.planned] == [
        (2, 2, "K-001, K-002"),
        (3, 1, "77"),
        (5, 1, "K-003"),
    ]
    assert any(note.startswith("4 rows name one valve each") for note in preview.notes)
    take_in(file, by)
    lines = list(lot.lines.all())
    assert [(str(line.type), line.condition, line.expected, line.valves.count()) for line in lines] == [
        ("12AX7", "used", 2, 2),
        ("EL84", "nos-boxed", 1, 1),
        ("12AX7", "nos-boxed", 1, 1),
    ]
    first, second = lines[0].valves.order_by("position")
    told = {entry.valve_id: entry.text for entry in Entry.objects.filter(action="listed")}
    assert told[first.pk] == "The supplier’s list names it K-001: print worn."
    assert told[second.pk] == "The supplier’s list names it K-002."
    assert sum(line.cost for line in lines) == 100


def test_a_list_may_hold_valves_one_by_one_and_pieces_in_bulk(lot: Lot, by: User) -> None:
    headings = ["Type", "Condition", "Qty", "S/N"]
    file = saved(lot, xlsx(["12AX7", "used", 12, ""], ["12AX7", "used", 1, "K-1"], headings=headings))
    take_in(file, by)
    assert [(line.expected, line.valves.count()) for line in lot.lines.all()] == [(12, 0), (1, 1)]


@pytest.mark.parametrize(
    ("rows", "problem"),
    [
        ([["12AX7", "used", 3, "K-1"]], "row 2, column S/N: “K-1” names one valve, but the row says 3 pieces."),
        (
            [["12AX7", "used", "", "K-1"], ["EL84", "used", 1, "k-1"]],
            "row 3, column S/N: “k-1” stands in row 2 already. Each valve has its own.",
        ),
        ([["12AX7", "used", 1, "K" * 81]], "has 81 characters; at most 80 are kept."),
        ([["12AX7", "used", "", ""]], "row 2, column Qty: it does not say how many."),
    ],
)
def test_a_row_for_one_valve_that_cannot_be_is_named(lot: Lot, rows: list[list[Any]], problem: str) -> None:
    found = look(saved(lot, xlsx(*rows, headings=["Type", "Condition", "Qty", "S/N"]))).problems
    assert len(found) == 1 and problem in str(found[0])


def test_a_serial_merged_over_two_rows_names_one_valve_and_no_two(lot: Lot) -> None:
    data = merged(
        "D2:D3",
        rows=[["12AX7", "used", 1, "K-1"], ["EL84", "used", 1, ""]],
        headings=["Type", "Condition", "Qty", "S/N"],
    )
    assert [str(one) for one in look(saved(lot, data)).problems] == [
        "row 3, column S/N: “K-1” is merged over several rows, but names one valve."
    ]


def test_the_valves_of_a_list_are_made_whole_or_not_at_all(lot: Lot, by: User, monkeypatch: pytest.MonkeyPatch) -> None:
    file = saved(lot, xlsx(["12AX7", "", "used", "K-1", 1, ""], headings=ONE_BY_ONE))

    def fail(*_: Any) -> None:
        raise RuntimeError("half way")

    monkeypatch.setattr(SupplierLists, "remember", fail)
    with pytest.raises(RuntimeError):
        take_in(file, by)
    monkeypatch.undo()
    assert not lot.lines.exists() and not Valve.objects.exists() and not Entry.objects.filter(action="listed").exists()


def test_a_thousand_valves_one_by_one_ask_few_questions(lot: Lot, by: User, django_assert_max_num_queries: Any) -> None:
    rows = [["12AX7", f"Maker {n % 5}", "used", f"K-{n}", 4 + n % 200, ""] for n in range(1000)]
    file = saved(lot, xlsx(*rows, headings=ONE_BY_ONE))
    with django_assert_max_num_queries(12):
        assert look(file).pieces == 1000
    with django_assert_max_num_queries(132):  # rows go in by the portion, as SQLite allows
        take_in(file, by)
    assert Valve.objects.count() == 1000 and lot.lines.count() == 200
    assert Entry.objects.filter(action="serials-allotted").count() == 200


STAMPED = ["Type", "Condition", "Qty", "Serial no.", "Date code", "Remarks"]


def test_a_stamped_code_becomes_the_valves_with_every_reading_and_none_chosen(lot: Lot, by: User) -> None:
    file = saved(
        lot,
        xlsx(
            ["12AX7", "used", 1, "K-1", "914-5731", "print worn"],
            ["12AX7", "used", 1, "K-2", "??", ""],
            ["12AX7", "used", 1, "K-3", "", ""],
            headings=STAMPED,
        ),
    )
    preview = look(file)
    assert [one.valves_in_words for one in preview.planned] == ["K-1 stamped 914-5731, K-2 stamped ??, K-3"]
    take_in(file, by)
    first, second, third = Valve.objects.order_by("position")
    assert [first.date_code, second.date_code, third.date_code] == ["914-5731", "??", ""]
    kept_reading = DateReading.objects.get(valve=first, current=True)
    assert kept_reading.reading is None
    assert [one["words"] for one in kept_reading.alternatives] == ["source code 914, week 31 of 1957"]
    assert DateReading.objects.get(valve=second).alternatives == []
    assert not DateReading.objects.filter(valve=third).exists()
    told = Entry.objects.get(valve=first, action="identified").text
    assert told == "Identified: code as stamped – → 914-5731, reading not decided."


def test_a_code_whose_only_date_is_before_the_type_raises_its_warning_at_once(lot: Lot, by: User) -> None:
    type_ = ValveType.objects.get(designation="12AX7")
    type_.first_registered = 1955
    type_.save()
    take_in(saved(lot, xlsx(["12AX7", "used", 1, "K-1", "914-4901", ""], headings=STAMPED)), by)
    (warning,) = MarkWarning.objects.filter(valve=Valve.objects.get())
    assert "week 1 of 1949 is before 12AX7" in warning.reason


def test_a_stamped_code_of_pieces_in_bulk_stands_in_the_lines_note(lot: Lot, by: User) -> None:
    rows = [
        ["12AX7", "used", 12, "", "D3", "tall"],
        ["12AX7", "used", 2, "", "K5", ""],
        ["12AX7", "used", 1, "", "", ""],
    ]
    take_in(saved(lot, xlsx(*rows, headings=STAMPED)), by)
    assert [line.note for line in lot.lines.order_by("number")] == ["stamped D3; tall", "stamped K5", ""]


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        (["12AX7", "used", 1, "K-1", "9" * 41, ""], "column Date code: “"),
        (["12AX7", "used", 9, "", "D3", "n" * 298], "column Remarks: with the stamped code the note has"),
    ],
)
def test_a_stamped_code_that_cannot_be_kept_is_named(lot: Lot, row: list[Any], problem: str) -> None:
    found = look(saved(lot, xlsx(row, headings=STAMPED))).problems
    assert len(found) == 1 and problem in str(found[0])


def test_a_thousand_stamped_valves_ask_few_questions(lot: Lot, by: User, django_assert_max_num_queries: Any) -> None:
    rows = [["12AX7", "used", 1, f"K-{n}", f"914-5{n % 9}{1 + n % 50:02}", ""] for n in range(1000)]
    file = saved(lot, xlsx(*rows, headings=STAMPED))
    with django_assert_max_num_queries(155):
        take_in(file, by)
    assert DateReading.objects.count() == 1000


# Files that mean no good


def test_formulas_days_and_errors_in_cells_are_named_or_kept_as_text(lot: Lot, by: User) -> None:
    text = 'Type;Qty;Price;Notes\n12AX7;5;€ 1.234,50;=HYPERLINK("http://x.example")\nEL84;-1;2,5;\n'
    preview = look(saved(lot, text.encode("latin-1", "replace"), "l.csv", condition="used"))
    assert [str(one) for one in preview.problems] == [
        "row 2, column Price: “? 1.234,50” is not a number.",
        "row 3, column Qty: -1 pieces cannot be right: from 1 to 1000000.",
    ]
    good = text.replace("-1", "1").encode("cp1252")
    file = saved(lot, good, "l.csv", condition="used")
    assert [one.weight for one in look(file).planned] == [Decimal("1234.50"), Decimal("2.5")]
    take_in(file, by)
    assert lot.lines.first().note == '=HYPERLINK("http://x.example")'  # type: ignore[union-attr]


def test_a_cell_of_our_own_export_comes_back_as_it_was(lot: Lot) -> None:
    text = "type,pieces,note,place\r\n12AX7,5,\\=1+1,\\N\r\nEL84,2,\\\\N,\\@home\r\n"
    preview = look(saved(lot, text.encode(), "l.csv", condition="used"))
    assert [(one.note, one.place) for one in preview.planned] == [("=1+1", ""), ("\\N", "@home")]


def test_headings_that_stand_twice_are_told_apart_by_their_letters(lot: Lot) -> None:
    file = saved(lot, xlsx(["12AX7", 5, 7], headings=["Type", "Qty", "Qty"]), condition="used")
    assert LISTS.layout(file).titles == ["A: Type", "B: Qty", "C: Qty"]
    assert [one.expected for one in look(file).planned] == [5]


# Pages


@pytest.fixture
def client(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.RECEIVING)


def send(client: Client, lot: Lot, data: bytes, name: str = "list.xlsx") -> Any:
    return client.post(reverse("lot-import", args=[lot.number]), {"file": SimpleUploadedFile(name, data)}, follow=True)


def filled(page: Any, **changes: str) -> dict[str, str]:
    shown = {bound.html_name: bound.value() for bound in page.context["form"]}
    return {name: "" if value is None else str(value) for name, value in shown.items()} | changes


def where(page: Any) -> str:
    address: str = page.request["PATH_INFO"]
    return address


def test_a_list_goes_from_the_file_to_the_lot_through_the_pages(client: Client, lot: Lot) -> None:
    page = send(client, lot, xlsx(*GOOD))
    assert page.context["form"]["column type"].value() == 0
    page = client.post(where(page), filled(page), follow=True)
    assert "Import 3 lines, 20 pieces" in page.content.decode()
    page = client.post(reverse("lot-import-take-in", args=[lot.number, LotFile.objects.get().pk]), follow=True)
    assert "3 lines imported from list.xlsx." in page.content.decode() and where(page) == lot.get_absolute_url()
    page = client.get(reverse("lot-import-columns", args=[lot.number, LotFile.objects.get().pk]), follow=True)
    assert "has been imported into this lot already" in page.content.decode()


def test_a_file_that_is_no_table_is_refused_with_the_reason(client: Client, lot: Lot) -> None:
    page = send(client, lot, b"%PDF-1.7", "list.csv").content.decode()
    assert "“list.csv”: This is a PDF, not a table." in page and not LotFile.objects.exists()
    assert "Choose a file, or paste" in client.post(reverse("lot-import", args=[lot.number])).content.decode()


def test_pasted_rows_are_as_good_as_a_file(client: Client, lot: Lot) -> None:
    rows = "Type\tCondition\tQty\n12AX7\tused\t5\n"
    page = client.post(reverse("lot-import", args=[lot.number]), {"pasted": rows}, follow=True)
    page = client.post(where(page), filled(page), follow=True)
    assert "Import 1 line, 5 pieces" in page.content.decode()
    assert LotFile.objects.get().name == "pasted rows"


def test_the_encoding_can_be_said_where_the_guess_is_wrong(client: Client, lot: Lot) -> None:
    text = "Type;Brand;Condition;Qty\n12AX7;Žlutá věž;used;5\n"
    page = send(client, lot, text.encode("cp852"), "list.csv")
    assert "Žlutá" not in page.content.decode()
    page = client.post(where(page), filled(page, encoding="shift-jis"))
    assert "not text in Shift JIS" in page.content.decode()
    page = client.post(where(page), filled(page, encoding="cp852", leave_out="9"), follow=True)
    assert "Žlutá věž" in page.content.decode() and page.context["form"]["encoding"].value() == "cp852"
    assert page.context["form"]["leave_out"].value() == "9"
    page = client.post(where(page), filled(page), follow=True)
    assert "Read as Code page 852, central European, separated by semicolons" in page.content.decode()


def test_the_file_is_read_once_and_no_page_reads_it_again(
    client: Client, lot: Lot, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = send(client, lot, xlsx(*GOOD))

    def read_again(*_: Any) -> None:
        raise AssertionError("the file was read once more")

    monkeypatch.setattr(keeping, "read_tables", read_again)
    client.get(where(page))
    page = client.post(where(page), filled(page), follow=True)
    assert "Import 3 lines, 20 pieces" in page.content.decode()
    client.post(reverse("lot-import-take-in", args=[lot.number, LotFile.objects.get().pk]))
    assert lot.lines.count() == 3


@pytest.mark.parametrize("parsed", [None, tables.packed([])])
def test_a_file_kept_by_an_older_version_is_read_once_more(
    lot: Lot, parsed: bytes | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = saved(lot, xlsx(*GOOD))
    LotFile.objects.update(parsed=parsed)
    if parsed is not None:
        monkeypatch.setattr(tables, "_FORM", tables._FORM + 1)
    file.refresh_from_db()
    assert look(file).ready
    assert tables.unpacked(bytes(LotFile.objects.get().parsed or b"")) == LISTS.tables(file)


def test_a_damaged_workbook_is_a_message_and_no_server_error(client: Client, lot: Lot) -> None:
    sheet = zipfile.ZipFile(io.BytesIO(xlsx(*GOOD))).read("xl/worksheets/sheet1.xml")
    damaged = re.sub(rb't="inlineStr"><is><t>12AX7</t></is>', b't="s"><v>4000</v>', sheet)
    assert damaged != sheet
    page = send(client, lot, rezipped(xlsx(*GOOD), xl_in_worksheets_in_sheet1_dot_xml=damaged))
    assert page.status_code == 200 and "“list.xlsx”: The workbook is damaged" in page.content.decode()


def test_another_heading_row_or_sheet_brings_its_columns(client: Client, lot: Lot) -> None:
    def change(book: Any) -> None:
        book.create_sheet("More").append(["Qty", "Type"])

    data = workbook(["Type", "Qty"], ["Valve", "Pieces"], ["12AX7", 5], change=change)
    page = send(client, lot, data)
    assert page.context["form"]["heading"].value() == 1
    page = client.post(where(page), filled(page, heading="2"), follow=True)
    assert [bound.value() for bound in page.context["form"].groups[0].fields[:4]] == [0, "", "", 1]
    assert "A: Valve" in page.content.decode() and "preview" not in where(page)
    page = client.post(where(page), filled(page, sheet="More"), follow=True)
    assert page.context["form"]["column type"].value() == 1 and "B: Type" in page.content.decode()


def test_rows_that_are_none_keep_the_page_and_what_was_chosen(client: Client, lot: Lot) -> None:
    page = send(client, lot, xlsx(*GOOD))
    page = client.post(where(page), filled(page, leave_out="seven", **{"column note": ""}))
    assert "“seven” names no rows" in page.content.decode()
    assert page.context["form"]["column note"].value() == ""
    page = client.post(where(page), filled(page, leave_out="", **{"column type": ""}))
    assert "This field is required" in page.content.decode()


def test_unknown_words_are_explained_on_the_page(client: Client, lot: Lot) -> None:
    page = send(client, lot, xlsx(["12AX8", "Brindlemore", "NIB", 1, 1], ["relay", "", "used", 1, 1]))
    Maker.objects.create(name="Brindlemoor")
    page = client.post(where(page), filled(page), follow=True)
    assert "no type is called so" in page.content.decode() and "Brindlemoor" in page.content.decode()
    page = client.post(where(page), filled(page, **{"type 12ax8": "12ZZ9"}))
    assert "No valve type is called “12ZZ9”" in page.content.decode()
    told = {"type 12ax8": "ECC83", "out relay": "on", "condition nib": "nos-boxed", "maker brindlemore": "brindlemoor"}
    page = client.post(where(page), {**filled(page), **told}, follow=True)
    assert "Import 1 line, 1 piece </button>" in " ".join(page.content.decode().split())
    client.post(reverse("lot-import-take-in", args=[lot.number, LotFile.objects.get().pk]))
    assert (str(lot.lines.get().type), str(lot.lines.get().maker)) == ("12AX7", "Brindlemoor")


def test_the_page_warns_of_a_file_imported_before_and_asks(client: Client, lot: Lot, by: User) -> None:
    take_in(saved(lot, xlsx(*GOOD)), by)
    other = make_lot()
    page = send(client, other, bytes(LotFile.objects.get().data))
    assert "This very file was imported on" in page.content.decode()
    address = reverse("lot-import-take-in", args=[other.number, LotFile.objects.get(lot=other).pk])
    assert "Tick that you mean to import it once more" in client.post(address, follow=True).content.decode()
    assert not other.lines.exists()
    client.post(address, {"sure": "1"})
    assert other.lines.count() == 3


def test_a_lot_that_cannot_take_the_lines_says_why(client: Client, lot: Lot) -> None:
    send(client, lot, xlsx(["12AX7", "", "used", 1, 0]))
    address = reverse("lot-import-take-in", args=[lot.number, LotFile.objects.get().pk])
    page = client.post(address, follow=True).content.decode()
    assert "no piece would be left to carry it" in page and not lot.lines.exists()


def test_a_file_of_another_lot_is_not_found_here(client: Client, lot: Lot) -> None:
    file = saved(lot, xlsx(*GOOD))
    for name in ("lot-import-columns", "lot-import-preview"):
        assert client.get(reverse(name, args=[make_lot().number, file.pk])).status_code == 404


def test_the_first_choices_come_from_the_headings(lot: Lot) -> None:
    file = LotFile(lot=lot, name="list.csv", data=b"No.;Tube Type;Mfr.;Qty (pcs);Price each:;Other\n1;EL84;;2;3;x\n")
    assert LISTS.first_choices(file) == ListChoices(
        heading=1, columns={"type": 1, "maker": 2, "expected": 3, "weight": 4}
    )


def test_a_list_with_merged_cells_and_single_valves_is_imported_without_a_mouse(
    served: Any, browser: Any, tmp_path: Path
) -> None:
    """But for the browser's own window in which a file is chosen."""
    user = make_user("rowan", Role.RECEIVING)
    user.set_password("a-long-test-password")
    user.save()
    make_type()
    lot = make_lot()
    rows = [["12AX7", "used", "K-1"], ["", "used", "K-2"], ["12AX7?", "mint", "K-3"]]
    list_sent = tmp_path / "list.xlsx"
    list_sent.write_bytes(merged("A2:A3", rows=rows, headings=["Type", "Condition", "Serial no."]))
    page = browser.new_page()
    board = Keyboard(page, f"{served.url}{reverse('lot-import', args=[lot.number])}")
    board.type("rowan").press("Tab").type("a-long-test-password").go()
    page.set_input_files("[name=file]", str(list_sent))
    board.tab_to("Preview").go()
    board.tab_to("Preview").go()
    assert "type from the merged cell of row 2" in board.words
    board.type("12AX7").tab_to("What mint means").choose("NOS boxed").tab_to("Apply").go()
    assert board.at() == "Import 2 lines, 3 pieces"
    board.go()
    assert "2 lines imported from list.xlsx." in board.words
    page.close()
    assert Valve.objects.filter(line__lot=lot).count() == 3
