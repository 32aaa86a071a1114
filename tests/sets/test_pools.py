"""What the matcher is given: which valves, what is alike, and what each keeps clear of the tolerance."""

from __future__ import annotations

from datetime import timedelta
from math import sqrt

import pytest
from django.utils import timezone

from grading.matching.guards import guard_for
from grading.metrology import comparison
from grading.models import Shift, Tester, TesterCondition
from grading.sets import making
from grading.testers import conditions, studies
from grading.verdicts.values import Value
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_policy, make_shift, make_type, make_user, make_valve, make_valves
from tests.instruments import GM, IA, READINGS, calibrated, described, filled, owner, planned, shift_at

pytestmark = pytest.mark.django_db

PROBABILITY = 0.95


@pytest.fixture
def shift() -> Shift:
    """On a tester of which nothing is wanting, under a policy that wants sets to be sure."""
    tester = calibrated(described())
    for quantity in (IA, GM):
        studies.finish(filled(planned(tester, quantity=quantity), READINGS), owner())
    policy = make_policy()
    policy.rules = {**policy.rules, "match_probability": PROBABILITY}
    policy.save()
    return shift_at(Tester.objects.get(pk=tester.pk))


def pool(size: int = 2) -> making.Pool:
    return making.pool(make_type(), 9, size, PROBABILITY)


def worst_pair(a: Value, b: Value) -> tuple[float, float]:
    assert a.compared and b.compared
    return comparison.relative_u(a.compared, b.compared)


def test_a_guard_is_that_of_the_pair_for_all_quantities_at_once_with_its_degrees_of_freedom(shift: Shift) -> None:
    valves = make_valves(make_type(), 2)
    graded_all([(valve, 1.2, 1.6) for valve in valves], shift=shift)
    stock = pool(4)
    one, two = (stock.rows[valve.pk] for valve in valves)
    assert len(stock.columns) == 4, "anode current and gm of two sections"
    for place, (value, other) in enumerate(zip(one, two, strict=True)):
        u, degrees = worst_pair(value, other)
        assert degrees < 10
        by_hand = guard_for(u / sqrt(2), 4, PROBABILITY, 4, degrees)
        assert stock.pieces[0].guard and stock.pieces[0].guard[place] == pytest.approx(by_hand)


def test_what_days_and_people_differ_by_is_in_every_guard_where_the_pool_was_read_on_several_or_by_several(
    shift: Shift,
) -> None:
    tester, now = shift.tester, timezone.now()
    first, second, third = make_valves(make_type(), 3)
    graded(first, 1.2, 1.6, shift=shift, taken_at=now - timedelta(days=2))
    assert pool().apart == frozenset()
    graded(second, 1.2, 1.6, shift=shift, taken_at=now - timedelta(days=1))
    assert pool().apart == {comparison.DAY}
    graded(third, 1.2, 1.6, shift=make_shift(make_user("cy", Role.BENCH), tester), taken_at=now - timedelta(days=1))
    stock = pool()
    assert stock.apart == {comparison.DAY, comparison.OPERATOR}, "these people differ by little"
    u, degrees = worst_pair(stock.rows[first.pk][0], stock.rows[third.pk][0])
    alone = worst_pair(stock.rows[first.pk][0], stock.rows[first.pk][0])[0]
    (piece,) = (piece for piece in stock.pieces if piece.key == first.pk)
    assert piece.guard and u > alone
    assert piece.guard[0] == pytest.approx(guard_for(u / sqrt(2), 2, PROBABILITY, 4, degrees))


def test_a_valve_whose_readings_contradict_each_other_is_in_no_pool(shift: Shift) -> None:
    doubtful, clear = make_valves(make_type(), 2)
    for ia in (1.2, 1.25):
        graded(doubtful, ia, 1.6, shift=shift)
    graded(clear, 1.2, 1.6, shift=shift)
    assert [piece.key for piece in pool().pieces] == [clear.pk]


def test_valves_read_at_other_settings_are_not_proposed_together(shift: Shift) -> None:
    at_sheet = make_valve(make_type())
    graded(at_sheet, 1.2, 1.6, shift=shift)
    for section in make_type().test_sections:
        own = TesterCondition(
            tester=shift.tester,
            test_point=section.test_point,
            anode_voltage_v=200,
            grid_voltage_v=-1.5,
            judged_by="converted",
        )
        conditions.set_conditions([own], owner())
    others = make_valves(make_type(), 2)
    for valve in others:
        graded(valve, 1.09, 1.65, shift=shift)
    (proposal,) = making.propose(make_type(), 2, 40, best_grades=9)
    assert {valve.pk for valve in proposal.valves} == {valve.pk for valve in others}


def test_a_proposal_is_not_made_of_what_is_within_the_guard_bands_and_yet_not_sure_enough(
    shift: Shift, monkeypatch: pytest.MonkeyPatch
) -> None:
    valves = make_valves(make_type(), 2)
    graded_all([(valve, 1.2, gm) for valve, gm in zip(valves, (1.60, 1.66), strict=True)], shift=shift)
    monkeypatch.setattr(making, "guard_of_value", lambda *_: 0.0)
    assert not making.propose(make_type(), 2, 4, best_grades=9)
    assert making.propose(make_type(), 2, 20, best_grades=9)
