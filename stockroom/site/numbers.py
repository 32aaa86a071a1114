"""The fields of numbers: text boxes, read as the bench reads them.

A browser's own number box drops what it does not take for part of a number, so that "27,50" arrives as 2750, and
changes the number when the wheel turns over it. These take what was typed: "27,50" and "27.50" are the same amount, a
lone point is a decimal point, and "1,600" is asked about. A serial is no number: the scanner fired in the field.
"""

from __future__ import annotations

from typing import Any

from django import forms
from django.db import models

from stockroom.files.numbers import DecimalMark, UnreadableNumber, number
from stockroom.pure.serials import BadSerial, read_serial


def as_typed(value: Any) -> Any:
    """What somebody typed, written as Django's fields read it; anything but text is left as it is.

    Raises:
        ValidationError: it is no number, could be two, or is a serial.
    """
    if not isinstance(value, str) or not value.strip():
        return value
    text = value.strip().replace("−", "-")
    if len(text) == 8 and _is_serial(text):
        raise forms.ValidationError(f"“{text}” is a serial: the scanner fired in this field.", code="serial")
    try:
        return f"{number(text, None if ',' in text else DecimalMark.POINT):f}"
    except UnreadableNumber as error:
        raise forms.ValidationError(str(error), code="invalid") from None


def _is_serial(text: str) -> bool:
    try:
        read_serial(text)
    except BadSerial:
        return False
    return True


class NumberText(forms.TextInput):
    """A narrow text box for which a phone shows its keys for numbers."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        usual = {"inputmode": "decimal", "autocomplete": "off", "spellcheck": "false", "size": 9}
        super().__init__({**usual, **(attrs or {})})


class DecimalTyped(forms.DecimalField):
    widget = NumberText

    def to_python(self, value: Any) -> Any:
        return super().to_python(as_typed(value))


class FloatTyped(forms.FloatField):
    widget = NumberText

    def to_python(self, value: Any) -> Any:
        return super().to_python(as_typed(value))


class WholeTyped(forms.IntegerField):
    widget = NumberText

    def to_python(self, value: Any) -> Any:
        return super().to_python(as_typed(value))


def typed_numbers(field: models.Field[Any, Any], **options: Any) -> forms.Field | None:
    """The form field of a model's field, for `formfield_callback` in a ModelForm's Meta."""
    for model_field, form_field in (
        (models.DecimalField, DecimalTyped),
        (models.FloatField, FloatTyped),
        (models.IntegerField, WholeTyped),
    ):
        if isinstance(field, model_field) and not field.choices:
            return field.formfield(form_class=form_field, **options)
    return field.formfield(**options)
