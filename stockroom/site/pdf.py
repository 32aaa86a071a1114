"""A paper as an answer: shown in the browser, named for whoever saves it."""

from __future__ import annotations

from django.http import HttpResponse


def pdf_response(content: bytes, name: str) -> HttpResponse:
    headers = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return HttpResponse(content, content_type="application/pdf", headers=headers)
