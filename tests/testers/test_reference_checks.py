"""Reference valves at the start of a shift: charts, the stop of a tester that drifts, and its clearing."""

from __future__ import annotations

from datetime import timedelta
from math import isclose
from typing import Any

import numpy as np
import pytest
from django.contrib.auth.models import User
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.test import Client

from grading.bench import readings
from grading.bench.readings import EnteredReading, UnfitTester
from grading.metrology import control
from grading.models import Baseline, Reading, ReferenceCheck, ReferenceValve, Shift, Stop, Tester
from grading.models.append_only import AppendOnlyError
from grading.testers import records, reference_checks
from grading.testers.records import Described
from grading.testers.reference_checks import BASELINE, CheckProblem
from stockroom.models import Entry, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import make_policy, make_type, make_user, make_valve, make_valves, read
from tests.instruments import GM, STEADY, checked, described, kept_aside, owner, point, scale, shift_at
from tests.keyboard import Keyboard

pytestmark = pytest.mark.django_db


@pytest.fixture
def tester() -> Tester:
    return described()


@pytest.fixture
def shift(tester: Tester) -> Shift:
    return shift_at(tester)


@pytest.fixture
def reference(tester: Tester) -> ReferenceValve:
    return kept_aside()


def stopped(reference: ReferenceValve, shift: Shift) -> Stop:
    """A tester whose reference valve, steady at 1.2 mA, reads 1.5 after 1.19 and 1.20.

    The last good check is that of 1.20.
    """
    stop = checked(reference, shift, [*STEADY, 1.19, 1.20, 1.5]).stop
    assert stop is not None
    return stop


# Which valves


def test_a_reference_valve_is_read_on_every_tester_that_measures_its_quantity(tester: Tester) -> None:
    everywhere, here = kept_aside(), kept_aside(tester, "R2", GM)
    other = described("Window bench")
    assert reference_checks.for_tester(tester) == [everywhere, here]
    assert reference_checks.for_tester(other) == [everywhere]
    assert reference_checks.for_tester(scale()) == []


def test_one_put_out_of_use_is_not_read_and_stops_nobody(reference: ReferenceValve, shift: Shift) -> None:
    checked(reference, shift, STEADY)
    reference_checks.put_in_use(reference, False, owner())
    assert reference_checks.for_tester(shift.tester) == []
    with pytest.raises(CheckProblem, match="not read on"):
        reference_checks.record(reference, shift, 9.9, shift.operator)


def test_a_check_is_due_until_one_is_made_in_the_shift(tester: Tester, shift: Shift) -> None:
    assert not reference_checks.check_due(shift), "there is nothing to check"
    first, second = kept_aside(), kept_aside(tester, "R2", GM)
    assert reference_checks.check_due(shift) and reference_checks.due(shift) == [first, second]
    reference_checks.record(first, shift, 1.2, shift.operator)
    assert not reference_checks.check_due(shift) and reference_checks.due(shift) == [second]


def test_a_check_in_a_shift_that_has_ended_is_refused(reference: ReferenceValve, shift: Shift) -> None:
    readings.end_shift(shift, shift.operator)
    with pytest.raises(CheckProblem, match="has ended"):
        reference_checks.record(reference, shift, 1.2, shift.operator)


# The chart


def test_the_chart_is_learnt_from_the_first_checks_and_that_is_recorded(
    reference: ReferenceValve, shift: Shift
) -> None:
    chart = checked(reference, shift, STEADY[:-1]).chart
    assert chart.learning and chart.so_far == BASELINE - 1 and not Baseline.objects.exists()
    chart = checked(reference, shift, STEADY[-1:], days_ago=10).chart
    baseline = Baseline.objects.get()
    assert (baseline.size, baseline.by) == (BASELINE, shift.operator)
    assert chart.lines == control.individuals_chart(STEADY)


def test_while_it_is_learnt_it_stops_nobody(reference: ReferenceValve, shift: Shift) -> None:
    assert checked(reference, shift, [1.2, 5.0, 0.1]).stop is None


def test_each_tester_has_a_chart_of_its_own(reference: ReferenceValve, shift: Shift) -> None:
    checked(reference, shift, STEADY)
    other = shift_at(described("Window bench"), "ada")
    outcome = checked(reference, other, [1.7], days_ago=5)
    assert outcome.chart.learning and outcome.stop is None


def test_the_rules_judge_the_checks_after_the_baseline(reference: ReferenceValve, shift: Shift) -> None:
    after = [1.20, 1.21, 1.19, 1.20]
    chart = checked(reference, shift, [*STEADY, *after]).chart
    assert chart.assessment == reference_checks.judged(after, control.individuals_chart(STEADY))
    assert chart.in_control


def test_a_coarse_display_does_not_cry_at_every_step(tester: Tester, shift: Shift, reference: ReferenceValve) -> None:
    """All twenty agree; the display moves in steps of 0.01, so sigma is taken as half of that."""
    chart = checked(reference, shift, [1.20] * BASELINE + [1.21, 1.20, 1.20, 1.21]).chart
    assert chart.lines is not None and isclose(chart.lines.standard_deviation, 0.005)
    assert chart.in_control
    assert not checked(reference, shift, [1.22], days_ago=1).chart.in_control, "two steps are more than the display"


def test_a_baseline_may_be_chosen_and_draws_the_lines_anew(reference: ReferenceValve, shift: Shift) -> None:
    checked(reference, shift, [*STEADY, *[1.30, 1.31, 1.29, 1.30, 1.32, 1.30, 1.29, 1.31]])
    start = reference.checks.order_by("taken_at")[BASELINE].taken_at
    with pytest.raises(CheckProblem, match="8 checks at least"):
        reference_checks.choose_baseline(reference, shift.tester, start, 7, "", owner())
    reference_checks.choose_baseline(reference, shift.tester, start, 8, "a new meter", owner())
    chart = reference_checks.chart_of(reference, shift.tester)
    assert chart.lines is not None and isclose(chart.lines.centre, 1.3025)
    assert (chart.first, chart.last) == (20, 28)


def test_a_baseline_that_was_not_steady_itself_is_said(reference: ReferenceValve, shift: Shift) -> None:
    chart = checked(reference, shift, [*STEADY[:10], 1.5, *STEADY[11:]]).chart
    assert [check.value for check in chart.outside_baseline] == [1.5]


def test_a_check_is_corrected_and_the_chart_counts_the_correction(reference: ReferenceValve, shift: Shift) -> None:
    wrong = checked(reference, shift, [*STEADY, 12.0]).check
    outcome = reference_checks.correct(wrong, 1.20, "decimal point", shift.operator)
    assert [check.value for check in outcome.chart.checks[-1:]] == [1.20]
    assert outcome.chart.in_control and outcome.check.taken_at == wrong.taken_at
    assert outcome.stop is not None, "a stop is still the owner's to clear"
    with pytest.raises(CheckProblem, match="corrected already"):
        reference_checks.correct(wrong, 1.21, "again", shift.operator)


def test_checks_are_never_edited_or_deleted(reference: ReferenceValve, shift: Shift) -> None:
    check = checked(reference, shift, [1.2]).check
    check.value = 9.9
    for attempt in (check.save, check.delete, ReferenceCheck.objects.all().delete):
        with pytest.raises(AppendOnlyError):
            attempt()
    for statement in ("UPDATE grading_referencecheck SET value = 9.9", "DELETE FROM grading_referencecheck"):
        refused = pytest.raises(DatabaseError, match="never edited or deleted")
        with refused, transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    assert ReferenceCheck.objects.get(pk=check.pk).value == 1.2


# The stop


def test_a_check_far_beyond_its_lines_stops_the_tester(reference: ReferenceValve, shift: Shift) -> None:
    stop = stopped(reference, shift)
    assert "rule 1, one check beyond 3.5 sigma" in stop.why
    possible, why = reference_checks.may_grade(shift.tester)
    assert not possible and "until the owner has cleared the stop" in why
    assert reference_checks.may_grade(described("Window bench")) == (True, "")


def test_a_slow_drift_stops_the_tester_before_any_check_is_beyond_three_sigma(
    reference: ReferenceValve, shift: Shift
) -> None:
    """A fall of 0.5 sigma a check: found while every check is still within the limits of the individuals."""
    lines = control.individuals_chart(STEADY)
    checked(reference, shift, STEADY)
    for day in range(6):
        value = lines.centre - 0.5 * lines.standard_deviation * (day + 1)
        outcome = checked(reference, shift, [value], days_ago=50 - day)
        if outcome.stop:
            break
    assert outcome.stop is not None and "rule 1" not in outcome.stop.why
    assert value > lines.lower_control_limit


def test_a_tester_has_one_stop_at_a_time(reference: ReferenceValve, shift: Shift) -> None:
    stop = stopped(reference, shift)
    assert checked(reference, shift, [1.6], days_ago=1).stop == stop
    assert Stop.objects.count() == 1
    with pytest.raises(IntegrityError), transaction.atomic():
        Stop.objects.create(tester=shift.tester, why="x", check_made=stop.check_made, suspect_since=stop.suspect_since)


def test_every_reading_since_the_last_good_check_is_for_review(reference: ReferenceValve, shift: Shift) -> None:
    stop = stopped(reference, shift)
    bad, last_good = reference.checks.order_by("-taken_at")[:2]
    assert last_good.value == 1.20
    assert stop.suspect_since == last_good.taken_at
    valves = make_valves(make_type("12AX7"), 4)
    hour = timedelta(hours=1)
    times = [last_good.taken_at - hour, last_good.taken_at + hour, bad.taken_at + hour]
    for valve, when in zip(valves, times, strict=False):
        read(valve, 1.2, 1.6, shift=shift, taken_at=when)
    read(valves[3], 1.2, 1.6, shift=shift_at(described("Window bench"), "ada"), taken_at=times[1])
    assert {reading.valve for reading in reference_checks.under_review(stop)} == {valves[1], valves[2]}


def test_an_earlier_last_good_check_of_another_reference_widens_the_review(tester: Tester, shift: Shift) -> None:
    first, second = kept_aside(), kept_aside(tester, "R2", GM)
    early = checked(second, shift, [*STEADY, 1.19], days_ago=200).check
    stop = stopped(first, shift)
    narrow = stop.suspect_since
    checked(second, shift, [1.6], days_ago=1)
    stop.refresh_from_db()
    assert stop.suspect_since < narrow and stop.suspect_since <= early.taken_at
    assert [line.split(",")[0] for line in stop.why.splitlines()] == ["R1", "R2"]


def test_nothing_is_graded_on_a_stopped_tester(reference: ReferenceValve, shift: Shift) -> None:
    stopped(reference, shift)
    valve = make_valve(make_type("12AX7"))
    with pytest.raises(UnfitTester, match="was stopped on"):
        readings.record_readings(
            shift, valve, {n: EnteredReading(point(), anode_current_ma=1.2) for n in (1, 2)}, shift.operator
        )
    assert not Reading.objects.exists()


def test_the_owner_clears_a_stop_by_saying_what_was_done(reference: ReferenceValve, shift: Shift) -> None:
    stop = stopped(reference, shift)
    with pytest.raises(CheckProblem, match="Say what was done"):
        reference_checks.clear(stop, "  ", False, owner())
    reference_checks.clear(stop, "cleaned the socket", False, owner())
    assert reference_checks.may_grade(shift.tester) == (True, "")
    with pytest.raises(CheckProblem, match="cleared already"):
        reference_checks.clear(stop, "again", False, owner())
    assert Entry.objects.filter(action="stop-cleared", text__contains="cleaned the socket").exists()


def test_after_a_stop_is_cleared_the_rules_look_at_the_checks_made_since(
    reference: ReferenceValve, shift: Shift
) -> None:
    stop = stopped(reference, shift)
    reference_checks.clear(stop, "cleaned the socket", False, owner())
    good = [reference_checks.record(reference, shift, value, shift.operator) for value in (1.20, 1.19, 1.20)]
    assert all(outcome.stop is None and outcome.chart.in_control for outcome in good)
    bad = reference_checks.record(reference, shift, 1.5, shift.operator)
    assert bad.stop is not None and bad.stop != stop
    assert bad.stop.suspect_since == good[2].check.taken_at


def test_out_at_the_first_check_after_a_clearing_the_review_goes_back_to_the_clearing(
    reference: ReferenceValve, shift: Shift
) -> None:
    stop = stopped(reference, shift)
    reference_checks.clear(stop, "tapped it", False, owner())
    stop.refresh_from_db()
    again = reference_checks.record(reference, shift, 1.5, shift.operator)
    assert again.stop is not None and again.stop.suspect_since == stop.cleared_at


def test_an_adjusted_tester_has_its_charts_learnt_anew(reference: ReferenceValve, shift: Shift) -> None:
    stop = stopped(reference, shift)
    reference_checks.clear(stop, "new meter movement", True, owner())
    outcome = reference_checks.record(reference, shift, 1.5, shift.operator)
    assert outcome.stop is None and outcome.chart.learning
    for value in STEADY[1:]:
        outcome = reference_checks.record(reference, shift, value + 0.3, shift.operator)
    assert outcome.chart.lines is not None and isclose(outcome.chart.lines.centre, 1.5, abs_tol=0.01)


def shifts_until_a_stop(valves: int, moved: float, shifts: int, testers: int = 120) -> float:
    """Simulated: twenty checks of each valve for its lines, then a check of each a shift until a rule is broken.

    `moved` is by how many sigma the tester has changed since; a tester that is never stopped counts with all `shifts`.
    """
    rng = np.random.default_rng(20)
    lasted = []
    for _ in range(testers):
        firsts = []
        for _ in range(valves):
            lines = control.individuals_chart(list(rng.normal(1.2, 0.01, BASELINE)))
            checks = list(rng.normal(1.2 + 0.01 * moved, 0.01, shifts))
            signals = reference_checks.judged(checks, lines).signals
            firsts.append(min((signal.last + 1 for signal in signals), default=shifts))
        lasted.append(min(firsts))
    return sum(lasted) / testers


def test_a_steady_tester_with_three_reference_valves_is_rarely_stopped_by_chance() -> None:
    assert shifts_until_a_stop(valves=3, moved=0.0, shifts=150) > 50, "of 150 at most; the old rules: 13"


def test_a_tester_that_has_moved_is_stopped_within_a_few_shifts() -> None:
    assert shifts_until_a_stop(valves=3, moved=1.5, shifts=40) < 4.5
    assert shifts_until_a_stop(valves=1, moved=3.0, shifts=40) < 3.5


# The pages


@pytest.fixture
def bo(client: Client, shift: Shift) -> User:
    client.force_login(shift.operator)
    make_policy()
    return shift.operator


def send(client: Client, reference: ReferenceValve, value: str, **more: str) -> Any:
    return client.post("/checks/", {f"r{reference.pk}": value, **more})


def test_the_bench_says_that_the_check_is_due_until_it_is_made(
    client: Client, bo: User, reference: ReferenceValve
) -> None:
    assert "start-of-shift check is due" in client.get("/bench/").content.decode()
    assert send(client, reference, "1,20 mA")["Location"] == "/bench/"
    assert reference.checks.get().value == 1.2
    assert "start-of-shift check is due" not in client.get("/bench/").content.decode()


def test_without_a_shift_a_check_has_no_tester(client: Client) -> None:
    client.force_login(make_user("ada", Role.BENCH))
    assert client.get("/checks/")["Location"] == "/bench/"


def test_a_check_far_from_the_others_is_asked_for_once_more_and_then_kept(
    client: Client, bo: User, reference: ReferenceValve, shift: Shift
) -> None:
    checked(reference, shift, STEADY)
    answer = send(client, reference, "2.1")
    assert "send it again" in answer.content.decode() and "usually reads about 1.2" in answer.content.decode()
    assert reference.checks.count() == BASELINE
    answer = send(client, reference, "2.1", sure=answer.context["form"]["sure"].value())
    assert answer["Location"] == f"/stops/{Stop.objects.get().pk}/"


def test_an_empty_check_is_no_check(client: Client, bo: User, reference: ReferenceValve) -> None:
    assert "Type what it read" in send(client, reference, "").content.decode()
    assert "negative" in send(client, reference, "-1").content.decode()
    assert not reference.checks.exists()


def test_the_bench_page_of_a_stopped_tester_says_so_and_refuses_to_save(
    client: Client, bo: User, reference: ReferenceValve, shift: Shift
) -> None:
    stopped(reference, shift)
    assert "Long bench is stopped" in client.get("/bench/").content.decode()
    valve = make_valve(make_type("12AX7"))
    typed = {"s1-anode_current": "1.19", "s1-gm": "1.6", "s2-anode_current": "1.2", "s2-gm": "1.6"}
    answer = client.post("/bench/", {"serial": valve.serial, **typed}).content.decode()
    assert "until the owner has cleared the stop" in answer and "1.19" in answer
    assert not Reading.objects.exists()


def test_the_stop_page_lists_what_is_for_review_and_what_has_gone(
    client: Client, bo: User, reference: ReferenceValve, shift: Shift
) -> None:
    stop = stopped(reference, shift)
    here, gone = make_valves(make_type("12AX7"), 2)
    for valve in (here, gone):
        read(valve, 1.2, 1.6, shift=shift)
    Valve.objects.filter(pk=gone.pk).update(state=State.DESPATCHED)
    page = client.get(f"/stops/{stop.pk}/").content.decode()
    assert "4 readings since the last good check" in page
    assert here.serial in page and "Already despatched" in page and gone.serial in page
    assert "Clear the stop" not in page, "that is for the owner"


def test_only_the_owner_clears_a_stop(client: Client, bo: User, reference: ReferenceValve, shift: Shift) -> None:
    stop = stopped(reference, shift)
    address = f"/stops/{stop.pk}/clear/"
    assert client.post(address, {"action": "nothing to see"}).status_code == 403
    client.force_login(owner())
    assert "This field is required" in client.post(address, {"action": ""}).content.decode()
    assert not reference_checks.may_grade(shift.tester)[0]
    client.post(address, {"action": "cleaned the socket"})
    stop.refresh_from_db()
    assert stop.cleared_by == owner() and reference_checks.may_grade(shift.tester)[0]


def test_the_chart_page_names_the_broken_rules_and_draws_three_plots(
    client: Client, bo: User, reference: ReferenceValve, shift: Shift
) -> None:
    stopped(reference, shift)
    page = client.get(f"/reference-valves/{reference.pk}/on/{shift.tester_id}/").content.decode()
    assert "Rule 1: one check beyond 3.5 sigma" in page and "Statistical Quality Control Handbook" in page
    assert page.count('role="img"') == 3 and page.count("<desc") == 3
    assert "Crosses mark the checks that break a rule" in page and 'class="mark mark-cross"' in page


def test_the_chart_page_opens_before_any_check_and_while_learning(
    client: Client, bo: User, reference: ReferenceValve, shift: Shift
) -> None:
    address = f"/reference-valves/{reference.pk}/on/{shift.tester_id}/"
    assert "0 of 20 checks made" in client.get(address).content.decode()
    checked(reference, shift, STEADY[:5])
    page = client.get(address).content.decode()
    assert "5 of 20 checks made" in page and "There are no limits yet" in page


def test_a_long_history_is_drawn_from_its_last_checks(
    client: Client, bo: User, reference: ReferenceValve, shift: Shift
) -> None:
    checked(reference, shift, STEADY + STEADY * 4)
    answer = client.get(f"/reference-valves/{reference.pk}/on/{shift.tester_id}/")
    assert [len(plot.marks) for plot in answer.context["plots"]] == [60, 59, 60]


def test_the_owner_keeps_a_valve_aside_by_its_serial_or_by_a_name(client: Client, tester: Tester) -> None:
    client.force_login(owner())
    valve = make_valve(make_type("12AX7"))
    form = {"type": "12AX7", "section": "1", "quantity": "anode_current_ma", "tester": "", "note": ""}
    client.post("/reference-valves/new/", {**form, "known_by": valve.serial})
    client.post("/reference-valves/new/", {**form, "known_by": "R2, the old one"})
    assert [(one.valve, one.name) for one in ReferenceValve.objects.all()] == [(valve, ""), (None, "R2, the old one")]


@pytest.mark.parametrize("known_by", ["10000013", "1234", "99999990"])
def test_a_serial_that_is_none_is_refused(client: Client, tester: Tester, known_by: str) -> None:
    client.force_login(owner())
    make_type("12AX7")
    form = {"type": "12AX7", "section": "1", "quantity": "anode_current_ma", "known_by": known_by}
    answer = client.post("/reference-valves/new/", form)
    assert answer.status_code == 200 and known_by in answer.content.decode()
    assert not ReferenceValve.objects.exists()


def test_a_valve_on_its_way_out_of_the_house_is_no_reference(client: Client, tester: Tester) -> None:
    client.force_login(owner())
    valve = make_valve(make_type("12AX7"), state=State.LISTED)
    form = {"type": "12AX7", "section": "1", "quantity": "anode_current_ma", "known_by": valve.serial}
    assert "on its way out" in client.post("/reference-valves/new/", form).content.decode()


def test_the_owner_chooses_a_baseline_on_the_page(client: Client, reference: ReferenceValve, shift: Shift) -> None:
    checked(reference, shift, STEADY)
    client.force_login(owner())
    address = f"/reference-valves/{reference.pk}/on/{shift.tester_id}/baseline/"
    third = reference.checks.order_by("taken_at")[2]
    assert (
        "greater than or equal to 8"
        in client.post(address, {"start": third.pk, "size": "3", "why": "x"}).content.decode()
    )
    client.post(address, {"start": third.pk, "size": "9", "why": "warmed up longer from here"})
    chart = reference_checks.chart_of(reference, shift.tester)
    assert (chart.first, chart.last) == (2, 11)


def test_the_check_is_made_with_enter_alone(served: Any, browser: Any) -> None:
    shift = shift_at(described())
    make_policy()
    first, second = kept_aside(), kept_aside(None, "R2", GM)
    client = Client()
    client.force_login(shift.operator)
    context = browser.new_context()
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": served.url}])
    try:
        keyboard = Keyboard(context.new_page(), f"{served.url}/checks/")
        assert keyboard.at().startswith("R1")
        keyboard.type("1.2").enter().type("1.61").go()
        assert first.checks.get().value == 1.2 and second.checks.get().value == 1.61
        assert keyboard.at().startswith("Scan or type a serial")
    finally:
        context.close()


def test_describing_a_tester_without_the_quantity_ends_its_checks(tester: Tester, reference: ReferenceValve) -> None:
    assert reference_checks.for_tester(tester) == [reference]
    records.describe(tester, {GM: Described(0.01)}, owner())
    assert reference_checks.for_tester(Tester.objects.get(pk=tester.pk)) == []
