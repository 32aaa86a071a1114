"""Valves that may be sold as they were received: nobody has graded them."""

from __future__ import annotations

from django.db.models import Exists, OuterRef, Q, QuerySet

from catalog.models import TestPoint
from grading.models import Grade
from stockroom.models import Pack, Return, Valve
from stockroom.states import State

UNGRADED = (State.RECEIVED, State.TESTED)


def never_graded() -> QuerySet[Valve]:
    """Without a grade and under no seal, and no return that nobody has decided on.

    One that was read counts only where its type has nothing to grade it by: a valve that failed to get a grade is not
    “untested”. Neither is one that was sold and came back: it waits for a test.
    """
    gradable = TestPoint.objects.filter(
        section__type=OuterRef("type"),
        anode_current_ma__isnull=False,
        conversion_conductance_ma_per_v__isnull=True,
        position__lt=TestPoint.WITHDRAWN,
    )  # in the database what `ValveType.has_nominals` says of one
    came_back = Return.objects.filter(valve=OuterRef("pk"))
    return Valve.objects.filter(
        (~Q(state=State.TESTED) & ~Exists(came_back)) | ~Exists(gradable),
        ~Exists(came_back.undecided()),
        ~Exists(Grade.objects.filter(valve=OuterRef("pk"), current=True)),
        ~Exists(Pack.objects.under_seal().filter(valve=OuterRef("pk"))),
    )
