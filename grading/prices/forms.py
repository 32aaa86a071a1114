"""Forms of the price book."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import django_filters
from django import forms
from django.db.models import QuerySet
from django.utils import timezone

from catalog.models import ValveType
from grading.models import MatchedSet, Policy, PriceDraft
from grading.prices import changing
from grading.prices.pure.book import RuleEffect
from stockroom.marks.pure.construction import FEATURES
from stockroom.models import Lot, Maker, Shop, Valve
from stockroom.models.orders import set_name
from stockroom.pure.money import minor_places
from stockroom.site.names import NameField
from stockroom.site.numbers import DecimalTyped, typed_numbers
from stockroom.site.web import TypeField


def grade_names() -> list[str]:
    policy = Policy.objects.filter(in_force=True).first()
    return list(policy.parsed.names) if policy else []


def _constructions() -> list[tuple[str, Any]]:
    groups = [(choice.label, [(f"{name}: {word}", word) for word in choice.words]) for name, choice in FEATURES.items()]
    return [("", "any"), *groups]


class PriceRuleForm(forms.ModelForm):
    """What a rule says and why: a draft of a new one, or of another version of one. An empty condition is any."""

    type = TypeField(required=False)
    maker = NameField(Maker, label="Marked maker", required=False)
    grade = forms.ChoiceField(required=False)
    construction = forms.ChoiceField(required=False, choices=_constructions)

    class Meta:
        model = PriceDraft
        fields = [
            *changing.CONDITIONS,
            "heading",
            "amount",
            "of_set",
            "factor",
            "step",
            "ending",
            "direction",
            "place",
            "reason",
        ]
        formfield_callback = typed_numbers

    def __init__(self, effect: RuleEffect, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.effect = effect
        self.instance.effect = effect.value
        kept = {*changing.CONDITIONS, *changing.NEEDS[effect], "place", "reason"}
        for name in set(self.fields) - kept:
            del self.fields[name]
        names = grade_names()
        stands = self.initial.get("grade") or ""
        every = [*names, *([stands] if stands and stands not in names else [])]
        self.fields["grade"].choices = [("", "any"), *((name, name) for name in every)]  # type: ignore[attr-defined]
        if "amount" in self.fields:
            self.fields["amount"].label = f"Amount, {Shop.own().currency}"
            self.fields["amount"].help_text = "Below nothing takes off." if effect is RuleEffect.AMOUNT else ""
        if effect is RuleEffect.FACTOR:
            self.fields["factor"].help_text = "1.25 asks a quarter more, 0.8 a fifth less."
        elif "factor" in self.fields:
            self.fields["factor"].label = "Times the cost"
        for name in ("amount", "factor", "heading", "step"):
            if name in self.fields:
                self.fields[name].required = True

    @property
    def conditions(self) -> list[forms.BoundField]:
        return [self[name] for name in changing.CONDITIONS]

    @property
    def does(self) -> list[forms.BoundField]:
        return [self[name] for name in (*changing.NEEDS[self.effect], "place")]

    def clean_maker(self) -> Maker | None:
        maker: Maker | None = self.cleaned_data["maker"]
        if maker is not None and maker.pk is None:
            raise forms.ValidationError(f"No maker is called “{maker}”. Enter it first under Makers' marks.")
        return maker

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        said = PriceDraft(effect=self.effect.value, **{name: data[name] for name in data if name != "reason"})
        for name, why in changing.troubles(said, Shop.own().currency).items():
            if name not in self.errors:
                self.add_error(name, why)
        return data


class EndRuleForm(forms.Form):
    reason = forms.CharField(label="Why it ends", max_length=200)


class PriceDayForm(forms.Form):
    """Of the book's page: a past day."""

    on = forms.DateField(
        label="As it stood at the end of", required=False, widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )

    def clean_on(self) -> Any:
        on = self.cleaned_data["on"]
        if on and on > timezone.localdate():
            raise forms.ValidationError("This day is still to come.")
        return on


class WhyPricedForm(PriceDayForm):
    """Which item, on which day."""

    item = forms.CharField(label="Serial, set or listing", max_length=20)
    field_order = ["item", "on"]


class OwnSalesForm(forms.Form):
    type = TypeField(label="Type")


class SinglesFilter(django_filters.FilterSet):
    """Of single valves to be listed."""

    type = django_filters.ModelChoiceFilter(
        label="Type", queryset=ValveType.objects.filter(valves__isnull=False).distinct()
    )
    grade = django_filters.ChoiceFilter(
        label="Grade", method="by_grade", choices=lambda: [(name, name) for name in grade_names()]
    )
    maker = django_filters.ModelChoiceFilter(label="Marked maker", queryset=Maker.objects.all())
    lot = django_filters.ModelChoiceFilter(label="Lot", field_name="line__lot", queryset=Lot.objects.all())

    class Meta:
        model = Valve
        fields: list[str] = []

    def by_grade(self, valves: QuerySet[Valve], _: str, value: str) -> QuerySet[Valve]:
        return valves.filter(grades__current=True, grades__name=value)


class SetsFilter(django_filters.FilterSet):
    """Of matched sets to be listed."""

    type = django_filters.ModelChoiceFilter(
        label="Type", queryset=ValveType.objects.filter(matched_sets__isnull=False).distinct()
    )
    size = django_filters.ChoiceFilter(label="Pieces", choices=[(size, set_name(size)) for size in range(2, 13)])

    class Meta:
        model = MatchedSet
        fields: list[str] = []


class RowToList(forms.Form):
    """At what price one of many is listed; it belongs to the valve or the set of this key."""

    price = DecimalTyped(required=False, min_value=Decimal(0), max_digits=14, decimal_places=3)

    def __init__(self, key: int, currency: str, data: Any = None, price: Decimal | None = None) -> None:
        places = minor_places(currency)
        shown = None if price is None else f"{price:.{places}f}"
        super().__init__(data, prefix=str(key), initial={"price": shown})
        self.fields["price"].validators.append(_of_places(places, currency))


def _of_places(places: int, currency: str) -> Callable[[Decimal], None]:
    def check(value: Decimal) -> None:
        if value != round(value, places):
            raise forms.ValidationError(f"{currency} has {places} decimals.")

    return check
