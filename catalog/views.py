"""Pages of reference: the list of types, and what the sheet says of one."""

from __future__ import annotations

from typing import Any

import django_filters
from django.core.paginator import Paginator
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path

from catalog.loading import latest
from catalog.models import Heater, TypeVersion, ValveType
from catalog.naming import name_read
from catalog.reference.scripts import normal
from catalog.reference.vocabulary import BASES


def _kinds() -> list[tuple[str, str]]:
    kinds = ValveType.objects.order_by("kind").values_list("kind", flat=True).distinct()
    return [(kind, kind) for kind in kinds if kind]


def _bases() -> list[tuple[str, str]]:
    bases = ValveType.objects.order_by("basing__base").values_list("basing__base", flat=True).distinct()
    return [(base, BASES[base].label if base in BASES else base) for base in bases if base]


def _heaters() -> list[tuple[float, str]]:
    voltages = Heater.objects.order_by("voltage_v").values_list("voltage_v", flat=True).distinct()
    return [(voltage, f"{voltage:g} V") for voltage in voltages]


class TypeFilter(django_filters.FilterSet):
    name = django_filters.CharFilter(label="Designation", method="by_name")
    kind = django_filters.ChoiceFilter(label="Kind", choices=_kinds)
    base = django_filters.ChoiceFilter(label="Base", field_name="basing__base", choices=_bases)
    heater = django_filters.ChoiceFilter(label="Heater", method="by_heater", choices=_heaters)
    tradition = django_filters.ChoiceFilter(
        label="Designations", choices=[("western", "western"), ("eastern", "eastern")]
    )
    special_quality = django_filters.BooleanFilter(label="Special quality")
    own = django_filters.BooleanFilter(label="The shop’s own", method="by_own")

    class Meta:
        model = ValveType
        fields: list[str] = []

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.form.fields["name"].widget.attrs.update({"autofocus": True, "spellcheck": "false"})

    def by_name(self, types: QuerySet[ValveType], _: str, value: str) -> QuerySet[ValveType]:
        """Any type one of whose names holds these letters, however spaced or hyphenated."""
        wanted = normal(value)
        within = Q(normal__contains=wanted) | Q(aliases__normal__contains=wanted)
        found = ValveType.objects.read_as(value)
        return types.filter(within | Q(pk=found.key) if found else within)

    def by_own(self, types: QuerySet[ValveType], _: str, value: bool) -> QuerySet[ValveType]:
        """Those of which the shop itself says something, or all others."""
        own = latest(TypeVersion.Origin.SHOP).exclude(says="").values("type")
        return types.filter(pk__in=own) if value else types.exclude(pk__in=own)

    def by_heater(self, types: QuerySet[ValveType], _: str, value: str) -> QuerySet[ValveType]:
        return types.filter(heaters__voltage_v=float(value))


def types(request: HttpRequest) -> HttpResponse:
    rows = ValveType.objects.identified().select_related("basing").prefetch_related("aliases", "heaters")
    found = TypeFilter(request.GET, queryset=rows)
    page = Paginator(found.qs.distinct(), 50).get_page(request.GET.get("page"))
    asked = request.GET.get("name", "")
    known = None if ValveType.objects.named(asked).exists() else name_read(asked)
    return render(request, "catalog/types.html", {"filter": found, "page": page, "known": known})


def type_(request: HttpRequest, name: str) -> HttpResponse:
    found = ValveType.objects.named(name).first()
    if found is None:
        raise Http404(f"No valve type is called {name}.")
    if found.designation != name:
        return redirect(found)
    shown = ValveType.objects.with_all().get(pk=found.pk)
    return render(request, "catalog/type.html", {"type": shown})


urlpatterns = [
    path("types/", types, name="types"),
    path("types/<path:name>/", type_, name="type"),
]
