"""Readings are written once. Neither the pages, nor the ORM, nor raw SQL can change or delete one."""

from __future__ import annotations

import pytest
from django.db import DatabaseError, connection, transaction
from django.db.models import Model

from grading.models import Reading
from grading.models.append_only import AppendOnlyError
from tests.factories import make_valve, read

pytestmark = pytest.mark.django_db


@pytest.fixture
def reading() -> Reading:
    return read(make_valve(), 1.2, 1.6)[0]


def stored(reading: Reading) -> float | None:
    return Reading.objects.get(pk=reading.pk).anode_current_ma


def test_saving_a_changed_reading_is_refused(reading: Reading) -> None:
    reading.anode_current_ma = 9.9
    with pytest.raises(AppendOnlyError):
        reading.save()
    assert stored(reading) == 1.2


def test_deleting_a_reading_is_refused(reading: Reading) -> None:
    with pytest.raises(AppendOnlyError):
        reading.delete()
    assert stored(reading) == 1.2


def test_updating_many_is_refused(reading: Reading) -> None:
    with pytest.raises(AppendOnlyError):
        Reading.objects.filter(pk=reading.pk).update(anode_current_ma=9.9)
    with pytest.raises(AppendOnlyError):
        Reading.objects.bulk_update([reading], ["anode_current_ma"])
    assert stored(reading) == 1.2


def test_deleting_many_is_refused(reading: Reading) -> None:
    with pytest.raises(AppendOnlyError):
        Reading.objects.all().delete()
    assert stored(reading) == 1.2


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE grading_reading SET anode_current_ma = 9.9",
        "UPDATE grading_reading SET remark = ''",
        "DELETE FROM grading_reading",
    ],
)
def test_raw_sql_is_refused_by_the_database_itself(reading: Reading, statement: str) -> None:
    refused = pytest.raises(DatabaseError, match="never edited or deleted")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)
    assert stored(reading) == 1.2


def test_a_manager_that_goes_round_the_model_is_refused_by_the_database(reading: Reading) -> None:
    rows = Reading._base_manager.filter(pk=reading.pk)
    with pytest.raises(DatabaseError, match="never edited or deleted"), transaction.atomic():
        rows.update(anode_current_ma=9.9)
    assert stored(reading) == 1.2


def test_the_valve_and_the_shift_of_a_reading_cannot_be_deleted(reading: Reading) -> None:
    things: list[Model] = [reading.valve, reading.shift, reading.test_point]
    for thing in things:
        with pytest.raises(DatabaseError), transaction.atomic():
            thing.delete()
    assert stored(reading) == 1.2


def test_a_correction_without_a_reason_is_refused_by_the_database(reading: Reading) -> None:
    with pytest.raises(DatabaseError), transaction.atomic():
        Reading.objects.create(
            valve=reading.valve, section=1, shift=reading.shift, test_point=reading.test_point, supersedes=reading
        )


def test_a_reading_is_superseded_once_by_the_database(reading: Reading) -> None:
    def correction() -> Reading:
        return Reading.objects.create(
            valve=reading.valve,
            section=1,
            shift=reading.shift,
            test_point=reading.test_point,
            supersedes=reading,
            reason="misread",
        )

    correction()
    with pytest.raises(DatabaseError), transaction.atomic():
        correction()


@pytest.mark.parametrize("field", ["anode_current_ma", "gm_ma_per_v", "heater_cathode_leakage_ua"])
def test_a_negative_reading_is_refused_by_the_database(reading: Reading, field: str) -> None:
    with pytest.raises(DatabaseError), transaction.atomic():
        Reading.objects.create(
            valve=reading.valve, section=1, shift=reading.shift, test_point=reading.test_point, **{field: -0.1}
        )
