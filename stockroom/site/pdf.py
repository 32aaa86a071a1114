"""A paper as an answer: shown in the browser, named for whoever saves it, or the reason why it cannot be printed."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render

from stockroom.pure.refused import CannotPrint


class SaysWhyNotPrinted:
    """Every paper, whoever draws it: one that would show empty boxes is refused with the reason."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if not isinstance(exception, CannotPrint):
            return None
        return render(request, "site/not_printed.html", {"why": str(exception)}, status=422)


def pdf_response(content: bytes, name: str) -> HttpResponse:
    headers = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return HttpResponse(content, content_type="application/pdf", headers=headers)
