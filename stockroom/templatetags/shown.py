"""How values are written on pages; loaded everywhere."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django import template
from django.utils.html import format_html_join
from django.utils.safestring import SafeString

from catalog.models import Alias, ValveType
from stockroom.models import Valve
from stockroom.pure import money as money_module
from stockroom.pure import written

register = template.Library()


@register.filter
def money(amount: Decimal | None, currency: str) -> str:
    """`{{ line.cost|money:shop.currency }}`; nothing for nothing."""
    return "" if amount is None else money_module.shown(amount, currency)


register.filter(written.plain)
register.filter(written.to_places)
register.filter(written.figures)
register.filter(written.percent)


@register.filter
def all_to_places(values: Iterable[float | None], places: int) -> str:
    """Several values in one cell, each as `to_places` writes it."""
    return ", ".join(written.to_places(value, places) for value in values)


@register.simple_tag
def places_in(rows: Iterable[Any], name: str) -> int:
    """The decimals of the row of this column that has the most: `{% places_in readings "value" as places %}`."""
    return written.decimals(getattr(row, name) for row in rows)


@register.filter(expects_localtime=True)
def day(on: date | datetime | None) -> str:
    """`{{ lot.received_on|day }}`: 5 Apr 2024, in the shop's own time; nothing for nothing."""
    return written.day(on) if on else ""


@register.filter(expects_localtime=True)
def moment(at: datetime | None) -> str:
    """`{{ reading.taken_at|moment }}`: 5 Apr 2024, 09:07, in the shop's own time."""
    return written.moment(at) if at else ""


@register.filter(expects_localtime=True)
def clock(at: datetime | None) -> str:
    """The time of day alone, where the day stands beside it."""
    return f"{at:%H:%M}" if at else ""


@register.filter
def counted(count: int, words: str) -> str:
    """`{{ lines|length|counted:"line" }}`: 1 line, 3 lines; "study,studies" where an s is not enough."""
    one, _, many = words.partition(",")
    return written.plural(count, one, many)


@register.filter
def serials(valves: Iterable[Valve], between: str = " · ") -> SafeString:
    """The serials of some valves, each a link to its page."""
    return format_html_join(
        between,
        '<a class="serial" href="{}">{}</a>',
        ((valve.get_absolute_url(), valve.serial) for valve in valves),
    )


@register.simple_tag(takes_context=True)
def query(context: dict[str, Any], **changes: Any) -> str:
    """This page's query string with some parameters changed or, given None, dropped."""
    parameters = context["request"].GET.copy()
    for key, value in changes.items():
        if value is None:
            parameters.pop(key, None)
        else:
            parameters[key] = value
    return "?" + parameters.urlencode()


@register.simple_tag
def all_type_names() -> list[str]:
    """Every designation and alias, for a list that a browser offers while somebody types."""
    names = [
        *ValveType.objects.values_list("designation", flat=True),
        *Alias.objects.values_list("designation", flat=True),
    ]
    return sorted(names)
