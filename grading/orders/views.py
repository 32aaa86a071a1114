"""Pages of orders: taking one, filling it from stock, pulling by scanner, sending, taking back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.contrib.auth.models import User
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_POST

from grading.models import Policy
from grading.orders import filling, fulfilment, holds, taking, wishes
from grading.orders.allocations import SET_ASIDE_OR_SENT
from grading.orders.complaints import ComplaintForm
from grading.orders.ways import WAYS, way_for, where
from grading.verdicts.grade_choice import BestGradesField, grade_choices
from stockroom.marks.pure.construction import FEATURES
from stockroom.models import Allocation, Customer, Listing, Order, OrderLine, Return, Shop, Valve
from stockroom.money import invoicing
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.site.asking import AsksAgain
from stockroom.site.edits import EditForm
from stockroom.site.numbers import typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles, may
from stockroom.site.refusals import errors_on, messages_on
from stockroom.site.web import TypeField, marked_as, page_of, type_field, valve_typed


class OrderFilter(django_filters.FilterSet):
    number = django_filters.CharFilter(label="Number", lookup_expr="iexact")
    state = django_filters.ChoiceFilter(label="State", choices=Order.State.choices)
    customer = django_filters.CharFilter(label="Customer", field_name="customer__name", lookup_expr="icontains")

    class Meta:
        model = Order
        fields: list[str] = []


MANY_ITEMS = 1_000  # on one line of an order: more is asked about
MOST_ITEMS = 30_000  # more is a slip


class OrderForm(forms.ModelForm):
    """A known customer, or a new one in place."""

    customer = forms.ModelChoiceField(Customer.objects.all(), required=False, label="Known customer")
    new_name = forms.CharField(label="or a new one: name", max_length=120, required=False)
    new_email = forms.EmailField(label="Email", required=False)
    new_address = forms.CharField(label="Address", widget=forms.Textarea(attrs={"rows": 3}), required=False)

    class Meta:
        model = Order
        fields = ["currency", "note"]

    field_order = ["customer", "new_name", "new_email", "new_address", "currency", "note"]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if bool(data.get("customer")) == bool(data.get("new_name")):
            self.add_error("customer", "Choose a customer from the list, or type a new one's name: one of the two.")
        return data


def built_choices() -> list[Any]:
    """Each feature of construction with its words; a choice is "getter shape=halo"."""
    return [
        ("", "–"),
        *((one.label, [(f"{name}={word}", word) for word in one.words]) for name, one in FEATURES.items()),
    ]


class OrderLineForm(AsksAgain, EditForm):
    """What a line asks for; what is wished of each valve besides may all be blank."""

    type = TypeField(label="Type")
    sealed = forms.ChoiceField(
        label="Tested or not",
        required=False,
        choices=[
            ("", "tested, by grade"),
            ("sealed", "in sealed packs, not tested"),
            ("untested", "untested singles, as received"),
        ],
        help_text="Of what is not tested neither grades nor a tolerance can be asked for.",
    )

    best_grades = BestGradesField()
    construction = forms.ChoiceField(label="Built with", required=False, choices=built_choices)

    class Meta:
        model = OrderLine
        fields = [
            "quantity",
            "set_size",
            "sealed",
            "best_grades",
            "max_spread_percent",
            "unit_price",
            "note",
            "as_marked",
            "maker",
            "made_from",
            "made_to",
            "balanced_percent",
        ]
        formfield_callback = typed_numbers

    WISHES = ("as_marked", "maker", "made_from", "made_to", "balanced_percent", "construction")
    field_order = ["type", "set_size", "quantity", "sealed", "best_grades", "max_spread_percent", "unit_price", "note"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        line: OrderLine | None = kwargs.get("instance")
        if line and line.feature:
            kwargs["initial"] = {"construction": f"{line.feature}={line.feature_word}", **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        if "set_size" in self.fields:
            help_text = "1 single, 2 a matched pair, 4 a matched quad. Sealed, 10 can be a carton."
            self.fields["set_size"].help_text = help_text
        self.fields["note"].widget.attrs["data-enter"] = "send"  # the wishes behind it are the exception

    @property
    def plain_fields(self) -> list[forms.BoundField]:
        return [field for field in self if field.name not in self.WISHES]

    @property
    def wish_fields(self) -> list[forms.BoundField]:
        return [field for field in self if field.name in self.WISHES]

    @property
    def is_wishful(self) -> bool:
        """Something is wished, or wrong with a wish: they are to be seen."""
        return any(field.errors or field.value() for field in self.wish_fields)

    def clean_quantity(self) -> int:
        quantity: int = self.cleaned_data["quantity"]
        if quantity > MOST_ITEMS:
            raise forms.ValidationError(f"{quantity} on one line of an order cannot be right: at most {MOST_ITEMS}.")
        if quantity > MANY_ITEMS:
            self.ask("quantity", f"{quantity} on one line of an order?")
        return quantity

    def clean_as_marked(self) -> str:
        return str(self.cleaned_data["as_marked"]).strip()

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        feature, _, word = data.get("construction", "").partition("=")
        self.instance.feature, self.instance.feature_word = data["feature"], data["feature_word"] = feature, word
        first, last = data.get("made_from"), data.get("made_to")
        if first and last and first > last:
            self.add_error("made_to", f"This is before {first}.")
        if "sealed" in self.fields:
            self._clean_untested(data)
        return data

    def _clean_untested(self, data: dict[str, Any]) -> None:
        self.instance.untested = data.get("sealed") == "untested"
        data["sealed"] = data.get("sealed") == "sealed"
        if data["sealed"] or self.instance.untested:
            data["max_spread_percent"] = None
            for name in self.WISHES:
                if data.get(name):
                    self.add_error(name, "Of what is not tested only the type can be asked for.")
        if self.instance.untested and data.get("set_size", 1) != 1:
            self.add_error("set_size", "Untested valves are sold one by one: ask for 1 in each.")
        elif not data["sealed"] and data.get("set_size", 1) > OrderLine.MOST_IN_A_SET:
            self.add_error("set_size", f"At most {OrderLine.MOST_IN_A_SET} valves are matched to one set.")


class OrderListingForm(forms.Form):
    number = forms.CharField(
        label="Listing",
        max_length=12,
        help_text="Such as A00012: what is listed, at its price.",
        widget=forms.TextInput(attrs={"class": "serial", "autocomplete": "off", "spellcheck": "false"}),
    )

    def clean_number(self) -> Listing:
        number = self.cleaned_data["number"].strip().upper()
        found = Listing.objects.filter(number=number).first()
        if found is None:
            raise forms.ValidationError(f"No listing has the number {number}.")
        return found


class HoldForm(forms.Form):
    until = forms.DateTimeField(
        label="Set aside until",
        required=False,
        widget=forms.DateTimeInput({"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="Empty: for as long as it takes.",
    )


class BackForm(ComplaintForm):
    serial = forms.CharField(label="Serial")
    reason = forms.CharField(label="Why it came back, in the customer’s words", max_length=300)

    field_order = ("serial", "complaint", "reason", "seal")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.is_bound:
            self.fields["serial"].widget.attrs["autofocus"] = True

    def clean_serial(self) -> Valve:
        return valve_typed(self.cleaned_data["serial"], "line__lot")


def orders(request: HttpRequest) -> HttpResponse:
    found = OrderFilter(request.GET, queryset=Order.objects.select_related("customer").prefetch_related("lines__type"))
    return render(request, "orders/orders.html", {"filter": found, "page": page_of(request, found.qs)})


@for_roles(Role.SALES)
def order_new(request: StaffRequest) -> HttpResponse:
    start = {"currency": Shop.own().currency, "customer": request.GET.get("customer")}
    form = OrderForm(request.POST or None, initial=start)
    form.fields["customer"].widget.attrs["autofocus"] = True
    if form.is_valid():
        data = form.cleaned_data
        customer = data["customer"] or Customer(
            name=data["new_name"], email=data["new_email"], address=data["new_address"]
        )
        return redirect(taking.take_order(form.save(commit=False), customer, request.user))
    return render(request, "site/form.html", {"form": form, "title": "New order", "action": "Save and add lines"})


def order(request: StaffRequest, number: str) -> HttpResponse:
    found = _found(number)
    line_form = OrderLineForm(request.POST or None)
    if request.method == "POST":
        if not may(request.user, Role.SALES):
            raise PermissionDenied("Taking orders is for sales or owner.")
        if _add_line(request.user, found, line_form):
            return redirect(found)
    elif found.is_changeable:
        line_form.fields["type"].widget.attrs["autofocus"] = True
    return _order_page(request, found, line_form=line_form)


def _found(number: str) -> Order:
    return get_object_or_404(Order.objects.select_related("customer"), number=number)


def _order_page(
    request: StaffRequest,
    found: Order,
    line_form: OrderLineForm | None = None,
    listing_form: OrderListingForm | None = None,
    back_form: BackForm | None = None,
    hold_form: HoldForm | None = None,
) -> HttpResponse:
    """What was asked for and what is set aside. What else could fill it is worked out where somebody asks."""
    lines = list(found.lines.select_related("type", "maker"))
    allocated: dict[int, dict[int, list[Allocation]]] = defaultdict(lambda: defaultdict(list))
    taken = Allocation.objects.filter(SET_ASIDE_OR_SENT, order_line__order=found)
    taken = taken.select_related("valve__place", "valve__type", "valve__pack", "despatch")
    for allocation in taken.prefetch_related("valve__memberships__set").order_by("item", "valve__serial"):
        allocated[allocation.order_line_id][allocation.item].append(allocation)
    here = [row for items in allocated.values() for rows in items.values() for row in rows if row.is_here]
    names = dict(grade_choices())
    rows = [_line_row(line, allocated[line.pk], names) for line in lines]
    job = filling.latest(found) if found.is_changeable else None
    return render(
        request,
        "orders/order.html",
        {
            "order": found,
            "lines": rows,
            "short": sum(row["missing"] for row in rows),
            "anything_held": bool(here),
            "to_pull": any(row.pulled_at is None for row in here),
            "to_pack": any(row.pulled_at for row in here),
            "parcels": list(found.despatches.all()),
            "hold": _hold_in_words(found, here),
            "job": job,
            "said": [(way.statements_template, said) for way in WAYS if (said := way.statements(found))],
            "line_form": line_form or OrderLineForm(),
            "listing_form": listing_form or OrderListingForm(),
            "hold_form": hold_form or HoldForm(initial={"until": found.held_until}),
            "back_form": back_form or BackForm(sealed=any(line.sealed for line in lines)),
            "grade_names": Policy.current().parsed.names,
            "total": sum(line.unit_price * line.quantity for line in lines if line.unit_price is not None),
            "returns": found.returns.select_related("valve", "case"),
            "entries": found.entries.select_related("by", "valve")[:60],
        },
    )


def _line_row(line: OrderLine, items: Mapping[int, list[Allocation]], names: Mapping[int, str]) -> dict[str, Any]:
    return {
        "line": line,
        "asked": wishes.asked(line, names),
        "items": [(number, rows, rows[0].despatch) for number, rows in sorted(items.items())],
        "missing": line.quantity - len(items),
    }


def _hold_in_words(order: Order, here: Sequence[Allocation]) -> str:
    """Until when it is set aside, or why that does not end; nothing where nothing is."""
    if not here:
        return ""
    if invoicing.paid(order) > 0:
        return "Money has come, so it stays set aside."
    if any(row.pulled_at for row in here):
        return "Some of it is off its shelf, so it stays set aside."
    if order.held_until is None:
        return "Set aside for as long as it takes."
    if order.held_until <= timezone.now():
        return f"It was set aside {holds.in_words(order)}, and is free again any moment."
    return f"Set aside {holds.in_words(order)}; unless money comes it is free again then."


def _add_line(by: User, found: Order, form: OrderLineForm) -> bool:
    if not form.is_valid():
        return False
    line = form.save(commit=False)
    line.type = form.cleaned_data["type"]
    line.asked_as = marked_as(type_field(form).written, line.type)
    try:
        taking.add_line(found, line, by)
    except fulfilment.CannotPull as problem:
        form.add_error(None, str(problem))
        return False
    return True


def _done(request: HttpRequest, found: Order, done: str, act: Any, *args: Any) -> HttpResponse:
    """Do one thing to an order and go back to it, with what happened or why it did not."""
    with messages_on(request):
        act(*args)
        messages.success(request, done)
    return redirect(found)


@require_POST
@for_roles(Role.SALES)
def order_accept(request: StaffRequest, number: str, line_id: int) -> HttpResponse:
    """Back to what else could fill the line while something is missing; then to the order."""
    line = line_of(number, line_id)
    chosen = request.POST.get("valves", "")
    with messages_on(request):
        if way := way_for(line):
            way.set_aside(line, chosen, request.user)
        else:
            valves = list(
                Valve.objects.filter(serial__in=chosen.split()).select_related("type", "line__lot").order_by("serial")
            )
            fulfilment.accept(line, valves, request.user, although_unsure="although" in request.POST)
        messages.success(request, way.done if way else "Set aside.")
        if not fulfilment.missing(line):
            return redirect(line.order)
    return redirect(line.order) if request.POST.get("then") != "more" else redirect("order-candidates", number, line_id)


def line_of(number: str, line_id: int) -> OrderLine:
    return get_object_or_404(
        OrderLine.objects.select_related("order", "type", "maker"), pk=line_id, order__number=number
    )


@require_POST
@for_roles(Role.SALES)
def order_hold(request: StaffRequest, number: str) -> HttpResponse:
    found = _found(number)
    form = HoldForm(request.POST)
    if form.is_valid():
        with errors_on(form, "until"):
            holds.hold_until(found, form.cleaned_data["until"], request.user)
            found.refresh_from_db()
            messages.success(request, f"{found} is set aside {holds.in_words(found)}.")
            return redirect(found)
    return _order_page(request, found, hold_form=form)


@for_roles(Role.SALES)
def order_listing(request: StaffRequest, number: str) -> HttpResponse:
    """What is listed goes on the order."""
    found = _found(number)
    form = OrderListingForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        with errors_on(form, "number"):
            line = taking.add_listing(found, form.cleaned_data["number"], request.user)
            way = way_for(line)
            messages.success(request, way.done if way else "Set aside.")
            return redirect(found)
    form.fields["number"].widget.attrs["autofocus"] = True
    return _order_page(request, found, listing_form=form)


@require_POST
@for_roles(Role.SALES)
def order_release(request: StaffRequest, number: str, line_id: int, item: int) -> HttpResponse:
    line = get_object_or_404(OrderLine.objects.select_related("order"), pk=line_id, order__number=number)
    return _done(request, line.order, "Returned to stock.", fulfilment.release, line, item, request.user)


@require_POST
@for_roles(Role.SALES)
def order_leave_out(request: StaffRequest, number: str, line_id: int) -> HttpResponse:
    line = get_object_or_404(OrderLine.objects.select_related("order"), pk=line_id, order__number=number)
    done = "The order is sent without what was missing."
    return _done(request, line.order, done, fulfilment.leave_out, line, request.user)


@require_POST
@for_roles(Role.SALES)
def order_line_drop(request: StaffRequest, number: str, line_id: int) -> HttpResponse:
    line = get_object_or_404(OrderLine.objects.select_related("order"), pk=line_id, order__number=number)
    return _done(request, line.order, "The line is removed.", fulfilment.drop_line, line, request.user)


def scanned_valve(text: str) -> Valve:
    """
    Raises:
        BadSerial: it is no serial, or no valve has it.
    """
    serial = read_serial(text)
    valve = Valve.objects.select_related("place").filter(serial=serial).first()
    if valve is None:
        raise BadSerial(f"No valve has the serial {serial}.")
    return valve


@for_roles(Role.SALES)
def order_pull(request: StaffRequest, number: str) -> HttpResponse:
    """The pick list by place; each scan ticks a valve off."""
    found = get_object_or_404(Order.objects.select_related("customer"), number=number)
    problem = ""
    if request.method == "POST":
        try:
            valve = scanned_valve(request.POST.get("serial", ""))
            left = fulfilment.pull(found, valve, request.user)
            messages.success(
                request, f"{valve} is off the shelf; {left} to go." if left else f"All of {found} is off the shelves."
            )
            return redirect("order-pull", number) if left else redirect(found)
        except (BadSerial, fulfilment.CannotPull) as wrong:
            problem = str(wrong)
    rows = Allocation.objects.here().filter(order_line__order=found)
    rows = rows.select_related("valve__place", "valve__type", "valve__pack__plan__line__lot", "order_line")
    rows = rows.prefetch_related("valve__memberships__set").order_by("valve__place__code", "valve__serial")
    for row in rows:
        row.within = _within(row)  # type: ignore[attr-defined]
    return render(
        request,
        "orders/order_pull.html",
        {
            "order": found,
            "rows": rows,
            "problem": problem,
            "typed": request.POST.get("serial", ""),
            "has_sealed": any(row.order_line.sealed for row in rows),
        },
    )


def _within(row: Allocation) -> str:
    """The pack to fetch, or the set that it is one of."""
    sets = [member.set.number for member in row.valve.memberships.all() if member.live]
    return " ".join(filter(None, (where(row), *sets)))


@require_POST
@for_roles(Role.SALES)
def order_cancel(request: StaffRequest, number: str) -> HttpResponse:
    found = get_object_or_404(Order, number=number)
    return _done(request, found, f"{found} is cancelled.", fulfilment.cancel, found, request.user)


@require_POST
@for_roles(Role.SALES, Role.RECEIVING)
def order_take_back(request: StaffRequest, number: str) -> HttpResponse:
    found = _found(number)
    form = BackForm(request.POST, sealed=found.lines.filter(sealed=True).exists())
    if form.is_valid():
        valve, seal = form.cleaned_data["serial"], form.cleaned_data.get("seal", "")
        try:
            said = form.cleaned_data
            fulfilment.take_back(found, valve, said["reason"], request.user, seal, said["complaint"])
        except fulfilment.CannotPull as problem:
            form.add_error("seal" if isinstance(problem, fulfilment.SealNotSaid) else "serial", str(problem))
        else:
            shut = seal == Return.Seal.INTACT
            done = "back, still sealed, and can be sold so again." if shut else "back and waits for the bench."
            messages.success(request, f"{valve} is {done}")
            return redirect(found)
    first = next((name for name in form.fields if name in form.errors), "serial")
    form.fields[first].widget.attrs["autofocus"] = True
    return _order_page(request, found, back_form=form)


urlpatterns = [
    path("orders/", orders, name="orders"),
    path("orders/new/", order_new, name="order-new"),
    path("orders/<str:number>/", order, name="order"),
    path("orders/<str:number>/lines/<int:line_id>/accept/", order_accept, name="order-accept"),
    path("orders/<str:number>/lines/<int:line_id>/drop/", order_line_drop, name="order-line-drop"),
    path("orders/<str:number>/lines/<int:line_id>/leave-out/", order_leave_out, name="order-leave-out"),
    path("orders/<str:number>/lines/<int:line_id>/release/<int:item>/", order_release, name="order-release"),
    path("orders/<str:number>/listing/", order_listing, name="order-listing"),
    path("orders/<str:number>/pull/", order_pull, name="order-pull"),
    path("orders/<str:number>/hold/", order_hold, name="order-hold"),
    path("orders/<str:number>/cancel/", order_cancel, name="order-cancel"),
    path("orders/<str:number>/take-back/", order_take_back, name="order-take-back"),
]
