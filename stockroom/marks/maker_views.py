"""Pages of the register of makers: names, numbers, years, and how each is known to have built."""

from __future__ import annotations

import re
from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from stockroom.marks import identity
from stockroom.marks.pure.construction import FEATURES
from stockroom.marks.pure.identification import YearsKnown
from stockroom.marks.pure.stamps import PLANT, tidy
from stockroom.models import KnownConstruction, Line, Maker, SeenFeature, SourceCode, Valve
from stockroom.site import saving
from stockroom.site.named import NamedForm
from stockroom.site.numbers import WholeTyped, typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on
from stockroom.site.web import TypeField, how_many, page_of
from stockroom.tally import tally_lines

KINDS = {
    "source_codes": SourceCode.Kind.NUMBER,
    "letters": SourceCode.Kind.LETTERS,
    "plants": SourceCode.Kind.PLANT,
}


class CodesField(forms.CharField):
    """Codes with spaces between them, each of one shape."""

    def __init__(self, shape: str, wrong: str, *, capitals: bool = False, **kwargs: Any) -> None:
        super().__init__(required=False, max_length=200, **kwargs)
        self.shape, self.wrong, self.capitals = shape, wrong, capitals

    def clean(self, value: Any) -> list[str]:
        text = tidy(super().clean(value))
        codes = re.findall(r"[^\s,;]+", text.upper() if self.capitals else text)
        for code in codes:
            if not re.fullmatch(self.shape, code):
                raise forms.ValidationError(f"“{code}” is {self.wrong}.")
        return sorted(set(codes))


class YearField(WholeTyped):
    """A year in which valves were made; empty where it is not known."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(required=False, help_text="A year, if it is known.", **kwargs)

    def clean(self, value: Any) -> int | None:
        return made_in(super().clean(value))


def made_in(year: int | None) -> int | None:
    if year is not None and not 1880 <= year <= timezone.localdate().year:
        raise forms.ValidationError(f"No valves were made in {year}. Give the year with four digits.")
    return year


class MakerForm(NamedForm):
    source_codes = CodesField(
        "[0-9]{3,4}",
        "no source code: it has three or four digits",
        label="Source codes",
        help_text="The registered numbers that you take for this maker’s: three or four digits, spaces between.",
    )
    letters = CodesField(
        "[A-Z]{2,5}|[A-Z]{0,5}/[A-Z]{1,3}",
        "not of this kind: it has two to five letters, and after a stroke up to three",
        capitals=True,
        label="Contract letters",
        help_text=(
            "Letters that stand for it in the marks of the services: such as three letters, or KB/D; "
            "/D for every K code that ends so."
        ),
    )
    plants = CodesField(
        PLANT,
        "no plant sign: it is one letter or one sign",
        label="Plant signs",
        help_text="The sign before the date in its factory codes: a letter, Δ or *.",
    )

    class Meta:
        model = Maker
        fields = ["name", "first_year", "last_year", "note"]
        formfield_callback = typed_numbers

    field_order = ["name", *KINDS, "first_year", "last_year", "note"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("first_year", "last_year"):
            self.fields[name].help_text = "A year, if it is known."
        if self.instance.pk:
            codes = list(self.instance.source_codes.all())
            for name, kind in KINDS.items():
                self.initial[name] = " ".join(one.code for one in codes if one.kind == kind)

    def clean_first_year(self) -> int | None:
        return made_in(self.cleaned_data["first_year"])

    def clean_last_year(self) -> int | None:
        last, first = made_in(self.cleaned_data["last_year"]), self.cleaned_data.get("first_year")
        if last is not None and first is not None and last < first:
            raise forms.ValidationError(f"{last} is before {first}, the year it began.")
        return last


class KnownForm(forms.Form):
    """A construction that a maker is known with."""

    type = TypeField(label="Type", required=False, max_length=40, help_text="Empty for every type.")
    seen = forms.ChoiceField(
        label="Built with",
        choices=[
            ("", "–"),
            *(
                (choice.label, [(f"{name}|{word}", f"{choice.label}: {word}") for word in choice.words])
                for name, choice in FEATURES.items()
            ),
        ],
    )
    first_year = YearField(label="Built so from")
    last_year = YearField(label="Until")
    note = forms.CharField(label="Known from", required=False, max_length=200)


class MakerFilter(django_filters.FilterSet):
    name = django_filters.CharFilter(lookup_expr="icontains", label="Name contains")
    code = django_filters.CharFilter(field_name="source_codes__code", lookup_expr="iexact", label="Code or letters")

    class Meta:
        model = Maker
        fields: list[str] = []


def makers(request: StaffRequest) -> HttpResponse:
    rows = Maker.objects.annotate(line_count=how_many(Line, "maker"), valve_count=how_many(Valve, "maker"))
    filter = MakerFilter(request.GET, queryset=rows.prefetch_related("source_codes"))
    return render(request, "marks/makers.html", {"filter": filter, "page": page_of(request, filter.qs)})


def maker(request: StaffRequest, pk: int) -> HttpResponse:
    return _maker_page(request, get_object_or_404(Maker, pk=pk), KnownForm())


def _maker_page(request: StaffRequest, shown: Maker, form: KnownForm) -> HttpResponse:
    page = page_of(request, shown.lines.select_related("lot__supplier", "type").order_by("-lot__number", "number"))
    tallies = tally_lines([line.pk for line in page])
    context = {
        "maker": shown,
        "page": page,
        "rows": [(line, tallies[line.pk]) for line in page],
        "codes": _codes_by_kind(shown),
        "known": shown.known_construction.select_related("type", "by"),
        "features_seen": SeenFeature.objects.filter(valve__maker=shown).values("valve").distinct().count(),
        "form": form,
    }
    return render(request, "marks/maker.html", context)


def _codes_by_kind(shown: Maker) -> list[tuple[str, list[str]]]:
    codes = list(shown.source_codes.all())
    labels = {"number": "Source codes", "letters": "Contract letters", "plant": "Plant signs"}
    return [(label, [one.code for one in codes if one.kind == kind]) for kind, label in labels.items()]


@for_roles(Role.RECEIVING)
def maker_new(request: StaffRequest) -> HttpResponse:
    return _edit(request, None, "New maker", reverse("makers"))


@for_roles(Role.RECEIVING)
def maker_edit(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Maker, pk=pk)
    return _edit(request, shown, f"Maker {shown}", reverse("maker", args=[pk]))


def _edit(request: StaffRequest, shown: Maker | None, title: str, back: str) -> HttpResponse:
    form = MakerForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():
            saved = saving.save_named(form.save(commit=False), request.user)
            lost = list(saved.source_codes.values_list("code", flat=True))
            for name, kind in KINDS.items():
                identity.set_source_codes(saved, form.cleaned_data[name], request.user, kind)
            identity.register_changed(saved, request.user, lost)
        messages.success(request, f"{saved} is saved.")
        return redirect("maker", saved.pk)
    return render(request, "site/form.html", {"form": form, "title": title, "back": back})


@for_roles(Role.RECEIVING, Role.BENCH)
@require_POST
def maker_learn(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Maker, pk=pk)
    form = KnownForm(request.POST)
    if form.is_valid():
        feature, _, word = form.cleaned_data["seen"].partition("|")
        said = form.cleaned_data
        years = YearsKnown(said["first_year"], said["last_year"])
        with errors_on(form, "last_year"):
            known = identity.learn(shown, said["type"], feature, word, said["note"], request.user, years)
            messages.success(request, f"{shown} is known with {known}.")
            return redirect("maker", pk)
    return _maker_page(request, shown, form)


@for_roles(Role.RECEIVING, Role.BENCH)
@require_POST
def maker_forget(request: StaffRequest, pk: int, known: int) -> HttpResponse:
    shown = get_object_or_404(Maker, pk=pk)  # first: a key beyond any table is none
    gone = get_object_or_404(KnownConstruction.objects.select_related("maker", "type"), pk=known, maker=shown)
    identity.forget(gone, request.user)
    messages.success(request, f"{gone.maker} is no longer known with {gone}.")
    return redirect("maker", pk)


urlpatterns = [
    path("makers/", makers, name="makers"),
    path("makers/new/", maker_new, name="maker-new"),
    path("makers/<int:pk>/", maker, name="maker"),
    path("makers/<int:pk>/edit/", maker_edit, name="maker-edit"),
    path("makers/<int:pk>/known/", maker_learn, name="maker-learn"),
    path("makers/<int:pk>/known/<int:known>/forget/", maker_forget, name="maker-forget"),
]
