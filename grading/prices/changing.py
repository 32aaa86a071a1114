"""Changing the price book: a change is drafted, its effect is reckoned, then it is put in force, with its reason."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.contrib.auth.models import User
from django.db import transaction

from grading.models import PriceDraft, PriceRule
from grading.models.prices import RuleText
from grading.prices import book
from grading.prices.pure.book import BY_HEADING, Book, RuleEffect
from grading.prices.pure.rounding import Direction, Grid, why_not
from stockroom.models import Counter, Entry, Shop
from stockroom.pure.money import minor_places, shown
from stockroom.pure.refused import Refused

SERIES = "price rule"
TEXT = tuple(field.attname for field in RuleText._meta.get_fields() if field.concrete)  # what a rule says
# What each effect needs to know besides its conditions.
NEEDS: dict[RuleEffect, tuple[str, ...]] = {
    RuleEffect.PRICE: ("amount", "of_set"),
    RuleEffect.TIMES_COST: ("factor",),
    RuleEffect.FACTOR: ("heading", "factor"),
    RuleEffect.AMOUNT: ("heading", "amount", "of_set"),
    RuleEffect.FLOOR: ("factor",),
    RuleEffect.ROUNDING: ("step", "ending", "direction"),
}
CONDITIONS = (
    "type",
    "as_marked",
    "maker",
    "grade",
    "condition",
    "construction",
    "set_size",
    "within_percent",
    "how",
)


class CannotPrice(Refused):
    """The price book cannot be changed as asked. The message says why."""


def troubles(text: RuleText, currency: str) -> dict[str, str]:
    """What keeps this from being a rule, by field."""
    effect = RuleEffect(text.effect)
    needed = "This is what the rule is for."
    found: dict[str, str] = {}
    if effect in (RuleEffect.PRICE, RuleEffect.AMOUNT):
        if text.amount is None:
            found["amount"] = needed
        elif text.amount != round(text.amount, minor_places(currency)):
            found["amount"] = f"{currency} has {minor_places(currency)} decimals."
        elif effect is RuleEffect.PRICE and text.amount <= 0:
            found["amount"] = "A base price is above nothing."
    elif effect is not RuleEffect.ROUNDING and not text.factor:
        found["factor"] = needed
    if effect in BY_HEADING and not text.heading:
        found["heading"] = "Say under which heading, such as Grade or Set."
    if effect is RuleEffect.ROUNDING:
        if text.step is None:
            found["step"] = needed
        elif why := why_not(Grid(text.step, text.ending or Decimal(0)), currency):
            found["step"] = why
    if text.within_percent is not None and text.set_size == 1:
        found["within_percent"] = "A single is matched with nothing."
    return found


def effect_in_words(text: RuleText, currency: str) -> str:
    """ "GBP 24.00 a piece", "× 1.25", "up to a whole 1"."""
    effect = RuleEffect(text.effect)
    times = f"{(text.factor or Decimal(0)).normalize():f}"
    amount = shown(text.amount or Decimal(0), currency)
    of = "a set" if text.of_set else "a piece"
    grid = Grid(text.step or Decimal(1), text.ending or Decimal(0), Direction(text.direction))
    return {
        RuleEffect.PRICE: f"{amount} {of}",
        RuleEffect.TIMES_COST: f"{times}\N{NO-BREAK SPACE}× the cost",
        RuleEffect.FACTOR: f"×\N{NO-BREAK SPACE}{times}",
        RuleEffect.AMOUNT: f"{amount} {of} {'more' if (text.amount or 0) >= 0 else ''}".rstrip(),
        RuleEffect.FLOOR: f"no less than {times}\N{NO-BREAK SPACE}× the cost",
        RuleEffect.ROUNDING: grid.in_words,
    }[effect]


def in_words(text: RuleText, currency: str) -> str:
    heading = f"{text.heading}: " if text.heading else ""
    return f"{heading}{effect_in_words(text, currency)}, for {book.conditions_in_words(text) or 'everything'}"


def said_by(text: RuleText) -> dict[str, Any]:
    return {name: getattr(text, name) for name in TEXT}


def draft_end(rule: PriceRule, reason: str, by: User) -> PriceDraft:
    """A draft that ends the rule."""
    return PriceDraft.objects.create(**said_by(rule), replaces=rule, withdrawn=True, reason=reason, made_by=by)


def changed_book(draft: PriceDraft) -> Book:
    """The book as it stood when the draft was reckoned, with the draft in it."""
    assert draft.book is not None
    before = book.book_of_version(draft.book)
    number = draft.replaces.number if draft.replaces else _next_number()
    rules = [rule for rule in before.rules if rule.number != number]
    if not draft.withdrawn:
        rules.append(book.read_rule(draft, number))
    return Book(rules, before.currency)


def _next_number() -> int:
    """What a new rule will be called, if nobody is quicker."""
    counter = Counter.objects.filter(series=SERIES).first()
    return counter.next_number if counter else 1


@transaction.atomic
def put_in_force(draft: PriceDraft, by: User) -> PriceRule:
    """Prices are reckoned with it from now on.

    Raises:
        CannotPrice: it is in force already, or the book has changed since its effect was reckoned.
    """
    (number,) = Counter.take(SERIES) if draft.replaces is None else (draft.replaces.number,)
    if draft.replaces is not None:
        Counter.take(SERIES, 0)  # holds the book: one change at a time
    draft = PriceDraft.objects.select_for_update(no_key=True, of=("self",)).get(pk=draft.pk)
    if draft.became_id:
        raise CannotPrice("This change is in force already.")
    if draft.book is None:
        raise CannotPrice("Look first at what it would do.")
    if draft.book != book.version():
        raise CannotPrice("The book has changed since this was reckoned. Look again at what it would do now.")
    currency = Shop.own().currency
    rule = PriceRule.objects.create(
        **said_by(draft),
        number=number,
        replaces=draft.replaces,
        withdrawn=draft.withdrawn,
        currency=currency,
        reason=draft.reason,
        by=by,
    )
    draft.became = rule
    draft.save(update_fields=["became"])
    did = "Ended" if draft.withdrawn else "Changed" if draft.replaces else "Wrote"
    Entry.write(by, "price-rule", f"{did} {rule}: {in_words(draft, currency)}. Why: {draft.reason}")
    return rule
