"""A stored state is a copy of what the records say, whatever was done in whatever order.

The states are worked out a second time here, slowly and row by row, from the words of the design: a lot moves
received > tested > graded > matched > listed, and a valve's own state follows from its records.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from io import StringIO
from typing import Any

import hypothesis.strategies as st
import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.db.models import QuerySet
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, seed, settings
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)

from catalog.models import Section
from grading.bench import readings
from grading.listings import publishing
from grading.management.commands.check_states import disagreements
from grading.models import Grade, MatchedSet, Member, Reading
from grading.orders import candidates, fulfilment
from grading.sets import making
from grading.verdicts import judging
from stockroom.models import Allocation, Customer, Entry, Line, ListedValve, Listing, Lot, Order, Return, Valve
from stockroom.receiving import booking
from stockroom.site.people import Role
from stockroom.states import LADDER, Facts, State, lot_state, valve_state
from tests import factories

# The pure functions

facts = st.builds(Facts, *[st.booleans()] * len(Facts._fields))


def test_a_valve_climbs_the_ladder_rung_by_rung() -> None:
    names = ("tested", "graded", "matched", "listed")
    rungs = [Facts(**dict.fromkeys(names[:height], True)) for height in range(5)]
    assert tuple(valve_state(rung) for rung in rungs) == LADDER


@given(facts)
def test_a_valve_out_of_the_house_is_on_no_rung(some: Facts) -> None:
    assert (valve_state(some) in LADDER) == (not some.despatched and not some.written_off)


@given(facts)
def test_one_fact_more_never_takes_a_valve_down_the_ladder(some: Facts) -> None:
    for name in ("tested", "graded", "matched", "listed"):
        before, after = valve_state(some), valve_state(some._replace(**{name: True}))
        assert before == after or LADDER.index(before) < LADDER.index(after)


counts = st.dictionaries(st.sampled_from(list(State)), st.integers(0, 5))


@given(counts, st.integers(0, 5))
def test_a_lot_is_as_far_as_its_least_advanced_piece_in_the_house(some: dict[State, int], in_bulk: int) -> None:
    in_house = [state for state, count in some.items() for _ in range(count) if state in LADDER]
    in_house += [State.RECEIVED] * in_bulk
    found = lot_state(some, in_bulk)
    if in_house:
        assert found in in_house
        assert all(LADDER.index(found) <= LADDER.index(state) for state in in_house)
    else:
        assert found == (State.LISTED if sum(some.values()) else State.RECEIVED)


# The states again, from the rows


class ByHand:
    """Every row there is, read once; the states are found by going through them."""

    def __init__(self) -> None:
        self.allocations = list(Allocation.objects.select_related("order_line__order"))
        self.listed = list(ListedValve.objects.select_related("listing"))
        self.members = list(Member.objects.select_related("set"))
        self.grades = list(Grade.objects.all())
        self.returns = list(Return.objects.all())
        self.readings = list(Reading.objects.all())
        self.corrected = {reading.supersedes_id for reading in self.readings}
        self.valves = list(Valve.objects.all())
        self.lines = list(Line.objects.all())
        self.sections = list(Section.objects.exclude(test_points=None).values_list("type", "number"))

    def valve(self, valve: Valve) -> str:
        if valve.written_off:
            return "written off"
        if any(row.valve_id == valve.pk and row.live and row.despatch_id is not None for row in self.allocations):
            return "despatched"
        if any(row.valve_id == valve.pk and row.live and row.listing.ended_at is None for row in self.listed):
            return "listed"
        if any(row.valve_id == valve.pk and row.live and row.set.broken_at is None for row in self.members):
            return "matched"
        if any(row.valve_id == valve.pk and row.current for row in self.grades):
            return "graded"
        wanted = {number for type_id, number in self.sections if type_id == valve.type_id}
        return "tested" if wanted and wanted <= self.read(valve) else "received"

    def read(self, valve: Valve) -> set[int]:
        back = max((row.at for row in self.returns if row.valve_id == valve.pk), default=None)
        return {
            row.section
            for row in self.readings
            if row.valve_id == valve.pk
            and row.pk not in self.corrected
            and says_something(row)
            and (back is None or row.taken_at > back)
        }

    def lot(self, lot: Lot) -> str:
        pieces: list[str] = []
        for line in self.lines:
            if line.lot_id == lot.pk:
                valves = [self.valve(valve) for valve in self.valves if valve.line_id == line.pk]
                in_bulk = (line.expected if line.counted is None else line.counted) - len(valves)
                pieces += valves + ["received"] * in_bulk
        for state in ("received", "tested", "graded", "matched", "listed"):
            if state in pieces:
                return state
        return "listed" if pieces else "received"


def says_something(reading: Reading) -> bool:
    """A correction that reads nothing takes the reading back."""
    values = (
        reading.anode_current_ma,
        reading.gm_ma_per_v,
        reading.emission_scale,
        reading.heater_cathode_leakage_ua,
        reading.grid_current_ua,
    )
    return (
        reading.supersedes_id is None
        or reading.shorted
        or bool(reading.noise)
        or any(value is not None for value in values)
    )


REFUSALS = (
    booking.ReceivingError,
    readings.BenchError,
    making.CannotMatch,
    publishing.CannotList,
    fulfilment.CannotPull,
)


def taken(valve: Valve, strength: float) -> dict[int, readings.EnteredReading]:
    """Every section read, at so much of its nominals."""
    found = {}
    for section in valve.type.test_sections:
        point = section.test_point
        assert point is not None and point.gm_ma_per_v is not None
        found[section.number] = readings.EnteredReading(
            point, anode_current_ma=strength * point.anode_current_ma, gm_ma_per_v=strength * point.gm_ma_per_v
        )
    return found


def one_of(rows: QuerySet[Any], which: int) -> Any:
    """The row that `which` points at, counted round and round; None when there are none."""
    found = list(rows.order_by("pk"))
    return found[which % len(found)] if found else None


class Shop:
    """Where every run begins: three graded valves of each of two types, one more in bulk, and two open orders."""

    def __init__(self) -> None:
        self.by = factories.make_user("bo", *Role)
        self.shift = factories.make_shift(self.by)
        self.policy = factories.make_policy()
        self.types = [factories.make_type("12AX7"), factories.make_type("EL84", kind="power pentode", sections=1)]
        self.customer = Customer.objects.create(name="Ada Quill")
        self.lines = [factories.make_line(self.types[0], 3), factories.make_line(self.types[1], 4)]
        self.graded: list[int] = []
        for line in self.lines:
            for valve in booking.allot_serials(line, 3, self.by):
                readings.record_readings(self.shift, valve, taken(valve, 1.0), self.by)
                self.graded.append(valve.pk)
        self.orders = [self.order(0, 1, 2), self.order(1, 2, 1)]

    def order(self, which: int, size: int, quantity: int) -> int:
        order = Order.objects.create(number=f"R{Order.objects.count() + 1:04d}", customer=self.customer)
        order.lines.create(type=self.types[which], set_size=size, quantity=quantity, best_grades=3)
        return order.pk


class AtWork(RuleBasedStateMachine):
    """People at work in any order. What the shop refuses must leave everything as it was."""

    shop: Shop

    lines = Bundle("lines")
    valves = Bundle("valves")
    orders = Bundle("orders")

    def __init__(self) -> None:
        super().__init__()
        self.block = transaction.atomic()
        self.block.__enter__()
        self.done: Counter[str] = Counter()

    @initialize(target=valves)
    def with_graded_stock(self) -> Any:
        """So that the rest of a valve's life comes within reach."""
        return multiple(*self.shop.graded)

    @initialize(target=lines)
    def with_lines(self) -> Any:
        return multiple(*self.shop.lines)

    @initialize(target=orders)
    def with_orders(self) -> Any:
        return multiple(*self.shop.orders)

    def teardown(self) -> None:
        assert list(disagreements()) == []
        for what, times in self.done.items():
            SEEN[what] += times
        transaction.set_rollback(True)
        self.block.__exit__(None, None, None)

    def attempt(self, what: Callable[..., Any], *arguments: Any) -> Any:
        """Do it; a refusal is an answer too, and must change nothing."""
        before = self._rows()
        try:
            answer = what(*arguments)
        except REFUSALS:
            assert self._rows() == before, f"{what.__name__} was refused and yet changed something"
            self.done[f"{what.__name__} refused"] += 1
            return None
        self.done[what.__name__] += 1
        return answer

    def _rows(self) -> list[Any]:
        return [
            sorted(Valve.objects.values_list("serial", "state")),
            sorted(Lot.objects.values_list("number", "state")),
            sorted(Order.objects.values_list("number", "state")),
            *(model.objects.count() for model in (Entry, Reading, MatchedSet, Listing)),
            *(model.objects.filter(live=True).count() for model in (Member, Allocation, ListedValve)),
        ]

    # Receiving

    @rule(target=lines, which=st.integers(0, 1), expected=st.integers(1, 4), counted=st.none() | st.integers(1, 4))
    def receive(self, which: int, expected: int, counted: int | None) -> Line:
        lot = booking.book_in(Lot(supplier=factories.make_supplier()), [], self.shop.by)
        line = Line(type=self.shop.types[which], condition=Line.Condition.BOXED, expected=expected, counted=counted)
        self.done["book_in"] += 1
        return booking.add_lines(lot, [line], self.shop.by)[0]

    @rule(target=lines, beside=lines, expected=st.integers(1, 3))
    def receive_one_line_more(self, beside: Line, expected: int) -> Line:
        line = Line(type=beside.type, condition=Line.Condition.USED, expected=expected)
        return booking.add_lines(beside.lot, [line], self.shop.by)[0]

    @rule(line=lines, counted=st.none() | st.integers(0, 6))
    def count(self, line: Line, counted: int | None) -> None:
        self.attempt(booking.count_lines, line.lot, {line.pk: counted}, self.shop.by)

    @rule(target=valves, line=lines, how_many=st.none() | st.integers(1, 3))
    def give_serials(self, line: Line, how_many: int | None) -> Any:
        given = self.attempt(booking.allot_serials, line, how_many, self.shop.by)
        return multiple(*[valve.pk for valve in given or []])

    # The bench

    @rule(key=valves, strength=st.sampled_from([1.0, 1.02, 0.8, 0.3]))
    def test_it(self, key: int, strength: float) -> None:
        valve = Valve.objects.get(pk=key)
        self.attempt(readings.record_readings, self.shop.shift, valve, taken(valve, strength), self.shop.by)

    @rule(key=valves, strength=st.sampled_from([1.01, 0.5]))
    def correct_its_last_reading(self, key: int, strength: float) -> None:
        reading = Reading.objects.filter(valve=key).order_by("pk").last()
        if reading:
            right = taken(reading.valve, strength)[reading.section]
            self.attempt(readings.correct, reading, right, "a slip", self.shop.by)

    @rule(key=valves)
    def withdraw_its_first_reading(self, key: int) -> None:
        reading = Reading.objects.filter(valve=key).order_by("pk").first()
        if reading:
            self.attempt(readings.withdraw, reading, "another valve was in the socket", self.shop.by)

    @rule()
    def grade_all_again(self) -> None:
        self.attempt(judging.grade, list(Valve.objects.all()), self.shop.policy, self.shop.by)

    # Sets and listings

    @rule(keys=st.lists(valves, min_size=2, max_size=3), within=st.sampled_from([5.0, 100.0]))
    def put_in_a_set(self, keys: list[int], within: float) -> None:
        self.attempt(making.make_set, [Valve.objects.get(pk=key) for key in keys], within, self.shop.by)

    @rule(which=st.integers(0, 1), within=st.sampled_from([3.0, 50.0]))
    def make_a_proposed_set(self, which: int, within: float) -> None:
        for proposal in making.propose(self.shop.types[which], 2, within, 3, time_limit_s=1)[:1]:
            self.attempt(making.make_set, proposal.valves, within, self.shop.by)

    @rule(which=st.integers(0, 3), live=st.booleans())
    def break_a_set(self, which: int, live: bool) -> None:
        made = MatchedSet.objects.live() if live else MatchedSet.objects.all()
        if matched := one_of(made, which):
            self.attempt(making.break_set, matched, "wanted apart", self.shop.by)

    @rule(key=valves, whole=st.booleans())
    def list_it(self, key: int, whole: bool) -> None:
        valves = [Valve.objects.get(pk=key)]
        member = Member.objects.filter(valve=key, live=True).first()
        if whole and member:
            valves = [other.valve for other in member.set.members.all()]
        self.attempt(publishing.publish, valves, "A title", "", Decimal(20), "GBP", self.shop.by)

    @rule(which=st.integers(0, 3))
    def end_a_listing(self, which: int) -> None:
        if made := one_of(Listing.objects.all(), which):
            self.attempt(publishing.end, made, self.shop.by)

    # Orders

    @rule(target=orders, which=st.integers(0, 1), size=st.integers(1, 2), quantity=st.integers(1, 2))
    def take_an_order(self, which: int, size: int, quantity: int) -> int:
        return self.shop.order(which, size, quantity)

    @rule(key=orders)
    def fill(self, key: int) -> None:
        line = Order.objects.get(pk=key).lines.get()
        for _ in range(fulfilment.missing(line)):
            for option in candidates.options(line, limit=1):
                self.attempt(fulfilment.accept, line, option.valves, self.shop.by)

    @rule(key=orders, chosen=st.lists(valves, min_size=1, max_size=2))
    def fill_it_by_hand(self, key: int, chosen: list[int]) -> None:
        valves = [Valve.objects.get(pk=valve) for valve in chosen]
        self.attempt(fulfilment.accept, Order.objects.get(pk=key).lines.get(), valves, self.shop.by)

    @rule(key=orders, item=st.integers(1, 2))
    def release(self, key: int, item: int) -> None:
        self.attempt(fulfilment.release, Order.objects.get(pk=key).lines.get(), item, self.shop.by)

    @rule(key=orders)
    def cancel(self, key: int) -> None:
        self.attempt(fulfilment.cancel, Order.objects.get(pk=key), self.shop.by)

    @rule(key=orders, all_of_it=st.booleans())
    def pull(self, key: int, all_of_it: bool) -> None:
        allocations = Allocation.objects.filter(order_line__order=key, live=True, pulled_at=None)
        for allocation in list(allocations)[: None if all_of_it else 1]:
            self.attempt(fulfilment.pull, Order.objects.get(pk=key), allocation.valve, self.shop.by)

    @rule(key=orders)
    def send(self, key: int) -> None:
        self.attempt(fulfilment.despatch, Order.objects.get(pk=key), "", "", self.shop.by)

    @rule(key=orders, and_back=st.booleans())
    def fill_pull_and_send(self, key: int, and_back: bool) -> None:
        self.fill(key)
        self.pull(key, all_of_it=True)
        self.send(key)
        if and_back:
            self.take_back_what_was_sent(-1)

    @rule(key=orders, valve=valves)
    def take_back_any(self, key: int, valve: int) -> None:
        self.attempt(fulfilment.take_back, Order.objects.get(pk=key), Valve.objects.get(pk=valve), "hums", self.shop.by)

    @rule(which=st.integers(0, 2))
    def take_back_what_was_sent(self, which: int) -> None:
        if allocation := one_of(Allocation.objects.filter(order_line__order__state="despatched"), which):
            self.attempt(fulfilment.take_back, allocation.order_line.order, allocation.valve, "hums", self.shop.by)

    # What must hold whatever was done

    @invariant()
    def stored_states_are_what_the_records_say(self) -> None:
        by_hand = ByHand()
        for valve in by_hand.valves:
            assert valve.state == by_hand.valve(valve), valve
        for lot in Lot.objects.all():
            assert lot.state == by_hand.lot(lot), lot

    @invariant()
    def no_valve_is_promised_twice(self) -> None:
        for model in (Member, Allocation, ListedValve):
            live = list(model.objects.filter(live=True).values_list("valve", flat=True))
            assert len(live) == len(set(live)), model

    @invariant()
    def what_is_over_holds_no_valve(self) -> None:
        assert not Member.objects.filter(live=True).exclude(set__broken_at=None).exists()
        assert not Member.objects.filter(live=False, set__broken_at=None).exists()
        assert not ListedValve.objects.filter(live=True).exclude(listing__ended_at=None).exists()
        assert not Allocation.objects.filter(live=True, order_line__order__state="cancelled").exists()

    @invariant()
    def what_has_gone_is_not_listed(self) -> None:
        assert not ListedValve.objects.filter(live=True, valve__state=State.DESPATCHED).exists()

    @invariant()
    def a_standing_grade_rests_on_standing_readings(self) -> None:
        current = Reading.objects.current().values("pk")
        resting = Grade.readings.through.objects.filter(grade__current=True)
        assert not resting.exclude(reading__in=current).exists()

    @invariant()
    def positions_in_a_line_are_its_pieces(self) -> None:
        for line in Line.objects.all():
            positions = sorted(line.valves.values_list("position", flat=True))
            assert positions == list(range(len(positions)))
            assert len(positions) <= line.pieces


SEED = 2
SEEN: Counter[str] = Counter()  # what was done in all runs of the machine together


def test_stored_states_follow_from_the_records_whatever_people_do(db: None) -> None:
    SEEN.clear()
    AtWork.shop = Shop()
    seed(SEED)(AtWork)  # the same walks each time, of which one goes all the way
    run_state_machine_as_test(
        AtWork,
        settings=settings(
            max_examples=12,
            stateful_step_count=30,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
    assert SEEN["make_set"] and SEEN["publish"] and SEEN["despatch"] and SEEN["take_back"]  # the far end was reached


@pytest.fixture
def shop(db: None) -> Shop:
    return Shop()


def test_the_states_of_a_pair_through_its_whole_life(shop: Shop) -> None:
    by = shop.by
    lot = booking.book_in(Lot(supplier=factories.make_supplier()), [], by)
    line = booking.add_lines(lot, [Line(type=shop.types[0], condition=Line.Condition.BOXED, expected=3)], by)[0]
    booking.count_lines(lot, {line.pk: 2}, by)
    pair = booking.allot_serials(line, None, by)

    def states() -> tuple[str, str]:
        """Of the pair, which are alike all the way, and of the lot."""
        first, second = Valve.objects.filter(line=line).order_by("position")
        assert first.state == second.state
        call_command("check_states", stdout=StringIO())
        return first.state, Lot.objects.get(pk=lot.pk).state

    assert states() == ("received", "received")
    for valve in pair:
        factories.read(valve, 1.2, 1.6)  # nobody has judged yet
    assert states() == ("tested", "tested")
    judging.grade(pair, shop.policy, by)
    assert states() == ("graded", "graded")
    matched = making.make_set(pair, 5, by)
    assert states() == ("matched", "matched")
    making.break_set(matched, "wanted apart", by)
    assert states() == ("graded", "graded")
    matched = making.make_set(pair, 5, by)
    listed = publishing.publish(list(Valve.objects.filter(line=line)), "A pair", "", Decimal(40), "GBP", by)
    assert states() == ("listed", "listed")
    publishing.end(listed, by)
    assert states() == ("matched", "matched")
    publishing.publish(list(Valve.objects.filter(line=line)), "A pair", "", Decimal(38), "GBP", by)
    order_line = Order.objects.get(pk=shop.order(0, 2, 1)).lines.get()
    fulfilment.accept(order_line, pair, by)
    fulfilment.release(order_line, 1, by)
    fulfilment.accept(order_line, pair, by)
    for valve in pair:
        fulfilment.pull(order_line.order, valve, by)
    assert states() == ("listed", "listed")
    fulfilment.despatch(order_line.order, "", "", by)
    assert states() == ("despatched", "listed")  # the lot has been through all of it
    order = Order.objects.get(pk=order_line.order_id)
    for valve in pair:
        fulfilment.take_back(order, valve, "changed their mind", by)
    assert states() == ("received", "received")
    readings.record_readings(shop.shift, pair[0], taken(pair[0], 1.0), by)
    readings.record_readings(shop.shift, pair[1], taken(pair[1], 1.0), by)
    assert states() == ("graded", "graded")


# The command


def said_by_check(*arguments: str) -> str:
    out = StringIO()
    try:
        call_command("check_states", *arguments, stdout=out)
    except CommandError as problem:
        out.write(f"failed: {problem}")
    return out.getvalue()


def test_it_says_how_many_agree(shop: Shop) -> None:
    assert "6 valves and 2 lots agree" in said_by_check()


def test_a_wrong_valve_and_a_wrong_lot_are_named_and_the_command_fails(shop: Shop) -> None:
    valve, lot = Valve.objects.order_by("serial")[0], Lot.objects.order_by("number")[1]
    Valve.objects.filter(pk=valve.pk).update(state=State.LISTED)
    Lot.objects.filter(pk=lot.pk).update(state=State.MATCHED)
    said = said_by_check()
    assert f"valve {valve} is stored as listed; its records say graded." in said
    assert f"lot {lot} is stored as matched; its records say received." in said
    assert "failed: 2 stored states disagree" in said
    assert Valve.objects.get(pk=valve.pk).state == State.LISTED  # it looked and touched nothing


def test_a_lot_is_judged_by_the_true_states_of_its_valves(shop: Shop) -> None:
    line = factories.make_line(shop.types[0], 2)
    booking.allot_serials(line, None, shop.by)
    Valve.objects.filter(line=line).update(state=State.GRADED)
    Lot.objects.filter(pk=line.lot_id).update(state=State.GRADED)
    said = said_by_check()
    assert f"lot {line.lot} is stored as graded; its records say received." in said


def test_repair_stores_the_true_states_and_writes_the_daybook(shop: Shop) -> None:
    valve, lot = Valve.objects.order_by("serial")[0], Lot.objects.order_by("number")[1]
    Valve.objects.filter(pk=valve.pk).update(state=State.LISTED)
    Lot.objects.filter(pk=lot.pk).update(state=State.MATCHED)
    assert "2 repaired." in said_by_check("--repair")
    assert Valve.objects.get(pk=valve.pk).state == State.GRADED
    assert Lot.objects.get(pk=lot.pk).state == State.RECEIVED
    entries = Entry.objects.filter(action="state-repaired")
    assert {(entry.valve, entry.lot) for entry in entries} == {(valve, valve.line.lot), (None, lot)}
    assert "agree" in said_by_check()


def test_a_repair_of_what_agrees_changes_nothing(shop: Shop) -> None:
    before = Entry.objects.count()
    assert "agree" in said_by_check("--repair")
    assert Entry.objects.count() == before


def test_the_check_asks_no_more_of_the_database_for_more_valves(shop: Shop, django_assert_max_num_queries) -> None:
    with CaptureQueriesContext(connection) as few:
        said_by_check()
    booking.allot_serials(factories.make_line(shop.types[0], 80), None, shop.by)
    with django_assert_max_num_queries(len(few)):
        said_by_check()
