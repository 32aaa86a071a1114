"""Forms of returns: what came back, what is decided, and the shop's promises."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms

from grading.models import Policy
from grading.orders.complaints import ComplaintForm
from grading.returns.deciding import Goods, Kind, VerdictWanted
from stockroom.models import Return, Valve, WarrantyRule
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.site.numbers import DecimalTyped, typed_numbers

Complaint = Return.Complaint
FAULTS = [(value, label) for value, label in Complaint.choices if value != Complaint.UNWANTED]
MOST_AT_ONCE = 100


class CameBackForm(ComplaintForm):
    serials = forms.CharField(
        label="Serials",
        widget=forms.Textarea(attrs={"rows": 4, "class": "serial", "autocomplete": "off", "spellcheck": "false"}),
        help_text="Scan one after the other: what came back in one parcel with one complaint.",
    )
    words = forms.CharField(label="In the customer’s words", max_length=300)

    field_order = ("serials", "complaint", "words", "seal")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["serials"].widget.attrs["autofocus"] = True

    def clean_serials(self) -> list[Valve]:
        typed = dict.fromkeys(self.cleaned_data["serials"].replace(",", " ").split())
        if len(typed) > MOST_AT_ONCE:
            raise forms.ValidationError(f"These are {len(typed)}: at most {MOST_AT_ONCE} at once.")
        wanted, wrong = [], []
        for text in typed:
            try:
                wanted.append(read_serial(text))
            except BadSerial as problem:
                wrong.append(str(problem))
        found = {valve.serial: valve for valve in Valve.objects.filter(serial__in=wanted).select_related("line__lot")}
        wrong += [f"No valve has the serial {serial}." for serial in wanted if serial not in found]
        if wrong:
            raise forms.ValidationError(wrong)
        return [found[serial] for serial in dict.fromkeys(wanted)]


FULL, PART = "full", "part"


class VerdictForm(forms.Form):
    kind = forms.ChoiceField(
        label="What is decided",
        choices=[
            ("", "–"),
            (FULL, "refund its whole price"),
            (PART, "refund a part of its price"),
            (Kind.REPLACEMENT.value, "replace it, at no charge"),
            (Kind.REFUSAL.value, "refuse"),
        ],
    )
    amount = DecimalTyped(
        label="How much, for a part", min_value=Decimal(0), max_digits=12, decimal_places=3, required=False
    )
    shipping = forms.BooleanField(label="Give back the shipping charge too", required=False)
    pay_back = forms.BooleanField(
        label="The money goes back now",
        required=False,
        help_text="Enters a payment to the customer, of what they have paid too much then.",
    )
    how_paid = forms.CharField(label="How it goes back", max_length=60, required=False)
    goods = forms.ChoiceField(
        label="The goods",
        required=False,
        choices=[("", "as it follows"), *Goods.choices],
        help_text="After a full refund or a replacement they are ours; what is refused stays the customer’s.",
    )
    reason = forms.CharField(
        label="Why", max_length=200, required=False, help_text="Must be said where it is refused: the customer is told."
    )

    def __init__(self, *args: Any, places: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.places = places

    def clean_amount(self) -> Decimal | None:
        amount: Decimal | None = self.cleaned_data["amount"]
        if amount is not None and amount != round(amount, self.places):
            raise forms.ValidationError(f"At most {self.places} decimal places.")
        return amount

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        kind, goods = data.get("kind"), data.get("goods")
        if kind == PART and not data.get("amount") and "amount" not in self.errors:
            self.add_error("amount", "Say how much is given back.")
        if kind and kind != PART and data.get("amount"):
            self.add_error("amount", "An amount goes with a part refund only.")
        if kind in (Kind.REPLACEMENT, Kind.REFUSAL) and (data.get("shipping") or data.get("pay_back")):
            self.add_error("kind", "Money goes back with a refund only: take the ticks away, or refund.")
        if kind in (FULL, Kind.REPLACEMENT) and goods not in ("", Goods.OURS):
            self.add_error("goods", "After a full refund or a replacement the goods are ours.")
        if kind == PART and not goods:
            self.add_error("goods", "Say whose the goods are after a part refund.")
        if kind == Kind.REFUSAL and goods in ("", Goods.OURS):
            self.add_error("goods", "What is refused is the customer’s: sent back, or kept here to be collected.")
        if kind == Kind.REFUSAL and not data.get("reason"):
            self.add_error("reason", "Say why it is refused: the customer is told it.")
        return data

    @property
    def decision(self) -> VerdictWanted:
        data = self.cleaned_data
        kind = Kind.REFUND if data["kind"] in (FULL, PART) else Kind(data["kind"])
        return VerdictWanted(
            kind=kind.value,
            goods=data["goods"] or Goods.OURS.value,
            reason=data["reason"],
            amount=data["amount"] if data["kind"] == PART else None,
            shipping=data["shipping"],
            pay_back=data["pay_back"],
            how_paid=data["how_paid"],
        )


class WarrantyForm(forms.ModelForm):
    covers = forms.MultipleChoiceField(
        label="Faults that it covers",
        choices=FAULTS,
        widget=forms.CheckboxSelectMultiple,
        required=False,
    )

    class Meta:
        model = WarrantyRule
        fields = [
            "sold_as",
            "condition",
            "grade",
            "days",
            "covers",
            "unwanted_days",
            "matters_percent",
            "words",
            "ended",
        ]
        formfield_callback = typed_numbers

    def clean_grade(self) -> str:
        grade: str = self.cleaned_data["grade"].strip()
        policy = Policy.objects.filter(in_force=True).first()
        if grade and policy and grade not in policy.parsed.names:
            raise forms.ValidationError(f"The policy has no grade “{grade}”; it has {', '.join(policy.parsed.names)}.")
        return grade

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("grade") and data.get("sold_as") != WarrantyRule.SoldAs.TESTED:
            self.add_error("grade", "Only what was tested has a grade.")
        if data.get("days") and not data.get("covers") and not data.get("ended"):
            self.add_error("covers", "Tick the faults that these days are for, or say 0 days.")
        return data
