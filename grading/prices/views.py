"""Pages of the price book: its rules, their history, and changing it with a look at what that would do."""

from __future__ import annotations

from typing import Any, NamedTuple

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from grading.models import PriceDraft, PriceRule
from grading.models.prices import EFFECTS
from grading.prices import book, changing, effects
from grading.prices.forms import EndRuleForm, PriceDayForm, PriceRuleForm
from grading.prices.past import end_of
from grading.prices.pure.book import BASE, RuleEffect
from stockroom.models import Job, Shop
from stockroom.site.people import StaffRequest, for_roles
from stockroom.site.refusals import refused_to
from stockroom.site.web import page_of

LABELS = dict(EFFECTS)
# The steps in which a price is made, as the book's page shows them.
STEPS = [
    ("1. The base", "An amount, or so many times the cost. One rule speaks.", BASE),
    ("2. Factors", "Of the rules under one heading, one speaks. They multiply.", (RuleEffect.FACTOR,)),
    ("3. Amounts", "Of the rules under one heading, one speaks. They are added.", (RuleEffect.AMOUNT,)),
    ("4. The floor", "No price falls below so many times what the goods cost.", (RuleEffect.FLOOR,)),
    ("5. Rounding", "Of the whole price. Without a rule: to the smallest coin.", (RuleEffect.ROUNDING,)),
]


class ShownRule(NamedTuple):
    row: PriceRule
    asks: str
    does: str


class ShownStep(NamedTuple):
    name: str
    help: str
    effects: tuple[RuleEffect, ...]
    rules: list[ShownRule]

    @property
    def kinds(self) -> list[tuple[str, str]]:
        """What a new rule of this step can be."""
        return [(effect.value, LABELS[effect.value]) for effect in self.effects]


def shown_rule(row: PriceRule) -> ShownRule:
    heading = f"{row.heading}: " if row.heading else ""
    does = heading + changing.effect_in_words(row, row.currency)
    return ShownRule(row, book.conditions_in_words(row) or "everything", does)


def price_book(request: StaffRequest) -> HttpResponse:
    form = PriceDayForm(request.GET or None)
    on = form.cleaned_data["on"] if form.is_valid() else None
    rules = PriceRule.objects.in_force(end_of(on) if on else None).for_rows()
    found = sorted((shown_rule(row) for row in rules), key=_order)
    steps = [ShownStep(*step, [one for one in found if one.row.effect in step[2]]) for step in STEPS]
    currency = Shop.own().currency
    context = {
        "form": form,
        "on": on,
        "steps": steps,
        "foreign": [one.row.number for one in found if one.row.currency != currency],
    }
    return render(request, "prices/price_book.html", context)


def _order(one: ShownRule) -> tuple[Any, ...]:
    """By heading; those that speak before others first."""
    return one.row.heading.casefold(), book.read_rule(one.row, one.row.number).rank


def price_history(request: StaffRequest) -> HttpResponse:
    page = page_of(request, PriceRule.objects.for_rows().order_by("-pk"))
    return render(request, "prices/price_history.html", {"page": page, "rows": [shown_rule(row) for row in page]})


def price_rule(request: StaffRequest, number: int) -> HttpResponse:
    """Every version of one rule, the newest first."""
    versions = [shown_rule(row) for row in PriceRule.objects.filter(number=number).for_rows().order_by("-pk")]
    if not versions:
        raise Http404("No such rule.")
    return render(request, "prices/price_rule.html", {"number": number, "versions": versions})


@for_roles()
def price_rule_new(request: StaffRequest, effect: str) -> HttpResponse:
    if effect not in LABELS:
        raise Http404(f"There are no rules of the kind “{effect}”.")
    start = {name: request.GET[name] for name in changing.CONDITIONS if name in request.GET}
    form = PriceRuleForm(RuleEffect(effect), request.POST or None, instance=PriceDraft(), initial=start)
    if form.is_valid():
        return _drafted(request, form)
    context = {"form": form, "title": f"New rule: {LABELS[effect].lower()}", "new": True}
    return render(request, "prices/rule_form.html", context)


@for_roles()
def price_rule_change(request: StaffRequest, number: int) -> HttpResponse:
    rule = _in_force(number)
    draft = PriceDraft(**changing.said_by(rule), replaces=rule)
    form = PriceRuleForm(RuleEffect(rule.effect), request.POST or None, instance=draft)
    if form.is_valid():
        return _drafted(request, form)
    context = {"form": form, "title": f"Change {rule}", "rule": shown_rule(rule)}
    return render(request, "prices/rule_form.html", context)


def _in_force(number: int) -> PriceRule:
    return get_object_or_404(PriceRule.objects.in_force().for_rows(), number=number)


def _drafted(request: StaffRequest, form: PriceRuleForm) -> HttpResponse:
    form.instance.made_by = request.user
    draft = form.save()
    effects.start_effect(draft, request.user)
    return redirect(draft)


@for_roles()
def price_rule_end(request: StaffRequest, number: int) -> HttpResponse:
    rule = _in_force(number)
    form = EndRuleForm(request.POST or None)
    form.fields["reason"].widget.attrs["autofocus"] = True
    if form.is_valid():
        draft = changing.draft_end(rule, form.cleaned_data["reason"], request.user)
        effects.start_effect(draft, request.user)
        return redirect(draft)
    context = {
        "form": form,
        "title": f"End {rule}",
        "intro": f"{changing.in_words(rule, rule.currency)}. Before it ends you see what that would do.",
        "action": "Look what that would do",
        "back": reverse("price-rule", args=[number]),
    }
    return render(request, "site/form.html", context)


@for_roles()
def price_draft(request: StaffRequest, pk: int) -> HttpResponse:
    """What a change would do, before it does it; and afterwards what became of it."""
    draft = _draft(pk)
    currency = Shop.own().currency
    reckoned = effects.latest(effects.EFFECT, draft)
    repricing = effects.latest(effects.REPRICE, draft)
    moved = draft.book is not None and draft.became is None and draft.book != book.version()
    context = {
        "draft": draft,
        "said": changing.in_words(draft, currency),
        "said_before": changing.in_words(draft.replaces, draft.replaces.currency) if draft.replaces else "",
        "job": _unfinished(reckoned) if not draft.sums else None,
        "repricing": _unfinished(repricing),
        "effect": effects.effects_of(draft),
        "moved": moved,
        "may_follow": draft.became_id == book.version() and repricing is None,
        "page": page_of(request, draft.prices.select_related("listing")),
    }
    return render(request, "prices/price_draft.html", context)


def _unfinished(job: Job | None) -> Job | None:
    return job if job is not None and not job.is_done else None


def _draft(pk: int) -> PriceDraft:
    found = PriceDraft.objects.select_related("type", "maker", "replaces__type", "replaces__maker", "became", "made_by")
    return get_object_or_404(found, pk=pk)


@for_roles()
@require_POST
@refused_to("price-draft", "pk")
def price_draft_take(request: StaffRequest, pk: int) -> HttpResponse:
    """Put in force; with `reprice`, the live listings that the book priced follow, and with "all" the others too. They
    may follow later as well, while the book is as this change left it."""
    draft, which = _draft(pk), request.POST.get("reprice")
    said = ""
    if not (draft.became_id and which):
        rule = changing.put_in_force(draft, request.user)
        draft.refresh_from_db()
        said = f"{str(rule).capitalize()} {'has ended' if draft.withdrawn else 'is in force'}. "
    if which in ("book", "all"):
        effects.start_repricing(draft, request.user, by_hand=which == "all")
        said += "The listings get their new prices now."
    messages.success(request, said)
    return redirect(draft)


@for_roles()
@require_POST
def price_draft_again(request: StaffRequest, pk: int) -> HttpResponse:
    """Reckon anew what it would do, by the book as it is now."""
    draft = _draft(pk)
    if draft.became_id is None:
        draft.sums = {}
        draft.save(update_fields=["sums"])
        effects.start_effect(draft, request.user)
    return redirect(draft)


urlpatterns = [
    path("prices/", price_book, name="price-book"),
    path("prices/history/", price_history, name="price-history"),
    path("prices/rules/new/<slug:effect>/", price_rule_new, name="price-rule-new"),
    path("prices/rules/<int:number>/", price_rule, name="price-rule"),
    path("prices/rules/<int:number>/change/", price_rule_change, name="price-rule-change"),
    path("prices/rules/<int:number>/end/", price_rule_end, name="price-rule-end"),
    path("prices/drafts/<int:pk>/", price_draft, name="price-draft"),
    path("prices/drafts/<int:pk>/take/", price_draft_take, name="price-draft-take"),
    path("prices/drafts/<int:pk>/again/", price_draft_again, name="price-draft-again"),
]
