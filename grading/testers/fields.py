"""A field for one value read off a tester, as the pages of studies and reference valves ask for it."""

from __future__ import annotations

from typing import Any

from django import forms

from grading.metrology import units
from grading.metrology.plausible import Doubt, doubt, stray_serial
from grading.metrology.quantities import capitalised
from grading.models import Quantity
from stockroom.files.numbers import DecimalMark, UnreadableNumber, number
from stockroom.site.asking import AsksAgain


class ValueField(forms.CharField):
    """Cleaned to a float in the quantity's own unit; None when nothing was typed.

    `usual` is what is expected here: the sheet's nominal, or what the valve has read before. A value that is hard
    to believe beside it is refused once; typed again, it is kept (`SureForm`).
    """

    def __init__(
        self, quantity: Quantity, *, usual: float | None = None, far: float | None = None, **kwargs: Any
    ) -> None:
        self.quantity, self.usual, self.far = quantity, usual, far
        attrs = {"inputmode": "decimal", "autocomplete": "off", "spellcheck": "false", "size": 9}
        super().__init__(max_length=40, widget=forms.TextInput(attrs=attrs), **kwargs)

    def clean(self, value: Any) -> float | None:
        text = super().clean(value)
        if units.is_blank(text):
            if self.required:
                raise forms.ValidationError("Type what it read.")
            return None
        if serial := stray_serial(text):
            raise forms.ValidationError(f"“{serial}” is a serial: the scanner fired in this field. Type the reading.")
        try:
            return self._number(text)
        except UnreadableNumber as error:
            raise forms.ValidationError(str(error)) from None

    def _number(self, text: str) -> float:
        unit = self.quantity.facts.typed_in
        if unit is None:
            value = float(number(text, None if "," in text else DecimalMark.POINT))
        else:
            value = units.read_typed(text, unit).value
        if value < 0 and not self.quantity.facts.signed:
            raise forms.ValidationError("A reading is not negative; write it without a sign.")
        found = self._doubt(value)
        if found and found.impossible:
            raise forms.ValidationError(capitalised(found.message))
        return value

    def _doubt(self, number: float) -> Doubt | None:
        return doubt(self.quantity, number, self.usual)

    def hard_to_believe(self, value: float) -> str:
        """Why somebody must say that the tester really read this; empty when it is believable."""
        if self.usual is not None and self.far is not None and abs(value - self.usual) > self.far:
            return f"It usually reads about {self.quantity.shown(self.usual, 4)}."
        found = self._doubt(value) if self.far is None else None
        return capitalised(found.message) if found else ""


class SureForm(AsksAgain, forms.Form):
    """A form of `ValueField`s that asks again when a value is hard to believe."""

    def clean(self) -> None:
        for name, field in self.fields.items():
            value = self.cleaned_data.get(name)
            if isinstance(field, ValueField) and value is not None and (why := field.hard_to_believe(value)):
                self.ask(name, why, "If that is what it read, send it again.")

    def place_cursor(self) -> None:
        """In the first field that is wrong, else in the first empty one."""
        names = [name for name, field in self.fields.items() if not isinstance(field.widget, forms.HiddenInput)]
        wrong = [name for name in names if self.is_bound and name in self.errors]
        for name in (wrong or names)[:1]:
            self.fields[name].widget.attrs["autofocus"] = True
