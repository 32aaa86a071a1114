"""The forms of offers: the offer with its terms, a line, and why it is declined."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.utils import timezone

from grading.buying.offering import FIELDS
from grading.models import LotOffer, LotOfferLine
from stockroom.models import Line, Maker, Supplier
from stockroom.models.shop import check_currency
from stockroom.pure.money import minor_places
from stockroom.receiving.booking import MANY_PIECES, MOST_PIECES
from stockroom.receiving.forms import RateField, check_rate, put_cursor
from stockroom.site.asking import AsksAgain
from stockroom.site.edits import EditForm
from stockroom.site.names import NameField
from stockroom.site.numbers import typed_numbers
from stockroom.site.web import TypeField, marked_as, type_field

USUAL = ("return_percent", "selling_percent", "hour_cost", "pack_cost", "months")  # as on the last offer
AT_HOME = ("charges", "hour_cost", "pack_cost")


class OfferForm(AsksAgain, EditForm):
    supplier = NameField(Supplier, help_text="A name not in the list is added as a new supplier.")
    currency = forms.CharField(required=False, max_length=3)
    rate = RateField(required=False)

    class Meta:
        model = LotOffer
        fields = FIELDS
        formfield_callback = typed_numbers
        widgets = {
            "offered_on": forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
            "note": forms.Textarea({"rows": 3}),
        }

    def __init__(self, home: str, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.home = home
        put_cursor(self, "supplier")
        self.fields["price"].help_text = "May wait until somebody names one."
        self.fields["rate"].label = f"{home} for one"
        for name in AT_HOME:
            self.fields[name].label = f"{self.fields[name].label}, {home}"
        row = self.instance
        if row.pk is None:
            self.initial.update({"currency": home, "rate": "1", "charges": "0"})
            last = LotOffer.objects.order_by("-pk").first()
            row = last or row
        for name in USUAL if self.instance.pk is None else (*USUAL, "price", "charges", "rate"):
            value = getattr(row, name)
            self.initial[name] = f"{value.normalize():f}" if isinstance(value, Decimal) else value

    def _get_validation_exclusions(self) -> set[str]:
        # A new supplier is stored with its offer, so at this point it has no key to validate.
        return super()._get_validation_exclusions() | {"supplier"}  # type: ignore[misc]

    def clean_currency(self) -> str:
        currency = self.cleaned_data["currency"].strip().upper() or self.home
        check_currency(currency)
        return str(currency)

    def clean_offered_on(self) -> Any:
        day = self.cleaned_data["offered_on"]
        if day > timezone.localdate():
            raise forms.ValidationError("This day is still to come. Give the day of the offer.")
        return day

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if currency := values.get("currency"):
            check_rate(self, values, self.home, "costs")
            self._whole("price", values.get("price"), currency)
        for name in AT_HOME:
            self._whole(name, values.get(name), self.home)
        return values

    def _whole(self, name: str, amount: Decimal | None, currency: str) -> None:
        places = minor_places(currency)
        if amount is not None and amount != round(amount, places):
            self.add_error(name, f"An amount in {currency} has {places or 'no'} decimal places.")

    @property
    def parts(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields under their legends."""
        offer = ("supplier", "offered_on", "price", "currency", "rate", "charges")
        terms = tuple(name for name in self.fields if name in USUAL)
        return [
            ("What is offered", [self[name] for name in offer]),
            ("What you want of it", [self[name] for name in terms]),
        ]


class OfferLineForm(AsksAgain, EditForm):
    type = TypeField(
        label="Type, as it is offered", max_length=40, help_text="Any of its names, or a question mark for a mixed box."
    )
    maker = NameField(Maker, label="Marked maker", required=False)

    class Meta:
        model = LotOfferLine
        fields = ["type", "maker", "condition", "pieces", "pack_size", "price_each", "note"]
        formfield_callback = typed_numbers
        labels = {"condition": "Condition"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        put_cursor(self, "type")
        type_field(self).may_be_unread = True
        if self.instance.pk is None:
            choices = [choice for choice in self.fields["condition"].choices if choice[0]]  # type: ignore[attr-defined]
            self.fields["condition"].choices = choices  # type: ignore[attr-defined]
        else:
            self.initial["type"] = self.instance.called
            if self.instance.price_each is not None:
                self.initial["price_each"] = f"{self.instance.price_each.normalize():f}"

    def clean_pieces(self) -> int:
        pieces: int = self.cleaned_data["pieces"]
        if pieces > MOST_PIECES:
            raise forms.ValidationError(f"{pieces} pieces in one line? Was something scanned into this field?")
        if pieces > MANY_PIECES:
            self.ask("pieces", f"{pieces} pieces in one line?")
        return pieces

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if type_ := values.get("type"):
            self.instance.as_marked = marked_as(type_field(self).written, type_)
        size, pieces = values.get("pack_size"), values.get("pieces")
        if size and size > 1 and values.get("condition") != Line.Condition.SEALED:
            self.add_error("pack_size", "Only sealed goods come in packs: leave 1, or choose the sealed condition.")
        elif size and pieces and size > pieces:
            self.add_error("pack_size", f"A pack of {size} is more than the {pieces} pieces of the line.")
        return values


class DeclineForm(forms.Form):
    why = forms.CharField(max_length=200, label="Why is it declined?")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        put_cursor(self, "why")
