"""How values are written on pages; loaded everywhere."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import template

from catalog.models import Alias, ValveType
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


@register.simple_tag
def places_in(rows: Iterable[Any], name: str) -> int:
    """The decimals of the row of this column that has the most: `{% places_in readings "value" as places %}`."""
    return written.decimals(getattr(row, name) for row in rows)


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
