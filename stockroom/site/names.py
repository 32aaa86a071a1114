"""Suppliers, makers and places, chosen by typing their name."""

from __future__ import annotations

from typing import Any

from django import forms

from stockroom.models import Maker, Place, Supplier
from stockroom.pure.serials import BadSerial, read_serial

Named = Supplier | Maker | Place
LONGEST: dict[type[Named], int] = {Supplier: 120, Maker: 80, Place: 20}


def name_of_field(model: type[Named]) -> str:
    return "code" if model is Place else "name"


def known_name(model: type[Named], text: str) -> Any:
    """Compared here and not in the database, so that every database takes É and é for the same."""
    field = name_of_field(model)
    wanted = _plain(text)
    for key, name in model._default_manager.values_list("pk", field):
        if _plain(name) == wanted:
            return model._default_manager.get(pk=key)
    return None


class NameInput(forms.TextInput):
    """A text box in which the browser offers the names there are."""

    template_name = "site/widgets/name_input.html"

    def __init__(self, model: type[Named]) -> None:
        super().__init__({"list": f"{model._meta.model_name}-names", "autocomplete": "off", "spellcheck": "false"})
        self.model = model

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        context["widget"]["names"] = self.model._default_manager.values_list(name_of_field(self.model), flat=True)
        return context


class NameField(forms.CharField):
    """Cleans to a row of `model`; one without a primary key is new, and `keeping.keep` stores it."""

    def __init__(self, model: type[Named], **kwargs: Any) -> None:
        kwargs.setdefault("max_length", LONGEST[model])
        super().__init__(widget=NameInput(model), **kwargs)
        self.model = model

    def clean(self, value: Any) -> Any:
        text = " ".join(super().clean(value).split())
        if not text:
            return None
        if self.model is Place:
            refuse_serial(text)
        return known_name(self.model, text) or self.model(**{name_of_field(self.model): text})

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, Supplier | Maker | Place):
            return str(value)
        if isinstance(value, int):
            return (
                self.model._default_manager.filter(pk=value).values_list(name_of_field(self.model), flat=True).first()
            )
        return value


def refuse_serial(code: str) -> None:
    """A valve's label scanned where a place's belongs must not make a place."""
    try:
        serial = read_serial(code)
    except BadSerial:
        return
    raise forms.ValidationError(f"{serial} is the serial of a valve, not the code of a place. Scan the place's label.")


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()
