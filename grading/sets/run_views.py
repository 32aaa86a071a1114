"""Pages of matcher runs: ask for one, watch it, look at the sets, change one by hand, accept them."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from grading.models import MatchRun, Policy, Quantity
from grading.plots.pool import PoolPlot, pool_plot
from grading.sets import accepting, swaps
from grading.sets import runs as work
from grading.sets.making import numbers_of
from grading.sets.runs import Ask, Found
from grading.verdicts.grade_choice import BestGradesField, good_or_better
from grading.verdicts.values import short_name
from stockroom.jobs.kinds import JobRefused
from stockroom.models import Shop, Valve
from stockroom.models.orders import set_name
from stockroom.pure.written import plural
from stockroom.site.numbers import DecimalTyped, FloatTyped, WholeTyped
from stockroom.site.people import Role, StaffRequest, for_roles, may
from stockroom.site.refusals import errors_on
from stockroom.site.web import TypeField, page_of, valve_typed

TIERS = 3


class RunForm(forms.Form):
    type = TypeField(label="Type")
    size = forms.TypedChoiceField(
        label="Sets of", coerce=int, initial=4, choices=[(n, f"{n}, {set_name(n)}") for n in range(2, 13)]
    )
    best_grades = BestGradesField()
    within_1 = FloatTyped(label="Tightest, within %", initial=2, min_value=0.1, max_value=100)
    price_1 = DecimalTyped(label="Price of such a set", initial=100, min_value=0)
    within_2 = FloatTyped(label="Next, within %", initial=5, min_value=0.1, max_value=100, required=False)
    price_2 = DecimalTyped(label="Price of such a set", initial=80, min_value=0, required=False)
    within_3 = FloatTyped(label="Widest, within %", initial=10, min_value=0.1, max_value=100, required=False)
    price_3 = DecimalTyped(label="Price of such a set", initial=60, min_value=0, required=False)
    same_maker = forms.BooleanField(label="Same marked maker", required=False)
    same_grade = forms.BooleanField(label="Same grade", required=False)
    same_construction = forms.BooleanField(label="Same construction", required=False)
    weeks_apart = WholeTyped(
        label="Made within … weeks",
        min_value=0,
        max_value=520,
        required=False,
        help_text="0 is the same week. A code that gives only a month counts as all its weeks: ask for 5.",
    )
    section_balance_percent = FloatTyped(
        label="Sections of a valve within %",
        min_value=0.1,
        max_value=200,
        required=False,
        help_text="Leave it empty to take valves as they are.",
    )
    time_limit_s = FloatTyped(label="Work for at most, seconds", initial=60, min_value=1, max_value=work.MOST_TIME_S)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["type"].widget.attrs["autofocus"] = True

    @property
    def tiers(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        return [(self[f"within_{number}"], self[f"price_{number}"]) for number in range(1, TIERS + 1)]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        tiers: list[tuple[str, float, float]] = []
        for number in range(1, TIERS + 1):
            within, price = data.get(f"within_{number}"), data.get(f"price_{number}")
            if (within is None) != (price is None):
                self.add_error(f"within_{number}", "A tier needs both: the per cent and the price.")
            elif within is not None and price is not None:
                if tiers and within <= tiers[-1][1]:
                    self.add_error(f"within_{number}", "Each tier is wider than the one before.")
                if tiers and price > tiers[-1][2]:
                    self.add_error(f"price_{number}", "A wider tier is not worth more than a tighter one.")
                tiers.append((f"within {within:g} %", within, float(price)))
        data["tiers"] = tuple(tiers)
        if data.get("type") and data.get("section_balance_percent") is not None:
            points = [section.test_point for section in data["type"].test_sections]
            if len({(point.section.kind, point.anode_current_ma, point.gm_ma_per_v) for point in points}) > 1:
                self.add_error(
                    "section_balance_percent",
                    f"The sections of a {data['type']} are not meant alike, so they have no balance: leave this empty.",
                )
        return data

    def ask(self) -> Ask:
        data = self.cleaned_data
        return Ask(
            size=data["size"],
            tiers=data["tiers"],
            best_grades=data["best_grades"],
            same_maker=data["same_maker"],
            same_grade=data["same_grade"],
            same_construction=data["same_construction"],
            weeks_apart=data["weeks_apart"],
            section_balance_percent=data["section_balance_percent"],
            time_limit_s=data["time_limit_s"],
        )


class SwapForm(forms.Form):
    out = forms.CharField(label="Take out")
    in_ = forms.CharField(label="Put in", required=False, help_text="Leave it empty to see which valves would fit.")

    def clean_out(self) -> Valve:
        return valve_typed(self.cleaned_data["out"], "type")

    def clean_in_(self) -> Valve | None:
        return valve_typed(self.cleaned_data["in_"], "type") if self.cleaned_data["in_"] else None


def runs(request: HttpRequest) -> HttpResponse:
    page = page_of(request, MatchRun.objects.select_related("type", "made_by", "job"))
    return render(request, "sets/runs.html", {"page": page})


@for_roles(Role.BENCH, Role.SALES)
def run_new(request: StaffRequest) -> HttpResponse:
    form = RunForm(request.POST or None)
    if form.is_valid():
        return redirect(work.start(form.cleaned_data["type"], form.ask(), request.user))
    names = Policy.current().parsed.names
    return render(
        request,
        "sets/run_new.html",
        {
            "form": form,
            "grade_names": names,
            "currency": Shop.own().currency,
        },
    )


def run(request: StaffRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(MatchRun.objects.select_related("type", "made_by", "job__made_by"), pk=pk)
    try:
        ask = Ask.read(found.ask)
    except JobRefused as problem:  # another version asked for it
        return render(request, "sets/run_unread.html", {"run": found, "problem": problem})
    sets = work.found_sets(found)
    page = page_of(request, list(enumerate(sets)))
    valves = Valve.objects.in_bulk([key for _, one in page for key in one.valve_ids])
    rows = [(place, one, [valves[key] for key in one.valve_ids]) for place, one in page]
    by_tier = [(name, price, sum(one.tier == name for one in sets)) for name, _, price in ask.tiers]
    making = accepting.latest(found)
    at_work = making is not None and not making.is_over
    return render(
        request,
        "sets/run.html",
        {
            "run": found,
            "ask": ask,
            "asked_for": _in_words(ask),
            "may_make": may(request.user, Role.BENCH, Role.SALES),
            "rows": rows,
            "page": page,
            "by_tier": by_tier,
            "set_name": set_name(ask.size),
            "asked": _in_words(ask),
            "waiting": sum(not one.taken for one in sets),
            "making": making,
            "at_work": at_work,
            "plot": _plot(found, ask, sets) if found.outcome and not at_work else None,
        },
    )


def _in_words(ask: Ask) -> str:
    """What a run was asked for besides its tiers."""
    words = [good_or_better(ask.best_grades)]
    shared = (("same maker", ask.same_maker), ("same grade", ask.same_grade), ("built alike", ask.same_construction))
    words += [name for name, wanted in shared if wanted]
    if ask.weeks_apart is not None:
        words.append(f"made within {plural(ask.weeks_apart, 'week')}")
    if ask.section_balance_percent:
        words.append(f"sections within {ask.section_balance_percent:g} %")
    return ", ".join(words)


def _plot(found: MatchRun, ask: Ask, sets: list[Found]) -> PoolPlot | None:
    """Section 1 of every valve that is in the pool now."""
    stock = ask.pool(found.type)
    of_first = {
        quantity: place for place, (section, quantity) in enumerate(stock.columns) if section == stock.columns[0][0]
    }
    ia, gm = of_first.get(Quantity.ANODE_CURRENT), of_first.get(Quantity.GM)
    if ia is None:
        return None
    points = {
        key: (values[gm].value if gm is not None else float(place), values[ia].value)
        for place, (key, values) in enumerate(stock.rows.items(), start=1)
    }
    tiers = [name for name, _, _ in ask.tiers]
    drawn = [
        (one.valve_ids, tiers.index(one.tier), f"Set {place}, {one.tier}, {100 * one.worst:.2f} %")
        for place, one in enumerate(sets, start=1)
    ]
    return pool_plot(points, drawn, Quantity.GM.column if gm is not None else "valve", Quantity.ANODE_CURRENT.column)


@require_POST
@for_roles(Role.BENCH, Role.SALES)
def run_again(request: StaffRequest, pk: int) -> HttpResponse:
    found = _run(pk)
    try:
        return redirect(work.again(found, request.user))
    except JobRefused as problem:
        messages.error(request, str(problem))
        return redirect(found)


@require_POST
@for_roles(Role.BENCH, Role.SALES)
def run_accept(request: StaffRequest, pk: int) -> HttpResponse:
    """Make the ticked sets, or all; many of them behind the pages."""
    found = _run(pk)
    ticked = {int(place) for place in request.POST.getlist("take") if place.isdecimal()}
    sets = work.found_sets(found)
    places = set(range(len(sets))) if "everything" in request.POST else ticked
    places = {place for place in places if place < len(sets) and not sets[place].taken}
    try:
        Ask.read(found.ask)
    except JobRefused as problem:
        messages.error(request, str(problem))
        return redirect(found)
    if not places:
        messages.warning(request, "No set was ticked.")
    elif len(places) > accepting.FEW:
        accepting.start_making(found, places, request.user)
    else:
        made, troubles = accepting.accept(found, places, request.user)
        for trouble in troubles:
            messages.error(request, trouble)
        if made:
            messages.success(request, f"Made {numbers_of(made)}.")
    return redirect(found)


def _run(pk: int) -> MatchRun:
    return get_object_or_404(MatchRun.objects.select_related("type", "job"), pk=pk)


@for_roles(Role.BENCH, Role.SALES)
def run_swap(request: StaffRequest, pk: int, place: int) -> HttpResponse:
    """First shows what the change costs; with `sure` it is kept."""
    found = _run(pk)
    try:
        table = swaps.SwapTable.of(found)
    except JobRefused as problem:
        raise Http404(str(problem)) from problem
    if place >= len(table.found):
        raise Http404("The run has no such set.")
    form = SwapForm(request.POST or None)
    form.fields["out"].widget.attrs |= {"list": "members", "autocomplete": "off"}
    change, offered = None, None
    if form.is_valid():
        out, in_ = form.cleaned_data["out"], form.cleaned_data["in_"]
        with errors_on(form, "in_" if in_ else "out"):
            if in_ is None:
                offered = table.replacements(place, out)
            elif "sure" in request.POST:
                change = swaps.save_swap(found, place, out, in_)
                messages.success(request, f"Kept: the sets are worth {change.after - change.before:+g} by it.")
                return redirect(found)
            else:
                change = table.swap(place, out, in_)
    if not change and not offered:
        form.fields["out"].widget.attrs["autofocus"] = True
    return render(
        request,
        "sets/run_swap.html",
        {
            "run": found,
            "place": place,
            "set": table.found[place],
            "form": form,
            "change": change,
            "offered": offered,
            "currency": Shop.own().currency,
            "members": table.members(place),
            "columns": [
                f"{short_name(section, Quantity(quantity))}, {Quantity(quantity).unit}"
                for section, quantity in table.stock.columns
            ],
        },
    )


urlpatterns = [
    path("runs/", runs, name="runs"),
    path("runs/new/", run_new, name="run-new"),
    path("runs/<int:pk>/", run, name="run"),
    path("runs/<int:pk>/again/", run_again, name="run-again"),
    path("runs/<int:pk>/accept/", run_accept, name="run-accept"),
    path("runs/<int:pk>/sets/<int:place>/swap/", run_swap, name="run-swap"),
]
