"""Papers for tests: a certificate and a pick list with everything on them; all names are invented."""

from __future__ import annotations

from datetime import date

import pypdfium2  # type: ignore[import-untyped]

from grading.drawing.plot import Point, SetChart
from grading.metrology.quantities import Quantity
from grading.papers.pure.certificate import (
    CertificateData,
    CertifiedQuantity,
    CertifiedSpread,
    CertifiedValve,
    Nominal,
)
from grading.papers.pure.pick_list import PickListData, PickRow
from grading.verdicts.pure.graded import GradedSection, GradedValue

READ = {  # (Ia 1, gm 1, Ia 2, gm 2) by serial
    "10000012": (1.18, 1.58, 1.22, 1.61),
    "10000457": (1.2, 1.6, 1.24, 1.63),
    "10001129": (1.205, 1.575, 1.21, 1.6),
    "10002034": (1.19, 1.62, 1.23, 1.66),
}
IA, GM = Quantity.ANODE_CURRENT, Quantity.GM
NOMINAL = {IA: 1.2, GM: 1.6}


def _spread(column: int, quantity: Quantity, section: int) -> CertifiedSpread:
    values = [row[column] for row in READ.values()]
    low, high = min(values), max(values)
    return CertifiedSpread(quantity, section, low, high, NOMINAL[quantity], high / low - 1)


def _section(number: int, ia: float, gm: float) -> GradedSection:
    values = {IA: GradedValue(ia, nominal=NOMINAL[IA]), GM: GradedValue(gm, nominal=NOMINAL[GM])}
    return GradedSection(number, values)


CERTIFICATE = CertificateData(
    shop="The Amber Filament",
    shop_lines=("3 Cooper's Yard, Tolwick", "hello@amberfilament.example"),
    notice="Demonstration: shop, people and readings are invented.",
    number="S00001",
    name="matched quad",
    type="12AX7",
    kind="double triode",
    made_on=date(2026, 3, 2),
    issued_on=date(2026, 3, 5),
    tolerance_percent=5.0,
    policy="policy 1, First policy",
    members=tuple(
        CertifiedValve(
            serial,
            "Excellent",
            (_section(1, row[0], row[1]), _section(2, row[2], row[3])),
        )
        for serial, row in READ.items()
    ),
    nominals=tuple(Nominal(section, "Va 250 V, Vg1 −2 V", NOMINAL, "From memory") for section in (1, 2)),
    spreads=(
        _spread(0, IA, 1),
        _spread(1, GM, 1),
        _spread(2, IA, 2),
        _spread(3, GM, 2),
    ),
    measured=(CertifiedQuantity("Bench tester 1", "rosa", date(2026, 2, 26), date(2026, 3, 1)),),
    charts=tuple(
        SetChart(
            f"Section {section}",
            "gm, mA/V",
            "Ia, mA",
            members=tuple(Point(row[2 * section - 1], row[2 * section - 2]) for row in READ.values()),
            nominal=Point(1.6, 1.2),
            siblings=tuple(Point(1.4 + 0.01 * (7 * n % 40), 1.0 + 0.01 * (11 * n % 40)) for n in range(40)),
            tolerance=0.05,
        )
        for section in (1, 2)
    ),
    siblings="40 other graded valves of this type",
    notes=("10000457, section 2: corrected on 1 March 2026: probe on the wrong pin",),
    cautions=("This type works at very high voltage.",),
)

PICK_LIST = PickListData(
    shop="The Amber Filament",
    notice="Demonstration: shop, people and readings are invented.",
    order="R0001",
    customer="Tamsin Orrey & Daughter",
    placed_on=date(2026, 3, 2),
    printed_on=date(2026, 3, 3),
    note="Leave with the neighbour <after six>",
    rows=(
        PickRow("B1", "10000012", "12AX7", "S00001", "1 × matched quad 12AX7", False),
        PickRow("A10", "10000457", "12AX7", "S00001", "1 × matched quad 12AX7", True),
        PickRow("A2", "10001129", "12AX7", "S00001", "1 × matched quad 12AX7", False),
        PickRow("", "10002034", "EL34", "", "1 × single EL34", False),
    ),
)


def read_pdf(pdf: bytes) -> list[str]:
    """The text of each page, as a reader would copy it."""
    return [page.get_textpage().get_text_range().replace("\r\n", "\n") for page in pypdfium2.PdfDocument(pdf)]
