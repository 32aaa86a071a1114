"""Valves that may be sold as they were received: nobody has graded them."""

from __future__ import annotations

from django.db.models import Exists, OuterRef, Q, QuerySet

from catalog.models import TestPoint
from grading.models import Grade
from stockroom.models import Pack, Valve
from stockroom.states import State

UNGRADED = (State.RECEIVED, State.TESTED)


def never_graded() -> QuerySet[Valve]:
    """Without a grade and under no seal.

    One that was read counts only where its type has nothing to grade it by: a valve that failed to get a grade is not
    “untested”.
    """
    gradable = TestPoint.objects.filter(
        section__type=OuterRef("type"), anode_current_ma__isnull=False, position__lt=TestPoint.WITHDRAWN
    )  # in the database what `ValveType.has_nominals` says of one
    return Valve.objects.filter(
        ~Q(state=State.TESTED) | ~Exists(gradable),
        ~Exists(Grade.objects.filter(valve=OuterRef("pk"), current=True)),
        ~Exists(Pack.objects.under_seal().filter(valve=OuterRef("pk"))),
    )
