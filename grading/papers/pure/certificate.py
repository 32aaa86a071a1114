"""The certificate of a matched set or a single valve: what was read, how alike valves are, and what is not claimed.

One row of `spreads` is one claim; the nominal it is shown beside names its own source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from itertools import groupby
from typing import Any, NamedTuple
from xml.sax.saxutils import escape, quoteattr

from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepTogether, Paragraph, Spacer, Table

from grading.drawing.a4 import EDGE_MM, HEIGHT_MM, ROOM_MM, build, head_code, head_rule, text_style
from grading.drawing.page import (
    BAD,
    BOLD,
    DEEP,
    INK,
    RULE,
    SANS,
    SHADE,
    SOFT,
    WARN,
    WARN_PAPER,
    draw_text,
    open_document,
)
from grading.drawing.plot import SetChart, draw_chart, draw_legend, outside
from grading.drawing.symbols import DOTS_300, Square, SymbolKind, draw_square, large_qr, square
from grading.metrology.quantities import CLAIMING, FAULTS, Quantity, capitalised
from grading.verdicts.pure.graded import GradedSection
from stockroom.pure.written import NOT_MEASURED, day, plain, plural


class CertifiedValve(NamedTuple):
    serial: str
    grade: str
    results: tuple[GradedSection, ...]


class Nominal(NamedTuple):
    """What a section should read, at which settings, and who says so."""

    section: int
    conditions: str
    values: Mapping[Quantity, float]
    source: str


class CertifiedSpread(NamedTuple):
    """One quantity of one section over the whole set; `spread` is the highest over the lowest, less one.

    `expanded_uncertainty` is of the comparison, as a fraction like the spread; `probability` how probable it is that
    the true spread lies within the tolerance. None where they are not known.
    """

    quantity: Quantity
    section: int
    lowest: float
    highest: float
    nominal: float | None
    spread: float
    expanded_uncertainty: float | None = None
    probability: float | None = None


class SaidRow(NamedTuple):
    """A row of what the certificate says; `policy` names the policy that it speaks of, `address` is its page."""

    label: str
    text: str
    policy: str = ""
    address: str = ""


class CertifiedQuantity(NamedTuple):
    tester: str
    operator: str
    first: date
    last: date


class PaperCheck(NamedTuple):
    """How whoever holds the paper can check it: by its page, and by the signed copy in the large square.

    `page` and `keys_page` are full addresses, or nothing where the shop has none on the web.
    """

    number: str
    page: str
    keys_page: str
    key: str
    signature: str
    scanned: str


@dataclass(frozen=True)
class CertificateData:
    """`void` says why the certificate no longer stands; `notice` is the shop's own, such as "demo data".

    A single valve has no tolerance and no spreads; `made_on` is then the day that it was graded.
    """

    shop: str
    shop_lines: tuple[str, ...]
    notice: str
    number: str
    name: str
    type: str
    kind: str
    made_on: date
    issued_on: date
    tolerance_percent: float | None
    policy: str
    members: tuple[CertifiedValve, ...]
    nominals: tuple[Nominal, ...]
    spreads: tuple[CertifiedSpread, ...]
    measured: tuple[CertifiedQuantity, ...]
    charts: tuple[SetChart, ...]
    siblings: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    void: str = ""
    said: tuple[SaidRow, ...] = ()
    reasons: tuple[str, ...] = ()  # why a single valve has its grade
    check: PaperCheck | None = None  # of one that is issued
    preview: bool = False  # drawn to be looked at, and not issued

    @property
    def is_set(self) -> bool:
        return self.tolerance_percent is not None


CLAIMED = (
    "Taken in this shop on the tester and the days named, at the settings named; printed as the grades rest on them. "
    "The grades are this shop's own, by the policy named."
)
NO_UNCERTAINTY = (
    "No uncertainty of measurement is stated: another tester, other settings or another day will read differently. "
)
NOT_CLAIMED = (
    "Nothing is promised about life, noise or hum in use, about behaviour at other settings, or about "
    "fitness for any equipment. Nominal values are those of the source named and describe an average new valve, "
    "not a limit."
)
PREVIEW = "A preview: this certificate has not been issued, bears no signature and certifies nothing."
CAUTION = (
    "Equipment with valves carries lethal voltages, and stored charge stays after switching off. Glass in use "
    "burns, and old glass breaks into sharp pieces. Fitting, biasing and testing are for people qualified to do "
    "so, by local codes and the equipment's own instructions."
)


OVER = text_style("over", 7.8, bold=True, lead=1.5, textColor=DEEP)
TITLE = text_style("title", 19, bold=True, lead=1.2)
HEAD = text_style("head", 9.5, bold=True, spaceBefore=6, spaceAfter=2, keepWithNext=1)
BODY = text_style("body", 8, lead=1.25)
HEADING_RIGHT = text_style("heading-right", 7.6, bold=True, lead=1.15, alignment=TA_RIGHT)
HEADING_LEFT = text_style("heading-left", 7.6, bold=True, lead=1.15)
FACT = text_style("fact", 9, bold=True, lead=1.2)
SMALL = text_style("small", 7.6, lead=1.22)
LABEL = text_style("label", 7.2, lead=1.25, textColor=SOFT)
LONG = text_style("long", 7, lead=1.25, splitLongWords=1, wordWrap="CJK")  # breaks anywhere: it has no words

ALL_SANS = ("FONT", (0, 0), (-1, -1), SANS, 8.4)  # else empty cells ask for a font that is not in the file


def certificate_pdf(data: CertificateData) -> bytes:
    file = BytesIO()
    document = open_document(
        file,
        title=f"Certificate {data.number}: {data.name} {data.type}",
        author=data.shop,
        subject="Readings of a matched set of electron valves" if data.is_set else "Readings of an electron valve",
    )
    build(
        document,
        _story(data),
        head=lambda canvas: _head(canvas, data),
        head_mm=34,
        running=f"Certificate {data.number}, {data.name} {data.type}",
        foot=_foot(data),
        on=data.issued_on,
    )
    return file.getvalue()


def _foot(data: CertificateData) -> str:
    if data.preview:
        return f"{data.shop} · {data.number} · preview of {day(data.issued_on)}, not issued"
    certificate = f"certificate {data.check.number}, " if data.check else ""
    return f"{data.shop} · {data.number} · {certificate}issued {day(data.issued_on)}"


def _head(canvas: Canvas, data: CertificateData) -> None:
    """The shop to the left, the set's number as Code 128 to the right, over a stout rule."""
    canvas.saveState()
    room, top = head_code(canvas, data.number), HEIGHT_MM - 13
    canvas.setFillColor(DEEP)
    draw_text(canvas, EDGE_MM, top - 4.6, data.shop, width_mm=room, size=16, font=BOLD, least=8)
    canvas.setFillColor(SOFT)
    draw_text(canvas, EDGE_MM, top - 9.4, " · ".join(data.shop_lines), width_mm=room, size=8, least=5.5)
    head_rule(canvas, 30)
    canvas.restoreState()


def _story(data: CertificateData) -> list[Flowable]:
    story: list[Flowable] = [
        Paragraph("CERTIFICATE OF MEASUREMENT" + (" AND MATCHING" if data.is_set else ""), OVER),
        Paragraph(
            f"{escape(data.name.capitalize())} {escape(data.type)}"
            f'<font name="{SANS}" size="10.5">&nbsp;&nbsp;&nbsp;{escape(data.kind)}</font>',
            TITLE,
        ),
    ]
    for text in (data.void, data.notice, PREVIEW if data.preview else ""):
        if text:
            story += [Spacer(0, 2 * mm), _boxed([Paragraph(escape(text), BODY)], BAD if text == data.void else WARN)]
    story += [Spacer(0, 2 * mm), _facts(data), *_readings(data), *_faults(data)]
    if data.spreads:
        story += _spreads(data)
    if data.reasons:
        story += [Paragraph("Why this grade", HEAD), *(Paragraph(escape(reason), BODY) for reason in data.reasons)]
    if data.charts:
        story.append(KeepTogether([Paragraph("The set among its kind", HEAD), _Charts(data)]))
    if data.notes:
        story.append(Paragraph("Notes", HEAD))
        story += [Paragraph(escape(note), BODY) for note in data.notes]
    story += [
        Paragraph("What this certificate says", HEAD),
        _said(data),
        Spacer(0, 2 * mm),
        _boxed([Paragraph(f"<b>Caution.</b> {escape(' '.join((CAUTION, *data.cautions)))}", BODY)], WARN),
    ]
    if data.check:
        story.append(KeepTogether([Paragraph("Check this certificate", HEAD), _check(data.check)]))
    return story


PAGE_MODULE_MM, COPY_MODULE_MM = 6 / DOTS_300, 5 / DOTS_300  # whole dots; the copy is larger and read from nearer by


class _Square(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """A QR code with its quiet zone."""

    def __init__(self, symbol: Square, module_mm: float) -> None:
        super().__init__()
        self.symbol, self.module_mm = symbol, module_mm
        self.side_mm = (symbol.modules + 2 * symbol.quiet) * module_mm

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.side_mm * mm, self.side_mm * mm

    def draw(self) -> None:
        quiet = self.symbol.quiet * self.module_mm
        draw_square(self.canv, quiet, quiet, self.symbol, self.module_mm)


def _check(check: PaperCheck) -> Table:
    """To the right the signed copy as a square, to the left how to use it, and the page's own square above that."""
    copy = _Square(large_qr(check.scanned), COPY_MODULE_MM)
    said: list[Flowable] = []
    if check.page:
        page = _Square(square(check.page, SymbolKind.QR), PAGE_MODULE_MM)
        words = (
            f"<b>Does it still stand?</b> This square opens the certificate’s own page: "
            f"<link href={quoteattr(check.page)}>{escape(check.page)}</link>"
        )
        side = page.side_mm
        beside = [side * mm, (ROOM_MM - copy.side_mm - side - 4) * mm]
        middle = [("VALIGN", (0, 0), (-1, -1), "MIDDLE"), *_NO_PADDING]
        said.append(Table([[page, Paragraph(words, LONG)]], colWidths=beside, style=middle))
    where = f"; the keys and how to check are at {escape(check.keys_page)}" if check.keys_page else ""
    said += [
        Paragraph(
            f"<b>Is it genuine?</b> The square to the right holds all of certificate {escape(check.number)}, signed by "
            f"Ed25519 (RFC 8032): whoever has the key can check it without this shop{where}.",
            SMALL,
        ),
        Spacer(0, 1 * mm),
        Paragraph(f"<b>Key</b> {escape(check.key)}", LONG),
        Paragraph(f"<b>Signature</b> {escape(check.signature)}", LONG),
    ]
    style: list[Any] = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("BOX", (0, 0), (-1, -1), 0.6, RULE), *_NO_PADDING]
    style += [("LEFTPADDING", (0, 0), (0, 0), 4), ("TOPPADDING", (0, 0), (0, 0), 3)]
    return Table([[said, copy]], colWidths=[(ROOM_MM - copy.side_mm) * mm, copy.side_mm * mm], style=style)


_NO_PADDING = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]


def _said(data: CertificateData) -> Table:
    """A label and a text a row; a policy is named with its page."""
    rows = [SaidRow("Readings", CLAIMED), *data.said, SaidRow("Not claimed", _not_claimed(data))]
    return Table(
        [[Paragraph(escape(row.label), LABEL), Paragraph(_said_text(row), SMALL)] for row in rows],
        colWidths=[24 * mm, (ROOM_MM - 24) * mm],
        style=[
            ALL_SANS,
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, -1), 0.3, RULE),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8),
        ],
    )


def _said_text(row: SaidRow) -> str:
    text = escape(row.text)
    if row.policy:
        text += f" <b>{escape(row.policy[:1].upper() + row.policy[1:])}</b>"
    if row.address:
        text += f": <link href={quoteattr(row.address)}>{escape(row.address)}</link>"
    return text


def _not_claimed(data: CertificateData) -> str:
    values = [value for member in data.members for result in member.results for value in result.values.values()]
    known = any(value.expanded_uncertainty for value in values)
    return NOT_CLAIMED if known else NO_UNCERTAINTY + NOT_CLAIMED


def _boxed(content: Sequence[Flowable], colour: Any) -> Table:
    return Table(
        [[list(content)]],
        colWidths=[ROOM_MM * mm],
        style=[
            ALL_SANS,
            ("BOX", (0, 0), (-1, -1), 1, colour),
            ("BACKGROUND", (0, 0), (-1, -1), WARN_PAPER),
            ("TOPPADDING", (0, 0), (-1, -1), 2.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
        ],
    )


def _facts(data: CertificateData) -> Table:
    facts = [
        *_matched(data),
        ("Graded under", data.policy),
        ("Preview of" if data.preview else "Issued on", day(data.issued_on)),
        *([("Certificate", data.check.number)] if data.check else []),
    ]
    across = len(facts)
    measured = "; ".join(
        f"{m.tester}, by {m.operator}, {day(m.first) if m.first == m.last else f'{day(m.first)} to {day(m.last)}'}"
        for m in data.measured
    )
    cells = [[Paragraph(label, LABEL), Paragraph(escape(value), FACT)] for label, value in facts]
    last = [Paragraph("Read on tester", LABEL), Paragraph(escape(measured), FACT)]
    return Table(
        [cells, [last, *[""] * (across - 1)]],
        colWidths=[ROOM_MM / across * mm] * across,
        style=[
            ALL_SANS,
            ("SPAN", (0, 1), (-1, 1)),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("BACKGROUND", (0, 0), (-1, -1), SHADE),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ],
    )


def _matched(data: CertificateData) -> list[tuple[str, str]]:
    if data.tolerance_percent is None:
        return [("Graded on", day(data.made_on))]
    return [
        ("Matched within", f"{plain(data.tolerance_percent)} %, each quantity"),
        ("Made up on", day(data.made_on)),
    ]


def _table(
    heads: Sequence[str], rows: Sequence[Sequence[Any]], widths: Sequence[float], style: list[Any], left: Sequence[int]
) -> Table:
    """A ruled table whose heads repeat on a new page; columns not named in `left` align on the decimal point."""
    top = [Paragraph(head, HEADING_LEFT if column in left else HEADING_RIGHT) for column, head in enumerate(heads)]
    numeric = [column for column in range(len(heads)) if column not in left]
    return Table(
        [top, *rows],
        colWidths=[width * mm for width in widths],
        repeatRows=1,
        style=[
            ALL_SANS,
            ("TEXTCOLOR", (0, 0), (-1, -1), INK),
            ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
            ("VALIGN", (0, 1), (-1, -1), "MIDDLE"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, INK),
            ("LINEBELOW", (0, -1), (-1, -1), 0.6, INK),
            ("TOPPADDING", (0, 0), (-1, -1), 1.2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
            *[("ALIGN", (column, 1), (column, -1), "DECIMAL") for column in numeric],
            *[("RIGHTPADDING", (column, 1), (column, -1), 22) for column in numeric],
            *style,
        ],
    )


def _readings(data: CertificateData) -> list[Flowable]:
    """A row for each section of each valve, as it was graded; the serial and the grade stand once a valve."""
    read = {quantity for member in data.members for result in member.results for quantity in result.values}
    claimed = [quantity for quantity in CLAIMING if quantity in read]
    heads = ["Serial", "Grade", "Section"]
    for quantity in claimed:
        heads += [quantity.column, "of nominal"]
    heads.append("Readings")
    rows: list[list[str]] = []
    style: list[Any] = []
    top = 1
    for member in data.members:
        for index, result in enumerate(member.results):
            row = [_serial(member) if index == 0 else "", member.grade if index == 0 else "", str(result.section)]
            for quantity in claimed:
                value = result.values.get(quantity)
                row += [str(value), value.share] if value else [NOT_MEASURED, NOT_MEASURED]
            rows.append([*row, result.averaged])
        style.append(("LINEBELOW", (0, len(rows)), (-1, len(rows)), 0.3, RULE))
        style.append(("NOSPLIT", (0, top), (-1, len(rows))))
        top = len(rows) + 1
    style.append(("FONT", (0, 1), (0, -1), BOLD, 8.4))
    # Beside a ± the value's own decimal point stands further from the edge, and its column is the wider of the two.
    style += [("RIGHTPADDING", (column, 1), (column, -1), 50) for column in range(3, len(heads) - 1, 2)]
    each = 92 / max(1, len(claimed))
    widths = [26.0, 28.0, 16.0] + [each * 0.6, each * 0.4] * len(claimed) + [18.0]
    settings = Paragraph(_settings(data), BODY)
    table = _table(heads, rows, widths, style, left=(0, 1, 2, len(heads) - 1))
    return [Paragraph("Readings", HEAD), table, Spacer(0, 1.2 * mm), settings]


def _serial(member: CertifiedValve) -> str:
    return f"{member.serial[:4]} {member.serial[4:]}"


def _faults(data: CertificateData) -> list[Flowable]:
    """What was read besides, of which no figure is claimed. Where nothing was, a note says so."""
    results = [(member, result) for member in data.members for result in member.results]
    if not any(result.faults or result.noise for _, result in results):
        return []
    read = [one for one in FAULTS if any(one in r.faults or one.short in r.untested for _, r in results)]
    heads = ["Serial", "Section", *(f"{capitalised(one.short)}, {one.unit}" for one in read), "Noise"]
    rows = []
    for place, (member, result) in enumerate(results):
        first = place == 0 or results[place - 1][0] is not member
        row = [_serial(member) if first else "", str(result.section)]
        rows.append([*row, *map(result.fault, read), result.heard])
    each = (ROOM_MM - 48) / (len(heads) - 2)
    style = [("FONT", (0, 1), (0, -1), BOLD, 8.4)]
    table = _table(heads, rows, [30, 18, *[each] * (len(heads) - 2)], style, left=(0, 1, len(heads) - 1))
    return [KeepTogether([Paragraph("Also read", HEAD), table])]


def _settings(data: CertificateData) -> str:
    """Each different nominal once, with the sections it holds for and its source."""
    said = []
    for nominal, group in groupby(data.nominals, key=lambda nominal: nominal._replace(section=0)):
        sections = [str(one.section) for one in group]
        where = "" if len(data.nominals) == len(sections) else f"Section {', '.join(sections)}: "
        values = [f"{quantity.symbol} {quantity.shown(value)}" for quantity, value in nominal.values.items()]
        said.append(
            f"{where}<b>Settings</b> {escape(nominal.conditions)}. <b>Nominal</b> {', '.join(values) or 'none'}; "
            f"<b>source</b> {escape(nominal.source)}."
        )
    return "<br/>".join(said)


def _spreads(data: CertificateData) -> list[Flowable]:
    rows = []
    assert data.tolerance_percent is not None
    asked = data.tolerance_percent / 100
    for row in data.spreads:
        verdict = "within" if row.spread <= asked + 1e-9 else "BEYOND"
        rows.append(
            [
                f"{row.quantity.full_name}, {row.quantity.unit}",
                str(row.section),
                row.quantity.amount(row.nominal),
                row.quantity.amount(row.lowest),
                row.quantity.amount(row.highest),
                _spread_with_u(row),
                f"{verdict} {plain(data.tolerance_percent)} %{_probability(row)}",
            ]
        )
    heads = ["Quantity", "Section", "Nominal", "Lowest", "Highest", "Spread", "Asked"]
    style = [("FONT", (5, 1), (6, -1), BOLD, 8.4), ("RIGHTPADDING", (5, 1), (5, -1), 62)]
    table = _table(heads, rows, [42, 14, 18, 18, 18, 34, 36], style, left=(0, 1, 6))
    return [
        KeepTogether([Paragraph("Spread over the set: the highest reading over the lowest, less one", HEAD), table])
    ]


def _spread_with_u(row: CertifiedSpread) -> str:
    shown = f"{100 * row.spread:.2f}"
    return f"{shown} %" if row.expanded_uncertainty is None else f"{shown} ± {100 * row.expanded_uncertainty:.2f} %"


def _probability(row: CertifiedSpread) -> str:
    """How sure the claim is; a probability too near one to print as such is printed as more than it."""
    if row.probability is None:
        return ""
    return ", p > 99.9 %" if row.probability > 0.999 else f", p = {100 * row.probability:.1f} %"


class _Charts(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """The charts side by side over one legend."""

    HEIGHT_MM = 54.0

    def __init__(self, data: CertificateData) -> None:
        super().__init__()
        self.data = data

    def wrap(self, *_: float) -> tuple[float, float]:
        return ROOM_MM * mm, (self.HEIGHT_MM + 5) * mm

    def draw(self) -> None:
        charts = self.data.charts
        each = ROOM_MM / len(charts)
        for index, chart in enumerate(charts):
            draw_chart(self.canv, index * each, 5, each - 1, self.HEIGHT_MM, chart)
        beyond = sum(outside(chart) for chart in charts)
        words = self.data.siblings + (
            f"; {plural(beyond, 'mark lies', 'marks lie')} beyond the frame" if beyond and self.data.siblings else ""
        )
        draw_legend(self.canv, 0, 0.8, charts[0].tolerance, words, ticks=charts[0].counts)
