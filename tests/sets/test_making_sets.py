"""Making matched sets from graded stock, by proposal and by hand, and breaking them."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.contrib.auth.models import User
from django.test import Client

from grading.models import MatchedSet, Member
from grading.sets import making
from stockroom.models import Entry, Order, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, graded_all, make_type, make_user, make_valve, make_valves, read

pytestmark = pytest.mark.django_db


@pytest.fixture
def four() -> list[Valve]:
    """Four graded valves within 3 % of each other."""
    valves = make_valves(make_type(), 4)
    graded_all([(valve, 1.2, gm) for valve, gm in zip(valves, (1.60, 1.61, 1.62, 1.64), strict=True)])
    return valves


@pytest.fixture
def by() -> User:
    return make_user("kit", Role.BENCH)


def test_it_proposes_disjoint_sets_within_the_tolerance(four: list[Valve]) -> None:
    outsider = make_valve(make_type())
    graded(outsider, ia=1.2, gm=1.75)
    [proposal] = making.propose(make_type(), 4, 5, best_grades=1)
    assert {valve.pk for valve in proposal.valves} == {valve.pk for valve in four}
    assert proposal.worst == pytest.approx(1.64 / 1.60 - 1)


def test_valves_of_a_lower_grade_are_proposed_only_when_asked_for(four: list[Valve]) -> None:
    weak = make_valve(make_type())
    graded(weak, ia=1.2, gm=1.3)
    assert weak.pk not in {grade.valve_id for grade in making.available(make_type(), 1)}
    assert weak.pk in {grade.valve_id for grade in making.available(make_type(), 2)}


def test_a_set_moves_its_valves_to_matched_and_writes_the_daybook(four: list[Valve], by: User) -> None:
    made = making.make_set(four, 5, by)
    assert made.number == "S00001" and made.size == 4
    assert set(Valve.objects.filter(memberships__set=made).values_list("state", flat=True)) == {State.MATCHED}
    assert Entry.objects.filter(action="set-made", by=by).count() == 4


def test_the_set_remembers_the_readings_it_was_made_on(four: list[Valve], by: User) -> None:
    made = making.make_set(four, 5, by)
    read(four[0], ia=1.2, gm=1.1)  # read again later, and much worse
    members = list(made.members.select_related("grade"))
    spreads = {spread.label: spread.spread for spread in making.spread_of(members)}
    assert spreads["gm, section 1"] == pytest.approx(1.64 / 1.60 - 1)


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda four: four[:1], "A set has 2 to 12 valves"),
        (lambda four: [four[0], four[0]], "named twice"),
        (lambda four: [*four, make_valve(make_type("6SN7GT"))], "a set is of one type"),
        (lambda four: [*four, make_valve(make_type())], "has no grade"),
    ],
)
def test_what_is_not_a_set_is_refused_and_nothing_is_recorded(
    four: list[Valve], by: User, spoil: Callable[[list[Valve]], list[Valve]], message: str
) -> None:
    with pytest.raises(making.CannotMatch, match=message):
        making.make_set(spoil(four), 5, by)
    assert not MatchedSet.objects.exists()


def test_valves_that_differ_too_much_are_refused(four: list[Valve], by: User) -> None:
    with pytest.raises(making.CannotMatch, match=r"differ by 2\.50 %, more than 1 %"):
        making.make_set(four, 1, by)


def test_a_valve_that_is_in_a_set_cannot_join_another(four: list[Valve], by: User) -> None:
    making.make_set(four[:2], 5, by)
    with pytest.raises(making.CannotMatch, match="only a graded valve that is free"):
        making.make_set(four[1:3], 5, by)


def test_breaking_a_set_frees_its_valves_and_keeps_why(four: list[Valve], by: User) -> None:
    made = making.make_set(four, 5, by)
    making.break_set(made, "one valve dropped", by)
    made.refresh_from_db()
    assert made.broken_at and made.broken_by == by and made.broken_because == "one valve dropped"
    assert not Member.objects.filter(live=True).exists()
    assert set(Valve.objects.values_list("state", flat=True)) == {State.GRADED}
    with pytest.raises(making.CannotMatch, match="broken already"):
        making.break_set(made, "again", by)


def test_a_set_on_an_order_cannot_be_broken(four: list[Valve], by: User) -> None:
    from stockroom.models import Allocation, Customer

    made = making.make_set(four, 5, by)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=make_type(), set_size=4)
    Allocation.objects.create(order_line=line, item=1, valve=four[0])
    with pytest.raises(making.CannotMatch, match="take it off the order first"):
        making.break_set(made, "no", by)


# Through the pages


def test_the_page_shows_what_can_be_made_and_makes_the_ticked_sets(
    four: list[Valve], logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.BENCH)
    address = "/sets/make/?type=12AX7&size=2&tolerance_percent=5&best_grades=1"
    page = client.get(address)
    assert b"2 sets can be made" in page.content
    serials = " ".join(valve.serial for valve in four[:2])
    assert client.post(address, {"take": [serials]}).status_code == 302
    assert MatchedSet.objects.get().members.count() == 2


def test_an_unknown_type_is_named_and_what_was_asked_stays(four: list[Valve], logged_in: Callable[..., Client]) -> None:
    page = logged_in(Role.BENCH).get("/sets/make/?type=12ZZ9&size=3&tolerance_percent=2.5&best_grades=1")
    assert "No valve type is called “12ZZ9”".encode() in page.content
    assert b'value="2.5"' in page.content


def test_a_set_by_hand_names_the_scan_that_is_wrong_and_keeps_the_rest(
    four: list[Valve], logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.BENCH)
    scans = f"{four[0].serial}\n12345678"
    page = client.post("/sets/by-hand/", {"serials": scans, "tolerance_percent": "5"})
    assert b"Scan 2:" in page.content and four[0].serial.encode() in page.content
    scans = f"{four[0].serial}\n{four[1].serial}"
    assert client.post("/sets/by-hand/", {"serials": scans, "tolerance_percent": "5"}).status_code == 302


def test_a_set_page_shows_members_spread_and_history(
    four: list[Valve], by: User, logged_in: Callable[..., Client]
) -> None:
    made = making.make_set(four, 5, by)
    page = logged_in(Role.RECEIVING).get(made.get_absolute_url()).content.decode()
    assert all(valve.serial in page for valve in four)
    assert "2.50" in page and "matched quad" in page


def test_breaking_through_the_page_wants_a_reason(
    four: list[Valve], by: User, logged_in: Callable[..., Client]
) -> None:
    made = making.make_set(four, 5, by)
    client = logged_in(Role.SALES)
    page = client.post(f"/sets/{made.number}/break/", {"reason": ""}, follow=True)
    assert b"Say why the set is broken up" in page.content
    client.post(f"/sets/{made.number}/break/", {"reason": "not wanted"})
    made.refresh_from_db()
    assert made.broken_because == "not wanted"
