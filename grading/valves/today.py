"""The start page: the stock by state, and what waits for whom."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple, Protocol

from django.db.models import Count, Q, QuerySet
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.utils import timezone

from grading.models import MatchedSet, Stop, Study, StudyReading, Tester
from grading.orders import holds
from grading.sets import doubts
from grading.testers import records
from grading.testers.records import CalibrationState
from stockroom.models import Enquiry, Lot, Order, Return, ReturnCase, Valve
from stockroom.pure.written import day
from stockroom.site import backups
from stockroom.site.people import Role, StaffRequest, may
from stockroom.states import LADDER, State

A_FEW = 10  # of each kind
LOOKED_AT = 100  # sets whose valves were read again, the latest made first


class ToDo(NamedTuple):
    """One thing to do, "Fill R0001 for Ada Quill": the words before the link, the link, and those after it."""

    verb: str
    address: str
    name: str
    rest: str = ""


class Waits(NamedTuple):
    role: Role
    mine: bool
    jobs: list[ToDo]


class Placed(Protocol):
    def get_absolute_url(self) -> str: ...


def home(request: StaffRequest) -> HttpResponse:
    counts = dict(Valve.objects.order_by().values_list("state").annotate(n=Count("pk")))
    jobs = {Role.RECEIVING: _receiving(), Role.BENCH: _bench(), Role.SALES: _sales(), Role.OWNER: _owner()}
    waits = [Waits(role, may(request.user, role), list(found)) for role, found in jobs.items()]
    waits = [row for row in waits if row.jobs]
    return render(
        request,
        "valves/today.html",
        {
            "stock": [(state, counts.get(state, 0)) for state in LADDER],
            "mine": [row for row in waits if row.mine],
            "others": [row for row in waits if not row.mine],
        },
    )


def _job(verb: str, thing: Placed, rest: str = "", name: str = "") -> ToDo:
    return ToDo(verb, thing.get_absolute_url(), name or str(thing), rest)


def _receiving() -> Iterator[ToDo]:
    for lot in Lot.objects.filter(lines__counted=None, lines__isnull=False).distinct()[:A_FEW]:
        yield _job("Count", lot)


def _bench() -> Iterator[ToDo]:
    for valve in Valve.objects.filter(returns__isnull=False, state="received").distinct()[:A_FEW]:
        yield _job("Re-test", valve, ", which came back")
    read_again = list(doubts.read_again(MatchedSet.objects.live()).select_related("policy")[:LOOKED_AT])
    doubtful = doubts.doubtful(read_again)
    for matched in [matched for matched in read_again if matched.pk in doubtful][:A_FEW]:
        yield _job("Break up", matched, ", which no longer holds", matched.number)
    for stop in _stops():
        yield _job("Do not grade on", stop, ", which is stopped", str(stop.tester))
    yield from _studies()


def _studies() -> Iterator[ToDo]:
    """Studies begun and not finished, with how much each operator has still to read; four queries in all."""
    begun = Study.objects.filter(finished_at=None, given_up_at=None)
    studies = list(
        begun.select_related("tester", "test_point__section__type")
        .annotate(size=Count("study_valves"))
        .prefetch_related("study_operators__operator")
        .order_by("started_at")[:A_FEW]
    )
    read = Counter(
        StudyReading.objects.filter(study__in=[study.pk for study in studies], supersedes=None)
        .order_by()
        .values_list("study", "operator")
    )
    for study in studies:
        left = [
            (row.operator, study.size * study.repeats - read[study.pk, row.operator_id])
            for row in study.study_operators.all()
        ]
        whose = ", ".join(f"{operator} {count}" for operator, count in left if count)
        yield _job("Read", study, f"; left: {whose}") if whose else _job("Finish", study, ", all read")


def _sales() -> Iterator[ToDo]:
    for enquiry in Enquiry.objects.waiting().select_related("listing").order_by("sent_at")[:A_FEW]:
        yield _job("Answer", enquiry, f" about {enquiry.listing}", enquiry.name)
    steps = {
        Order.State.OPEN: ("Fill", "for"),
        Order.State.RESERVED: ("Pull", "for"),
        Order.State.PULLED: ("Send", "to"),
    }
    for state, (verb, preposition) in steps.items():
        for order in Order.objects.filter(state=state).select_related("customer")[:A_FEW]:
            yield _job(verb, order, f" {preposition} {order.customer}")
    for order in holds.soon_over(A_FEW):
        yield _job("Ask about", order, f": {order.customer} has not paid, and it is set aside {holds.in_words(order)}")
    yield from _returns()


def _returns() -> Iterator[ToDo]:
    """Returns that wait for a decision; those that the bench has read again come first."""
    waits = Count("items", filter=Q(items__valve__state=State.RECEIVED) & ~Q(items__seal=Return.Seal.INTACT))
    open_ = ReturnCase.objects.undecided().annotate(waits=waits).select_related("order__customer")
    for case in open_.order_by("waits", "opened_at")[:A_FEW]:
        read = ", not read again yet" if case.waits else ", read again"
        yield _job("Decide on", case, f", back from {case.order.customer}{read}")


def _stops() -> QuerySet[Stop]:
    return Stop.objects.filter(cleared_at=None).select_related("tester")[:A_FEW]


def _owner() -> Iterator[ToDo]:
    if why := backups.why_now():
        yield ToDo("Back up", reverse("office"), "the shop", why)
    for stop in _stops():
        yield _job("Put right", stop, f", stopped since {day(timezone.localdate(stop.opened_at))}", str(stop.tester))
    for tester in Tester.objects.filter(in_use=True).prefetch_related("calibrations"):
        state = records.calibration_state(tester)
        if state in (CalibrationState.OVERDUE, CalibrationState.DUE_SOON):
            last = records.calibration_of(tester)
            assert last is not None
            when = f", {'overdue since' if state == CalibrationState.OVERDUE else 'due on'} {day(last.due_on)}"
            yield _job("Calibrate", tester, when)


urlpatterns = [path("", home, name="home")]
