"""When things happened in the demonstration."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta

from django.db import connection, models
from django.db.models.signals import pre_save
from django.utils import timezone

from grading.models import (
    Baseline,
    Grade,
    HouseNominal,
    MatchedSet,
    PriceDraft,
    PriceRule,
    Shift,
    Stop,
    Study,
    TesterCondition,
)
from stockroom.ledger import posting
from stockroom.models import (
    Allocation,
    Attachment,
    Claim,
    ClaimStep,
    Cleaning,
    Condition,
    Credit,
    DateReading,
    Despatch,
    Enquiry,
    Entry,
    Fault,
    KnownConstruction,
    Listing,
    Lot,
    MarkWarning,
    Movement,
    Order,
    Photograph,
    Repricing,
    Return,
    ReturnCase,
    SamplingPlan,
    SealedDecision,
    SeenFeature,
    Valve,
    WarrantyRule,
)

# What happened when is told by these; `at` sets them back. What is read tells its time when it is written.
TIMES: dict[type[models.Model], str] = {
    Allocation: "made_at",
    Attachment: "added_at",
    Baseline: "set_at",
    Claim: "made_at",
    ClaimStep: "at",
    Cleaning: "at",
    Condition: "at",
    Credit: "at",
    DateReading: "at",
    Despatch: "at",
    Enquiry: "sent_at",
    Entry: "at",
    Fault: "at",
    Grade: "given_at",
    HouseNominal: "learnt_at",
    KnownConstruction: "at",
    Listing: "listed_at",
    Lot: "created_at",
    MarkWarning: "raised_at",
    MatchedSet: "made_at",
    Movement: "at",
    Order: "placed_at",
    Photograph: "first_sent_at",
    PriceDraft: "made_at",
    Return: "at",
    ReturnCase: "opened_at",
    SeenFeature: "at",
    Shift: "started_at",
    Stop: "opened_at",
    Study: "started_at",
    TesterCondition: "since",
    Valve: "created_at",
    WarrantyRule: "made_at",
}
# Written once, so `at` cannot set their time back afterwards: `once` gives it before.
WRITTEN_ONCE: dict[type[models.Model], str] = {
    PriceRule: "at",
    Repricing: "at",
    SamplingPlan: "made_at",
    SealedDecision: "at",
}


def moment(day: date, working_days_ago: int, hour: int, minute: int = 0) -> datetime:
    """A time of day so many working days before `day`."""
    while working_days_ago:
        day -= timedelta(days=1)
        working_days_ago -= day.weekday() < 5
    return timezone.make_aware(datetime.combine(day, time(hour, minute)))


def a_time(text: str) -> tuple[int, int]:
    """
    >>> a_time("11:10")
    (11, 10)
    """
    read = time.fromisoformat(text)
    return read.hour, read.minute


@contextmanager
def at(when: datetime) -> Iterator[None]:
    """What is done inside happened then."""
    before = _last_keys()
    with posting.on_day(timezone.localdate(when)):
        yield
    for model, last in _last_keys().items():
        if last > before[model]:
            model._default_manager.filter(pk__gt=before[model]).update(**{TIMES[model]: when})


@contextmanager
def once(when: datetime) -> Iterator[None]:
    """What is saved inside, and is never changed afterwards, bears this time."""

    def set_time(sender: type[models.Model], instance: models.Model, **_: object) -> None:
        setattr(instance, WRITTEN_ONCE[sender], when)

    for model in WRITTEN_ONCE:
        pre_save.connect(set_time, sender=model, dispatch_uid="demo")
    try:
        yield
    finally:
        for model in WRITTEN_ONCE:
            pre_save.disconnect(sender=model, dispatch_uid="demo")


def _last_keys() -> dict[type[models.Model], int]:
    """The last row of each table, in one question: a demonstration asks a thousand times."""
    quoted = connection.ops.quote_name
    asked = (
        f"SELECT {place}, MAX({quoted(model._meta.pk.attname)}) FROM {quoted(model._meta.db_table)}"
        for place, model in enumerate(TIMES)
    )
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(asked))
        last = dict(cursor.fetchall())
    return {model: last[place] or 0 for place, model in enumerate(TIMES)}
