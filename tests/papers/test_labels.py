"""Printing labels: which valves, what stands on each, and where it lies on the sheet."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import combinations
from typing import Any

import numpy as np
import pypdfium2  # type: ignore[import-untyped]
import pytest
import zxingcpp
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from grading.drawing.page import fitted
from grading.drawing.stock import STOCKS, Stock
from grading.drawing.symbols import DOTS_203, SymbolKind, code128, module_sizes, square
from grading.metrology.quantities import Quantity
from grading.papers.pure.labels import Label, LabelSection, labels_pdf, plan
from grading.sets import making
from stockroom.models import Shop, Valve
from stockroom.pure.serials import serial
from stockroom.site.people import Role
from tests.factories import (
    graded,
    graded_all,
    make_line,
    make_lot,
    make_place,
    make_policy,
    make_type,
    make_user,
    make_valve,
    make_valves,
    read,
)
from tests.pdfs import read_pdf

MM = 72 / 25.4
SMALL = "38.1x21.2-a4"
THERMAL = [key for key, stock in STOCKS.items() if stock.is_thermal]
SHEETS = [key for key, stock in STOCKS.items() if not stock.is_thermal]


@pytest.fixture
def client(logged_in) -> Client:
    return logged_in(Role.RECEIVING)


def pdf_of(client: Client, **asked: Any) -> bytes:
    answer = client.get(reverse("labels"), {"stock": SMALL, **asked})
    assert answer["Content-Type"] == "application/pdf", answer.content.decode()
    return answer.content


def serials_in(pdf: bytes) -> list[str]:
    """The digits printed, page by page, in the order they were drawn."""
    spaced = [line[:9] for text in read_pdf(pdf) for line in text.splitlines() if line[:4].isdecimal()]
    return [text.replace(" ", "") for text in spaced]


def refusal(client: Client, **asked: Any) -> str:
    answer = client.get(reverse("labels"), {"stock": SMALL, **asked})
    assert answer["Content-Type"].startswith("text/html")
    return answer.content.decode()


# Which valves


def test_without_a_stock_the_page_asks_for_one_and_keeps_the_valves(client: Client) -> None:
    valves = make_valves(count=3)
    line = valves[0].line
    page = client.get(reverse("labels"), {"line": str(line)}).content.decode()
    assert f'name="line" value="{line}"' in page
    assert "Which valves: 3" in page
    assert all(stock.name in page for stock in STOCKS.values())


def test_a_bare_page_asks_for_serials_without_complaint(client: Client) -> None:
    page = client.get(reverse("labels")).content.decode()
    assert "wrong" not in page
    assert page.count("autofocus") == 1


def test_a_line_prints_a_label_for_each_of_its_valves_and_no_others(client: Client) -> None:
    line = make_line(count=4)
    wanted = [valve.serial for valve in make_valves(line=line, count=4)]
    make_valve()
    assert serials_in(pdf_of(client, line=str(line))) == wanted


def test_a_lot_prints_all_its_lines(client: Client) -> None:
    lot = make_lot()
    wanted = [v.serial for _ in range(2) for v in make_valves(line=make_line(lot=lot, count=2), count=2)]
    make_valve()
    assert serials_in(pdf_of(client, lot=lot.number.lower())) == wanted


def test_a_range_prints_the_valves_there_are_from_one_serial_to_another(client: Client) -> None:
    valves = make_valves(count=5)
    asked = f"{valves[1].serial}-{valves[3].serial}"
    assert serials_in(pdf_of(client, serials=asked)) == [valve.serial for valve in valves[1:4]]


def test_scanned_serials_print_in_the_order_they_were_scanned_and_once_each(client: Client) -> None:
    a, b, c = (valve.serial for valve in make_valves(count=3))
    assert serials_in(pdf_of(client, serials=f"{c}\r\n{a}, {b}\n{c}")) == [c, a, b]
    assert serials_in(pdf_of(client, serial=[b, a])) == [b, a]


def test_a_set_prints_its_members_in_their_order(client: Client) -> None:
    valves = make_valves(count=3)
    for valve in valves:
        graded(valve)
    order = [valves[2], valves[0], valves[1]]
    made = making.make_set(order, 5, make_user())
    assert serials_in(pdf_of(client, set=made.number)) == [valve.serial for valve in order]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, "Scan at least one serial"),
        ({"serials": "10000013"}, "check digit"),
        ({"serials": "10000012"}, "No valve has the serial 10000012"),
        ({"serials": "10000020-10000012"}, "runs backwards"),
        ({"serials": "10000012-10000020"}, "No valve has a serial from"),
        ({"serials": "twelve"}, "is not a serial"),
        ({"line": "L0001"}, "There is no line"),
        ({"line": "L0001/99999999999999999999"}, "There is no line"),
        ({"lot": "L9999"}, "There is no lot"),
        ({"set": "S9"}, "There is no set"),
    ],
)
def test_what_names_no_valve_is_said_beside_the_field_and_kept(client: Client, asked: dict, said: str) -> None:
    page = refusal(client, **asked)
    assert said in page
    assert all(value in page for value in asked.values())


def test_a_line_still_in_bulk_says_that_it_has_no_serials(client: Client) -> None:
    assert "Give them serials first" in refusal(client, line=str(make_line(count=5)))


def test_more_labels_than_one_request_can_draw_are_refused(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("grading.papers.views.MOST_LABELS", 2)
    line = make_valves(count=3)[0].line
    assert "These are 3 valves; at most 2" in refusal(client, line=str(line))


def test_the_queries_do_not_grow_with_the_labels(client: Client) -> None:
    few, many = make_line(count=2), make_line(count=30)
    for line, count in ((few, 2), (many, 30)):
        graded_all([(valve, 1.2, 1.6) for valve in make_valves(line=line, count=count)[1::2]])
    counts = []
    Shop.own()
    client.get("/")  # the first request of a day renews the login
    for line in (few, many):
        with CaptureQueriesContext(connection) as queries:
            pdf_of(client, line=str(line))
        counts.append(len(queries))
    assert counts[0] == counts[1]


# What stands on each


def test_a_graded_valve_shows_type_grade_and_readings_of_every_section(client: Client) -> None:
    valve = make_valve(make_type("12AX7"))
    graded(valve, ia=[1.21, 1.19], gm=[1.58, 1.61])
    Shop.objects.update_or_create(pk=1, defaults={"name": "The Amber Filament"})
    (text,) = read_pdf(pdf_of(client, serials=valve.serial))
    assert text.splitlines() == [
        "12AX7",
        "Excellent",
        "Ia 1.21 | 1.19 mA",
        "gm 1.58 | 1.61 mA/V",
        f"{valve.line}",
        f"{valve.serial[:4]} {valve.serial[4:]} The Amber Filament",
    ]


@pytest.mark.parametrize("stock", STOCKS)
def test_a_label_says_which_line_the_valve_came_in_and_where_it_stands(client: Client, stock: str) -> None:
    valve = make_valve(make_type("12AX7"), place=make_place("B12"))
    graded(valve)
    (text,) = read_pdf(pdf_of(client, serials=valve.serial, stock=stock))
    assert f"{valve.line} · B12" in text


def test_a_rectifier_shows_no_gm(client: Client) -> None:
    valve = make_valve(make_type("5U4G", kind="rectifier"))
    graded(valve, ia=[121, 119.5], gm=None)
    (text,) = read_pdf(pdf_of(client, serials=valve.serial))
    assert "Ia 121 | 119.5 mA" in text
    assert "gm" not in text


def test_a_valve_that_has_not_been_read_says_not_tested(client: Client) -> None:
    make_policy()
    (text,) = read_pdf(pdf_of(client, serials=make_valve().serial))
    assert "not tested" in text
    assert "Ia" not in text


def test_a_valve_read_but_not_graded_shows_its_readings_and_says_so(client: Client) -> None:
    valve = make_valve()
    read(valve, ia=[1.21, None], gm=1.6)
    (text,) = read_pdf(pdf_of(client, serials=valve.serial))
    assert "not graded" in text
    assert "Ia 1.21 | – mA" in text


def test_a_grade_is_printed_with_the_readings_it_rests_on(client: Client) -> None:
    valve = make_valve()
    graded(valve, ia=1.21, taken_at=timezone.now() - timedelta(days=1))
    read(valve, ia=0.3)  # read again, not yet judged again
    (text,) = read_pdf(pdf_of(client, serials=valve.serial))
    assert "Ia 1.21 | 1.21 mA" in text


def test_the_square_symbol_opens_the_valves_page_when_the_shop_has_an_address(client: Client) -> None:
    Shop.objects.update_or_create(pk=1, defaults={"web_address": "https://shop.example/"})
    valve = make_valve()
    for kind, name in ((SymbolKind.QR, "QR Code"), (SymbolKind.DATA_MATRIX, "Data Matrix")):
        page = pypdfium2.PdfDocument(pdf_of(client, serials=valve.serial, square=kind.value))[0]
        read_back = zxingcpp.read_barcodes(page.render(scale=300 / 72, grayscale=True).to_numpy())
        assert {(str(symbol.format), symbol.text) for symbol in read_back} == {
            ("Code 128", valve.serial),
            (name, f"https://shop.example/valves/{valve.serial}/"),
        }


def test_an_address_too_long_for_the_stock_is_said_beside_it_and_the_form_kept(client: Client) -> None:
    Shop.objects.update_or_create(pk=1, defaults={"web_address": "https://a-very-long-name-of-a-shop.example/and/more"})
    valve = make_valve()
    page = refusal(client, serials=valve.serial)
    assert "The square symbol does not fit" in page
    assert valve.serial in page
    assert serials_in(pdf_of(client, serials=valve.serial, stock="63.5x38.1-a4")) == [valve.serial]


# Where it lies


def text_boxes(pdf: bytes, page: int = 0) -> list[tuple[float, float, float, float]]:
    """Left, bottom, right and top of everything drawn on a page, in mm."""
    found = pypdfium2.PdfDocument(pdf)[page].get_objects()
    return [tuple(edge / MM for edge in drawn.get_bounds()) for drawn in found]


def labels(count: int, **fields: object) -> list[Label]:
    return [Label(serial(number), "12AX7", **fields) for number in range(1, count + 1)]  # type: ignore[arg-type]


@pytest.mark.parametrize("key", SHEETS)
def test_a_part_used_sheet_begins_at_the_label_asked_for(client: Client, key: str) -> None:
    stock = STOCKS[key]
    pdf = pdf_of(client, serials=make_valve().serial, stock=key, start=stock.columns + 2)
    lefts, bottoms, rights, tops = zip(*text_boxes(pdf), strict=True)
    x = stock.left_mm + stock.label_width_mm + stock.column_gap_mm
    y = stock.page_height_mm - stock.top_mm - 2 * stock.label_height_mm
    assert x < min(lefts) and max(rights) < x + stock.label_width_mm
    assert y < min(bottoms) and max(tops) < y + stock.label_height_mm


def test_a_start_beyond_the_sheet_is_refused(client: Client) -> None:
    assert "A sheet of this stock has 65 labels" in refusal(client, serials=make_valve().serial, start=66)


def test_a_full_sheet_goes_on_to_the_next(client: Client) -> None:
    line = make_valves(count=4)[0].line
    texts = read_pdf(pdf_of(client, line=str(line), start=63))
    assert [text.count("not tested") for text in texts] == [3, 1]


def test_copies_print_side_by_side(client: Client) -> None:
    a, b = (valve.serial for valve in make_valves(count=2))
    assert serials_in(pdf_of(client, serials=f"{a} {b}", copies=2)) == [a, a, b, b]


@pytest.mark.parametrize("key", THERMAL)
def test_a_thermal_label_is_a_page_of_its_own_size(client: Client, key: str) -> None:
    line = make_valves(count=3)[0].line
    document = pypdfium2.PdfDocument(pdf_of(client, line=str(line), stock=key, dots="300", start=9))
    sizes = {tuple(round(side / MM, 2) for side in page.get_size()) for page in document}
    assert (len(document), sizes) == (3, {(STOCKS[key].page_width_mm, STOCKS[key].page_height_mm)})


LONG = "ECC83/12AX7A-WA special quality, type 40"


@pytest.mark.parametrize("shop", ["X", "The Amber Filament", "The very long name of a shop in a far away valley town"])
@pytest.mark.parametrize("type_", ["300B", "ECC83 / 12AX7A-WA", LONG, "W" * 40])
@pytest.mark.parametrize("kind", list(SymbolKind))
@pytest.mark.parametrize("stock", STOCKS.values(), ids=STOCKS.keys())
def test_nothing_on_a_label_overlaps_or_leaves_it(stock: Stock, kind: SymbolKind, type_: str, shop: str) -> None:
    label = Label(
        "10000012",
        type_,
        grade="A grade of many words, longer than any",
        sections=tuple(
            LabelSection(number, {Quantity.ANODE_CURRENT: 127.125, Quantity.GM: 11.3375}) for number in (1, 2, 3)
        ),
        square_text="https://shop.example/valves/10000012/",
    )
    pdf = labels_pdf([label], stock, shop=shop, on=date(2026, 3, 2), square_kind=kind)
    boxes = text_boxes(pdf)
    assert len(boxes) == 8  # type, grade, two quantities, bars, square, digits, shop
    x, y = stock.corner(1)
    for left, bottom, right, top in boxes:
        assert x + 1 < left and right < x + stock.label_width_mm - 1
        assert y + 1 < bottom and top < y + stock.label_height_mm - 1
    for one, other in combinations(boxes, 2):
        apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
        assert apart, f"{one} and {other} overlap"


@pytest.mark.parametrize("stock", STOCKS.values(), ids=STOCKS.keys())
def test_the_labels_of_a_sheet_lie_on_the_page_and_apart(stock: Stock) -> None:
    corners = [stock.corner(position) for position in range(1, stock.per_page + 1)]
    assert len(set(corners)) == stock.per_page
    for x, y in corners:
        assert x >= -1e-9 and x + stock.label_width_mm <= stock.page_width_mm + 1e-9
        assert y >= -1e-9 and y + stock.label_height_mm <= stock.page_height_mm + 1e-9
    for (x1, y1), (x2, y2) in combinations(corners, 2):
        assert abs(x1 - x2) >= stock.label_width_mm - 1e-9 or abs(y1 - y2) >= stock.label_height_mm - 1e-9
    with pytest.raises(ValueError):
        stock.corner(stock.per_page + 1)


@pytest.mark.parametrize("key", THERMAL)
def test_on_a_203_dpi_printer_every_bar_is_whole_dots(key: str) -> None:
    """At eight dots to the mm each dot is black or white, with nothing between, where the bars say so."""
    stock, bars, symbol = STOCKS[key], code128("10000012"), square("10000012", SymbolKind.QR)
    pdf = labels_pdf(labels(1), stock, shop="X", on=date(2026, 3, 2), dots_per_mm=DOTS_203)
    image = pypdfium2.PdfDocument(pdf)[0].render(scale=8 * 25.4 / 72, grayscale=True).to_numpy().squeeze().astype(int)
    where = plan(stock, DOTS_203, bars.modules, symbol.modules, symbol.quiet)
    module, first = round(8 * where.bar_module), round(8 * where.bars_x)
    wanted = np.full(image.shape[1], 255)
    for start, width in bars.runs:
        wanted[first + module * start : first + module * (start + width)] = 0
    crisp = np.abs(image - wanted).max(axis=1) <= 2
    assert np.count_nonzero(crisp) == round(8 * where.bar_height)


def test_modules_are_whole_dots_and_never_below_the_least() -> None:
    for dots_per_mm in (DOTS_203, 300 / 25.4, 600 / 25.4):
        sizes = list(module_sizes(dots_per_mm, 0.25, 0.5))
        assert sizes == sorted(sizes, reverse=True) and min(sizes) >= 0.25 - 1e-9 and max(sizes) <= 0.5 + 1e-9
        assert all(abs(size * dots_per_mm - round(size * dots_per_mm)) < 1e-9 for size in sizes)


def test_text_shrinks_before_it_is_cut() -> None:
    whole, size = fitted("ECC83 / 12AX7A", "LiberationSans", 10, 20, least=4)
    assert whole == "ECC83 / 12AX7A" and 4 < size < 10
    cut, size = fitted("W" * 60, "LiberationSans", 10, 20, least=4)
    assert cut.endswith("…") and size == 4


def test_the_same_labels_are_the_same_bytes_and_carry_their_fonts() -> None:
    one, again = (labels_pdf(labels(3), STOCKS[SMALL], shop="X", on=date(2026, 3, 2)) for _ in range(2))
    assert one == again
    assert b"Helvetica" not in one
    assert one.count(b"/FontFile2") == 2


def test_a_pdf_names_its_subject_and_asks_not_to_be_scaled() -> None:
    pdf = labels_pdf(labels(3), STOCKS[SMALL], shop="The Amber Filament", on=date(2026, 3, 2))
    told = pypdfium2.PdfDocument(pdf).get_metadata_dict()
    assert told["Title"] == "Labels 10000012 to 10000036"
    assert told["Author"] == "The Amber Filament"
    assert told["CreationDate"] == "D:20260302"
    assert b"/PrintScaling /None" in pdf


def test_five_hundred_labels_make_eight_sheets(client: Client) -> None:
    line = make_valves(count=500)[0].line
    assert Valve.objects.filter(line=line).count() == 500
    assert len(pypdfium2.PdfDocument(pdf_of(client, line=str(line)))) == 8
