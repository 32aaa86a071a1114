"""How a page shows a refusal: as an error of the form, or as a message on the page that the person goes back to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any

from django.contrib import messages
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from stockroom.pure.refused import Refused

View = Callable[..., HttpResponse]


@contextmanager
def errors_on(form: BaseForm, field: str | None = None) -> Iterator[None]:
    """What is refused inside the block becomes an error of the form, beside the field where one is named.

    What was typed stays in the form; the view goes on behind the block and shows it again.
    """
    try:
        yield
    except Refused as refused:
        form.add_error(field, str(refused))


@contextmanager
def messages_on(request: HttpRequest) -> Iterator[None]:
    """What is refused inside the block becomes a message; the view goes on behind the block."""
    try:
        yield
    except Refused as refused:
        messages.error(request, str(refused))


def refused_to(address: str, *names: str) -> Callable[[View], View]:
    """A refusal becomes a message, and the person goes to `address`, made with the view's arguments of these
    `names`."""

    def decorate(view: View) -> View:
        @wraps(view)
        def shown(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            try:
                return view(request, *args, **kwargs)
            except Refused as refused:
                messages.error(request, str(refused))
                return redirect(address, *(kwargs[name] for name in names))

        return shown

    return decorate
