"""Pages of sealed stock: the packs of a line, its plan and draw, the results, the decision, listing what stays shut."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, OuterRef, QuerySet, Subquery
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.html import format_html
from django.views.decorators.http import require_POST

from grading.prices.book import price_lines
from grading.sealed import acceptance, deciding, papers, results
from grading.sealed import listing as sealed_listing
from grading.sealed.forms import DecideForm, OpenForm, PackingForm, SamplingPlanForm, SealedListingForm, SupplyForm
from grading.sealed.pure.carton_labels import CartonLabels, carton_labels_pdf
from grading.sealed.pure.sealed_pdf import draw_list_pdf, statement_pdf
from grading.sealed.results import Results
from stockroom.marks import identity
from stockroom.marks.forms import LIKELIEST
from stockroom.models import Line, Listing, Order, Packing, SamplingPlan, SealedDecision, Shop, Supplier
from stockroom.models.goods import pieces_of_line
from stockroom.pure.money import shown
from stockroom.pure.written import plural
from stockroom.sealed import pack_dates, plans
from stockroom.sealed.plans import SealedError
from stockroom.sealed.pure import sampling
from stockroom.site.pdf import pdf_response
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, messages_on
from stockroom.site.web import ROWS, page_of

Action = SealedDecision.Action


def _line(number: str, line: int) -> Line:
    return get_object_or_404(
        Line.objects.select_related("lot__supplier", "type", "maker", "place", "packing"),
        lot__number=number,
        number=line,
        condition=Line.Condition.SEALED,
    )


def _plan(line: Line) -> SamplingPlan:
    return get_object_or_404(line.sampling_plans.current().select_related("line__lot", "line__type", "line__packing"))


def _packing(line: Line) -> Packing | None:
    return getattr(line, "packing", None)


def sealed_lines(request: StaffRequest) -> HttpResponse:
    """Every line of sealed packs, with its plan and what was decided last."""
    current = SamplingPlan.objects.current().filter(line=OuterRef("pk"))
    last = SealedDecision.objects.filter(plan__line=OuterRef("pk")).order_by("-at", "-pk")
    rows: QuerySet[Line] = (
        Line.objects.filter(condition=Line.Condition.SEALED)
        .select_related("lot__supplier", "type", "maker", "packing")
        .annotate(
            in_bulk=pieces_of_line() - Count("valves"),
            sample=Subquery(current.values("sample_size")[:1]),
            of=Subquery(current.values("lot_size")[:1]),
            accepts=Subquery(current.values("acceptance_number")[:1]),
            decided=Subquery(last.values("action")[:1]),
        )
        .order_by("-lot__received_on", "-lot__number", "number")
    )
    return render(request, "sealed/sealed_lines.html", {"page": page_of(request, rows)})


def sealed_line(request: StaffRequest, number: str, line: int) -> HttpResponse:
    return _sealed_page(request, _line(number, line))


def _sealed_page(
    request: StaffRequest, line: Line, open_form: OpenForm | None = None, decide_form: DecideForm | None = None
) -> HttpResponse:
    plan = plans.current_plan(line)
    context: dict[str, Any] = {
        "line": line,
        "lot": line.lot,
        "packing": _packing(line),
        "plan": plan,
        "in_bulk": line.pieces - line.valves.count(),
        "labelled": _labelled(line),
        "cautions": line.type.caution_sentences,
        **_date(_packing(line)),
    }
    if plan is not None:
        plan.line = line
        context |= _of_plan(request, plan, open_form, decide_form)
    return render(request, "sealed/sealed_line.html", context)


def _labelled(line: Line) -> bool:
    """Whether every pack in bulk has its number, so that some can be drawn."""
    packing = _packing(line)
    return packing is not None and packing.labelled_pieces == line.pieces - line.valves.count()


def _date(packing: Packing | None) -> dict[str, Any]:
    """What the date on the packs can mean, which reading is kept, and which one leads where none is."""
    if packing is None:
        return {}
    ranked, saved = pack_dates.readings_of(packing), pack_dates.current(packing)
    marked = saved.reading.key if saved and saved.reading else ""
    return {
        "date_readings": ranked[:LIKELIEST],
        "date_less_likely": ranked[LIKELIEST:],
        "date_count": len(ranked),
        "date_kept": saved,
        "date_of": pack_dates.as_printed(packing),
        "date_marked": marked if saved else identity.leader(ranked),
    }


def _of_plan(
    request: StaffRequest, plan: SamplingPlan, open_form: OpenForm | None, decide_form: DecideForm | None
) -> dict[str, Any]:
    found = results.results(plan)
    decisions = list(plan.decisions.select_related("by"))
    last = decisions[-1] if decisions else None
    returned = last is not None and last.action == Action.RETURN
    proposed = plans.PROPOSED_ACTION.get(found.decision.outcome)
    listings = Listing.objects.filter(listed__valve__pack__plan=plan, listed__valve__pack__opened=False).distinct()
    orders = Order.objects.filter(
        lines__sealed=True, lines__allocations__live=True, lines__allocations__valve__pack__plan=plan
    )
    units = len(plans.units_for_sale(plan)) if last and last.action == Action.ACCEPT else 0
    open_form = open_form or (OpenForm(found.shut) if found.shut and not returned else None)
    decide_form = decide_form or (None if returned else _decide_form(last, proposed))
    if decide_form is not None and open_form is None and last is None and proposed is not None:
        decide_form.fields["action"].widget.attrs["autofocus"] = True
    return {
        "results": found,
        "heading": _heading(found, last),
        "may_replace_plan": found.shut == plan.sample_size and not decisions,
        "drawn": Paginator(found.drawn, ROWS).get_page(request.GET.get("page")),
        "opening": _opening(plan),
        "limiting": sampling.limiting_quality(plan.plan),
        "plot": results.oc_plot(plan.plan),
        "decisions": decisions,
        "last": last,
        "accepted": last is not None and not acceptance.why_not_accepted(plan, found),
        "turned": _turned(found, last),
        "units": units,
        "can_be_listed": f"{plural(units, f'sealed {plan.seal}')} can be listed.",
        "listings": listings,
        "orders": orders.select_related("customer").distinct(),
        "draws": plans.earlier_draws(plan),
        "open_form": open_form,
        "decide_form": decide_form,
    }


def _opening(plan: SamplingPlan) -> plans.Opening:
    drawn = list(plan.drawn.values_list("number", flat=True))
    return plans.opening(plan.plan, plan.seal, plan.carton_size, drawn)


HEADINGS = {
    sampling.LotOutcome.GO_ON: "Go on",
    sampling.LotOutcome.ACCEPT: "✓ Accept",
    sampling.LotOutcome.ALL_TESTED: "Every pack was opened",
    sampling.LotOutcome.RETURN: "✗ Return",
    sampling.LotOutcome.TEST_ALL: "✗ Test all",
}


def _heading(found: Results, last: SealedDecision | None) -> str:
    """What was decided, where that is not to accept; else what the sample says."""
    if last is not None and last.action != Action.ACCEPT:
        return f"Decided: {last.get_action_display()}"
    return HEADINGS[found.decision.outcome]


def _turned(found: Results, last: SealedDecision | None) -> bool:
    """The lot was accepted, and its results no longer accept it: a reading was corrected, or a grade changed."""
    return (
        last is not None
        and last.action == Action.ACCEPT
        and (found.decision.outcome not in (sampling.LotOutcome.ACCEPT, sampling.LotOutcome.ALL_TESTED))
    )


def _decide_form(last: SealedDecision | None, proposed: Action | None, data: Any = None) -> DecideForm:
    form = DecideForm(data, initial={"action": proposed})
    if last is not None:  # what is left to change one's mind to
        left = [choice for choice in Action.choices if choice[0] not in (Action.ACCEPT, last.action)]
        form.fields["action"].choices = left  # type: ignore[attr-defined]
    return form


@for_roles(Role.RECEIVING)
def packs(request: StaffRequest, number: str, line: int) -> HttpResponse:
    of = _line(number, line)
    form = PackingForm(request.POST or None, instance=_packing(of))
    if request.method == "POST" and form.is_valid():
        with errors_on(form):
            packing = plans.describe(of, form.save(commit=False), request.user)
            messages.success(request, f"Line {line}: {packing}.")
            return redirect("sealed", number, line)
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": f"Packs of line {of}",
            "back": reverse("sealed", args=[number, line]),
            "intro": "Read the packs as they are, without opening any.",
        },
    )


@require_POST
@for_roles(Role.RECEIVING)
def pack_labels(request: StaffRequest, number: str, line: int) -> HttpResponse:
    """Print the labels that number the packs. That they were printed is kept, so that the draw comes after."""
    of = _line(number, line)
    try:
        packing = plans.label_packs(of, request.user)
    except SealedError as problem:
        messages.error(request, str(problem))
        return redirect("sealed", number, line)
    assert packing.labelled_pieces is not None
    if not packing.labelled_pieces:
        messages.error(request, "Nothing of this line is in bulk, so there is nothing to number.")
        return redirect("sealed", number, line)
    data = CartonLabels(
        Shop.own().name,
        f"{of}",
        of.called,
        packing.labelled_pieces,
        packing.carton_size,
        timezone.localdate(),
    )
    return pdf_response(carton_labels_pdf(data), f"numbers-{number}-{line}")


@for_roles(Role.RECEIVING)
def pack_date(request: StaffRequest, number: str, line: int) -> HttpResponse:
    """Choose what the date on the packs means."""
    of = _line(number, line)
    packing = _packing(of)
    if request.method != "POST" or packing is None:
        return redirect("sealed", number, line)
    with messages_on(request):
        saved = pack_dates.choose(packing, request.POST.get("reading", ""), request.user)
        messages.success(request, f"{saved.code} is read as {saved.words}." if saved.words else "Left undecided.")
    return redirect("sealed", number, line)


@for_roles(Role.RECEIVING)
def plan_new(request: StaffRequest, number: str, line: int) -> HttpResponse:
    """Work a plan out (GET) and, once it is what is wanted, record it and draw (POST)."""
    of = _line(number, line)
    packing = _packing(of)
    if packing is None:
        messages.error(request, "First say how the line is packed.")
        return redirect("sealed-packs", number, line)
    earlier = plans.current_plan(of)
    data = request.POST if request.method == "POST" else (request.GET if "method" in request.GET else None)
    form = SamplingPlanForm(data, replaces=earlier is not None)
    lot_size = of.pieces - of.valves.count()
    plan = None
    if form.is_valid():
        wish = form.wish
        now = plans.state_of(of.lot.supplier, wish.aql) if isinstance(wish, plans.Iso) else None
        with errors_on(form):
            plan = plans.work_out(lot_size, wish, now)
            if request.method == "POST":
                made = plans.make_plan(of, wish, form.terms, request.user)
                messages.success(request, f"The plan is saved: {made}. The draw list is below.")
                return redirect("sealed", number, line)
    context: dict[str, Any] = {
        "line": of,
        "lot": of.lot,
        "packing": packing,
        "labelled": _labelled(of),
        "form": form,
        "lot_size": lot_size,
        "earlier": earlier,
        "proposals": _proposals(of.lot.supplier, form),
    }
    if plan is not None:
        currency = Shop.own().currency
        context |= {
            "plan": plan,
            "plot": results.oc_plot(plan),
            "limiting": sampling.limiting_quality(plan),
            "curve": sampling.operating_characteristic(plan, 9),
            "opening": plans.opening(plan, packing.seal, packing.carton_size),
            "cost": sum(of.cost_of(of.pieces - 1 - k, currency) for k in range(plan.sample_size)),
            "cleanly": sampling.unopened(lot_size, plan.sample_size, plan.acceptance_number),
        }
    return render(request, "sealed/sealed_plan.html", context)


def _proposals(supplier: Supplier, form: SamplingPlanForm) -> plans.LotSeries | None:
    """What the switching rules say of the supplier at the AQL in the form."""
    aql = dict(form.data).get("aql")
    text = aql[0] if isinstance(aql, list) else aql
    for value in sampling.AQLS_FOR_ITEMS:
        if f"{value}" == text:
            return next(series for series in plans.series_of(supplier, [value]) if series.aql == value)
    return None


@for_roles(Role.RECEIVING, Role.BENCH)
def packs_open(request: StaffRequest, number: str, line: int) -> HttpResponse:
    of = _line(number, line)
    plan = _plan(of)
    if request.method != "POST":
        return redirect("sealed", number, line)
    form = OpenForm(results.results(plan).shut, request.POST)
    if form.is_valid():
        with errors_on(form, "count"):
            opened = plans.open_packs(plan, form.cleaned_data["count"], request.user)
            first, last = opened[0].valve.serial, opened[-1].valve.serial
            text = '{} serials given, by carton and place: {} to {}. <a href="{}">Print their labels</a>'
            labels = f"{reverse('labels')}?serials={first}-{last}"
            messages.success(request, format_html(text, len(opened), first, last, labels))
            return redirect("sealed", number, line)
    return _sealed_page(request, of, open_form=form)


@for_roles(Role.RECEIVING)
def decide(request: StaffRequest, number: str, line: int) -> HttpResponse:
    of = _line(number, line)
    plan = _plan(of)
    if request.method != "POST":
        return redirect("sealed", number, line)
    found = results.results(plan)
    form = _decide_form(plan.decisions.last(), plans.PROPOSED_ACTION.get(found.decision.outcome), request.POST)
    if form.is_valid():
        action = Action(form.cleaned_data["action"])
        with errors_on(form):
            done = deciding.decide(
                plan, action, form.cleaned_data["note"], request.user, form.cleaned_data["keep_opened"]
            )
            messages.success(request, f"Saved: {action.label}.")
            _say_what_followed(request, done)
            return redirect("sealed", number, line)
    return _sealed_page(request, of, decide_form=form)


def _say_what_followed(request: StaffRequest, done: deciding.Done) -> None:
    if done.ended:
        numbers = ", ".join(listing.number for listing in done.ended)
        messages.warning(request, f"No longer before the public, since the lot is not accepted any more: {numbers}.")
    if done.went_back:
        serials = ", ".join(valve.serial for valve in done.went_back[:10])
        more = f" and {len(done.went_back) - 10} more" if len(done.went_back) > 10 else ""
        messages.warning(request, f"These go back with the lot, put them with it: {serials}{more}.")


@for_roles(Role.SALES)
def sealed_listing_new(request: StaffRequest, number: str, line: int) -> HttpResponse:
    of = _line(number, line)
    plan = _plan(of)
    shop = Shop.own()
    units = plans.units_for_sale(plan)
    start = {
        "title": sealed_listing.title(plan),
        "text": sealed_listing.describe(plan),
        "currency": shop.currency,
    }
    form = SealedListingForm(request.POST or None, initial=start)
    what = f"sealed cartons of {plan.carton_size}" if plan.seal == Packing.Seal.CARTON else "sealed packs"
    form.fields["count"].label = f"How many {what} in this listing"
    form.fields["count"].help_text = f"{len(units)} can be sold. The price is for all of them together."
    for asked in price_lines([of]).values():
        if asked.amount is not None:
            form.fields["price"].help_text = f"The price book asks {shown(asked.amount, shop.currency)} a piece."
    form.fields["price"].widget.attrs["autofocus"] = True
    if form.is_valid():
        with errors_on(form):
            made = sealed_listing.publish(plan, **form.cleaned_data, by=request.user)
            messages.success(request, f"{made.number} is before the public. Label the packs without opening them.")
            return redirect(made)
    each = of.cost_of(of.pieces - 1, shop.currency)
    context = {"form": form, "line": of, "lot": of.lot, "plan": plan, "units": len(units), "what": what, "each": each}
    return render(request, "sealed/sealed_listing_new.html", context)


def draw_list(request: StaffRequest, number: str, line: int) -> HttpResponse:
    plan = _plan(_line(number, line))
    data = papers.draw_list_data(plan, timezone.localdate())
    return pdf_response(draw_list_pdf(data), f"draw-list-{number}-{line}")


def statement(request: StaffRequest, number: str, line: int) -> HttpResponse:
    """The paper that goes with what is sold sealed; `?listing=` or `?order=` names the packs it goes with."""
    of = _line(number, line)
    plan = _plan(of)
    try:
        listing, order = request.GET.get("listing", ""), request.GET.get("order", "")
        data = papers.statement_data(plan, timezone.localdate(), listing, order)
    except papers.NoStatement as problem:
        messages.error(request, f"No statement: {problem}")
        return redirect("sealed", number, line)
    return pdf_response(statement_pdf(data), f"sealed-{number}-{line}")


def supplier_sampling(request: StaffRequest, pk: int) -> HttpResponse:
    return _sampling_page(request, get_object_or_404(Supplier, pk=pk), SupplyForm())


def _sampling_page(request: StaffRequest, supplier: Supplier, form: SupplyForm) -> HttpResponse:
    context = {"supplier": supplier, "series": plans.series_of(supplier), "form": form}
    return render(request, "sealed/supplier_sampling.html", context)


@for_roles(Role.OWNER)
def supplier_sampling_say(request: StaffRequest, pk: int) -> HttpResponse:
    supplier = get_object_or_404(Supplier, pk=pk)
    if request.method != "POST":
        return redirect("supplier-sampling", pk)
    form = SupplyForm(request.POST)
    if form.is_valid():
        with errors_on(form, "aql"):
            plans.say_of(supplier, form.save(commit=False), request.user)
            messages.success(request, "Saved; the severity follows from it.")
            return redirect("supplier-sampling", pk)
    return _sampling_page(request, supplier, form)


urlpatterns = [
    path("sealed/", sealed_lines, name="sealed-lines"),
    path("lots/<str:number>/<int:line>/sealed/", sealed_line, name="sealed"),
    path("lots/<str:number>/<int:line>/sealed/packs/", packs, name="sealed-packs"),
    path("lots/<str:number>/<int:line>/sealed/labels/", pack_labels, name="sealed-pack-labels"),
    path("lots/<str:number>/<int:line>/sealed/date/", pack_date, name="sealed-date"),
    path("lots/<str:number>/<int:line>/sealed/plan/", plan_new, name="sealed-plan"),
    path("lots/<str:number>/<int:line>/sealed/open/", packs_open, name="sealed-open"),
    path("lots/<str:number>/<int:line>/sealed/decide/", decide, name="sealed-decide"),
    path("lots/<str:number>/<int:line>/sealed/list/", sealed_listing_new, name="sealed-listing-new"),
    path("lots/<str:number>/<int:line>/sealed/draw-list.pdf", draw_list, name="sealed-draw-list"),
    path("lots/<str:number>/<int:line>/sealed/statement.pdf", statement, name="sealed-statement"),
    path("suppliers/<int:pk>/sampling/", supplier_sampling, name="supplier-sampling"),
    path("suppliers/<int:pk>/sampling/say/", supplier_sampling_say, name="supplier-sampling-say"),
]
