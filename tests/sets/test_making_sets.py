"""Making matched sets from graded stock, by proposal and by hand, and breaking them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.utils import timezone

from grading.listings import publishing
from grading.models import MatchedSet, Member, Policy
from grading.orders import candidates, fulfilment
from grading.papers.certificates import CannotCertify, certificate_data
from grading.papers.pure.certificate import certificate_pdf
from grading.sets import doubts, making
from grading.verdicts import judging
from stockroom.models import Customer, Entry, Order, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, graded_all, make_policy, make_type, make_user, make_valve, make_valves, read
from tests.pdfs import read_pdf

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
    from stockroom.models import Allocation

    made = making.make_set(four, 5, by)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=make_type(), set_size=4)
    Allocation.objects.create(order_line=line, item=1, valve=four[0])
    with pytest.raises(making.CannotMatch, match="take it off the order first"):
        making.break_set(made, "no", by)


def test_stabilisers_are_matched_by_the_voltage_that_they_hold(by: User) -> None:
    kind = make_type("0A2", kind="voltage stabiliser", sections=1)
    valves = make_valves(kind, 3)
    for valve, held in zip(valves, (150.0, 150.6, 156.0), strict=True):
        graded(valve, None, None, anode_voltage_v=held)
    with pytest.raises(making.CannotMatch, match=r"differ by 4\.00 %, more than 1 %"):
        making.make_set(valves, 1, by)
    made = making.make_set(valves[:2], 1, by)
    [spread] = making.spread_of(list(made.members.select_related("grade")))
    assert (spread.label, spread.smallest, spread.largest) == ("V held, section 1", 150.0, 150.6)
    paper = " ".join(" ".join(read_pdf(certificate_pdf(certificate_data(made, timezone.localdate())))).split())
    assert "Voltage held, V" in paper and "150.6" in paper and "Settings Ia 30 mA" in paper
    listed = publishing.publish(valves[:2], "Two", "", Decimal("9.00"), "GBP", by)
    public = Client().get(listed.get_absolute_url()).content.decode()
    assert "150.6 V" in public and "Read at Ia 30 mA" in public


# A member read again


def read_tomorrow(valve: Valve, gm: float) -> None:
    """Another day's reading starts afresh: it is not averaged with today's."""
    graded(valve, ia=1.2, gm=gm, taken_at=timezone.now() + timedelta(days=1))


def test_a_set_whose_member_reads_outside_its_tolerance_no_longer_holds(four: list[Valve], by: User) -> None:
    made = making.make_set(four, 5, by)
    assert doubts.why_doubtful(made) == ""
    read_tomorrow(four[0], gm=1.53)  # still Excellent, and 6.7 % below the strongest
    assert doubts.why_doubtful(made) == "these valves differ by 7.19 %, more than 5 %"
    said = Entry.objects.filter(action="set-doubtful", valve=four[0]).get().text
    assert said.startswith("S00001 no longer holds: these valves differ by 7.19 %")
    assert doubts.doubtful([made, making.make_set(make_pair(by), 5, by)]).keys() == {made.pk}


def make_pair(by: User) -> list[Valve]:
    valves = make_valves(make_type(), 2)
    for valve in valves:
        graded(valve)
    return valves


def test_a_member_read_again_within_the_tolerance_leaves_the_set_as_it_is(four: list[Valve], by: User) -> None:
    made = making.make_set(four, 5, by)
    read_tomorrow(four[0], gm=1.63)
    assert doubts.why_doubtful(made) == ""
    [said] = doubts.read_since(made)
    assert said.startswith(f"{four[0]} was read again on ") and said.endswith("the set holds as well.")
    assert not Entry.objects.filter(action="set-doubtful").exists()


def test_a_set_is_held_to_the_policy_that_it_was_made_by_and_not_to_a_later_one(four: list[Valve], by: User) -> None:
    made, first = making.make_set(four, 5, by), make_policy()
    Policy.objects.update(in_force=False)
    stricter = {**first.rules, "unknown": {**first.rules["unknown"], "sets": "none"}}
    Policy.objects.create(version=2, title="No sets by unknown testers", rules=stricter, in_force=True)
    read_tomorrow(four[0], gm=1.63)
    assert doubts.why_doubtful(made) == ""


@pytest.mark.parametrize(
    ("gm", "stability", "why"),
    [
        (1.35, "", "is graded Good now, and was Excellent when the set was made"),
        (0.2, "", "is graded Unfit now and is not for sale"),
        (1.6, "drifting", "has no grade now"),
    ],
)
def test_a_set_holds_no_more_when_its_papers_would_claim_what_is_not_so_any_more(
    four: list[Valve], by: User, gm: float, stability: str, why: str
) -> None:
    made = making.make_set(four, 50, by)
    read(four[0], ia=1.2, gm=gm, stability=stability, taken_at=timezone.now() + timedelta(days=1))
    judging.grade(four, make_policy(), by)
    assert doubts.why_doubtful(made) == f"{four[0]} {why}"


def test_a_set_that_no_longer_holds_is_neither_listed_certified_offered_nor_sent(four: list[Valve], by: User) -> None:
    made = making.make_set(four, 5, by)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=make_type(), set_size=4, max_spread_percent=20, best_grades=1)
    listed = publishing.publish(four_of(made), "A quad", "", Decimal("90.00"), "GBP", by)
    assert [option.set for option in candidates.options(line)] == [made]
    read_tomorrow(four[0], gm=1.53)
    listed.refresh_from_db()
    assert listed.ended_because.startswith("S00001 no longer holds: these valves differ by 7.19 %")
    assert all(option.set is None for option in candidates.options(line))
    with pytest.raises(fulfilment.CannotPull, match="no longer holds"):
        fulfilment.accept(line, four_of(made), by)
    with pytest.raises(publishing.CannotList, match="S00001 no longer holds"):
        publishing.publish(four_of(made), "A quad", "", Decimal("90.00"), "GBP", by)
    with pytest.raises(CannotCertify, match="S00001 no longer holds"):
        certificate_data(made, timezone.localdate())
    making.break_set(made, "read again", by)
    assert certificate_data(MatchedSet.objects.get(), timezone.localdate()).void


def four_of(made: MatchedSet) -> list[Valve]:
    return list(Valve.objects.filter(memberships__set=made).order_by("memberships__position"))


def test_a_set_on_an_order_whose_member_is_read_again_does_not_leave_the_house(four: list[Valve], by: User) -> None:
    made = making.make_set(four, 5, by)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=make_type(), set_size=4, best_grades=1)
    fulfilment.accept(line, four_of(made), by)
    for valve in four_of(made):
        fulfilment.pull(order, valve, by)
    read_tomorrow(four[0], gm=1.53)
    with pytest.raises(fulfilment.CannotPull, match="S00001 no longer holds"):
        fulfilment.despatch(order, "", "", by)


# Through the pages


def test_the_pages_flag_a_set_that_no_longer_holds(
    four: list[Valve], by: User, logged_in: Callable[..., Client]
) -> None:
    made = making.make_set(four, 5, by)
    read_tomorrow(four[0], gm=1.53)
    client = logged_in(Role.BENCH)
    page = client.get(made.get_absolute_url()).content.decode()
    assert "no longer holds:</strong> these valves differ by 7.19 %" in page and "Certificate (PDF)" not in page
    for address in ("/sets/", "/sets/?status=doubtful"):
        assert "<strong>no longer holds</strong>: these valves differ" in client.get(address).content.decode()
    assert "Break up" in client.get("/").content.decode()


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
