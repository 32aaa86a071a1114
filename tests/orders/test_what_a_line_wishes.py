"""A line says what the customer wants; what nobody can judge of a valve is said, and never taken as met."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from grading.models import Grade, Policy
from grading.orders import candidates, corrections, filling, fulfilment, proposals, wishes
from grading.orders.fulfilment import CannotPull
from stockroom.jobs import worker
from stockroom.marks.pure.identification import Subject
from stockroom.models import Allocation, Entry, Job, Maker, OrderLine, Valve
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_type, make_user, make_valve, make_valves
from tests.orders.test_filling_an_order import order_for

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


def dated(valve: Valve, earliest: date, latest: date) -> Valve:
    valve.date_readings.create(code="x", form="YEAR", earliest=earliest, latest=latest)
    return valve


def a_valve(by: str = "", year: int | None = None, getter: str = "", **fields: Any) -> Valve:
    """Graded, with what is known of it."""
    maker = Maker.objects.get_or_create(name=by)[0] if by else None
    valve = make_valve(make_type(), maker=maker, **{key: value for key, value in fields.items() if key == "as_marked"})
    graded(valve, fields.get("ia", 1.2), fields.get("gm", 1.6))
    if kept := fields.get("kept"):  # as a grade that keeps no more than this many sections
        grade = valve.grades.get()
        Grade.objects.filter(pk=grade.pk).update(measured=[one for one in grade.measured if one["section"] <= kept])
    if year:
        dated(valve, date(year, 1, 1), date(year, 12, 31))
    if getter:
        valve.features.create(feature="getter shape", word=getter)
    return valve


def single(**wishes: Any) -> OrderLine:
    return order_for(set_size=1, max_spread_percent=None, **wishes)


def offered(line: OrderLine) -> list[tuple[str, str]]:
    return [(option.key, option.unsure) for option in candidates.options(line)]


def test_a_line_says_all_its_wishes_in_one_sentence(policy: Policy) -> None:
    line = order_for(
        max_spread_percent=3,
        maker=Maker.objects.create(name="Marrowby"),
        made_from=1950,
        made_to=1959,
        balanced_percent=10,
        feature="getter shape",
        feature_word="halo",
        as_marked="ECC83",
    )
    assert wishes.asked(line) == (
        "1 × matched quad 12AX7, Good or better, within 3 %, marked ECC83, by Marrowby, made in the 1950s, "
        "sections alike within 10 %, getter shape halo"
    )


@pytest.mark.parametrize(
    ("wish", "yes", "no", "unknown", "why"),
    [
        ("maker", {"by": "Marrowby"}, {"by": "Oakmoor"}, {}, "nobody noted its maker"),
        ("years", {"year": 1955}, {"year": 1962}, {}, "no date was read on it"),
        ("getter", {"getter": "halo"}, {"getter": "disc"}, {}, "nobody noted its getter shape"),
        ("balance", {"gm": [1.6, 1.55]}, {"gm": [1.75, 1.5]}, {"kept": 1}, "not read in all of its sections"),
    ],
)
def test_each_wish_is_met_or_not_or_cannot_be_judged(
    wish: str, yes: dict[str, Any], no: dict[str, Any], unknown: dict[str, Any], why: str, by: User
) -> None:
    met, other, unjudged = a_valve(**yes), a_valve(**no), a_valve(**unknown)
    wishes = {
        "maker": {"maker": Maker.objects.get_or_create(name="Marrowby")[0]},
        "years": {"made_from": 1950, "made_to": 1959},
        "getter": {"feature": "getter shape", "feature_word": "halo"},
        "balance": {"balanced_percent": 10},
    }
    line = single(best_grades=3, **wishes[wish])
    assert offered(line) == [(met.serial, ""), (unjudged.serial, why)]
    with pytest.raises(CannotPull, match="The line asks for"):
        fulfilment.accept(line, [other], by, although_unsure=True)
    with pytest.raises(CannotPull, match=why):
        fulfilment.accept(line, [unjudged], by)
    fulfilment.accept(line, [unjudged], by, although_unsure=True)
    assert why in Allocation.objects.get().although and Entry.objects.filter(text__contains=why).exists()


def test_the_name_on_the_glass_is_compared_as_names_are(by: User) -> None:
    ours, theirs = a_valve(as_marked="ECC 83"), a_valve()
    assert [key for key, _ in offered(single(as_marked="ecc83"))] == [ours.serial]
    assert [key for key, _ in offered(single(as_marked="12AX7"))] == [theirs.serial]


def test_a_date_half_inside_the_years_cannot_be_judged() -> None:
    dated(a_valve(), date(1949, 6, 1), date(1950, 6, 1))
    assert offered(single(made_from=1950, made_to=1959))[0][1] == "its code can mean 1949 to 1950"


def test_marks_that_do_not_agree_prove_no_maker() -> None:
    valve = a_valve(by="Marrowby")
    valve.warnings.create(subject=Subject.CONSTRUCTION_AND_MAKER, reason="the getter is another's")
    assert "marks do not agree" in offered(single(maker=valve.maker))[0][1]


def test_the_nearest_to_nominal_comes_first_and_what_is_judged_before_what_is_not() -> None:
    unjudged, far, near = a_valve(gm=1.6), a_valve(by="Marrowby", gm=1.75), a_valve(by="Marrowby", gm=1.61)
    keys = [key for key, _ in offered(single(maker=far.maker))]
    assert keys == [near.serial, far.serial, unjudged.serial]


def test_a_set_is_made_only_of_valves_that_are_known_to_be_as_wished(by: User) -> None:
    ours = [a_valve(by="Marrowby", gm=gm) for gm in (1.60, 1.64)]
    [a_valve(gm=gm) for gm in (1.70, 1.71)]  # nearer to each other, and nobody knows by whom
    line = order_for(set_size=2, max_spread_percent=5, maker=ours[0].maker)
    assert [set(option.valves) for option in candidates.options(line)] == [set(ours)]
    assert proposals.propose(line).not_known == ["2 valves: nobody noted its maker"]


def test_candidates_are_listed_with_their_readings_as_graded(logged_in: Callable[..., Client]) -> None:
    a_valve(by="Marrowby", year=1955)
    line = single(made_from=1950)
    page = logged_in(Role.SALES).get(reverse("order-candidates", args=[line.order.number, line.pk])).content.decode()
    assert "1: Ia 1.2 mA, gm 1.6 mA/V; 2: Ia 1.2 mA, gm 1.6 mA/V" in page and "Marrowby" in page


def test_the_page_takes_what_cannot_be_judged_only_when_told_so(logged_in: Callable[..., Client]) -> None:
    valve, line, client = a_valve(), single(made_from=1950), logged_in(Role.SALES)
    accept = reverse("order-accept", args=[line.order.number, line.pk])
    refused = client.post(accept, {"valves": valve.serial}, follow=True).content.decode()
    assert "nobody can say whether it is so" in refused and not Allocation.objects.exists()
    client.post(accept, {"valves": valve.serial, "although": "unsure"})
    assert "although" in client.get(line.order.get_absolute_url()).content.decode()


def test_a_line_is_taken_with_wishes_and_years_in_order(policy: Policy, logged_in: Callable[..., Client]) -> None:
    order, client = single().order, logged_in(Role.SALES)
    typed = {"type": "12AX7", "set_size": "1", "quantity": "1", "sealed": "", "best_grades": "2", "made_from": "1959"}
    page = client.post(order.get_absolute_url(), {**typed, "made_to": "1950"}).content.decode()
    assert "This is before 1959." in page
    page = client.post(order.get_absolute_url(), {**typed, "sealed": "sealed"}).content.decode()
    assert "Of what is not tested only the type can be asked for." in page
    client.post(order.get_absolute_url(), {**typed, "construction": "getter shape=halo", "balanced_percent": "7,5"})
    line = order.lines.last()
    assert line and (line.made_from, line.feature, line.feature_word) == (1959, "getter shape", "halo")
    assert line.balanced_percent == 7.5


# Looking, and setting aside


def test_opening_an_order_matches_nothing_and_asks_no_more_for_more_lines(
    policy: Policy,
    logged_in: Callable[..., Client],
    monkeypatch: pytest.MonkeyPatch,
    django_assert_max_num_queries: Any,
) -> None:
    graded_all([(valve, 1.2, 1.6) for valve in make_valves(make_type(), 4)])
    order, client = order_for(set_size=2).order, logged_in(Role.SALES)

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("an order page looks for nothing")

    for name in ("options", "least_loss", "_ready_sets", "_singles"):
        monkeypatch.setattr(candidates, name, never)
    client.get(order.get_absolute_url())
    with django_assert_max_num_queries(40) as asked:
        client.get(order.get_absolute_url())
    one = len(asked)
    for _ in range(5):
        order.lines.create(type=make_type(), set_size=2)
    with django_assert_max_num_queries(one):
        client.get(order.get_absolute_url())


def test_a_long_search_is_a_job_and_the_page_shows_what_is_still_free(
    logged_in: Callable[..., Client], monkeypatch: pytest.MonkeyPatch, by: User
) -> None:
    valves = make_valves(make_type(), 4)
    graded_all([(valve, 1.2, gm) for valve, gm in zip(valves, (1.60, 1.61, 1.70, 1.71), strict=True)])
    monkeypatch.setattr(proposals, "QUICK", 3)
    line, client = order_for(set_size=2), logged_in(Role.SALES)
    page = client.post(reverse("order-propose", args=[line.order.number, line.pk]), follow=True).content.decode()
    assert Job.objects.get().kind == proposals.KIND and "as graded" not in page
    worker.work_off(kinds=[proposals.KIND])
    address = reverse("order-candidates", args=[line.order.number, line.pk])
    offered = client.get(address).context["candidates"]
    assert len(offered) == 2 and offered[0][1][0].readings[0].startswith("1: Ia")
    fulfilment.accept(order_for(set_size=1, max_spread_percent=None), offered[0][0].valves[:1], by)
    assert len(client.get(address).context["candidates"]) == 1


def test_all_open_lines_are_set_aside_at_once_all_of_a_line_or_nothing(logged_in: Callable[..., Client]) -> None:
    graded_all(
        [(valve, 1.2, gm) for valve, gm in zip(make_valves(make_type(), 4), (1.60, 1.61, 1.62, 1.75), strict=True)]
    )
    pairs = order_for(set_size=2, quantity=1)
    order = pairs.order
    singles = order.lines.create(type=make_type(), set_size=1, quantity=3)
    dated_line = order.lines.create(type=make_type(), set_size=1, made_from=1950)
    page = logged_in(Role.SALES).post(reverse("order-fill", args=[order.number]), follow=True).content.decode()
    assert [fulfilment.missing(line) for line in (pairs, singles, dated_line)] == [0, 3, 1]
    assert "Only 2 of 3 are in stock." in page and "no date was read on it" in page


def test_a_line_is_looked_at_again_where_somebody_was_quicker(by: User, monkeypatch: pytest.MonkeyPatch) -> None:
    graded_all([(valve, 1.2, gm) for valve, gm in zip(make_valves(make_type(), 2), (1.60, 1.63), strict=True)])
    first, second = single(), single()
    chosen = filling._chosen

    def while_another_takes(line: OrderLine, wanted: int) -> Any:
        found = chosen(line, wanted)
        if not second.allocations.exists():
            fulfilment.accept(second, found[0], by)
        return found

    monkeypatch.setattr(filling, "_chosen", while_another_takes)
    assert not filling.fill_line(first, by).why_not
    assert Allocation.objects.filter(live=True).count() == 2


def test_many_are_set_aside_behind_the_pages(logged_in: Callable[..., Client], monkeypatch: pytest.MonkeyPatch) -> None:
    graded_all([(valve, 1.2, 1.6) for valve in make_valves(make_type(), 2)])
    monkeypatch.setattr(filling, "AT_ONCE", 1)
    line, client = single(quantity=2), logged_in(Role.SALES)
    client.post(reverse("order-fill", args=[line.order.number]))
    assert fulfilment.missing(line) == 2
    worker.work_off(kinds=[filling.KIND])
    assert fulfilment.missing(line) == 0
    assert ": 2 set aside." in client.get(line.order.get_absolute_url()).content.decode()


# Changes


def test_wishes_change_only_while_what_is_set_aside_still_meets_them(by: User) -> None:
    valve = a_valve(by="Marrowby", gm=1.6)
    line = single(best_grades=3)
    fulfilment.accept(line, [valve], by)
    with pytest.raises(CannotPull, match="no date was read on it"):
        corrections.change_line(line, 1, None, "", by, wished={"made_from": 1950})
    corrections.change_line(line, 1, None, "", by, wished={"maker": valve.maker})
    line.refresh_from_db()
    assert line.maker == valve.maker
    said = Entry.objects.filter(action="order-line").first()
    assert said and "asked for 1 × single 12AX7" in said.text and "by Marrowby" in said.text
    Grade.objects.update(rank=3)
    with pytest.raises(CannotPull, match="is graded"):
        corrections.change_line(line, 1, None, "", by, wished={"best_grades": 1})


def test_a_wish_is_changed_on_its_page(logged_in: Callable[..., Client], policy: Policy) -> None:
    line, client = single(feature="getter shape", feature_word="halo"), logged_in(Role.SALES)
    address = reverse("order-line-change", args=[line.order.number, line.pk])
    assert 'value="getter shape=halo" selected' in client.get(address).content.decode()
    client.post(address, {"quantity": "1", "best_grades": "1", "construction": "", "made_to": "1949"})
    line.refresh_from_db()
    assert (line.feature, line.made_to, line.best_grades) == ("", 1949, 1)
