"""The certificate of a set or a valve, for the pages of other rooms: `{% certificate_of set %}`."""

from __future__ import annotations

from typing import Any

from django import template
from django.urls import reverse

from grading.issued import issuing
from grading.models import MatchedSet
from stockroom.models import Valve
from stockroom.states import State

register = template.Library()


@register.inclusion_tag("issued/_certificate.html", takes_context=True)
def certificate_of(context: template.Context, of: MatchedSet | Valve) -> dict[str, Any]:
    """The one that stands; else how to issue it, for those who may, and how it would look."""
    is_set = isinstance(of, MatchedSet)
    name = of.number if isinstance(of, MatchedSet) else of.serial
    return {
        "certificate": issuing.valid_paper(of),
        "certifiable": isinstance(of, MatchedSet) or State(of.state) in (State.GRADED, State.LISTED),
        "issue_address": reverse("certificate-issue" if is_set else "valve-certificate-issue", args=[name]),
        "pdf_address": reverse("certificate" if is_set else "valve-certificate", args=[name]),
        "may_issue": context["roles"]["bench"] or context["roles"]["sales"],
        "csrf_token": context.get("csrf_token"),
    }
