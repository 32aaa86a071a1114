"""The forms of receiving: a lot with its charges, a line, the counts of a lot, and how many serials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms
from django.db.models import Max
from django.utils import timezone

from catalog.models import ValveType
from stockroom.models import Charge, Line, Lot, Maker, Place, Supplier
from stockroom.models.shop import check_currency
from stockroom.pure.money import minor_places, shown
from stockroom.receiving.booking import MANY_PIECES, MOST_PIECES, FewerThanSerials, check_pieces
from stockroom.site.asking import AsksAgain
from stockroom.site.edits import EditForm, WritesOnlyChanges
from stockroom.site.names import NameField
from stockroom.site.numbers import DecimalTyped, WholeTyped, typed_numbers
from stockroom.site.web import UNREAD, TypeField, marked_as, type_field


def put_cursor(form: forms.BaseForm, name: str) -> None:
    form.fields[name].widget.attrs["autofocus"] = True


def put_cursor_on_error(*forms_: forms.BaseForm) -> None:
    """Move the page's one cursor to the first field that has to be put right, if it is a field."""
    wrong = [(form, name) for form in forms_ for name in form.fields if name in form.errors]
    if wrong:
        for form in forms_:
            for field in form.fields.values():
                field.widget.attrs.pop("autofocus", None)
        put_cursor(*wrong[0])


class LotForm(EditForm):
    supplier = NameField(Supplier, help_text="A name not in the list is added as a new supplier.")

    class Meta:
        model = Lot
        fields = ["supplier", "received_on", "note"]
        widgets = {
            "received_on": forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
            "note": forms.Textarea({"rows": 3}),
        }

    def _get_validation_exclusions(self) -> set[str]:
        # A new supplier is stored with its lot, so at this point it has no key to validate.
        return super()._get_validation_exclusions() | {"supplier"}  # type: ignore[misc]

    def clean_received_on(self) -> Any:
        day = self.cleaned_data["received_on"]
        if day > timezone.localdate():
            raise forms.ValidationError("This day is still to come. Give the day the lot arrived.")
        return day


class RateField(DecimalTyped):
    """What one unit of a currency is worth at home: ten places carry six digits of the smallest in use."""

    default_error_messages = {"min_value": "A rate is above 0."}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_digits=16, decimal_places=10, min_value=Decimal("0.0000000001"), **kwargs)


def check_rate(form: AsksAgain, values: dict[str, Any], home: str, did: str) -> None:
    """What one unit of the currency `did` ("cost", "brought") at home; exactly one is asked about."""
    currency, rate = values["currency"], values.get("rate")
    if currency == home:
        if rate not in (None, 1):
            form.add_error("rate", f"{currency} is the home currency: its rate is 1.")
        values["rate"] = Decimal(1)
    elif rate is None and "rate" not in form.errors:
        form.add_error("rate", f"Give the rate: how many {home} one {currency} {did}.")
    elif rate == 1:
        form.ask("rate", f"One {currency} {did} exactly one {home}?")


def prefix_of(kind: Charge.Kind, number: int) -> str:
    """
    >>> prefix_of(Charge.Kind.GOODS, 1), prefix_of(Charge.Kind.IMPORT_TAX, 2)
    ('goods', 'import-tax-2')
    """
    return kind.value.replace(" ", "-") + (f"-{number}" if number > 1 else "")


class ChargeForm(WritesOnlyChanges, AsksAgain, forms.Form):
    """One bill of a kind, the `number`-th, or a rebate below nothing. Without an amount there is none."""

    amount = DecimalTyped(required=False, max_digits=14, decimal_places=3)
    currency = forms.CharField(required=False, max_length=3)
    rate = RateField(required=False)
    note = forms.CharField(label="Bill, or why a rebate", required=False, max_length=60)

    def __init__(self, kind: Charge.Kind, home: str, number: int = 1, **kwargs: Any) -> None:
        super().__init__(prefix=prefix_of(kind, number), **kwargs)
        self.kind, self.home = kind, home
        self.fields["rate"].label = f"{home} for one"
        for field in self.fields.values():
            field.widget.attrs["autocomplete"] = "off"

    def clean_currency(self) -> str:
        currency = self.cleaned_data["currency"].strip().upper() or self.home
        check_currency(currency)
        return currency

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        amount, currency = values.get("amount"), values.get("currency")
        if amount is None or currency is None:
            return values
        places = minor_places(currency)
        if amount != round(amount, places):
            whole = f"{places} decimal places" if places else "no decimal places"
            self.add_error("amount", f"An amount in {currency} has {whole}.")
        if amount < 0:
            self.ask("amount", f"A rebate of {shown(-amount, currency)}, which lowers what the lot cost?")
        check_rate(self, values, self.home, "cost")
        return values

    @property
    def charge(self) -> Charge | None:
        values = self.cleaned_data
        if values["amount"] is None:
            return None
        return Charge(kind=self.kind, **{name: values[name] for name in ("amount", "currency", "rate", "note")})


@dataclass(frozen=True)
class ChargeForms:
    """The bills of a kind, and an empty form for another."""

    kind: Charge.Kind
    bills: list[ChargeForm]
    another: ChargeForm

    @property
    def another_is_filled(self) -> bool:
        return bool(self.another.is_bound and self.another["amount"].data)


class LotForms:
    """A lot and its charges, asked for on one page."""

    def __init__(self, home: str, lot: Lot | None = None, data: Mapping[str, Any] | None = None) -> None:
        self.lot_form = LotForm(data, instance=lot)
        put_cursor(self.lot_form, "supplier")
        known = list(lot.charges.order_by("pk")) if lot else []
        billed = lot.supplier.currency if lot else home
        self.charges_by_kind = [
            _forms_of(kind, home, billed, [charge for charge in known if charge.kind == kind], data)
            for kind in Charge.Kind
        ]
        self.charge_forms = [form for of in self.charges_by_kind for form in (*of.bills, of.another)]

    def is_valid(self) -> bool:
        each = [form.is_valid() for form in (self.lot_form, *self.charge_forms)]  # every form says its errors
        if not all(each):
            put_cursor_on_error(self.lot_form, *self.charge_forms)
        return all(each)

    @property
    def charges(self) -> list[Charge]:
        return [form.charge for form in self.charge_forms if form.charge]

    @property
    def lot(self) -> Lot:
        """The lot as filled in. A new supplier is taken to bill in the currency of the goods."""
        lot = self.lot_form.save(commit=False)
        goods = self.charge_forms[0].charge
        if lot.supplier.pk is None and goods:
            lot.supplier.currency = goods.currency
        return lot


def _forms_of(
    kind: Charge.Kind, home: str, billed: str, known: Sequence[Charge], data: Mapping[str, Any] | None
) -> ChargeForms:
    currency = billed if kind in (Charge.Kind.GOODS, Charge.Kind.FREIGHT) else home
    to_show: list[Charge | None] = [*known, None] if known else [None, None]
    forms_ = [
        ChargeForm(kind, home, number, data=data, initial=_initial(charge, currency, home))
        for number, charge in enumerate(to_show, 1)
    ]
    return ChargeForms(kind, forms_[:-1], forms_[-1])


def _initial(charge: Charge | None, currency: str, home: str) -> dict[str, Any]:
    if charge:
        return {
            "amount": charge.amount.quantize(Decimal(1).scaleb(-minor_places(charge.currency))),
            "currency": charge.currency,
            "rate": f"{charge.rate.normalize():f}",
            "note": charge.note,
        }
    return {"currency": currency, "rate": last_rates().get(currency, "") if currency != home else "1"}


def last_rates() -> dict[str, str]:
    """The rate of each currency on the latest lot that was paid in it."""
    latest = Charge.objects.values("currency").annotate(last=Max("pk")).order_by().values("last")
    return {charge.currency: f"{charge.rate.normalize():f}" for charge in Charge.objects.filter(pk__in=latest)}


class LineForm(AsksAgain, EditForm):
    type = TypeField(
        label="Type, as the glass says it",
        max_length=40,
        help_text="Any of its names. A question mark for a mixed box or glass that nobody has read yet.",
    )
    new_type = forms.BooleanField(required=False, label="It is none of these: enter it as a new type")
    maker = NameField(Maker, label="Marked maker", required=False)
    place = NameField(Place, required=False)

    class Meta:
        model = Line
        fields = ["type", "new_type", "maker", "condition", "expected", "counted", "weight", "place", "note"]
        formfield_callback = typed_numbers
        labels = {"condition": "Condition"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        put_cursor(self, "type")
        type_field(self).may_be_unread = True
        self._offer_new_type()
        if self._came_unexpected:
            self.fields["expected"].validators = []
        self.fields["weight"].help_text = "1 shares evenly; or what one piece cost on the invoice."
        self.fields["counted"].help_text = "May wait until it is counted."
        if self.instance.pk is None:
            self.initial["weight"] = "1"
            choices = [choice for choice in self.fields["condition"].choices if choice[0]]  # type: ignore[attr-defined]
            self.fields["condition"].choices = choices  # type: ignore[attr-defined]
        else:
            self.initial["weight"] = f"{self.instance.weight.normalize():f}"
            self.initial["type"] = self.instance.called

    @property
    def _came_unexpected(self) -> bool:
        """More were in an unread box than were expected, and this is a line of those, or what the box has left."""
        return self.instance.pk is not None and self.instance.expected == 0

    def _offer_new_type(self) -> None:
        """Only where a name was typed that is not on file."""
        typed = str(self.data.get("type", "")).strip()
        if not typed or typed.casefold() in UNREAD or ValveType.objects.named(typed).exists():
            del self.fields["new_type"]
        else:
            type_field(self).may_be_new = bool(self.data.get("new_type"))

    def _get_validation_exclusions(self) -> set[str]:
        # A new type is stored with its line, so at this point it has no key to validate.
        unexpected = {"expected"} if self._came_unexpected else set()
        return super()._get_validation_exclusions() | {"type"} | unexpected  # type: ignore[misc]

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if type_ := values.get("type"):
            self.instance.as_marked = marked_as(type_field(self).written, type_)
        return values

    def clean_expected(self) -> int:
        return self._believable("expected")

    def clean_counted(self) -> int | None:
        return None if self.cleaned_data["counted"] is None else self._believable("counted")

    def _believable(self, name: str) -> int:
        pieces: int = self.cleaned_data[name]
        if pieces > MOST_PIECES:
            raise forms.ValidationError(f"{pieces} pieces in one line? Was something scanned into this field?")
        if pieces > MANY_PIECES:
            self.ask(name, f"{pieces} pieces in one line?")
        return pieces


class CountForm(WritesOnlyChanges, forms.Form):
    """One count for each line; an empty one has not been counted."""

    def __init__(self, lines: Sequence[Line], serialised: Mapping[int, int], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines, self.serialised = lines, serialised
        for line in lines:
            field = WholeTyped(required=False, min_value=0, max_value=MOST_PIECES, initial=line.counted)
            field.label = f"Counted, line {line.number}"
            field.widget.attrs["autocomplete"] = "off"
            self.fields[f"line-{line.number}"] = field
            self.show_initial(field)
        first = next((line for line in lines if line.counted is None), lines[0] if lines else None)
        if first:
            self.fields[f"line-{first.number}"].widget.attrs["autofocus"] = True

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        for line in self.lines:
            if f"line-{line.number}" in self.errors:
                continue
            counted = values[f"line-{line.number}"]
            try:
                check_pieces(line.expected if counted is None else counted, self.serialised[line.pk], line)
            except FewerThanSerials as problem:
                self.add_error(f"line-{line.number}", str(problem))
        return values

    @property
    def counts(self) -> dict[int, int | None]:
        """Of the lines whose count the person changed."""
        named = {line.pk: f"line-{line.number}" for line in self.lines}
        return {pk: self.cleaned_data[name] for pk, name in named.items() if name in self.changed_data}

    @property
    def rows(self) -> list[tuple[Line, forms.BoundField]]:
        return [(line, self[f"line-{line.number}"]) for line in self.lines]


class SerialsForm(forms.Form):
    count = WholeTyped(label="Serials for how many pieces", min_value=1)

    def __init__(self, in_bulk: int, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["count"]
        field.initial = in_bulk
        field.widget.attrs.update({"autofocus": True})
        field.help_text = f"{in_bulk} in bulk. What you leave stays in bulk until the bench takes it up."


class NamingForm(forms.Form):
    """Some pieces of a line that was not identified turn out to be of a type."""

    count = WholeTyped(label="How many pieces", min_value=1)
    type = TypeField(label="Type, as the glass says it", max_length=40)
    new_type = forms.BooleanField(required=False, label="It is not on file: enter it as a new type")
    maker = NameField(Maker, label="Marked maker", required=False)

    def __init__(self, in_bulk: int, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["count"].widget.attrs.update({"autofocus": True})
        self.fields[
            "count"
        ].help_text = f"{in_bulk} in bulk. They become a line of their own, with their share of the cost."
        type_field(self).may_be_new = bool(self.data.get("new_type"))

    @property
    def as_marked(self) -> str:
        return marked_as(type_field(self).written, self.cleaned_data["type"])
