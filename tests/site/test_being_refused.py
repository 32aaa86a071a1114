"""What cannot be done is said in the words of the refusal, where the person is."""

from __future__ import annotations

from django import forms
from django.contrib.messages import get_messages
from django.contrib.messages.storage.cookie import CookieStorage
from django.http import HttpRequest, HttpResponse
from django.test import RequestFactory

from stockroom.pure.refused import Refused
from stockroom.site.refusals import errors_on, refused_to


class Counted(forms.Form):
    pieces = forms.IntegerField()


def test_a_refusal_stands_beside_the_field_and_what_was_typed_stays() -> None:
    form = Counted({"pieces": "12"})
    with errors_on(form, "pieces"):
        raise Refused("Only 10 are there.")
    assert form.errors == {"pieces": ["Only 10 are there."]}
    assert form["pieces"].value() == "12"


def test_another_error_is_not_shown_as_a_refusal() -> None:
    try:
        with errors_on(Counted({"pieces": "12"})):
            raise KeyError("a fault of ours")
    except KeyError:
        return
    raise AssertionError("the fault was hidden")


@refused_to("lot", "number")
def _count(request: HttpRequest, number: str) -> HttpResponse:
    raise Refused(f"{number} is closed.")


def test_a_refused_action_goes_back_with_a_message() -> None:
    request = RequestFactory().post("/")
    request._messages = CookieStorage(request)  # type: ignore[attr-defined]
    answer = _count(request, number="L0001")
    assert (answer.status_code, answer["Location"]) == (302, "/lots/L0001/")
    assert [str(message) for message in get_messages(request)] == ["L0001 is closed."]
