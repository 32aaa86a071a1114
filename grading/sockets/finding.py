"""Questions that the scan box understands: "6DJ8 in 12AU7", "does a 6DJ8 go in a 12AU7?", "12AU7 > 6DJ8"."""

from __future__ import annotations

import re

from django.urls import reverse
from django.utils.http import urlencode

from catalog.models import ValveType

_IN = re.compile(
    r"(?:does\s+)?(?:an?\s+)?(?P<other>\S+)\s+(?:go(?:es)?\s+)?(?:in|into|for)\s+(?:an?\s+)?(?P<type>\S+)", re.I
)
_ARROW = re.compile(r"(?P<type>\S+)\s*(?:->|→|>)\s*(?P<other>\S+)")


def question_of(text: str) -> str | None:
    """The address of the answer, where both names are types on file."""
    asked = text.strip().rstrip("?").strip()
    match = _IN.fullmatch(asked) or _ARROW.fullmatch(asked)
    if match is None:
        return None
    named = {name: ValveType.objects.named(match[name]).first() for name in ("type", "other")}
    if not all(named.values()):
        return None
    return f"{reverse('does-it-go')}?{urlencode({name: type_.designation for name, type_ in named.items() if type_})}"
