"""Matching a whole pool behind the pages: ask, watch, stop, change by hand, accept, run again."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from grading import matching
from grading.models import MatchedSet, MatchRun
from grading.sets import accepting, making, runs, swaps
from grading.sets.runs import Ask
from stockroom.jobs import kinds, worker
from stockroom.marks.pure.datecodes import Form, week_span
from stockroom.models import DateReading, Entry, Job, JobState, SeenFeature, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, graded_all, make_policy, make_type, make_user, make_valves
from tests.keyboard import Keyboard, at_the_keyboard

ASK = Ask(size=2, tiers=(("within 2 %", 2, 100), ("within 5 %", 5, 60)), best_grades=2)


def make_pool(gms: list[float]) -> list[Valve]:
    valves = make_valves(make_type(), len(gms))
    graded_all([(valve, 1.2, gm) for valve, gm in zip(valves, gms, strict=True)])
    return valves


@pytest.fixture
def pool(db: None) -> list[Valve]:
    """Two pairs within 2 %, one valve that goes with nobody."""
    return make_pool([1.50, 1.51, 1.60, 1.62, 1.75])


@pytest.fixture
def by(db: None) -> User:
    return make_user("kit", Role.BENCH)


def done(ask: Ask, by: User) -> MatchRun:
    run = runs.start(make_type(), ask, by)
    worker.work_off()
    return MatchRun.objects.get(pk=run.pk)


def test_a_run_finds_the_best_sets_and_proves_it(pool: list[Valve], by: User) -> None:
    run = done(ASK, by)
    assert run.job.is_done and run.outcome["proven"]
    assert run.outcome["value"] == run.outcome["bound"] == 200
    pairs = {frozenset(found.valve_ids) for found in runs.found_sets(run)}
    assert pairs == {frozenset((pool[0].pk, pool[1].pk)), frozenset((pool[2].pk, pool[3].pk))}


def asked_between_steps(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """The matcher as it is on a pool that takes it long: it asks whether to stop. What it is told, each time."""
    told: list[dict[str, Any]] = []
    find_sets = matching.find_sets

    def slow(*args: Any, **how: Any) -> matching.MatchOutcome:
        told.append(how)
        return find_sets(*args, **how)._replace(stopped=how["should_stop"]())

    monkeypatch.setattr(matching, "find_sets", slow)
    return told


def test_a_run_that_is_asked_to_stop_keeps_what_it_has(
    pool: list[Valve], by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker, "BEAT_S", 0)
    run = runs.start(make_type(), ASK, by)
    at_work = worker.claim()
    assert at_work is not None
    kinds.ask_to_stop(at_work)
    asked_between_steps(monkeypatch)
    assert worker.do(worker.Hand(at_work)) == JobState.DONE
    run.refresh_from_db()
    assert run.outcome["stopped"] and all(len(found.valve_ids) == 2 for found in runs.found_sets(run))


def test_a_run_whose_worker_leaves_is_not_stopped_by_hand_and_goes_on_from_its_sets(
    pool: list[Valve], by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = runs.start(make_type(), ASK, by)
    at_work, leaving = worker.claim(), threading.Event()
    assert at_work is not None
    leaving.set()
    started = asked_between_steps(monkeypatch)
    assert worker.do(worker.Hand(at_work, leaving)) == JobState.WAITING
    run.refresh_from_db()
    assert not run.outcome and run.job.attempts == 0
    best = run.job.saved["start"]
    assert len(best) == 2 and run.job.saved["seconds"] > 0
    worker.work_off()
    run = MatchRun.objects.get(pk=run.pk)
    assert run.outcome["proven"] and not run.outcome["stopped"]
    assert started[1]["start"] == best and started[1]["time_limit_s"] < ASK.time_limit_s


def test_a_run_whose_worker_is_killed_goes_on_from_the_sets_it_had(
    pool: list[Valve], by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = runs.start(make_type(), ASK, by)
    at_work = worker.claim()
    assert at_work is not None
    monkeypatch.setattr(runs, "SAVE_EVERY_S", 0)
    monkeypatch.setattr(runs, "transaction", None)  # it dies when it would write what it found
    worker.do(worker.Hand(at_work))
    monkeypatch.undo()
    run.refresh_from_db()
    best = {frozenset(keys) for keys in run.job.saved["start"]}
    assert best == {frozenset((pool[0].pk, pool[1].pk)), frozenset((pool[2].pk, pool[3].pk))}
    started = asked_between_steps(monkeypatch)
    Job.objects.update(not_before=None)
    worker.work_off()
    assert {frozenset(keys) for keys in started[0]["start"]} == best
    assert MatchRun.objects.get(pk=run.pk).outcome["value"] == 200


def test_a_run_asked_for_by_another_version_is_refused_and_its_page_says_so(
    pool: list[Valve], by: User, logged_in: Callable[..., Client]
) -> None:
    run = runs.start(make_type(), ASK, by)
    Job.objects.update(question={**run.job.question, "mirrored": True})
    worker.work_off()
    run = MatchRun.objects.get(pk=run.pk)
    assert run.job.state == JobState.FAILED and "“mirrored”" in run.job.trouble
    client = logged_in(Role.BENCH)
    assert "“mirrored”" in client.get(f"/runs/{run.pk}/").text
    assert client.get("/runs/").status_code == 200
    for what in ("again", "accept"):
        assert "“mirrored”" in client.post(f"/runs/{run.pk}/{what}/", {"everything": "1"}, follow=True).text
    assert client.get(f"/runs/{run.pk}/sets/0/swap/").status_code == 404


def dated(valve: Valve, earliest: date, latest: date) -> None:
    DateReading.objects.create(
        valve=valve, code="as stamped", form=Form.YEAR_WEEK.name, detail="a time", earliest=earliest, latest=latest
    )


def test_sets_of_one_date_take_only_valves_that_are_known_to_be_of_it(pool: list[Valve], by: User) -> None:
    week = week_span(1953, 12)
    assert week
    dated(pool[0], *week)
    dated(pool[1], *week)
    dated(pool[2], *week)
    dated(pool[3], date(1953, 3, 1), date(1953, 3, 31))
    same_week = done(replace(ASK, weeks_apart=0), by)
    assert [set(found.valve_ids) for found in runs.found_sets(same_week)] == [{pool[0].pk, pool[1].pk}]
    reasons = dict(map(tuple, same_week.outcome["left_out"]))
    assert reasons == {
        pool[3].serial: "made in any of 6 weeks, which may be more than 0 apart",
        pool[4].serial: "week of manufacture not known",
    }
    assert len(runs.found_sets(done(replace(ASK, weeks_apart=5), by))) == 2


def test_sets_built_alike_take_only_valves_whose_construction_was_seen(pool: list[Valve], by: User) -> None:
    for valve, shape in zip(pool, ("box", "box", "box", "ribbed"), strict=False):
        SeenFeature.objects.create(valve=valve, feature="plate shape", word=shape)
        SeenFeature.objects.create(valve=valve, feature="print colour", word="red" if valve == pool[0] else "white")
    run = done(replace(ASK, same_construction=True), by)
    assert [set(found.valve_ids) for found in runs.found_sets(run)] == [{pool[0].pk, pool[1].pk}]
    assert run.outcome["left_out"] == [[pool[4].serial, "construction not known"]]


def test_a_question_without_meaning_fails_with_its_reason(pool: list[Valve], by: User) -> None:
    run = done(Ask(size=2, tiers=(("a", 2, 1), ("a", 5, 1)), best_grades=2), by)
    assert run.job.state == JobState.FAILED and run.job.trouble


def test_accepting_makes_the_sets_once(pool: list[Valve], by: User) -> None:
    run = done(ASK, by)
    made, troubles = accepting.accept(run, {0, 1}, by)
    assert len(made) == 2 and not troubles and MatchedSet.objects.count() == 2
    assert {matched.tolerance_percent for matched in made} == {2}
    assert accepting.accept(run, {0, 1}, by) == ([], [])


def test_a_set_whose_valve_has_gone_meanwhile_is_told_and_the_others_are_made(pool: list[Valve], by: User) -> None:
    run = done(ASK, by)
    making.make_set(pool[:2], 5, by)
    made, troubles = accepting.accept(run, {0, 1}, by)
    assert len(made) == 1 and "only a graded valve that is free" in troubles[0]


def many_pairs(count: int) -> list[Valve]:
    """A pool of so many pairs, each within 0.5 % and 4 % from the next."""
    return make_pool([1.2 * 1.04**number * half for number in range(count) for half in (1, 1.005)])


PAIRS = Ask(size=2, tiers=(("within 1 %", 1, 100),), best_grades=9)


@pytest.fixture
def offered(by: User, monkeypatch: pytest.MonkeyPatch) -> MatchRun:
    """A run that offers 12 pairs, to be made three at a time."""
    monkeypatch.setattr(accepting, "PIECE", 3)
    many_pairs(12)
    run = done(PAIRS, by)
    assert len(runs.found_sets(run)) == 12
    return run


def test_many_sets_are_made_behind_the_pages_with_progress(
    offered: MatchRun, by: User, logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.BENCH)
    taken = runs.found_sets(offered)[4].valve_ids
    making_set(taken, by)
    assert client.post(f"/runs/{offered.pk}/accept/", {"everything": "1"}).status_code == 302
    assert MatchedSet.objects.count() == 1
    page = client.get(f"/runs/{offered.pk}/").text
    assert "Make 12 sets" in page and 'http-equiv="refresh"' in page and "everything" not in page
    worker.work_off()
    job = accepting.latest(offered)
    assert job is not None and job.is_done and job.progress["text"] == "12 of 12 sets"
    assert MatchedSet.objects.count() == 12
    assert Entry.objects.filter(action="set-made").count() == 24
    page = client.get(f"/runs/{offered.pk}/").text
    assert "Made 11 by one go" in page and "1 could not be made" in page and "free can join a set" in page
    assert {valve.state for valve in Valve.objects.all()} == {State.MATCHED}


def making_set(valve_ids: tuple[int, ...], by: User) -> MatchedSet:
    return making.make_set(list(Valve.objects.in_bulk(valve_ids).values()), 5, by)


def test_making_sets_takes_few_queries_a_set(offered: MatchRun, by: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(accepting, "PIECE", 12)
    with CaptureQueriesContext(connection) as queries:
        made, troubles = accepting.accept(offered, range(12), by)
    assert len(made) == 12 and not troubles
    assert len(queries) <= 52, "about thirty-two a set they were; what is known of the tester is looked up once"


def test_nothing_is_judged_while_the_database_is_locked(
    offered: MatchRun, by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    depths: list[int] = []
    outside = len(connection.savepoint_ids)
    check = accepting.check_set

    def watched(*args: Any) -> making.ReadySet:
        depths.append(len(connection.savepoint_ids))
        return check(*args)

    monkeypatch.setattr(accepting, "check_set", watched)
    accepting.accept(offered, range(12), by)
    assert depths == [outside] * 12


def test_making_sets_goes_on_where_a_worker_was_cut_off_and_makes_none_twice(
    offered: MatchRun, by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    making_set(runs.found_sets(offered)[0].valve_ids, by)  # one that the first worker cannot make
    accepting.start_making(offered, range(12), by)
    at_work = worker.claim()
    assert at_work is not None
    pieces = []
    make_piece = accepting._make_piece

    def cut_off(*args: Any) -> accepting.Accepted:
        if len(pieces) == 2:
            raise SystemExit  # as far as the records go, like a kill
        pieces.append(args)
        return make_piece(*args)

    with monkeypatch.context() as killed, pytest.raises(SystemExit):
        killed.setattr(accepting, "_make_piece", cut_off)
        worker.do(worker.Hand(at_work))
    assert MatchedSet.objects.count() == 6
    Job.objects.update(alive_at=timezone.now() - 2 * worker.LOST_AFTER)
    worker.work_off()
    job = accepting.latest(offered)
    assert job is not None and job.is_done and len(job.result["made"]) == 11
    assert len(job.result["troubles"]) == 1, "what was refused is not tried, nor told, again"
    assert job.progress["text"] == "12 of 12 sets"
    offered.refresh_from_db()
    numbers = [found.taken for found in runs.found_sets(offered)]
    assert numbers[0] == "" and sorted(numbers[1:]) == sorted(job.result["made"]) and len(set(numbers)) == 12
    assert MatchedSet.objects.count() == 12


def test_a_valve_that_changes_between_judging_and_writing_keeps_its_set_from_being_made(
    offered: MatchRun, by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    regraded, taken = (runs.found_sets(offered)[place].valve_ids for place in (0, 1))
    write = accepting.write_sets

    def meanwhile(judged: Any, policy: Any, by: Any) -> Any:
        if not MatchedSet.objects.exists():
            making_set(taken, by)
            graded(Valve.objects.get(pk=regraded[0]), ia=1.2, gm=9.9)
        return write(judged, policy, by)

    monkeypatch.setattr(accepting, "write_sets", meanwhile)
    made, troubles = accepting.accept(offered, range(12), by)
    assert len(made) == 10 and len(troubles) == 2 and all("has changed" in trouble for trouble in troubles)


def test_a_change_by_hand_says_what_it_costs(pool: list[Valve], by: User) -> None:
    run = done(ASK, by)
    place = next(n for n, one in enumerate(runs.found_sets(run)) if pool[0].pk in one.valve_ids)
    # 1.51 and 1.62 go into no tier; 1.62 and 1.50 neither.
    with pytest.raises(swaps.CannotChange, match="the set is none"):
        swaps.SwapTable.of(run).swap(place, pool[0], pool[3])
    other = 1 - place
    worse = make_pool([1.66])[0]  # with 1.60: 3.75 %, the second tier
    change = swaps.SwapTable.of(run).swap(other, pool[3], worse)
    assert (change.before, change.after, change.robbed) == (200, 160, None)
    swaps.save_swap(run, other, pool[3], worse)
    run.refresh_from_db()
    assert run.outcome["value"] == 160


def test_the_valves_that_would_fit_are_offered_the_least_loss_first(pool: list[Valve], by: User) -> None:
    run = done(ASK, by)
    place = next(n for n, one in enumerate(runs.found_sets(run)) if pool[2].pk in one.valve_ids)
    near, far = make_pool([1.63, 1.66])
    offered = swaps.SwapTable.of(run).replacements(place, pool[3])
    assert [(change.in_, change.loss) for change in offered] == [(near, 0), (far, 40)]


def test_taking_a_valve_from_another_set_costs_that_set(by: User) -> None:
    make_policy()
    pool = make_pool([1.600, 1.602, 1.604, 1.606])
    run = done(ASK, by)
    first, second = runs.found_sets(run)
    valve = {valve.pk: valve for valve in pool}
    change = swaps.SwapTable.of(run).swap(0, valve[first.valve_ids[0]], valve[second.valve_ids[0]])
    assert change.robbed == 1 and change.before - change.after == second.value


def test_running_again_starts_from_the_sets_that_were_found(pool: list[Valve], by: User) -> None:
    run = done(ASK, by)
    fresh = make_pool([1.76])[0]
    later = runs.again(run, by)
    assert Ask.read(later.ask).start
    worker.work_off()
    later.refresh_from_db()
    assert later.outcome["value"] == 300
    assert any(fresh.pk in found.valve_ids for found in runs.found_sets(later))


def test_running_again_leaves_off_at_the_gap_that_took_all_the_time_before(pool: list[Valve], by: User) -> None:
    run = done(ASK, by)
    assert Ask.read(runs.again(run, by).ask).near_enough == 0
    MatchRun.objects.filter(pk=run.pk).update(outcome={**run.outcome, "timed_out": True, "gap": 0.01})
    run.refresh_from_db()
    assert Ask.read(runs.again(run, by).ask).near_enough == 0.01
    MatchRun.objects.filter(pk=run.pk).update(outcome={**run.outcome, "timed_out": False, "stopped": True})
    run.refresh_from_db()
    assert Ask.read(runs.again(run, by).ask).near_enough == 0, "somebody had no patience; the time was not up"


# Through the pages


def test_tiers_that_make_no_sense_are_refused_beside_their_field(logged_in: Callable[..., Client]) -> None:
    make_policy()
    make_type()
    client = logged_in(Role.BENCH)
    page = client.post(
        "/runs/new/",
        {
            "type": "12AX7",
            "size": "4",
            "best_grades": "2",
            "within_1": "5",
            "price_1": "50",
            "within_2": "2",
            "price_2": "90",
            "time_limit_s": "20",
        },
    ).content.decode()
    assert "Each tier is wider" in page and "not worth more than a tighter one" in page
    assert 'value="90"' in page and not MatchRun.objects.exists()


def test_the_page_shows_bound_gap_and_the_pool_with_its_sets(
    pool: list[Valve], by: User, logged_in: Callable[..., Client]
) -> None:
    run = done(ASK, by)
    page = logged_in(Role.RECEIVING).get(f"/runs/{run.pk}/").content.decode()
    assert "proven to be the best" in page and "<svg" in page and 'class="star tier-0"' in page
    assert all(valve.serial in page for valve in pool[:4])


def test_a_set_is_changed_on_its_page(pool: list[Valve], by: User, logged_in: Callable[..., Client]) -> None:
    run = done(ASK, by)
    place = next(n for n, one in enumerate(runs.found_sets(run)) if pool[2].pk in one.valve_ids)
    worse = make_pool([1.66])[0]
    address, client = f"/runs/{run.pk}/sets/{place}/swap/", logged_in(Role.BENCH)
    assert "1.62" in client.get(address).content.decode()
    taken_out = {"out": pool[3].serial}
    assert worse.serial in client.post(address, taken_out).content.decode()
    put_in = {**taken_out, "in_": worse.serial}
    assert "loses 40 GBP" in client.post(address, put_in).content.decode()
    assert client.post(address, {**put_in, "sure": "1"}).status_code == 302
    run.refresh_from_db()
    assert run.outcome["value"] == 160 and not run.outcome["proven"]
    assert "is not in that set" in client.post(address, put_in).content.decode()
    assert client.get(f"/runs/{run.pk}/sets/9/swap/").status_code == 404


@pytest.fixture
def keyboard(served: Any, browser: Any, person: Callable[..., User]) -> Iterator[Keyboard]:
    call_command("load_policy", verbosity=0)
    person(Role.OWNER, name="owner")
    stop = threading.Event()
    thread = threading.Thread(target=worker.work_forever, args=(stop,))
    thread.start()
    with at_the_keyboard(browser, served.url) as somebody:
        yield somebody
    stop.set()
    thread.join()


def test_a_pool_is_matched_in_the_browser_by_keyboard(keyboard: Keyboard) -> None:
    make_pool([1.50, 1.51, 1.60, 1.62, 1.75])
    keyboard.type("owner").press("Tab").type("a-long-test-password").go()
    keyboard.tab_to("Sets").go().tab_to("Match a whole pool").go().tab_to("Ask for a run").go()
    keyboard.type("12AX7").tab_to("Sets of").choose("2, matched pair").tab_to("Look for the best sets").go()
    keyboard.page.wait_for_selector("text=proven to be the best", timeout=30_000)
    keyboard.press("Enter")  # the cursor is on "Make all 2 sets"
    keyboard.page.wait_for_selector("text=Made 2")
    assert MatchedSet.objects.count() == 2


def test_sections_that_are_not_meant_alike_have_no_balance_to_ask_for(logged_in: Callable[..., Client]) -> None:
    make_policy()
    mixed = make_type("6U8A", kind="triode-pentode")
    mixed.sections.get(number=2).test_points.update(anode_current_ma=10, gm_ma_per_v=5.2)
    asked = {
        "type": "6U8A",
        "size": 2,
        "best_grades": 2,
        "within_1": 2,
        "price_1": 100,
        "time_limit_s": 5,
        "section_balance_percent": 10,
    }
    page = logged_in(Role.BENCH).post("/runs/new/", asked).content.decode()
    assert "The sections of a 6U8A are not meant alike" in page and not MatchRun.objects.exists()
