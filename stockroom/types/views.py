"""Pages for entering and correcting valve types, their versions, and types as a file."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils.http import url_has_allowed_host_and_scheme, urlencode

from catalog.models import TypeVersion, ValveType
from catalog.naming import name_read
from catalog.reference.differing import differences
from stockroom.site.numbers import DecimalTyped, WholeTyped
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, messages_on, refused_to
from stockroom.types import keeping
from stockroom.types.bearing import bears_on
from stockroom.types.forms import NewTypeForm, PointForm, TypeForms

MOST_BYTES = 1_000_000


def _type(name: str) -> ValveType:
    return get_object_or_404(ValveType.objects.select_related("basing"), designation=name)


def back_to(request: HttpRequest, otherwise: str) -> str:
    """Where somebody came from, if it is here."""
    wanted = request.POST.get("next") or request.GET.get("next", "")
    here = url_has_allowed_host_and_scheme(wanted, allowed_hosts={request.get_host()})
    return wanted if wanted and here else otherwise


@for_roles(Role.RECEIVING, Role.BENCH, Role.SALES)
def type_new(request: StaffRequest) -> HttpResponse:
    form = NewTypeForm(request.POST or None, initial={"designation": request.GET.get("name", "")})
    if request.method == "POST" and form.is_valid():
        with errors_on(form, "designation"):
            entered = keeping.enter(form.table, request.user, basing=form.basing)
            messages.success(request, f"{entered} is entered. It can be received and sold; nothing grades it yet.")
            return redirect(back_to(request, entered.get_absolute_url()))
    known = name_read(str(form["designation"].value() or ""))
    context = {"form": form, "next": back_to(request, ""), "known": known}
    return render(request, "types/type_new.html", context)


@for_roles(Role.OWNER)
def type_change(request: StaffRequest, name: str) -> HttpResponse:
    type_ = _type(name)
    try:
        sheet = TypeForms(keeping.table_in_force(type_), type_.basing, request.POST or None)
    except keeping.TypeRefused as problem:
        messages.error(request, str(problem))
        return redirect(type_)
    if request.method == "POST" and sheet.is_valid():
        with errors_on(sheet.type_form):
            reason = sheet.why_form.cleaned_data["reason"]
            said = keeping.change(type_, sheet.wanted, request.user, reason=reason, basing=sheet.basing)
            messages.success(request, f"{type_} is changed." if said else "Nothing was changed.")
            return redirect("type-versions", type_.designation)
    return render(request, "types/type_change.html", {"type": type_, "sheet": sheet, "bears_on": bears_on(type_)})


@for_roles(Role.BENCH)
def type_settings(request: StaffRequest, name: str) -> HttpResponse:
    """How the tester is set for a type without a test point, so that it can be read."""
    type_ = _type(name)
    form = SettingsForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        with errors_on(form):
            table = keeping.table_in_force(type_)
            table["section"] = [*table.get("section", []), form.section]
            keeping.change(type_, table, request.user, reason="settings for reading it, no nominal known")
            messages.success(request, f"{type_} can be read; its readings are kept ungraded until there is a nominal.")
            return redirect(back_to(request, reverse("bench")))
    title = f"How {type_} is read"
    intro = (
        "The sheet is not at hand: say how the tester is set. Readings are kept, and graded once a nominal is known."
    )
    return render(request, "site/form.html", {"form": form, "title": title, "intro": intro, "back": reverse("bench")})


class SettingsForm(forms.Form):
    """A section's kind and the settings of the tester."""

    kind = forms.ChoiceField(label="Kind of section", choices=[(kind, kind) for kind in ("triode", "pentode", "diode")])
    sections = WholeTyped(label="How many alike", initial=1, min_value=1, max_value=4)
    anode_voltage_v = DecimalTyped(label="Va, V", min_value=1, max_value=5000)
    screen_voltage_v = PointForm.base_fields["screen_voltage_v"]
    grid_voltage_v = PointForm.base_fields["grid_voltage_v"]
    cathode_resistor_ohm = PointForm.base_fields["cathode_resistor_ohm"]

    @property
    def section(self) -> dict[str, object]:
        said = self.cleaned_data
        settings = {key: said[key] for key in keeping.SETTINGS if said.get(key) is not None}
        point = {"name": f"{said['anode_voltage_v']:g} V, as set here", **settings, "source": keeping.SOURCE}
        return {"kind": said["kind"], "alike": said["sections"], "test_point": [point]}


def type_versions(request: HttpRequest, name: str) -> HttpResponse:
    type_ = _type(name)
    reference, own = (keeping.spoken(type_, origin) for origin in TypeVersion.Origin)
    both = differences(reference, keeping.in_force(reference, own)) if reference and own else []
    context = {"type": type_, "versions": type_.versions.select_related("by"), "differs": both, "own": bool(own)}
    names = [type_.designation, *type_.aliases.values_list("designation", flat=True)]
    context |= {"reference": bool(reference), "names": names, "bears_on": bears_on(type_)}
    return render(request, "types/type_versions.html", context)


@for_roles(Role.OWNER)
def type_follow(request: StaffRequest, name: str) -> HttpResponse:
    type_ = _type(name)
    if request.method == "POST":
        with messages_on(request):
            keeping.follow_reference(type_, request.user, reason=request.POST.get("reason", "").strip()[:200])
            messages.success(request, f"{type_} follows the reference again.")
    return redirect("type-versions", type_.designation)


@for_roles(Role.OWNER)
def type_call(request: StaffRequest, name: str) -> HttpResponse:
    type_ = _type(name)
    if request.method == "POST":
        with messages_on(request):
            keeping.call(type_, request.POST.get("name", ""), request.user)
    return redirect(type_)


@refused_to("types")
def type_export(request: HttpRequest, name: str = "") -> HttpResponse:
    """One type; without a name, all of which the shop itself says something."""
    types = [_type(name)] if name else list(own_types())
    if not types:
        raise keeping.TypeRefused("The shop itself says nothing of any type.")
    file = HttpResponse(keeping.as_file(types), content_type="application/toml; charset=utf-8")
    file["Content-Disposition"] = f'attachment; filename="{"types" if not name else keeping.normal(name)}.toml"'
    return file


def own_types() -> list[ValveType]:
    said = keeping.loading.latest(TypeVersion.Origin.SHOP).exclude(says="")
    return list(ValveType.objects.filter(versions__in=said))


class TypesFileForm(forms.Form):
    file = forms.FileField(label="A file of types, as another shop wrote it", max_length=200)
    reason = forms.CharField(label="Why it is loaded", max_length=200)

    def clean_file(self) -> str:
        file = self.cleaned_data["file"]
        if file.size > MOST_BYTES:
            raise forms.ValidationError("That is too large for a file of types.")
        try:
            return str(file.read().decode("utf-8"))
        except UnicodeDecodeError as fault:
            raise forms.ValidationError("The file is not text in UTF-8.") from fault


@for_roles(Role.OWNER)
def types_import(request: StaffRequest) -> HttpResponse:
    form = TypesFileForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        with errors_on(form, "file"):
            kept = keeping.take_file(said["file"], request.user, reason=said["reason"])
            messages.success(request, f"Kept: {', '.join(str(one) for one in kept[:12])}.")
            return redirect(f"{reverse('types')}?{urlencode({'own': 'true'})}")
    title = "Load types from another shop"
    return render(request, "site/form.html", {"form": form, "title": title, "back": reverse("types")})


urlpatterns = [
    path("types/new/", type_new, name="type-new"),
    path("types/load/", types_import, name="types-load"),
    path("types/own.toml", type_export, name="types-export"),
    path("types/<path:name>/change/", type_change, name="type-change"),
    path("types/<path:name>/settings/", type_settings, name="type-settings"),
    path("types/<path:name>/versions/", type_versions, name="type-versions"),
    path("types/<path:name>/follow/", type_follow, name="type-follow"),
    path("types/<path:name>/call/", type_call, name="type-call"),
    path("types/<path:name>/type.toml", type_export, name="type-export"),
]
