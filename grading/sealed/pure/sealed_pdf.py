"""Paper of sealed stock: the list of the packs to open, and the statement that goes with what stays sealed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple
from xml.sax.saxutils import escape

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, Spacer

from grading.drawing.letter import BODY, HEAD, Head, boxed, facts, letter_pdf, table
from grading.drawing.page import RULE, SHADE

OPENING = (
    "Old packing may hold dust, moulds, mercury from broken valves or fibres of asbestos, and old glass may be broken "
    "inside. Look for marks that warn of radioactive material or mercury before you open a pack. Do not force, shake "
    "or cut towards the glass; wear gloves and eye protection, and do not breathe the dust. If a pack is marked, or "
    "rattles, stop: what is done then follows local rules and is for people qualified for it."
)
NOT_CLAIMED = (
    "The packs this statement goes with have not been opened and nobody has tested what is in them. The limit holds "
    "for all unopened packs of the lot together, by a random draw; it says nothing of a single pack, nor of life or "
    "noise in use. A pack may hold another thing than its print says."
)


class DrawRow(NamedTuple):
    where: str
    number: int
    order: int
    serial: str
    verdict: str


@dataclass(frozen=True)
class DrawListData:
    head: Head
    facts: tuple[tuple[tuple[str, str], ...], ...]
    repeat: str  # how the draw is repeated from the seed
    rows: tuple[DrawRow, ...]
    cautions: tuple[str, ...]


def draw_list_pdf(data: DrawListData) -> bytes:
    rows = sorted(data.rows, key=lambda row: row.number)
    story: list[Flowable] = [
        facts(data.facts),
        Spacer(0, 2 * mm),
        boxed(f"<b>Caution.</b> {escape(' '.join((OPENING, *data.cautions)))}"),
        Paragraph(escape(data.repeat), BODY),
        Paragraph("Packs to open", HEAD),
        table(
            ("Where", "Pack", "Drawn as", "Serial", "So far", "Opened", "Remark"),
            [(row.where, f"{row.number}", f"{row.order}", row.serial, row.verdict, "", "") for row in rows],
            (46, 16, 20, 26, 30, 16, 26),
            right=(1, 2),
            style=[
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, RULE),
                *[("BACKGROUND", (0, at), (-1, at), SHADE) for at in range(2, len(rows) + 1, 2)],
            ],
        ),
    ]
    return letter_pdf(data.head, story)


@dataclass(frozen=True)
class StatementData:
    head: Head
    facts: tuple[tuple[tuple[str, str], ...], ...]
    sentence: str
    plan: str
    result: str
    rule: str
    by_grade: tuple[tuple[str, int], ...]
    curve: tuple[tuple[int, float, float], ...]  # bad pieces, their share, how probably such a lot is accepted
    serials: tuple[str, ...]
    cautions: tuple[str, ...]


def statement_pdf(data: StatementData) -> bytes:
    story: list[Flowable] = [
        facts(data.facts),
        Spacer(0, 3 * mm),
        Paragraph(f"<b>{escape(data.sentence)}</b>", BODY),
        Paragraph("The plan", HEAD),
        Paragraph(escape(data.plan), BODY),
        Paragraph("The result", HEAD),
        Paragraph(escape(f"{data.result} {data.rule}"), BODY),
    ]
    if data.by_grade:
        story += [
            Spacer(0, 1.5 * mm),
            table(
                ("Grade of the opened packs", "Pieces"),
                [(name, f"{count}") for name, count in data.by_grade],
                (60, 25),
                right=(1,),
            ),
        ]
    story += [
        Paragraph("What such a plan lets through", HEAD),
        table(
            ("Bad pieces in the lot", "Share", "Such a lot is accepted"),
            [(f"{bad}", f"{100 * share:.1f} %", f"{100 * chance:.1f} %") for bad, share, chance in data.curve],
            (45, 30, 45),
            right=(0, 1, 2),
        ),
    ]
    if data.serials:
        story += [Paragraph("The packs this goes with", HEAD), Paragraph(escape(", ".join(data.serials)), BODY)]
    story += [
        Paragraph("What is not said", HEAD),
        Paragraph(NOT_CLAIMED, BODY),
        Spacer(0, 2 * mm),
        boxed(f"<b>Caution.</b> {escape(' '.join((OPENING, *data.cautions)))}"),
    ]
    return letter_pdf(data.head, story)
