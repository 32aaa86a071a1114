"""A name or a type code that means another type now: what stamps say of the type is looked at again, both ways."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client

from catalog.loading import load
from catalog.models import ValveType
from catalog.reference.rows import AliasRow, Reference
from stockroom.jobs import worker
from stockroom.jobs.worker import Hand
from stockroom.marks import identity, looking, register
from stockroom.marks.identity import MarksSeen
from stockroom.marks.pure.registers import CodesKnown, TypeCode
from stockroom.models import Entry, Job, JobState, MarkWarning, Valve
from stockroom.site.people import Role
from stockroom.types import keeping
from tests.factories import make_line, make_lot, make_user, make_valve, make_valves
from tests.reference import cut_down, the_reference

pytestmark = pytest.mark.django_db

OURS = cut_down(the_reference(), "EL84")


@pytest.fixture
def by() -> User:
    return make_user("rowan", Role.OWNER)


def el84() -> ValveType:
    return ValveType.objects.get(designation="EL84")


def stamped(code: str, type_: ValveType, by: User, **seen: Any) -> Valve:
    valve = make_valve(type_)
    identity.record(valve, MarksSeen(type=type_, code=code, **seen), by)
    return valve


def warned(valve: Valve) -> list[str]:
    """The open warnings, once the queue is empty."""
    worker.work_off()
    return [one.reason for one in valve.warnings.open()]


def alias(type_: ValveType, *names: str) -> None:
    """These are the type's own other names besides those of the reference, and no others that the shop gave it."""
    table = keeping.table_in_force(type_)
    kept = [one for one in table.get("aliases", ()) if not one["designation"].startswith("QX")]
    wanted = [*kept, *({"designation": name, "source": "memory"} for name in names)]
    keeping.change(type_, {**table, "aliases": wanted}, None, reason="the sheet in the box")


def called_otherwise(**fields: Any) -> Reference:
    row = OURS.types["EL84"]
    table = {**row.table, **fields.pop("table", {})}
    row = replace(row, table=table, **fields)
    names = dict.fromkeys(OURS.by_name, row)
    return Reference(OURS.sources, OURS.basings, {row.designation: row}, names)


def test_an_alias_added_raises_the_warning_and_taken_away_clears_it(reference: None, by: User) -> None:
    triode = ValveType.objects.get(designation="12AX7")
    valve, own = stamped("QX7741 1952", triode, by), stamped("QX7741 1952", el84(), by)
    assert warned(valve) == []
    alias(el84(), "QX7741")
    assert warned(valve) == ["it is taken for 12AX7, but the marks say QX7741, EL84"] and warned(own) == []
    said = Entry.objects.get(action="marks-looked-at").text
    assert said == "What stamps say of the type was looked at again: 1 warning came, 0 went."
    alias(el84())
    assert warned(valve) == []
    assert valve.warnings.get().cleared_at is not None
    assert valve.entries.filter(action="marks-agree").exists()


def test_a_name_given_to_the_valves_own_type_clears_the_warning(reference: None, by: User) -> None:
    triode = ValveType.objects.get(designation="12AX7")
    keeping.enter({"designation": "QX7742"}, by)
    valve = stamped("QX7742 1952", triode, by)
    assert len(warned(valve)) == 1
    other = ValveType.objects.get(designation="QX7742")
    related = [{"designation": "12AX7", "how": "special quality", "source": "memory"}]
    sheet = keeping.table_in_force(triode)
    inside = {key: sheet[key] for key in ("kind", "heaters", "heater_source", "basing", "basing_source")}
    keeping.change(other, {"designation": "QX7742", **inside, "related": related}, by, reason="the same inside")
    assert warned(valve) == ["it is taken for 12AX7, but the marks say QX7742, which is near to it"]


def test_a_type_entered_later_is_known_on_stamps_that_were_written_down_before(reference: None, by: User) -> None:
    valve = stamped("JAN QX7743 1952", el84(), by)
    assert warned(valve) == []
    keeping.enter({"designation": "QX7743"}, by)
    assert warned(valve) == ["it is taken for EL84, but the marks say QX7743"]


def test_a_type_that_a_newer_reference_calls_otherwise_is_called_so_in_its_warnings(reference: None, by: User) -> None:
    """Also in one that rests on a date: the stamp itself need not tell a type."""
    marked = stamped("12AX7 1961", el84(), by)
    early = stamped("1931-11", el84(), by, chosen="YEAR_MONTH||November 1931")
    assert warned(marked) == ["it is taken for EL84, but the marks say 12AX7"]
    (dated,) = warned(early)
    assert "is before EL84 was first" in dated
    row = OURS.types["EL84"]
    names = (*row.aliases, AliasRow("EL84", "memory", ""))
    load(called_otherwise(designation="QX84", aliases=names, table={"designation": "QX84"}))
    assert warned(marked) == ["it is taken for QX84, but the marks say 12AX7"]
    (dated,) = warned(early)
    assert "is before QX84 was first" in dated


def test_type_codes_of_a_newer_program_are_read_on_old_stamps_once_the_types_are_loaded(
    reference: None, by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both ways: with the code that it brings, and without it again."""
    valve = stamped("Q72 B5D3", ValveType.objects.get(designation="12AX7"), by)
    load(OURS)
    assert warned(valve) == []
    known = register.codes_known()
    more = CodesKnown({**known.type_codes, "Q7": TypeCode("Q7", ("EL84",), "memory")}, known.plants)
    for module in (register, looking):
        monkeypatch.setattr(module, "codes_known", lambda: more)
    load(OURS)
    assert warned(valve) == ["it is taken for 12AX7, but Q72 is the type code of EL84"]
    load(OURS)
    assert Job.objects.filter(kind=looking.KIND).count() == 2, "the codes are the same"
    monkeypatch.undo()
    load(OURS)
    assert warned(valve) == [] and valve.warnings.get().cleared_at is not None


def test_nothing_is_asked_where_no_name_changed_or_no_valve_is_stamped(reference: None, by: User) -> None:
    keeping.enter({"designation": "QX7744"}, by)
    assert not Job.objects.exists(), "there is no valve"
    stamped("CV492", el84(), by)
    keeping.change(el84(), {**keeping.table_in_force(el84()), "note": "read again"}, by, reason="sheet")
    assert not Job.objects.exists(), "a note is no name"


def test_one_that_waits_serves_the_next_change_too_and_one_at_work_gets_a_second_behind_it(
    reference: None, by: User
) -> None:
    stamped("CV492", el84(), by)
    for name in ("QX7745", "QX7746"):
        keeping.enter({"designation": name}, by)
    assert Job.objects.get().state == JobState.WAITING
    assert worker.claim() is not None
    keeping.enter({"designation": "QX7747"}, by)
    assert sorted(Job.objects.values_list("state", flat=True)) == [JobState.WAITING, JobState.WORKING]


def test_a_dismissed_warning_stays_dismissed_when_the_names_change_elsewhere(reference: None, by: User) -> None:
    valve = stamped("12AX7 1961", el84(), by)
    identity.dismiss(valve.warnings.get(), "the carton says so too", by)
    keeping.enter({"designation": "QX7748"}, by)
    assert warned(valve) == [] and valve.warnings.count() == 1


def test_an_interrupted_job_goes_on_behind_the_last_piece_and_tells_once(
    reference: None, by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(looking, "CHUNK", 2)
    valves = [stamped("QX7749", el84(), by) for _ in range(5)]
    keeping.enter({"designation": "QX7749"}, by)
    job = worker.claim()
    assert job is not None
    pieces = []

    def leaves_after_two(hand: Hand, *said: Any, **more: Any) -> None:
        pieces.append(said)
        if len(pieces) == 3:
            raise worker.Interrupted

    with monkeypatch.context() as now:
        now.setattr(Hand, "go_on", leaves_after_two)
        with pytest.raises(worker.Interrupted):
            looking.look_again(looking.StampsRead("x"), Hand(job))
    assert MarkWarning.objects.count() == 4
    Job.objects.update(state=JobState.WAITING)
    worker.work_off()
    assert MarkWarning.objects.count() == len(valves)
    Job.objects.update(state=JobState.WAITING)  # the worker ended before it could say that it was done
    worker.work_off()
    assert Entry.objects.get(action="marks-looked-at").text.endswith("5 warnings came, 0 went.")
    assert Job.objects.get().result["seen"] == 5


def test_many_stamps_are_looked_at_in_as_many_queries_as_few(
    reference: None, by: User, django_assert_max_num_queries: Any
) -> None:
    line = make_line(el84(), 120, lot=make_lot())
    valves = make_valves(line=line, count=120)
    identity.spread(valves, MarksSeen(code="QX7750"), by)
    keeping.enter({"designation": "QX7750"}, by)
    with django_assert_max_num_queries(45):
        worker.work_off()
    assert MarkWarning.objects.open().count() == 120


def test_who_asked_for_a_name_gets_the_page_at_once_and_the_job_is_among_the_jobs(
    reference: None, by: User, client: Client
) -> None:
    stamped("QX7751", el84(), by)
    client.force_login(by)
    client.post("/types/new/", {"designation": "QX7751"})
    assert not MarkWarning.objects.exists()
    assert "Look again at what stamps say of the type" in client.get("/jobs/").content.decode()
    worker.work_off()
    page = client.get("/jobs/").content.decode()
    assert "1 valve looked at, 1 warning came, 0 went" in page and 'href="/warnings/"' in page
