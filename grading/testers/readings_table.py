"""Readings as a table, for every page that shows them: `testers/_readings.html` draws what `readings_table` lays out.

The columns between a page's own are the register's (`grading.metrology.quantities`): a quantity has one when any of
the readings has it, written to the decimals that its column needs. So a page shows everything that was read, and a
new quantity stands on all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from typing import Any, NamedTuple

from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.html import format_html

from grading.metrology.quantities import Quantity, numbers_of, read_in
from stockroom.models import Valve
from stockroom.pure.written import NOT_MEASURED, decimals, moment, to_places


class OwnColumn(NamedTuple):
    """A column of a page's own. `write` gives the cell of a row; "n:" before the head aligns it with numbers.

    `once` leaves it empty in the later rows of a group.
    """

    head: str
    write: Callable[[Any], object]
    css: str = ""
    once: bool = False


class ReadingsCell(NamedTuple):
    text: object
    css: str = ""


class ReadingsRow(NamedTuple):
    cells: tuple[ReadingsCell, ...]
    css: str = ""


class ReadingsTable(NamedTuple):
    """`label` names it to those who do not see it; `empty` stands in place of rows."""

    label: str
    heads: tuple[str, ...]
    rows: tuple[ReadingsRow, ...]
    empty: str


def readings_table(
    rows: Iterable[Any],
    label: str,
    *,
    before: Sequence[OwnColumn] = (),
    after: Sequence[OwnColumn] = (),
    reading_of: Callable[[Any], Any] = lambda row: row,
    only: Collection[Quantity] = tuple(Quantity),
    shorts: bool = False,
    remarks: bool = False,
    group: Callable[[Any], object] = lambda row: row,
    css_of: Callable[[Any], str] = lambda row: "",
    empty: str = "Not tested yet.",
) -> ReadingsTable:
    """Lay out one reading a row.

    Args:
        rows: readings, or whatever a page holds them in; `reading_of` gets a row's reading, or None where it has none.
        only: the quantities that the page is about; all of the register's otherwise.
        shorts: a column for shorts even where nothing is shorted.
        remarks: a column for remarks, which are the shop's own business.
        group: rows of equal group belong together: the columns said `once` stand in the first of them.
    """
    laid = [(row, reading_of(row)) for row in rows]
    read = [reading for _, reading in laid if reading is not None]
    columns = [*before]
    for quantity in read_in(read):
        if quantity in only:
            columns.append(_of_quantity(quantity, read, reading_of))
    columns += _in_words(read, reading_of, shorts, remarks)
    columns += after
    return laid_out([row for row, _ in laid], label, columns, group=group, css_of=css_of, empty=empty)


def laid_out(
    rows: Iterable[Any],
    label: str,
    columns: Sequence[OwnColumn],
    *,
    group: Callable[[Any], object] = lambda row: row,
    css_of: Callable[[Any], str] = lambda row: "",
    empty: str = "Not tested yet.",
) -> ReadingsTable:
    """A table of a page's own columns alone."""
    drawn, before_it = [], object()
    for row in rows:
        first = group(row) != before_it
        before_it = group(row)
        cells = (ReadingsCell(c.write(row) if first or not c.once else "", _css(c)) for c in columns)
        drawn.append(ReadingsRow(tuple(cells), css_of(row)))
    return ReadingsTable(label, tuple(column.head for column in columns), tuple(drawn), empty)


def _css(column: OwnColumn) -> str:
    return column.css or ("n" if column.head.startswith("n:") else "")


def _of_quantity(quantity: Quantity, read: Sequence[Any], reading_of: Callable[[Any], Any]) -> OwnColumn:
    places = decimals((numbers_of(reading).get(quantity) for reading in read), quantity.decimals)

    def value(row: Any) -> str:
        reading = reading_of(row)
        return "" if reading is None else to_places(numbers_of(reading).get(quantity), places)

    return OwnColumn(f"n:{quantity.column}", value)


def _in_words(read: Sequence[Any], reading_of: Callable[[Any], Any], shorts: bool, remarks: bool) -> list[OwnColumn]:
    """What a tester's lamps and somebody's ears said."""

    def said(tell: Callable[[Any], str]) -> Callable[[Any], str]:
        return lambda row: tell(reading_of(row)) if reading_of(row) is not None else ""

    columns = []
    if any(getattr(reading, "stability", "") for reading in read):
        columns.append(OwnColumn("Series", said(_settling)))
    if shorts or any(reading.shorted for reading in read):
        columns.append(OwnColumn("Shorts", said(_shorts)))
    if any(reading.noise for reading in read):
        columns.append(OwnColumn("Noise", said(lambda reading: reading.noise or NOT_MEASURED)))
    if remarks and any(reading.remark for reading in read):
        columns.append(OwnColumn("Remark", said(lambda reading: reading.remark)))
    return columns


def _settling(reading: Any) -> str:
    """How a series of readings ended."""
    if not getattr(reading, "stability", ""):
        return NOT_MEASURED
    return f"{reading.stability}{'' if reading.has_settled else ': its value is not used'}"


def _shorts(reading: Any) -> str:
    return f"shorted {reading.short_between}".strip() if reading.shorted else "none"


# Cells that more than one page has

WHEN = OwnColumn("When", lambda reading: moment(timezone.localtime(reading.taken_at)), "day")
SECTION = OwnColumn("n:Section", lambda reading: reading.section)


def valve_link(valve: Valve) -> str:
    return format_html('<a class="serial" href="{}">{}</a>', valve.get_absolute_url(), valve)


def state_mark(valve: Valve) -> str:
    return render_to_string("site/_state.html", {"state": valve.state})
