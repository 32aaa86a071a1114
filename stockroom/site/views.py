"""The scan box, and what the owner keeps: people, the shop's own data, the daybook."""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.contrib.auth import views as auth_views
from django.contrib.auth.models import Group, User
from django.contrib.auth.password_validation import validate_password
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.http import urlencode

from catalog.models import ValveType
from stockroom.models import Charge, Entry, Line, Place, Shop, Valve
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.pure.written import plural
from stockroom.site import backups
from stockroom.site.changes import differences, told
from stockroom.site.edits import EditForm
from stockroom.site.finders import found_by_others
from stockroom.site.numbers import typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.typed import LogIn
from stockroom.site.web import page_of

# What a number with this first letter is the number of. Our numbers have four figures or more: L63 is a valve type.
PAGES_BY_LETTER = {"L": "lot", "R": "order", "S": "set", "A": "item", "C": "claim", "B": "return"}
OUR_NUMBER = re.compile(r"([LRSACB])[0-9]{4,}", re.ASCII)
LINE_NUMBER = re.compile(r"(L[0-9]{4,})/([0-9]{1,6})", re.ASCII)


def find(request: HttpRequest) -> HttpResponse:
    """Go where a scan or a typed name points: a valve, lot, line, set, order, return, listing, claim, place or type."""
    text = request.GET.get("q", "").strip()
    if address := found_by_others(text):
        return redirect(address)
    try:
        serial = read_serial(text)
        if Valve.objects.filter(serial=serial).exists():
            return redirect("valve", serial)
        problem = f"No valve has the serial {serial}."
    except BadSerial as wrong:
        problem = str(wrong)
    number = text.upper().replace(" ", "")
    if ours := OUR_NUMBER.fullmatch(number):
        return redirect(PAGES_BY_LETTER[ours[1]], number)
    if line := LINE_NUMBER.fullmatch(number):
        sealed = Line.objects.filter(lot__number=line[1], number=line[2], condition=Line.Condition.SEALED).exists()
        return redirect("sealed" if sealed else "line-marks", line[1], line[2])
    place = Place.objects.filter(code__iexact=text).first()
    if text and place:
        return redirect(reverse("valves") + f"?place={place.pk}")
    found = ValveType.objects.read_as(text)
    if found:
        if found.why:
            messages.info(request, f"“{text}” is read so: {found.why}.")
        return redirect(ValveType.objects.get(pk=found.key))
    if any(letter.isalpha() for letter in text):
        return redirect(f"{reverse('types')}?{urlencode({'name': text})}")
    messages.error(request, problem)
    return redirect("home")


def office(request: HttpRequest) -> HttpResponse:
    return render(request, "site/office.html", {"backup": backups.age_in_words(backups.last_backup())})


class EntryFilter(django_filters.FilterSet):
    by = django_filters.ModelChoiceFilter(label="Person", queryset=User.objects.order_by("username"))
    text = django_filters.CharFilter(label="Text contains", lookup_expr="icontains")
    at_min = django_filters.DateFilter(label="From", method="since", widget=forms.DateInput({"type": "date"}))
    at_max = django_filters.DateFilter(label="Until", method="until", widget=forms.DateInput({"type": "date"}))

    class Meta:
        model = Entry
        fields: list[str] = []

    def since(self, entries: QuerySet[Entry], _: str, day: date) -> QuerySet[Entry]:
        return entries.filter(at__gte=_begins(day))

    def until(self, entries: QuerySet[Entry], _: str, day: date) -> QuerySet[Entry]:
        return entries.filter(at__lt=_begins(day + timedelta(days=1)))


def _begins(day: date) -> datetime:
    """Midnight in the shop's own time, so that the index on the moment serves."""
    return timezone.make_aware(datetime.combine(day, time.min))


def daybook(request: HttpRequest) -> HttpResponse:
    found = EntryFilter(request.GET, queryset=Entry.objects.select_related("by", "lot", "valve", "order"))
    return render(request, "site/daybook.html", {"filter": found, "page": page_of(request, found.qs)})


class PersonForm(EditForm):
    """Somebody with a login. The password may be left empty when changing the rest."""

    roles = forms.MultipleChoiceField(
        choices=[(role.value, role.value) for role in Role], widget=forms.CheckboxSelectMultiple, required=False
    )
    password = forms.CharField(widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}), required=False)

    class Meta:
        model = User
        fields = ["username", "first_name", "last_name", "email", "is_active"]
        labels = {"is_active": "May log in"}
        help_texts = {
            "username": "",
            "is_active": "Unticked, the person can no longer log in; what they did stays on record.",
        }

    field_order = ["username", "roles", "password", "first_name", "last_name", "email", "is_active"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            self.initial["roles"] = list(self.instance.groups.values_list("name", flat=True))
            self.fields["password"].help_text = "Leave it empty to keep the present one."
        else:
            self.fields["password"].required = True

    def clean_password(self) -> str:
        password = self.cleaned_data["password"]
        if password:
            validate_password(password, self.instance)
        return password

    def save(self, commit: bool = True) -> User:
        user: User = super().save(commit=False)
        if self.cleaned_data["password"]:
            user.set_password(self.cleaned_data["password"])
        user.save()
        user.groups.set(Group.objects.filter(name__in=self.cleaned_data["roles"]))
        return user


@for_roles(Role.OWNER)
def people(request: StaffRequest) -> HttpResponse:
    return render(
        request,
        "site/people.html",
        {"page": page_of(request, User.objects.order_by("username").prefetch_related("groups"))},
    )


@for_roles(Role.OWNER)
def person(request: StaffRequest, pk: int | None = None) -> HttpResponse:
    found = get_object_or_404(User, pk=pk) if pk else None
    form = PersonForm(request.POST or None, instance=found)
    form.fields["username"].widget.attrs["autofocus"] = True
    if form.is_valid():
        if found == request.user and (
            Role.OWNER not in form.cleaned_data["roles"] or not form.cleaned_data["is_active"]
        ):
            form.add_error("roles", "You cannot take the owner's role or the login from yourself.")
        else:
            saved = form.save()
            roles = ", ".join(form.cleaned_data["roles"]) or "no role"
            Entry.write(
                request.user, "person", f"Login {saved.username}: {roles}{'' if saved.is_active else ', closed'}"
            )
            messages.success(request, f"{saved.username} is recorded.")
            return redirect("people")
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": f"Change {found.username}" if found else "New login",
            "back": reverse("people"),
        },
    )


class ShopForm(EditForm):
    web_address = forms.URLField(
        assume_scheme="https",
        required=False,
        help_text="When it is given, the 2D barcode on labels opens the item's page, and that on certificates theirs.",
    )

    class Meta:
        model = Shop
        fields = [
            "name",
            "address",
            "email",
            "phone",
            "currency",
            "web_address",
            "delivery_terms",
            "return_terms",
            "takes_enquiries",
            "hold_days",
        ]
        formfield_callback = typed_numbers

    def clean_currency(self) -> str:
        """Every rate and every share of cost is told in it, so it is chosen before the first charge."""
        currency: str = self.cleaned_data["currency"]
        if "currency" in self.changed_data and (charges := Charge.objects.count()):
            was = self.initial["currency"]
            many = plural(charges, "charge is", "charges are")
            raise forms.ValidationError(f"{many} reckoned in {was}: it stays {was}.")
        return currency


@for_roles(Role.OWNER)
def shop(request: StaffRequest) -> HttpResponse:
    form, before = ShopForm(request.POST or None, instance=Shop.own()), Shop.own()
    if form.is_valid():
        changed = differences(before, form.save(), form.Meta.fields)
        if changed:
            Entry.write(request.user, "shop", told("Changed the shop’s data: ", changed))
        messages.success(request, "The shop's data are recorded.")
        return redirect("office")
    return render(request, "site/form.html", {"form": form, "title": "The shop", "back": reverse("office")})


urlpatterns = [
    path("find/", find, name="find"),
    path("office/", office, name="office"),
    path("daybook/", daybook, name="daybook"),
    path("people/", people, name="people"),
    path("people/new/", person, name="person-new"),
    path("people/<int:pk>/", person, name="person"),
    path("shop/", shop, name="shop"),
    path("log-in/", LogIn.as_view(), name="login"),
    path("log-out/", auth_views.LogoutView.as_view(), name="logout"),
    path(
        "password/",
        auth_views.PasswordChangeView.as_view(
            template_name="site/form.html", success_url="/office/", extra_context={"title": "Change your password"}
        ),
        name="password",
    ),
]
