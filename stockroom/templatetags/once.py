"""`{% once %}` in a form that makes something: sent twice, it is done once (`stockroom.site.attempts`)."""

from __future__ import annotations

import secrets

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()


@register.simple_tag
def once() -> SafeString:
    return format_html('<input type="hidden" name="once" value="{}">', secrets.token_urlsafe(16))
