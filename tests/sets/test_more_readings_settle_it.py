"""What a page says would settle a doubt settles it when it is done, in that shift; the sentences agree."""

from __future__ import annotations

import re

import pytest

from grading.sets import making
from stockroom.models import Valve
from tests.factories import graded, graded_all, make_type, make_user, make_valve, make_valves
from tests.listings.test_values_as_graded import well_known_shift

pytestmark = pytest.mark.django_db


def refusal(valves: list[Valve]) -> str:
    """Why these are no set within 5 %; nothing when they are."""
    grades = making.current_grades(valves)
    try:
        making.check_set(list(Valve.objects.filter(pk__in=grades)), grades, 5, 0.95)
    except making.CannotMatch as problem:
        return str(problem)
    return ""


@pytest.mark.parametrize("gm", [1.650, 1.654])
def test_so_many_more_readings_of_each_valve_of_a_set_in_its_shift_make_it_sure(gm: float) -> None:
    """All quantities at once: four of them, of which one alone would be settled by fewer readings."""
    shift, valves = well_known_shift(), make_valves(make_type(), 2)
    pair = [(valves[0], 1.2, 1.6), (valves[1], 1.235, gm)]
    graded_all(pair, shift=shift)
    said = re.search(
        r"(\d+) more readings? of each valve, in the shift it was read in, would settle it", refusal(valves)
    )
    assert said is not None
    for _ in range(int(said[1]) - 1):
        graded_all(pair, shift=shift)
    assert re.search(r"\b1 more reading of each valve", refusal(valves))
    graded_all(pair, shift=shift)
    assert refusal(valves) == ""
    making.make_set(list(Valve.objects.filter(grades__current=True).distinct()), 5, make_user())


def test_the_headline_of_a_grade_counts_what_its_reasons_say_in_this_shift_and_afresh_in_a_later_one() -> None:
    shift, valve = well_known_shift(), make_valve(make_type())
    grade = graded(valve, gm=1.475, shift=shift)
    assert grade.too_close and grade.more_readings
    more = grade.more_readings
    word = "more reading" if more == 1 else "more readings"
    assert any(f"{more} {word} in the same shift would settle it" in reason for reason in grade.reasons)
    times = "time" if more == 1 else "times"
    assert grade.read_again.endswith(f"{more} more {times} in the same shift, or {more + 1} times in a later one.")


def test_where_reading_again_settles_nothing_the_headline_does_not_ask_for_it() -> None:
    grade = graded(make_valve(make_type()), gm=1.46, shift=None)  # a tester that nobody described
    assert grade.too_close and not grade.more_readings
    assert "reading it again would not settle it" in grade.read_again
