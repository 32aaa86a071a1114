"""Sealed stock: the packs, the plan, the draw, the bench's results, the decision, and what is sold unopened."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from html import unescape
from itertools import combinations
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import given, settings
from hypothesis import strategies as st

from grading.bench import readings
from grading.listings import publishing
from grading.sealed import deciding, listing, results
from grading.sealed.results import PieceVerdict
from stockroom.models import (
    Allocation,
    Charge,
    Customer,
    Entry,
    Line,
    Listing,
    Lot,
    Order,
    Pack,
    Packing,
    Return,
    SamplingPlan,
    SealedDecision,
    SupplyNote,
    Valve,
)
from stockroom.places import write_offs
from stockroom.receiving import booking
from stockroom.sealed import plans as sealed
from stockroom.sealed.plans import Exact, Iso, Terms
from stockroom.sealed.pure import sampling, switching
from stockroom.sealed.pure.sampling import InspectionLevel, LotOutcome, Severity
from stockroom.site.people import Role
from stockroom.states import State
from stockroom.tally import tally_lines
from tests.factories import graded, graded_all, make_line, make_lot, make_policy, make_supplier, make_type, make_user
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db

Action = SealedDecision.Action
SEALED = Line.Condition.SEALED


@pytest.fixture
def by() -> User:
    return make_user("rosa", Role.RECEIVING)


def sealed_line(count: int = 50, *, seal: str = "pack", carton_size: int = 10, **fields: Any) -> Line:
    line = make_line(make_type(), count, condition=SEALED, **fields)
    sealed.describe(line, Packing(seal=seal, carton_size=carton_size, contract_marks="K-1951", pack_date="3/53"), None)
    sealed.label_packs(line, None)
    return line


def an_iso_plan(
    line: Line, aql: str = "4.0", terms: Terms | None = None, by: User | None = None, **wish: Any
) -> SamplingPlan:
    return sealed.make_plan(line, Iso(InspectionLevel.II, Decimal(aql), **wish), terms or Terms(), by, seed="a seed")


def sample(plan: SamplingPlan, bad: int = 0, by: User | None = None) -> list[Valve]:
    """Open what is drawn and grade it; `bad` of them are too weak to be sold."""
    packs = sealed.open_packs(plan, plan.drawn.count() - plan.packs.count(), by)
    valves = list(Valve.objects.filter(pk__in=[pack.valve_id for pack in packs]).order_by("serial"))
    graded_all([(valve, 1.2, 0.2 if index < bad else 1.6) for index, valve in enumerate(valves)])
    return valves


# The packs


def test_packs_are_described_with_marks_and_date(by: User) -> None:
    line = sealed_line(50)
    assert str(line.packing) == "single sealed packs in cartons of 10"
    assert "marked K-1951, 3/53" in Entry.objects.get(action="packs-described").text
    sealed.describe(line, Packing(seal="carton", carton_size=5), by)
    line = Line.objects.get()
    assert str(line.packing) == "sealed cartons of 5"
    assert "pieces in a carton 10 → 5" in Entry.objects.get(action="packs-changed").text


def test_a_line_that_is_not_sealed_has_no_packs() -> None:
    line = make_line(make_type(), 50, condition=Line.Condition.BOXED)
    with pytest.raises(sealed.NotSealed, match="has no sealed packs"):
        sealed.describe(line, Packing(), None)
    with pytest.raises(sealed.NotSealed, match="how it is packed"):
        an_iso_plan(make_line(make_type(), 50, condition=SEALED))


def test_the_packs_of_a_drawn_lot_do_not_change_but_their_marks_may(by: User) -> None:
    line = sealed_line()
    an_iso_plan(line)
    with pytest.raises(sealed.AlreadyOpened):
        sealed.describe(line, Packing(seal="pack", carton_size=25), by)
    sealed.describe(line, Packing(seal="pack", carton_size=10, contract_marks="K-1952"), by)
    assert Line.objects.get().packing.contract_marks == "K-1952"


# The plan


def test_a_plan_from_the_tables_records_its_cell_its_seed_and_the_draw() -> None:
    line = sealed_line(50)
    plan = an_iso_plan(line)
    # The tables themselves are checked in tests/outside/test_iso2859.py.
    wanted = sampling.single_plan(50, InspectionLevel.II, Decimal("4.0"))
    assert plan.plan == wanted
    assert [d.number for d in plan.drawn.order_by("order")] == sampling.draw(50, wanted.sample_size, "a seed")
    first = plan.drawn.order_by("order")[0]
    assert first.where == sampling.carton_and_place(first.number, 10)
    assert plan.severity == plan.severity_proposed == "normal"
    assert "drawn from the seed a seed" in Entry.objects.get(action="sampling-planned").text


def test_an_exact_plan_keeps_both_risks() -> None:
    wish = Exact(Decimal(2), Decimal(15), Decimal(5), Decimal(10))
    plan = sealed.make_plan(sealed_line(200, carton_size=20), wish, Terms(), None)
    assert sampling.acceptance_probability(plan.plan, 4) >= Decimal("0.95")
    assert sampling.acceptance_probability(plan.plan, 30) <= Decimal("0.10")
    assert plan.method == "exact" and plan.aql is None and plan.severity == ""


def test_each_plan_gets_a_seed_of_its_own() -> None:
    wish = Exact(Decimal(2), Decimal(15), Decimal(5), Decimal(10))
    plans = [sealed.make_plan(sealed_line(100), wish, Terms(), None) for _ in range(2)]
    assert plans[0].seed != plans[1].seed and len(plans[0].seed) == 16


def test_the_lot_is_what_is_still_in_bulk() -> None:
    line = sealed_line(50)
    booking.allot_serials(line, 3, None)
    sealed.label_packs(line, None)
    plan = an_iso_plan(line)
    assert (plan.lot_size, plan.first_position) == (47, 3)


def test_a_plan_is_replaced_with_a_reason_until_a_pack_is_opened(by: User) -> None:
    line = sealed_line(50)
    first, olive = an_iso_plan(line), make_user("olive", Role.OWNER)
    with pytest.raises(sealed.SealedError, match="Say why it is replaced"):
        an_iso_plan(line, by=olive)
    with pytest.raises(sealed.OwnersDraw, match="only the owner"):
        an_iso_plan(line, terms=Terms(replaced_because="I do not like these"), by=by)
    second = an_iso_plan(line, terms=Terms(replaced_because="the count was corrected"), by=olive)
    assert sealed.current_plan(line) == second and second.replaces == first
    with pytest.raises(sealed.AlreadyDecided, match="replaced by another"):
        sealed.open_packs(first, 1, by)
    sealed.open_packs(second, 1, by)
    with pytest.raises(sealed.AlreadyOpened):
        an_iso_plan(line, terms=Terms(replaced_because="the first pack was bad"))


def test_another_severity_than_proposed_needs_a_reason() -> None:
    line = sealed_line(50)
    with pytest.raises(sampling.SamplingError, match="Say why another severity"):
        an_iso_plan(line, severity=Severity.TIGHTENED)
    plan = an_iso_plan(line, severity=Severity.TIGHTENED, override_reason="cartons are wet")
    assert (plan.severity, plan.severity_proposed, plan.override_reason) == ("tightened", "normal", "cartons are wet")


def test_the_database_refuses_to_change_or_delete_what_was_drawn() -> None:
    plan = an_iso_plan(sealed_line())
    sealed.open_packs(plan, 1, None)
    tables = ["stockroom_samplingplan", "stockroom_drawnpack", "stockroom_pack"]
    for table, change in zip(tables, ["seed = 'x'", "number = 1", "opened = opened"], strict=True):
        for statement in (f"UPDATE {table} SET {change}", f"DELETE FROM {table}"):
            refused = pytest.raises(DatabaseError, match="never edited or deleted")
            with refused, transaction.atomic(), connection.cursor() as cursor:
                cursor.execute(statement)


def test_the_database_refuses_a_second_first_plan_for_a_line() -> None:
    plan = an_iso_plan(sealed_line())
    plan.pk, plan.seed = None, "another"
    with pytest.raises(DatabaseError), transaction.atomic():
        plan.save()


@settings(max_examples=30, deadline=None)
@given(lot=st.integers(2, 400), size=st.integers(1, 40), data=st.data())
def test_a_plan_never_keeps_more_sealed_than_it_leaves_unopened(lot: int, size: int, data: st.DataObject) -> None:
    n = data.draw(st.integers(1, lot))
    plan = sampling.AttributesPlan(lot, n, 0, "")
    before = sealed.opening(plan, "carton", size)
    after = sealed.opening(plan, "carton", size, sampling.draw(lot, n, "seed"))
    cartons = -(-lot // size)
    assert 1 <= after.cartons_opened <= min(n, cartons)
    assert round(before.cartons_opened, 9) >= 1 and before.cartons_opened <= min(n, cartons) + 1e-9
    assert after.still_sealed <= lot - n and before.still_sealed <= lot - n + 1e-9
    if n == lot:
        assert before.cartons_opened == after.cartons_opened == cartons and before.still_sealed == 0
    single = sealed.opening(plan, "pack", size)
    assert single.still_sealed == lot - n


def test_the_expected_cartons_agree_with_counting_every_draw() -> None:
    lot, size, n = 7, 3, 2  # cartons of 3, 3 and 1
    every = list(combinations(range(1, lot + 1), n))
    mean = sum(len({sampling.carton_and_place(k, size)[0] for k in draw}) for draw in every) / len(every)
    assert sealed.opening(sampling.AttributesPlan(lot, n, 0, ""), "carton", size).cartons_opened == pytest.approx(mean)


# The bench


def test_opened_packs_get_serials_by_carton_and_go_to_the_ordinary_bench(by: User) -> None:
    plan = an_iso_plan(sealed_line(50))
    packs = sealed.open_packs(plan, 2, by)
    numbers = sorted(plan.drawn.values_list("number", flat=True))
    assert [pack.number for pack in packs] == numbers[:2]
    assert all(pack.opened and pack.valve.state == State.RECEIVED for pack in packs)
    carton, place = packs[0].where
    entry = Entry.objects.filter(action="pack-opened", valve=packs[0].valve).get()
    assert f"carton {carton}, place {place}" in entry.text
    with pytest.raises(sealed.SealedError, match="still shut"):
        sealed.open_packs(plan, plan.sample_size, by)


def test_results_come_in_live_and_a_good_sample_accepts() -> None:
    plan = an_iso_plan(sealed_line(50))
    before = results.results(plan)
    assert before.decision.outcome == LotOutcome.GO_ON and before.shut == plan.sample_size
    packs = sealed.open_packs(plan, plan.sample_size, None)
    assert results.results(plan).waiting == plan.sample_size
    graded(packs[0].valve)
    one = results.results(plan)
    assert (one.tested, one.failed, one.decision.outcome) == (1, 0, LotOutcome.GO_ON)
    graded_all([(pack.valve, 1.2, 1.6) for pack in packs[1:]])
    done = results.results(plan)
    assert done.decision.outcome == LotOutcome.ACCEPT and done.by_grade == [("Excellent", plan.sample_size)]
    assert done.unopened == sampling.unopened(50, plan.sample_size, 0).as_found(0, 0, 50)


def test_a_bad_sample_goes_back_while_it_can_and_is_tested_whole_after() -> None:
    today = timezone.localdate()
    soon = an_iso_plan(sealed_line(50), terms=Terms(returnable_until=today))
    sample(soon, bad=soon.rejection_number)
    assert results.results(soon).decision.outcome == LotOutcome.RETURN
    late = an_iso_plan(sealed_line(50), terms=Terms(returnable_until=today - timedelta(days=1)))
    sample(late, bad=late.rejection_number)
    assert results.results(late).decision.outcome == LotOutcome.TEST_ALL


def test_a_pack_found_broken_or_empty_fails_and_one_that_came_back_keeps_what_it_was(by: User) -> None:
    plan = an_iso_plan(sealed_line(50))
    broken, sold, *_ = sample(plan)
    # written off after it was graded: its grade still speaks for how it came
    write_offs.write_off(broken, "dropped here", by)
    assert results.results(plan).failed == 0
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    sold.grades.update(current=False)
    assert results.results(plan).waiting == 1
    Return.objects.create(valve=sold, order=order, reason="hums")
    assert results.results(plan).waiting == 0

    other = an_iso_plan(sealed_line(50))
    empty = sealed.open_packs(other, 1, by)[0].valve
    write_offs.write_off(empty, "the pack was empty", by)
    found = results.results(other)
    assert found.failed == 1 and "the pack was empty" in next(d.why for d in found.drawn if d.valve)


def test_a_named_worst_grade_is_the_rule_where_it_is_given() -> None:
    names = make_policy().parsed.names
    plan = an_iso_plan(sealed_line(50), terms=Terms(worst_grade=names[0]))
    valves = sample(plan)
    assert results.results(plan).failed == 0
    weaker = graded(valves[0], gm=1.2)
    assert weaker.saleable and weaker.name != names[0]
    assert results.results(plan).failed == 1
    assert results.verdict(plan, valves[0], weaker)[0] == PieceVerdict.FAILED


def test_a_grade_that_the_rule_cannot_be_compared_with_waits() -> None:
    make_policy()
    plan = an_iso_plan(sealed_line(50), terms=Terms(worst_grade="Grade of another shop"))
    sample(plan)
    assert results.results(plan).waiting == plan.sample_size


def test_the_results_take_as_many_questions_for_few_as_for_many(django_assert_max_num_queries: Any) -> None:
    small, large = an_iso_plan(sealed_line(20)), an_iso_plan(sealed_line(500))
    sample(small)
    sample(large)
    assert large.sample_size > small.sample_size
    for plan in (small, large):
        with django_assert_max_num_queries(9):
            results.results(plan)


# The decision


def decide(plan: SamplingPlan, action: SealedDecision.Action, note: str = "", by: User | None = None) -> SealedDecision:
    return deciding.decide(plan, action, note, by).decision


def test_accepting_records_the_result_and_the_statement_on_the_rest(by: User) -> None:
    plan = an_iso_plan(sealed_line(50))
    sample(plan)
    row = decide(plan, Action.ACCEPT, by=by)
    assert (row.tested, row.failed, row.proposed) == (plan.sample_size, 0, "accept")
    assert row.statement.startswith("Sealed and sample-tested, not tested:")
    assert "95\N{NO-BREAK SPACE}% confidence" in row.statement
    assert "accept: sell the rest sealed" in Entry.objects.get(action="sealed-decided").text
    with pytest.raises(sealed.AlreadyDecided):
        decide(plan, Action.ACCEPT)


def test_a_lot_is_not_accepted_before_its_sample_is_whole_nor_against_it() -> None:
    plan = an_iso_plan(sealed_line(50))
    with pytest.raises(sealed.AlreadyDecided, match="does not accept"):
        decide(plan, Action.ACCEPT, "in a hurry")
    sample(plan, bad=plan.rejection_number)
    with pytest.raises(sealed.AlreadyDecided, match="does not accept"):
        decide(plan, Action.ACCEPT, "they look fine")


def test_what_the_plan_does_not_propose_needs_a_reason() -> None:
    plan = an_iso_plan(sealed_line(50))
    sample(plan)
    with pytest.raises(sealed.SealedError, match="Say why"):
        decide(plan, Action.TEST_ALL)
    row = decide(plan, Action.TEST_ALL, "a customer wants all of them matched")
    assert row.proposed == "accept"


def test_testing_every_piece_counts_the_others_beside_the_sample() -> None:
    line = sealed_line(50)
    plan = an_iso_plan(line)
    sample(plan, bad=plan.rejection_number)
    decide(plan, Action.TEST_ALL)
    others = booking.allot_serials(line, 4, None)
    graded(others[0])
    graded(others[1], gm=0.2)
    found = results.results(plan)
    assert found.rest == results.Rest(2, 1, 2, 50 - plan.sample_size - 4)
    assert found.tested == plan.sample_size


def test_a_return_takes_the_bulk_out_of_the_house_and_shares_the_cost_anew(by: User) -> None:
    lot = booking.book_in(
        Lot(supplier=make_lot().supplier),
        [Charge(kind="goods", amount=Decimal("100.00"), currency="GBP", rate=Decimal(1))],
        None,
    )
    lines = [Line(type=make_type(), condition=claimed, expected=50, counted=50) for claimed in ("used", SEALED)]
    kept, gone = booking.add_lines(lot, lines, by)
    sealed.describe(gone, Packing(carton_size=10), by)
    sealed.label_packs(gone, by)
    plan = an_iso_plan(gone, terms=Terms(returnable_until=timezone.localdate()))
    sample(plan, bad=plan.rejection_number)
    deciding.decide(plan, Action.RETURN, "", by, keep_opened=True)
    gone.refresh_from_db()
    kept.refresh_from_db()
    assert gone.sent_back == 50 - plan.sample_size and gone.pieces == plan.sample_size
    assert gone.discrepancy == 0 and tally_lines([gone.pk])[gone.pk].in_bulk == 0
    assert kept.cost + gone.cost == Decimal("100.00")
    assert gone.cost_of(0, "GBP") > 1
    assert Entry.objects.filter(lot=lot, action="cost-shared").count() == 2
    with pytest.raises(sealed.AlreadyDecided, match="sent back"):
        decide(plan, Action.TEST_ALL, "no")
    with pytest.raises(booking.FewerThanSerials, match="have left the line"):
        booking.count_lines(lot, {gone.pk: 20}, by)


def test_the_bench_is_not_offered_a_sealed_line_whose_packs_are_drawn() -> None:
    line = sealed_line(50)
    assert line in readings.bulk_lines()
    plan = an_iso_plan(line)
    assert line not in readings.bulk_lines()
    sample(plan, bad=plan.rejection_number)
    decide(plan, Action.TEST_ALL)
    assert line in readings.bulk_lines()


def test_serials_given_out_past_the_draw_are_shown() -> None:
    line = sealed_line(50)
    plan = an_iso_plan(line)
    booking.give_serial(line, None)
    assert len(results.results(plan).outside) == 1


def test_a_carton_that_was_opened_has_lost_its_seal() -> None:
    plan = an_iso_plan(sealed_line(100, seal="carton", carton_size=10))
    sample(plan)
    found = results.results(plan)
    broken = {d.where[0] for d in plan.drawn.select_related("plan")}
    assert found.still_sealed == 100 - 10 * len(broken)
    assert found.loosened == 10 * len(broken) - plan.sample_size
    decide(plan, Action.ACCEPT)
    units = sealed.units_for_sale(plan)
    assert len(units) == 10 - len(broken) and all(len(unit) == 10 for unit in units)


# What is sold unopened


@pytest.fixture
def accepted(by: User) -> SamplingPlan:
    plan = an_iso_plan(sealed_line(50))
    sample(plan)
    decide(plan, Action.ACCEPT, by=by)
    return plan


def publish(plan: SamplingPlan, count: int, by: User, **words: str) -> Listing:
    texts = {"title": listing.title(plan, count), "text": listing.describe(plan), **words}
    return listing.publish(plan, count, price=Decimal("9.50"), currency="GBP", by=by, **texts)


def test_sealed_packs_are_listed_as_sample_tested_and_their_state_follows(accepted: SamplingPlan, by: User) -> None:
    made = publish(accepted, 3, by)
    valves = Valve.objects.filter(listings__listing=made)
    assert [valve.state for valve in valves] == [State.LISTED] * 3
    assert not Pack.objects.filter(valve__in=valves, opened=True).exists()
    assert made.title == "12AX7, 3 packs: sealed and sample-tested, not tested"
    page = Client().get(made.get_absolute_url()).content.decode()
    assert "With 95\N{NO-BREAK SPACE}% confidence" in page and not any(valve.readings.exists() for valve in valves)
    drawn = set(accepted.drawn.values_list("number", flat=True))
    assert drawn.isdisjoint(accepted.packs.filter(opened=False).values_list("number", flat=True))
    publishing.end(made, by)
    assert set(Valve.objects.filter(pk__in=valves).values_list("state", flat=True)) == {State.RECEIVED}


def test_packs_whose_listing_ended_are_listed_again_before_others(accepted: SamplingPlan, by: User) -> None:
    first = publish(accepted, 2, by)
    serials = set(first.listed.values_list("valve__serial", flat=True))
    publishing.end(first, by)
    second = publish(accepted, 3, by)
    assert serials < set(second.listed.values_list("valve__serial", flat=True))
    assert accepted.packs.filter(opened=False).count() == 3


@pytest.mark.parametrize(
    "words", [{"title": "12AX7, tested"}, {"text": "All tested and good."}], ids=["title", "description"]
)
def test_words_that_do_not_say_sample_tested_are_refused(
    accepted: SamplingPlan, by: User, words: dict[str, str]
) -> None:
    with pytest.raises(publishing.CannotList, match="must say “sealed and sample-tested, not tested”"):
        publish(accepted, 1, by, **words)
    assert not Listing.objects.exists() and not accepted.packs.filter(opened=False).exists()


def test_only_an_accepted_lot_is_listed_sealed_and_only_what_is_there(by: User) -> None:
    plan = an_iso_plan(sealed_line(50))
    with pytest.raises(publishing.CannotList, match="does not accept this lot"):
        publish(plan, 1, by)
    sample(plan)
    with pytest.raises(publishing.CannotList, match="Only a lot that was accepted"):
        publish(plan, 1, by)
    decide(plan, Action.ACCEPT)
    with pytest.raises(publishing.CannotList, match="sealed packs to sell"):
        publish(plan, 51 - plan.sample_size, by)


def test_a_lot_whose_results_have_turned_is_listed_no_more(accepted: SamplingPlan, by: User) -> None:
    bad = Valve.objects.filter(pack__plan=accepted, pack__opened=True)[: accepted.rejection_number]
    graded_all([(valve, 1.2, 0.2) for valve in bad])
    with pytest.raises(publishing.CannotList, match="does not accept this lot as it stands now"):
        publish(accepted, 1, by)


def test_a_sealed_carton_is_sold_whole(by: User) -> None:
    plan = an_iso_plan(sealed_line(100, seal="carton", carton_size=10))
    sample(plan)
    decide(plan, Action.ACCEPT)
    made = publish(plan, 1, by)
    assert made.listed.count() == 10 and "carton of 10" in made.title


def test_a_promised_or_read_pack_is_not_for_sale(accepted: SamplingPlan, by: User) -> None:
    made = publish(accepted, 2, by)
    publishing.end(made, by)
    one, two = Valve.objects.filter(listings__listing=made)
    graded(one)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    Allocation.objects.create(order_line=order.lines.create(type=one.type), item=1, valve=two)
    out = {one.pack.number, two.pack.number}
    assert out.isdisjoint(number for unit in sealed.units_for_sale(accepted) for number in unit)


def test_what_went_back_takes_its_unopened_serials_along(accepted: SamplingPlan, by: User) -> None:
    made = publish(accepted, 2, by)
    publishing.end(made, by)
    decide(accepted, Action.RETURN, "the supplier takes them after all", by)
    assert set(Valve.objects.filter(pack__opened=False).values_list("state", flat=True)) == {State.WRITTEN_OFF}
    assert Line.objects.get().sent_back == 50 - accepted.sample_size - 2


# The supplier's sampling


def a_result(supplier_lot: Lot, *, good: bool, **wish: Any) -> SamplingPlan:
    """One more lot of the supplier, inspected and decided on."""
    line = sealed_line(50, lot=make_lot(supplier=supplier_lot.supplier))
    plan = an_iso_plan(line, **wish)
    sample(plan, bad=0 if good else plan.rejection_number)
    decide(plan, Action.ACCEPT if good else Action.TEST_ALL)
    return plan


AQL = Decimal("4.0")


def test_two_refused_lots_tighten_and_five_accepted_ones_bring_normal_back() -> None:
    lot = make_lot()
    for good in (False, True, False):
        a_result(lot, good=good)
    now = sealed.state_of(lot.supplier, AQL)
    assert now.severity == Severity.TIGHTENED and "two of five" in now.reason
    plan = a_result(lot, good=True)
    assert plan.severity == "tightened" and plan.severity_because == now.reason
    for _ in range(4):
        a_result(lot, good=True)
    assert sealed.state_of(lot.supplier, AQL).severity == Severity.NORMAL


def test_the_standing_is_of_one_supplier_at_one_aql() -> None:
    lot = make_lot()
    a_result(lot, good=False)
    a_result(lot, good=False)
    assert sealed.state_of(lot.supplier, Decimal("6.5")) == switching.SwitchingState()
    assert sealed.series_of(make_supplier("Oxhallow Stores")) == []


def test_a_lot_inspected_otherwise_than_the_rules_said_does_not_count() -> None:
    lot = make_lot()
    a_result(lot, good=False, severity=Severity.TIGHTENED, override_reason="wet cartons")
    a_result(lot, good=False, offered_again=True)
    a_result(lot, good=False)
    series = sealed.series_of(lot.supplier)[0]
    assert [step.counted for step in series.steps] == [False, False, True]
    assert "the rules asked for normal" in series.steps[0].what and "offered again" in series.steps[1].what
    assert series.state.severity == Severity.NORMAL


def test_five_refused_on_tightened_stop_sampling_until_the_owner_says_it_is_put_right(by: User) -> None:
    lot = make_lot()
    for _ in range(7):
        a_result(lot, good=False)
    assert sealed.state_of(lot.supplier, AQL).discontinued
    line = sealed_line(50, lot=make_lot(supplier=lot.supplier))
    with pytest.raises(switching.InspectionDiscontinued, match="Send the lot back or test every piece"):
        an_iso_plan(line)
    sealed.say_of(lot.supplier, SupplyNote(kind="resumed", aql=AQL, reason="new packing"), by)
    assert an_iso_plan(line).severity == "tightened"
    with pytest.raises(sealed.NothingToSay):
        sealed.say_of(lot.supplier, SupplyNote(kind="resumed", aql=AQL, reason="again"), by)


def test_reduced_inspection_comes_only_where_the_shop_says_supply_is_steady_and_wants_it(by: User) -> None:
    lot = make_lot()
    for _ in range(15):  # 15 accepted lots at Ac 1 or less score 2 each: 30
        a_result(lot, good=True)
    assert sealed.state_of(lot.supplier, AQL).severity == Severity.NORMAL
    with pytest.raises(sealed.NothingToSay, match="normal inspection, not on reduced"):
        sealed.say_of(lot.supplier, SupplyNote(kind="to normal", aql=AQL, reason="x"), by)
    sealed.say_of(lot.supplier, SupplyNote(kind="terms", steady=True, reduced_wanted=True, reason="a monthly lot"), by)
    a_result(lot, good=True)
    assert sealed.state_of(lot.supplier, AQL).severity == Severity.REDUCED
    sealed.say_of(lot.supplier, SupplyNote(kind="terms", steady=False, reduced_wanted=True, reason="gaps"), by)
    now = sealed.state_of(lot.supplier, AQL)
    assert now.severity == Severity.NORMAL and "not steady" in now.reason


def test_a_plan_counts_once_however_often_it_is_decided_on() -> None:
    lot = make_lot()
    plan = a_result(lot, good=True)
    decide(plan, Action.TEST_ALL, "for a customer")
    assert len(sealed.series_of(lot.supplier)[0].steps) == 1


# The pages and papers


PLAN = {
    "method": "iso",
    "level": "II",
    "aql": "4.0",
    "severity": "",
    "override_reason": "",
    "worst_grade": "",
    "acceptable_percent": "2",
    "rejectable_percent": "15",
    "producers_risk_percent": "5",
    "consumers_risk_percent": "10",
    "returnable_until": "",
}


def at(name: str, line: Line) -> str:
    return reverse(name, args=[line.lot.number, line.number])


def test_the_packs_are_described_on_a_page_and_a_carton_of_one_is_no_sealed_carton(
    logged_in: Callable[..., Client],
) -> None:
    line = make_line(make_type(), 50, condition=SEALED)
    client = logged_in(Role.RECEIVING)
    data = {"seal": "carton", "carton_size": "1", "contract_marks": "K-77", "pack_date": "3/53"}
    page = client.post(at("sealed-packs", line), data).content.decode()
    assert "holds several pieces" in page and "K-77" in page and not Packing.objects.exists()
    assert client.post(at("sealed-packs", line), {**data, "carton_size": "10"}).status_code == 302
    assert "sealed cartons of 10" in client.get(at("sealed", line)).content.decode()


def test_a_plan_is_worked_out_before_it_is_recorded(logged_in: Callable[..., Client]) -> None:
    make_policy()
    line = sealed_line(500, carton_size=20)
    client = logged_in(Role.RECEIVING)
    page = client.get(at("sealed-plan", line)).content.decode()
    wanted = sampling.single_plan(500, InspectionLevel.II, AQL)
    assert f"Open {wanted.sample_size}, accept up to {wanted.acceptance_number}" in page
    bad = sampling.limiting_quality(wanted)
    assert f"({bad.defective} pieces)" in page and "<svg" in page and "How often a lot is accepted" in page
    assert "Proposed at AQL 4.0: <strong>normal</strong>" in page and "Before you open a pack" in page
    exact = client.get(at("sealed-plan", line), {**PLAN, "method": "exact"}).content.decode()
    n = sampling.exact_plan(500, *(Decimal(x) / 100 for x in (2, 15, 5, 10))).sample_size
    assert f"Open {n}, accept" in exact and not SamplingPlan.objects.exists()
    assert client.post(at("sealed-plan", line), PLAN).status_code == 302
    plan = SamplingPlan.objects.get()
    assert plan.plan == wanted and plan.made_by is not None


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"severity": "tightened"}, "Say why another severity is taken"),
        ({"method": "exact", "acceptable_percent": ""}, "This is needed for the method chosen"),
        ({"method": "exact", "acceptable_percent": "20"}, "must be below the rejectable one"),
        ({"returnable_until": "2001-01-01"}, "This day has passed"),
        ({"worst_grade": "No such grade"}, "Select a valid choice"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_beside_what_was_typed(
    logged_in: Callable[..., Client], changes: dict[str, str], says: str
) -> None:
    make_policy()
    line = sealed_line(50)
    page = logged_in(Role.RECEIVING).post(at("sealed-plan", line), {**PLAN, **changes, "override_reason": ""})
    assert page.status_code == 200 and says in page.content.decode() and not SamplingPlan.objects.exists()


def test_a_plan_is_replaced_through_the_page_only_with_a_reason(logged_in: Callable[..., Client]) -> None:
    make_policy()
    line = sealed_line(50)
    an_iso_plan(line)
    receiver, client = logged_in(Role.RECEIVING), logged_in(Role.OWNER)
    assert (
        "only the owner" in receiver.post(at("sealed-plan", line), {**PLAN, "replaced_because": "x"}).content.decode()
    )
    assert "There is a plan already" in client.get(at("sealed-plan", line), PLAN).content.decode()
    refused = client.post(at("sealed-plan", line), {**PLAN, "replaced_because": ""})
    assert refused.status_code == 200 and SamplingPlan.objects.count() == 1
    assert client.post(at("sealed-plan", line), {**PLAN, "replaced_because": "miscounted"}).status_code == 302
    assert SamplingPlan.objects.current().get().replaced_because == "miscounted"


def test_from_draw_to_decision_on_the_page(logged_in: Callable[..., Client]) -> None:
    line = sealed_line(50)
    plan = an_iso_plan(line)
    tester, receiver = logged_in(Role.BENCH), logged_in(Role.RECEIVING)
    assert "still shut" in tester.post(at("sealed-open", line), {"count": "49"}).content.decode()
    assert tester.post(at("sealed-open", line), {"count": str(plan.sample_size)}).status_code == 302
    graded_all([(pack.valve, 1.2, 1.6) for pack in plan.packs.select_related("valve")])
    assert "✓ Accept" in receiver.get(at("sealed", line)).content.decode()
    refused = receiver.post(at("sealed-decide", line), {"action": "test all", "note": ""})
    assert "Say why" in refused.content.decode() and not plan.decisions.exists()
    assert receiver.post(at("sealed-decide", line), {"action": "accept", "note": ""}).status_code == 302
    assert plan.decisions.get().by is not None
    page = receiver.get(at("sealed", line)).content.decode()
    assert "accept: sell the rest sealed" in page and "can be listed" in page


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("sealed-open", Role.SALES),
        ("sealed-decide", Role.BENCH),
        ("sealed-plan", Role.BENCH),
        ("sealed-listing-new", Role.RECEIVING),
        ("sealed-packs", Role.SALES),
    ],
)
def test_each_step_needs_its_role(logged_in: Callable[..., Client], name: str, role: Role) -> None:
    line = sealed_line(50)
    an_iso_plan(line)
    assert logged_in(role).post(at(name, line), {"count": "1", "action": "accept"}).status_code == 403
    assert not Pack.objects.exists() and not SealedDecision.objects.exists()


def test_the_page_says_when_the_count_or_the_results_have_turned(
    accepted: SamplingPlan, logged_in: Callable[..., Client]
) -> None:
    line = accepted.line
    booking.count_lines(line.lot, {line.pk: 48}, None)
    graded_all([(valve, 1.2, 0.2) for valve in Valve.objects.filter(pack__opened=True)[: accepted.rejection_number]])
    page = logged_in(Role.BENCH).get(at("sealed", line)).content.decode()
    assert "the count now says 48" in page and "its results no longer accept it" in page


def test_the_public_reads_plan_and_result_in_place_of_readings(
    accepted: SamplingPlan, by: User, logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.SALES)
    page = client.get(at("sealed-listing-new", accepted.line)).content.decode()
    assert "sealed and sample-tested, not tested" in page
    data = {
        "count": "2",
        "title": listing.title(accepted, 2),
        "text": listing.describe(accepted),
        "price": "20",
        "currency": "GBP",
    }
    refused = client.post(at("sealed-listing-new", accepted.line), {**data, "title": "12AX7, tested, as new"})
    assert "must say" in refused.content.decode() and "as new" in refused.content.decode()
    assert client.post(at("sealed-listing-new", accepted.line), data).status_code == 302
    made = Listing.objects.get()
    public = unescape(Client().get(made.get_absolute_url()).content.decode())
    assert "The plan and its result" in public and accepted.basis in public and "20.00" in public
    assert f"{accepted.sample_size} of the lot opened and tested, 0 failed" in public
    assert "<h2>Readings</h2>" not in public and "sample-tested" in Client().get("/for-sale/").content.decode()


def test_the_public_is_not_offered_packs_of_a_lot_whose_results_have_turned(accepted: SamplingPlan, by: User) -> None:
    made = publish(accepted, 1, by)
    graded_all([(valve, 1.2, 0.2) for valve in Valve.objects.filter(pack__opened=True)[: accepted.rejection_number]])
    assert "no longer available" in Client().get(made.get_absolute_url()).content.decode()


def test_the_draw_list_prints_every_pack_by_carton_and_the_cautions(logged_in: Callable[..., Client]) -> None:
    line = sealed_line(200, carton_size=20)
    plan = an_iso_plan(line, aql="0.65")
    pages = read_pdf(logged_in(Role.BENCH).get(at("sealed-draw-list", line)).content)
    text = "\n".join(pages)
    for drawn in plan.drawn.select_related("plan"):
        assert "carton {}, place {}".format(*drawn.where) in text
    assert "radioactive" in text and "asbestos" in text and "local rules" in text and plan.seed in text
    assert f"page 1 of {len(pages)}" in pages[0]


def test_the_statement_says_sample_tested_with_plan_and_result_and_names_the_packs(
    accepted: SamplingPlan, by: User, logged_in: Callable[..., Client]
) -> None:
    made = publish(accepted, 2, by)
    answer = logged_in(Role.BENCH).get(at("sealed-statement", accepted.line), {"listing": made.number})
    text = " ".join("".join(read_pdf(answer.content)).split())
    assert "SEALED AND SAMPLE-TESTED, NOT TESTED" in text and "K-1951" in text
    assert f"Of 50 pieces {accepted.sample_size} were drawn at random" in text and accepted.seed in text
    assert f"0 of {accepted.sample_size} opened packs failed" in text and "nobody has tested what is in them" in text
    assert all(serial in text for serial in made.listed.values_list("valve__serial", flat=True))


def test_there_is_no_statement_for_what_was_not_accepted(logged_in: Callable[..., Client]) -> None:
    line = sealed_line(50)
    an_iso_plan(line)
    answer = logged_in(Role.BENCH).get(at("sealed-statement", line), follow=True)
    assert "No statement: the lot is not accepted" in answer.content.decode()


def test_the_standing_is_shown_with_its_results_and_the_owner_says_what_is_left_to_the_shop(
    logged_in: Callable[..., Client],
) -> None:
    lot = make_lot()
    for _ in range(2):
        a_result(lot, good=False)
    page = logged_in(Role.BENCH).get(reverse("supplier-sampling", args=[lot.supplier.pk])).content.decode()
    assert "AQL 4.0: tightened" in page and page.count("not accepted on normal inspection") == 2
    say = reverse("supplier-sampling-say", args=[lot.supplier.pk])
    terms = {"kind": "terms", "aql": "", "steady": "on", "reduced_wanted": "on", "reason": "a monthly lot"}
    assert logged_in(Role.RECEIVING).post(say, terms).status_code == 403
    owner = logged_in(Role.OWNER)
    assert owner.post(say, terms).status_code == 302 and SupplyNote.objects.get().steady
    asked = owner.post(say, {**terms, "kind": "resumed"}).content.decode()
    assert "Say at which AQL" in asked and "a monthly lot" in asked
    refused = owner.post(say, {**terms, "kind": "resumed", "aql": "4.0"}).content.decode()
    assert "not discontinued" in refused and SupplyNote.objects.count() == 1


def test_the_list_of_sealed_stock_asks_as_often_for_many_lines_as_for_few(
    logged_in: Callable[..., Client], django_assert_max_num_queries: Any
) -> None:
    client = logged_in(Role.BENCH)
    an_iso_plan(sealed_line(50))
    with django_assert_max_num_queries(15) as few:
        page = client.get(reverse("sealed-lines")).content.decode()
    assert f"open {SamplingPlan.objects.get().sample_size} of 50" in page
    for _ in range(6):
        an_iso_plan(sealed_line(50, lot=make_lot()))
    with django_assert_max_num_queries(len(few)):
        client.get(reverse("sealed-lines"))
