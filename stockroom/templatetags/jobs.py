"""A job on a page: `{% job_refresh job %}` in the head, `{% job_card job %}` where it is shown."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils.safestring import SafeString, mark_safe

from stockroom.jobs import kinds
from stockroom.models import Job

register = template.Library()

REFRESHED_S = 2


@register.simple_tag
def job_refresh(job: Job | None) -> SafeString:
    """Looks again every other second while the job is live; a page without script does so too."""
    if job is None or job.is_over:
        return SafeString("")
    return mark_safe(f'<meta http-equiv="refresh" content="{REFRESHED_S}">')


@register.inclusion_tag("jobs/_job.html", takes_context=True)
def job_card(context: template.Context, job: Job) -> dict[str, Any]:
    """How far it is, with the buttons of those who may use them."""
    return {
        "job": job,
        "may_handle": kinds.may_handle(job, context["request"].user),
        "csrf_token": context.get("csrf_token"),
    }
