"""Whether the shop is well, for whoever watches it: no login, and nothing that a stranger should not know."""

from __future__ import annotations

import tomllib
from functools import cache

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.db import DatabaseError
from django.http import HttpRequest, JsonResponse
from django.urls import path
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from stockroom.site.backups import last_backup


@cache
def version() -> str:
    data = tomllib.loads((settings.BASE_DIR / "pyproject.toml").read_text())
    return str(data["project"]["version"])


@login_not_required
@never_cache
@require_safe
def health(request: HttpRequest) -> JsonResponse:
    """200 while the database answers, 503 when it does not; the age of the last backup in hours, null without one."""
    try:
        last = last_backup()
    except DatabaseError:
        return JsonResponse({"version": version(), "database": "does not answer"}, status=503)
    age = None if last is None else round((timezone.now() - last).total_seconds() / 3600, 1)
    return JsonResponse({"version": version(), "database": "answers", "backup_age_hours": age})


urlpatterns = [path("health/", health, name="health")]
