"""Every printed symbol is read back by a decoder that shares no code with ours.

Source: zxing-cpp, the C++ port of ZXing (https://github.com/zxing-cpp/zxing-cpp), which reads Code 128
(ISO/IEC 15417), QR codes (ISO/IEC 18004) and Data Matrix (ISO/IEC 16022). The pages are rendered by PDFium, as a
printer of 203 or 300 dots to the inch would lay them down, and read whole, all symbols of a page at once.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import date

import numpy as np
import pypdfium2  # type: ignore[import-untyped]
import pytest
import zxingcpp
from PIL import Image, ImageFilter

from grading.drawing.datamatrix import SIZES, TooLong, data_matrix
from grading.drawing.stock import STOCKS, Stock
from grading.drawing.symbols import DOTS_203, DOTS_300, CannotEncode, SymbolKind, code128, square
from grading.metrology.quantities import Quantity
from grading.papers.pure.certificate import certificate_pdf
from grading.papers.pure.labels import Label, LabelSection, labels_pdf
from grading.papers.pure.pick_list import pick_list_pdf
from stockroom.pure.serials import serial
from tests.pdfs import CERTIFICATE, PICK_LIST

DPI = (203, 300)
FORMATS = {SymbolKind.QR: "QR Code", SymbolKind.DATA_MATRIX: "Data Matrix"}
TYPES = ("12AX7", "6SN7GT", "ECC83 / 12AX7A-WA", "EL34", "A designation that is far too long for this")


def symbols_on(pdf: bytes, dpi: int) -> Counter[tuple[str, str]]:
    """(format, text) of every symbol on every page, with how often it was found."""
    found: Counter[tuple[str, str]] = Counter()
    document = pypdfium2.PdfDocument(pdf)
    for page in document:
        image = page.render(scale=dpi / 72, grayscale=True).to_numpy()
        found.update((str(symbol.format), symbol.text) for symbol in zxingcpp.read_barcodes(image))
    return found


def some_labels(count: int, address: str) -> Iterator[Label]:
    """Labels of all lengths of text, from not tested to graded, with real serials."""
    draw = random.Random(count)
    for index in range(count):
        number = serial(draw.randrange(1, 8_900_000))
        sections = tuple(
            LabelSection(
                section,
                {
                    Quantity.ANODE_CURRENT: round(draw.uniform(0.8, 130), 3),
                    Quantity.GM: round(draw.uniform(0.9, 12), 3),
                },
            )
            for section in range(1, 1 + index % 3)
        )
        yield Label(
            serial=number,
            type=TYPES[index % len(TYPES)],
            grade="Excellent" if sections and index % 2 else "",
            sections=sections,
            square_text=f"{address}/valves/{number}/" if address else number,
        )


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("address", ["", "https://www.a-longer-name.example"])
@pytest.mark.parametrize("kind", list(SymbolKind))
@pytest.mark.parametrize(
    ("stock", "dots"),
    [
        pytest.param(stock, dots, id=f"{key}-{dots:.0f}")
        for key, stock in STOCKS.items()
        for dots in ((DOTS_203, DOTS_300) if stock.is_thermal else (DOTS_300,))
    ],
)
def test_all_symbols_of_a_full_sheet_of_labels_decode(
    stock: Stock, dots: float, kind: SymbolKind, address: str, dpi: int
) -> None:
    labels = list(some_labels(10 if stock.is_thermal else stock.per_page, address))
    pdf = labels_pdf(labels, stock, shop="The Amber Filament", on=date(2026, 3, 2), square_kind=kind, dots_per_mm=dots)
    wanted = Counter(("Code 128", label.serial) for label in labels)
    wanted.update((FORMATS[kind], label.square_text) for label in labels)
    assert symbols_on(pdf, dpi) == wanted


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("key", STOCKS)
def test_an_address_too_long_for_the_smallest_sheet_fits_there_as_data_matrix_and_elsewhere_as_qr(
    key: str, dpi: int
) -> None:
    stock, smallest = STOCKS[key], "38.1x21.2-a4"
    labels = list(some_labels(10, "https://valves.a-longer-name.example/shop"))
    kind = SymbolKind.DATA_MATRIX if key == smallest else SymbolKind.QR
    pdf = labels_pdf(labels, stock, shop="The Amber Filament", on=date(2026, 3, 2), square_kind=kind)
    wanted = Counter(("Code 128", label.serial) for label in labels)
    wanted.update((FORMATS[kind], label.square_text) for label in labels)
    assert symbols_on(pdf, dpi) == wanted
    with pytest.raises(CannotEncode, match="choose a larger label"):
        labels_pdf(labels, STOCKS[smallest], shop="The Amber Filament", on=date(2026, 3, 2), square_kind=SymbolKind.QR)


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("number", ["S00001", "S00042", "S99999", "S123456"])
def test_the_set_number_on_a_certificate_decodes(number: str, dpi: int) -> None:
    pdf = certificate_pdf(replace(CERTIFICATE, number=number))
    assert symbols_on(pdf, dpi) == Counter([("Code 128", number)])


@pytest.mark.parametrize("dpi", DPI)
@pytest.mark.parametrize("number", ["R0001", "R0317", "R12345"])
def test_the_order_number_on_every_page_of_a_pick_list_decodes(number: str, dpi: int) -> None:
    pdf = pick_list_pdf(replace(PICK_LIST, order=number, rows=PICK_LIST.rows * 12))
    pages = len(pypdfium2.PdfDocument(pdf))
    assert pages > 1
    assert symbols_on(pdf, dpi) == Counter({("Code 128", number): pages})


@pytest.mark.parametrize("seed", range(40))
def test_code_128_of_any_serial_decodes_at_two_dots_a_module(seed: int) -> None:
    text = serial(random.Random(seed).randrange(1, 8_900_000))
    bars = code128(text)
    line = np.full(2 * (bars.modules + 20), 255, dtype=np.uint8)
    for start, width in bars.runs:
        line[2 * (10 + start) : 2 * (10 + start + width)] = 0
    (read,) = zxingcpp.read_barcodes(np.tile(line, (30, 1)))
    assert (str(read.format), read.text) == ("Code 128", text)


def drawn(rows: tuple[tuple[bool, ...], ...], quiet: int) -> np.ndarray:
    dark = np.pad(np.array(rows), quiet)
    return np.where(dark, 0, 255).astype(np.uint8).repeat(4, 0).repeat(4, 1)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: str(size.side))
def test_a_data_matrix_full_of_digits_is_the_decoders_own_symbol_module_for_module(size) -> None:
    """Reading corrects errors, so it could hide a few wrong modules; the library's own encoder cannot."""
    digits = "".join(random.Random(size.side).choices("0123456789", k=2 * size.data))
    theirs = zxingcpp.create_barcode(digits, zxingcpp.BarcodeFormat.DataMatrix)
    image = np.array(theirs.to_image(scale=1, add_quiet_zones=False))
    assert np.array_equal(np.array(data_matrix(digits)), image == 0)


@pytest.mark.parametrize("length", range(1, 174, 4))
def test_a_data_matrix_of_any_text_decodes_with_its_padding(length: int) -> None:
    text = "".join(random.Random(length).choices([chr(code) for code in range(32, 127)], k=length))
    (read,) = zxingcpp.read_barcodes(drawn(data_matrix(text), quiet=2))
    assert read.text == text


def test_a_text_beyond_the_largest_data_matrix_is_refused() -> None:
    with pytest.raises(TooLong):
        data_matrix("x" * (SIZES[-1].data + 1))


@pytest.mark.parametrize("length", range(1, 250, 12))
def test_a_qr_code_of_any_text_decodes(length: int) -> None:
    text = "".join(random.Random(length).choices([chr(code) for code in range(33, 127)], k=length))
    symbol = square(text, SymbolKind.QR)
    (read,) = zxingcpp.read_barcodes(drawn(symbol.rows, symbol.quiet))
    assert (str(read.format), read.text) == ("QR Code", text)


@pytest.mark.parametrize("key", STOCKS)
def test_labels_still_decode_in_a_hasty_photograph(key: str) -> None:
    """Turned by two degrees, a little out of focus and grainy, at 300 dots to the inch."""
    stock = STOCKS[key]
    labels = list(some_labels(5 if stock.is_thermal else stock.per_page, ""))
    grain = np.random.default_rng(7)
    read: Counter[str] = Counter()
    for page in pypdfium2.PdfDocument(labels_pdf(labels, stock, shop="The Amber Filament", on=date(2026, 3, 2))):
        photograph = page.render(scale=300 / 72, grayscale=True).to_pil()
        photograph = photograph.rotate(2, Image.Resampling.BICUBIC, expand=True, fillcolor=255)
        dots = np.array(photograph.filter(ImageFilter.GaussianBlur(0.8)), dtype=float)
        dots = np.clip(dots + grain.normal(0, 12, dots.shape), 0, 255).astype(np.uint8)
        read.update(symbol.text for symbol in zxingcpp.read_barcodes(dots))
    assert read == Counter({label.serial: 2 for label in labels})
