"""The photographs of a thing, for the parts of pages that show them."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from django import template

from stockroom.models import Attachment, Valve
from stockroom.models.photographs import Subject
from stockroom.photographs import storing

register = template.Library()

A_FEW = 12


class Shown(NamedTuple):
    first: list[Attachment]
    total: int
    address: str  # of the page with all of them


@register.simple_tag
def photographs_of(subject: Subject) -> Shown:
    """The first few; two queries, or one when there are none."""
    current = Attachment.objects.current().of(subject)
    total = current.count()
    first = list(current.for_rows()[:A_FEW]) if total else []
    return Shown(first, total, storing.address(subject))


@register.simple_tag
def public_photographs(valves: Collection[Valve]) -> list[Attachment]:
    """What the public may see of these valves; one query."""
    return list(
        Attachment.objects.for_public_display().filter(valve__in=valves).select_related("photograph", "valve__type")
    )
