"""The warranty is the shop's own data: every version is kept, and the one of the day of despatch speaks."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.orders.ways import way_for
from grading.returns import opening, warranty
from grading.returns.pure.warranty import Promise, Sold, covered, in_force
from grading.returns.warranty import CannotPromise
from stockroom.models import Despatch, Entry, Return, Valve, WarrantyRule
from stockroom.site.people import Role
from tests.factories import graded, make_line, make_type, make_user, make_valve
from tests.orders.test_filling_an_order import fill, order_for, send

TESTED = Sold("tested", "nos-boxed", "Good")


def promise(made: int, **of: object) -> Promise:
    """Made on this day of March 2026."""
    usual = {
        "sold_as": "tested",
        "condition": "",
        "grade": "",
        "days": 30,
        "unwanted_days": 14,
        "covers": ("noise", "weak"),
        "words": "",
        "matters_percent": 10.0,
        "ended": False,
    }
    return Promise(**{**usual, **of}, made_at=datetime(2026, 3, made, 12, tzinfo=UTC))  # type: ignore[arg-type]


def noon(day: int) -> datetime:
    return datetime(2026, 3, day, 12, tzinfo=UTC)


def test_the_version_in_force_at_despatch_speaks_and_not_a_later_one() -> None:
    versions = [promise(1, days=90), promise(10, days=30), promise(20, ended=True)]
    spoke = {day: in_force(versions, TESTED, noon(day)) for day in (1, 9, 10, 19, 20)}
    assert [one and one.days for one in spoke.values()] == [90, 90, 30, 30, None]
    assert in_force(versions, TESTED, datetime(2026, 2, 28, tzinfo=UTC)) is None


def test_the_narrowest_rule_that_fits_speaks_and_an_ended_one_leaves_the_wider() -> None:
    wide, condition, grade = promise(1, days=10), promise(2, condition="nos-boxed", days=20), promise(3, grade="Good")
    both = promise(4, condition="nos-boxed", grade="Good", days=40)
    assert in_force([wide, condition], TESTED, noon(9)) == condition
    assert in_force([grade, wide, condition], TESTED, noon(9)) == grade
    assert in_force([both, grade, wide, condition], TESTED, noon(9)) == both
    ended = promise(5, grade="Good", ended=True)
    assert in_force([ended, grade, wide, condition], TESTED, noon(9)) == condition
    assert in_force([wide], Sold("sealed", "nos-sealed", ""), noon(9)) is None
    assert in_force([condition, grade], Sold("tested", "used", "Fair"), noon(9)) is None


@pytest.mark.parametrize(
    ("complaint", "days_later", "falls_under", "words"),
    [
        ("noise", 30, True, "within the 30 days in which this fault is covered"),
        ("noise", 31, False, "past the 30 days in which this fault is covered"),
        ("damaged", 1, False, "does not cover “damaged in words”"),
        ("unwanted", 14, True, "within the 14 days in which what is not wanted may be sent back"),
        ("unwanted", 15, False, "past the 14 days"),
    ],
)
def test_days_are_counted_from_despatch_to_the_day_that_it_came_back(
    complaint: str, days_later: int, falls_under: bool, words: str
) -> None:
    sent = date(2026, 3, 2)
    said = covered(promise(1), complaint, f"{complaint} in words", sent, sent + timedelta(days=days_later))
    assert said.is_covered == falls_under and words in said.sentence


def test_without_a_rule_nothing_is_said_but_that() -> None:
    said = covered(None, "noise", "noise", date(2026, 3, 2), date(2026, 3, 5))
    assert said.is_covered is None and "No rule of the shop spoke for it" in said.sentence
    none = covered(promise(1, unwanted_days=0), "unwanted", "not wanted", date(2026, 3, 2), date(2026, 3, 5))
    assert none.is_covered is False and "gives no days" in none.sentence


@pytest.mark.django_db
def test_a_return_is_judged_by_the_rule_of_the_day_that_it_was_sent() -> None:
    by = make_user("ola", Role.OWNER)
    graded(make_valve())
    rule = WarrantyRule(sold_as="tested", days=60, covers=["weak"], matters_percent=4)
    warranty.write_rule(rule, by)
    order = send(fill(order_for(set_size=1, max_spread_percent=None, unit_price=Decimal(5)), by), by)
    Despatch.objects.update(at=timezone.now() - timedelta(days=20))
    WarrantyRule.objects.update(made_at=timezone.now() - timedelta(days=21))
    warranty.write_rule(WarrantyRule(sold_as="tested", days=5, covers=["weak"]), by)
    opening.take_back(order, list(Valve.objects.all()), "weak", "weak", {}, by)
    said = warranty.spoken_of(Return.objects.get())
    assert said.covered.is_covered and said.covered.sentence.startswith("It came back after 20 days, within the 60")
    assert said.matters == pytest.approx(0.04)
    assert Entry.objects.filter(action="warranty-rule").count() == 2


@pytest.mark.django_db
def test_what_was_sold_untested_has_a_rule_of_its_own() -> None:
    by = make_user("ola", Role.OWNER)
    valve = make_valve(make_type(), line=make_line(make_type(), 1, condition="used"))
    warranty.write_rule(WarrantyRule(sold_as="untested", condition="used", days=3, covers=["dead"]), by)
    WarrantyRule.objects.update(made_at=timezone.now() - timedelta(days=1))
    line = order_for(set_size=1, max_spread_percent=None, untested=True)
    way = way_for(line)
    assert way is not None
    way.set_aside(line, valve.serial, by)
    opening.take_back(send(line.order, by), [valve], "dead", "nothing", {}, by)
    assert warranty.spoken_of(Return.objects.get()).covered.is_covered


@pytest.mark.django_db
def test_the_owner_writes_a_new_version_and_the_old_one_stays(logged_in: Callable[..., Client]) -> None:
    owner, url = logged_in(Role.OWNER), reverse("warranty-rule-new")
    typed = {"sold_as": "tested", "days": "90", "covers": ["noise"], "unwanted_days": "14", "matters_percent": "10,5"}
    assert owner.post(url, typed)["Location"] == reverse("warranty")
    said = owner.post(url, typed, follow=True).content.decode()
    assert "says just this already" in said
    assert "has a grade" in owner.post(url, {**typed, "sold_as": "sealed", "grade": "Good"}).content.decode()
    assert "Tick the faults" in owner.post(url, {**typed, "covers": []}).content.decode()
    owner.post(url, {**typed, "days": "30"})
    (now,) = warranty.rules_in_force()
    assert (now.days, now.matters_percent, WarrantyRule.objects.count()) == (30, 10.5, 2)
    page = owner.get(reverse("warranty")).content.decode()
    assert page.count("tested and graded") == 3 and "90" in page
    owner.post(url, {**typed, "ended": "on"})
    assert warranty.rules_in_force() == [] and WarrantyRule.objects.count() == 3
    with pytest.raises(CannotPromise, match="no rule"):
        warranty.write_rule(WarrantyRule(sold_as="sealed", days=1, ended=True), None)
