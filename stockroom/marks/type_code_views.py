"""Pages of the type codes that the shop has added to those of `fixtures/marks.toml`."""

from __future__ import annotations

import re
from typing import Any

import django_filters
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from stockroom.marks import identity
from stockroom.marks.maker_views import made_in
from stockroom.marks.pure.stamps import PLANT, tidy
from stockroom.marks.register import codes_known
from stockroom.models import ShopTypeCode
from stockroom.site.edits import EditForm
from stockroom.site.numbers import typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import TypeField, page_of


class TypeCodeForm(EditForm):
    type = TypeField(label="Type", max_length=40, help_text="By any of its names.")

    class Meta:
        model = ShopTypeCode
        fields = ["code", "type", "plant", "first_year", "last_year", "source", "reason"]
        formfield_callback = typed_numbers

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["code"].widget.attrs.update(autofocus=True, autocomplete="off", spellcheck="false")
        self.fields["plant"].widget.attrs.update(autocomplete="off")
        if self.edits:  # each correction has a reason of its own; the earlier ones stand in the daybook
            self.initial["reason"] = ""
            self.fields["reason"].label = "Why it is corrected"

    def clean_code(self) -> str:
        code = tidy(self.cleaned_data["code"])
        if not re.fullmatch("(?=.*[A-Za-z])[A-Za-z0-9]{2,3}", code):
            raise ValidationError(f"“{code}” is no type code: it has two or three signs, one of them a letter.")
        return code

    def clean_plant(self) -> str:
        plant = tidy(self.cleaned_data["plant"])
        if plant and not re.fullmatch(PLANT, plant):
            raise ValidationError(f"“{plant}” is no plant sign: it is one letter, Δ or *.")
        return plant

    def clean_first_year(self) -> int | None:
        return made_in(self.cleaned_data["first_year"])

    def clean_last_year(self) -> int | None:
        last, first = made_in(self.cleaned_data["last_year"]), self.cleaned_data.get("first_year")
        if last is not None and first is not None and last < first:
            raise ValidationError(f"{last} is before {first}, the year it began.")
        return last


class TypeCodeFilter(django_filters.FilterSet):
    code = django_filters.CharFilter(lookup_expr="exact", label="Code")

    class Meta:
        model = ShopTypeCode
        fields: list[str] = []


def type_codes(request: StaffRequest) -> HttpResponse:
    filter = TypeCodeFilter(request.GET, queryset=ShopTypeCode.objects.select_related("type", "by"))
    known = codes_known()
    context = {
        "filter": filter,
        "page": page_of(request, filter.qs),
        "of_file": known.type_codes.values(),
        "plants": known.plants.values(),
    }
    return render(request, "marks/type_codes.html", context)


@for_roles(Role.RECEIVING, Role.BENCH)
def type_code_new(request: StaffRequest) -> HttpResponse:
    return _edit(request, None, "New type code")


@for_roles(Role.RECEIVING, Role.BENCH)
def type_code_edit(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(ShopTypeCode, pk=pk)
    return _edit(request, shown, f"Type code {shown}")


def _edit(request: StaffRequest, shown: ShopTypeCode | None, title: str) -> HttpResponse:
    form = TypeCodeForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        kept = form.save(commit=False)
        looked = identity.keep_type_code(kept, request.user)
        messages.success(request, f"Type code {kept} is saved.{_looked_at(looked)}")
        return redirect("type-codes")
    return render(request, "marks/type_code_form.html", {"form": form, "title": title, "back": reverse("type-codes")})


@for_roles(Role.RECEIVING, Role.BENCH)
@require_POST
def type_code_forget(request: StaffRequest, pk: int) -> HttpResponse:
    gone = get_object_or_404(ShopTypeCode.objects.select_related("type"), pk=pk)
    looked = identity.forget_type_code(gone, request.user)
    messages.success(request, f"Type code {gone} is no longer held.{_looked_at(looked)}")
    return redirect("type-codes")


def _looked_at(count: int) -> str:
    if not count:
        return ""
    return f" {count} {'valve' if count == 1 else 'valves'} in house with it in the stamp looked at again."


urlpatterns = [
    path("type-codes/", type_codes, name="type-codes"),
    path("type-codes/new/", type_code_new, name="type-code-new"),
    path("type-codes/<int:pk>/edit/", type_code_edit, name="type-code-edit"),
    path("type-codes/<int:pk>/forget/", type_code_forget, name="type-code-forget"),
]
