"""A crossed study of a tester: planned, read in an order drawn by lot, and what it says."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from math import inf, isclose, sqrt
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.utils import timezone

from grading.metrology import comparison, repeatability, uncertainty
from grading.metrology.uncertainty import ReadingTerms
from grading.models import Quantity, Study, StudyReading, Tester
from grading.models.append_only import AppendOnlyError
from grading.plots import charts
from grading.proof.published import data
from grading.testers import records, studies
from grading.testers.studies import PlanProblem, StudyProblem
from stockroom.models import Entry, Valve
from stockroom.site.people import Role
from tests.factories import make_type, make_user, make_valves
from tests.instruments import IA, READINGS, described, filled, owner, people, planned, point, studied
from tests.keyboard import Keyboard

pytestmark = pytest.mark.django_db


def valve_of(cell: studies.Cell) -> Valve:
    return Valve.objects.get(pk=cell.valve_id)


# Planning


def test_a_study_needs_two_of_everything() -> None:
    for valves, operators, repeats in ((1, 2, 2), (2, 1, 2), (2, 2, 1)):
        with pytest.raises(PlanProblem, match="two valves, two operators"):
            planned(described(), valves, operators, repeats)


def test_the_valves_are_of_one_type_and_none_is_in_it_twice() -> None:
    tester, ada_and_bo = described(), people()
    one, other = make_valves(make_type("12AX7"), 1)[0], make_valves(make_type("6SN7"), 1)[0]
    with pytest.raises(PlanProblem, match="is a 6SN7"):
        studies.plan(tester, IA, point(), [one, other], ada_and_bo, 2, owner())
    with pytest.raises(PlanProblem, match="twice"):
        studies.plan(tester, IA, point(), [one, one], ada_and_bo, 2, owner())


def test_a_quantity_that_the_tester_does_not_measure_cannot_be_studied() -> None:
    with pytest.raises(PlanProblem, match="does not measure"):
        planned(described(), quantity=Quantity.LEAKAGE)


def test_in_each_round_everybody_reads_every_valve_once() -> None:
    study = planned(described(), valves=4, operators=3, repeats=2)
    cells = studies.order(study)
    assert len(cells) == len(set(cells)) == 24
    for repeat in (1, 2):
        for person in people(3):
            read = [cell.valve_id for cell in cells if cell.repeat == repeat and cell.operator_id == person.pk]
            assert sorted(read) == sorted(study.valves.values_list("pk", flat=True))


def test_the_order_is_drawn_by_the_seed_and_can_be_drawn_again() -> None:
    study = planned(described(), valves=10)
    assert studies.order(study) == studies.order(Study.objects.get(pk=study.pk))
    drawn = set()
    for seed in range(8):
        study.seed = seed
        drawn.add(tuple(studies.order(study)))
    assert len(drawn) == 8
    rounds = [[c.valve_id for c in studies.order(study)[start : start + 10]] for start in (0, 10, 20, 30)]
    assert len({tuple(one) for one in rounds}) > 1, "each round has an order of its own"


# Reading


def test_each_person_is_led_through_their_own_readings() -> None:
    study = planned(described())
    ada, bo = people()
    first = studies.next_cell(study, ada)
    assert first is not None and first.operator_id == ada.pk and first.repeat == 1
    studies.record(study, first, 1.2, ada)
    second = studies.next_cell(study, ada)
    assert second is not None and second[:3] != first[:3]
    assert [(share.made, share.left) for share in studies.progress_of(study)] == [(1, 5), (0, 6)]
    assert studies.next_cell(study, make_user("stranger")) is None
    assert studies.next_cell(study, bo) is not None


def test_a_reading_is_made_by_its_own_operator_and_once() -> None:
    study = planned(described())
    ada, bo = people()
    cell = studies.next_cell(study, ada)
    assert cell is not None
    with pytest.raises(StudyProblem, match="another operator"):
        studies.record(study, cell, 1.2, bo)
    studies.record(study, cell, 1.2, ada)
    with pytest.raises(StudyProblem, match="made already"):
        studies.record(study, cell, 1.3, ada)
    assert study.readings.count() == 1


def test_a_correction_stands_in_place_of_the_wrong_reading() -> None:
    study = planned(described())
    ada, _ = people()
    cell = studies.next_cell(study, ada)
    assert cell is not None
    wrong = studies.record(study, cell, 12.0, ada)
    right = studies.correct(wrong, 1.2, "decimal point", ada)
    assert list(study.readings.current()) == [right]
    assert right.taken_at == wrong.taken_at and right.repeat == wrong.repeat
    with pytest.raises(StudyProblem, match="corrected already"):
        studies.correct(wrong, 1.3, "again", ada)
    assert studies.next_cell(study, ada) != cell, "the cell counts as filled"


def test_readings_of_a_study_are_never_edited_or_deleted() -> None:
    reading = filled(planned(described()), READINGS).readings.first()
    assert reading is not None
    kept = reading.value
    reading.value = 9.9
    for attempt in (
        reading.save,
        reading.delete,
        StudyReading.objects.all().delete,
        lambda: StudyReading.objects.update(value=9.9),
    ):
        with pytest.raises(AppendOnlyError):
            attempt()
    for statement in ("UPDATE grading_studyreading SET value = 9.9", "DELETE FROM grading_studyreading"):
        refused = pytest.raises(DatabaseError, match="never edited or deleted")
        with refused, transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    assert StudyReading.objects.get(pk=reading.pk).value == kept


# Ending


def test_a_study_is_finished_when_every_reading_is_made_and_then_stays_as_it_is() -> None:
    study = planned(described())
    ada, _ = people()
    with pytest.raises(StudyProblem, match="12 readings are still"):
        studies.finish(study, owner())
    filled(study, READINGS)
    studies.finish(study, owner())
    reading = study.readings.first()
    assert reading is not None
    with pytest.raises(StudyProblem, match="ended"):
        studies.correct(reading, 1.0, "too late", ada)
    assert Entry.objects.filter(action="study-finished").exists()


def test_a_study_given_up_keeps_its_readings_and_speaks_for_nothing() -> None:
    tester = described()
    study = filled(planned(tester), READINGS)
    studies.give_up(study, "a valve broke", owner())
    assert study.readings.count() == 12
    assert studies.repeatability_of(tester, IA) is None
    with pytest.raises(StudyProblem):
        studies.finish(study, owner())


# What it says


def test_a_published_study_comes_out_as_published_whatever_order_it_was_read_in() -> None:
    """The data and figures of grading/proof/published/gauge.py, sent through the tables of a study."""
    published = data.GAUGE_STUDY
    study = planned(described(), len(published), len(published[0]), len(published[0][0]))
    result = studies.analyse(filled(study, published)).result
    assert result is not None
    assert result.anova == repeatability.crossed_study(published).anova
    assert result.distinct_categories == 4
    assert round(result.gauge.contribution_percent, 2) == 7.76
    assert round(result.gauge.study_variation_percent, 2) == 27.86


def test_a_correction_is_what_the_analysis_counts() -> None:
    study = filled(planned(described()), READINGS)
    before = studies.analyse(study).result
    reading = study.readings.order_by("pk").first()
    assert reading is not None and before is not None
    studies.correct(reading, reading.value + 0.5, "read the wrong scale", reading.operator)
    after = studies.analyse(study).result
    assert after is not None and after.repeatability.variance > before.repeatability.variance


def test_what_is_known_of_a_tester_comes_from_its_latest_finished_study_of_a_size() -> None:
    tester = described()
    assert studies.repeatability_of(tester, IA) is None
    studied(tester)
    wider = [[[value + 0.005 * (k == 0) for k, value in enumerate(cell)] for cell in row] for row in READINGS]
    second = filled(planned(tester), wider)
    studies.finish(second, owner())
    planned(tester)  # one that is still being read says nothing
    known = studies.repeatability_of(tester, IA)
    assert known is not None and known.study == second
    result = studies.analyse(second).result
    assert result is not None
    assert isclose(known.standard_deviation, result.repeatability.standard_deviation)
    assert studies.repeatability_of(tester, Quantity.GM) is None


def said(sd: float, degrees: float, at: float = 1.2) -> studies.StudiedRepeatability:
    return studies.StudiedRepeatability(sd, degrees, Study(), 0.0, inf, 0.0, inf, at, True)


def test_a_smaller_new_study_does_not_take_the_place_of_a_larger_one() -> None:
    large, small = said(0.010, 20), said(0.006, 4)
    assert studies.that_speaks([small, large], 1.2) is large
    assert studies.that_speaks([said(0.010, 20), large], 1.2) is not large, "as large, the newer one speaks"


def test_a_smaller_new_study_speaks_when_the_tester_has_become_worse_by_more_than_chance() -> None:
    large = said(0.010, 20)
    assert studies.that_speaks([said(0.015, 4), large], 1.2) is large, "chance: F(4, 20) exceeds 2.25 one time in ten"
    worse = said(0.030, 4)
    assert studies.that_speaks([worse, large], 1.2) is worse


def test_readings_far_from_one_study_are_known_by_the_study_nearest_to_them() -> None:
    low, high = said(0.01, 5, at=1.2), said(0.6, 20, at=60)
    assert studies.that_speaks([high, low], 2.0) is low and studies.that_speaks([high, low], 40) is high
    assert studies.that_speaks([high], 1.2) is high, "the only one speaks however far"


def test_the_scatter_has_a_constant_part_below_what_was_studied_and_grows_above_it() -> None:
    known = said(0.03, 10, at=60)
    below, above = (known.added_to(ReadingTerms(resolution=0.01), value) for value in (1.2, 120))
    assert below.repeatability_at(1.2) == pytest.approx(0.03), "not a fiftieth of it"
    assert above.repeatability_at(120) == pytest.approx(0.06)
    assert known.added_to(ReadingTerms(resolution=0.01), 60).repeatability_at(60) == pytest.approx(0.03)


def test_people_known_from_two_operators_have_one_degree_of_freedom() -> None:
    """By hand: the operators' means differ by 0.2, so their standard deviation is 0.2 / sqrt 2."""
    noise = [0.01, -0.01]
    result = repeatability.crossed_study(
        [[[1 + 0.1 * valve + 0.2 * operator + e for e in noise] for operator in (0, 1)] for valve in range(6)]
    )
    known = studies.said_by(Study(quantity=IA), result)
    assert known.reproducibility_degrees_of_freedom == 1
    assert known.reproducibility_sd == pytest.approx(0.2 / sqrt(2))
    assert result.interaction_pooled and known.interaction_sd == 0


def test_people_who_differ_more_on_some_valves_are_known_to() -> None:
    result = repeatability.crossed_study(
        [[[1 + 0.2 * operator * (valve % 2) + e for e in (0.01, -0.01)] for operator in (0, 1)] for valve in range(6)]
    )
    known = studies.said_by(Study(quantity=IA), result)
    cross, error = result.anova[2].mean_square, result.anova[3].mean_square
    assert known.interaction_sd == pytest.approx(sqrt((cross - error) / 2))
    # Satterthwaite: v = (sum c_i MS_i)^2 / sum (c_i MS_i)^2 / v_i, 5 and 12 degrees of freedom.
    by_hand = (cross - error) ** 2 / (cross**2 / 5 + error**2 / 12)
    assert known.interaction_degrees_of_freedom == pytest.approx(by_hand)


def test_a_study_whose_repeats_all_agree_is_called_too_coarse() -> None:
    tester = described()
    study = filled(planned(tester), [[[1.0, 1.0]] * 2, [[1.2, 1.2]] * 2, [[1.4, 1.4]] * 2])
    studies.finish(study, owner())
    assert "too coarse" in studies.analyse(study).problem
    assert studies.repeatability_of(tester, IA) is None


def test_the_words_give_the_numbers_with_their_unit_and_interval() -> None:
    study = studied(described())
    analysis = studies.analyse(study)
    assert analysis.result is not None
    text = " ".join(analysis.in_words)
    assert f"{analysis.result.distinct_categories} groups" in text
    assert "mA" in text and "95 % confidence" in text and "degrees of freedom" in text
    assert analysis.rows[0].name == "Repeatability"


def test_the_plot_has_a_mark_for_every_reading_and_words_for_those_who_do_not_see_it() -> None:
    plot = charts.study_plot(["1", "2", "3"], ["ada", "bo"], READINGS, "anode current", "mA")
    assert len(plot.marks) == 12
    assert {mark.shape for mark in plot.marks} == {"circle", "square"}
    assert all(plot.left <= mark.x <= plot.right and plot.top <= mark.y <= plot.bottom for mark in plot.marks)
    by_height = sorted(plot.marks, key=lambda mark: -mark.y)
    assert by_height[0].says == "1, ada: 1.00 mA" and by_height[-1].says.endswith("1.40 mA")
    assert "Each mark is one reading" in plot.description


# The pages


@pytest.fixture
def ada(client: Client) -> User:
    user = people()[0]
    client.force_login(user)
    return user


def plan_form(valves: list[Valve], operators: list[User], **more: Any) -> dict[str, Any]:
    return {
        "quantity": IA.value,
        "section": "1",
        "repeats": "2",
        "serials": "\n".join(v.serial for v in valves),
        "operators": [person.pk for person in operators],
        **more,
    }


def test_the_bench_plans_a_study_by_scanning_the_valves(client: Client, ada: User) -> None:
    tester, valves = described(), make_valves(make_type("12AX7"), 3)
    answer = client.post(f"/testers/{tester.pk}/studies/new/", plan_form(valves, people()))
    study = Study.objects.get()
    assert answer.status_code == 302 and answer["Location"] == f"/studies/{study.pk}/"
    assert list(study.study_valves.values_list("valve__serial", flat=True)) == [v.serial for v in valves]


def test_a_bad_scan_says_which_and_keeps_the_others(client: Client, ada: User) -> None:
    tester, valves = described(), make_valves(make_type("12AX7"), 2)
    form = plan_form(valves, people())
    form["serials"] += "\n10000013"
    answer = client.post(f"/testers/{tester.pk}/studies/new/", form).content.decode()
    assert "Scan 3" in answer and valves[0].serial in answer
    assert not Study.objects.exists()


def test_one_operator_is_too_few_and_the_page_says_so(client: Client, ada: User) -> None:
    tester, valves = described(), make_valves(make_type("12AX7"), 2)
    answer = client.post(f"/testers/{tester.pk}/studies/new/", plan_form(valves, people()[:1])).content.decode()
    assert "two operators" in answer and valves[1].serial in answer


def send(client: Client, study: Study, cell: studies.Cell, value: str, serial: str | None = None, **more: str) -> Any:
    form = {"cell": f"{cell.repeat}-{cell.valve_id}", "serial": serial or valve_of(cell).serial, "value": value, **more}
    return client.post(f"/studies/{study.pk}/read/", form)


def test_the_wrong_valve_is_caught_by_its_scan_and_the_value_kept(client: Client, ada: User) -> None:
    study = planned(described())
    cell = studies.next_cell(study, ada)
    assert cell is not None
    other = Valve.objects.exclude(pk=cell.valve_id).first()
    assert other is not None
    answer = send(client, study, cell, "1.27", serial=other.serial).content.decode()
    assert f"Take {valve_of(cell).serial}" in answer and "1.27" in answer
    assert not StudyReading.objects.exists()


def test_a_comma_and_a_unit_are_understood(client: Client, ada: User) -> None:
    study = planned(described())
    cell = studies.next_cell(study, ada)
    assert cell is not None
    send(client, study, cell, "1270 µA")
    assert StudyReading.objects.get().value == 1.27


def test_a_page_sent_twice_does_not_put_its_value_on_the_next_valve(client: Client, ada: User) -> None:
    study = planned(described())
    cell = studies.next_cell(study, ada)
    assert cell is not None
    send(client, study, cell, "1.2")
    send(client, study, cell, "1.2")
    assert study.readings.count() == 1


def test_a_surprising_value_is_asked_for_once_more(client: Client, ada: User) -> None:
    study = planned(described())
    cell = studies.next_cell(study, ada)
    assert cell is not None
    answer = send(client, study, cell, "3.6")
    assert "send it again" in answer.content.decode() and not study.readings.exists()
    sure = answer.context["form"]["sure"].value()
    assert send(client, study, cell, "3.7", sure=sure).status_code == 200, "another value is asked about again"
    assert send(client, study, cell, "3.6", sure=sure).status_code == 302
    assert study.readings.get().value == 3.6


def test_a_slip_of_the_unit_is_refused_however_often_it_is_sent(client: Client, ada: User) -> None:
    study = planned(described())
    cell = studies.next_cell(study, ada)
    assert cell is not None
    for sure in ("", "value=1200"):
        assert "microamperes" in send(client, study, cell, "1200", sure=sure).content.decode()
    assert not study.readings.exists()


def test_nobody_sees_what_was_read_before_the_study_is_complete(client: Client, ada: User) -> None:
    study = planned(described())
    cell = studies.next_cell(study, ada)
    assert cell is not None
    studies.record(study, cell, 1.23456, ada)
    for address in (f"/studies/{study.pk}/", f"/studies/{study.pk}/read/"):
        assert "1.23456" not in client.get(address).content.decode()


def test_a_complete_study_shows_what_it_says_and_is_finished_by_hand(client: Client, ada: User) -> None:
    study = filled(planned(described()), READINGS)
    page = client.get(f"/studies/{study.pk}/").content.decode()
    assert "<svg" in page and "aria-labelledby" in page and "distinct categories" in page
    assert "Share of variance" in page and "1.38, 1.4" in page
    client.post(f"/studies/{study.pk}/finish/")
    study.refresh_from_db()
    assert study.finished_at is not None
    assert "Finish the study" not in client.get(f"/studies/{study.pk}/").content.decode()


def test_correcting_a_reading_asks_for_the_reason(client: Client, ada: User) -> None:
    reading = filled(planned(described()), READINGS).readings.first()
    assert reading is not None
    address = f"/study-readings/{reading.pk}/correct/"
    assert "This field is required" in client.post(address, {"value": "1.5", "reason": ""}).content.decode()
    assert not StudyReading.objects.filter(supersedes=reading).exists()
    client.post(address, {"value": "1.5", "reason": "misread"})
    assert StudyReading.objects.get(supersedes=reading).value == 1.5


def test_those_without_the_bench_role_look_and_change_nothing(client: Client) -> None:
    study = filled(planned(described()), READINGS)
    client.force_login(make_user("vi", Role.SALES))
    assert client.get(f"/studies/{study.pk}/").status_code == 200
    for address in ("read", "finish", "give-up"):
        assert client.post(f"/studies/{study.pk}/{address}/").status_code == 403


def test_a_round_is_read_with_scans_and_enter_alone(served: Any, browser: Any) -> None:
    study = planned(described())
    ada, _ = people()
    client = Client()
    client.force_login(ada)
    context = browser.new_context()
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": served.url}])
    try:
        keyboard = Keyboard(context.new_page(), f"{served.url}/studies/{study.pk}/read/")
        for number in range(6):
            cell = studies.next_cell(study, ada)
            assert cell is not None
            keyboard.type(valve_of(cell).serial).enter().type(f"1.2{number}").go()
        assert sorted(study.readings.values_list("value", flat=True)) == [1.2, 1.21, 1.22, 1.23, 1.24, 1.25]
        assert "nothing to read" in keyboard.words
    finally:
        context.close()


# Several days


def on_days(tester: Tester, shifts: Sequence[float], valves: int = 6) -> Study:
    """Every round of readings a day later than the one before, the tester reading so much higher on it."""
    study = planned(tester, valves=valves, repeats=len(shifts))
    users = {user.pk: user for user in people()}
    start = timezone.now() - timedelta(days=20)
    for cell in studies.order(study):
        scatter = (-0.004, 0.0, 0.004)[(cell.position + cell.repeat) % 3]  # the same on every day
        value = 1.0 + 0.1 * cell.position + shifts[cell.repeat - 1] + scatter
        when = start + timedelta(days=cell.repeat)
        studies.record(study, cell, value, users[cell.operator_id], taken_at=when)
    studies.finish(study, owner())
    return study


def test_what_a_tester_differs_by_from_day_to_day_is_in_a_reading_and_cancels_between_valves_of_one_day() -> None:
    tester = described()
    on_days(tester, (0.0, 0.06, -0.05, 0.03))
    said = studies.repeatability_of(tester, Quantity.ANODE_CURRENT, 1.3)
    assert said is not None
    assert 0.02 < said.between_days_sd < 0.1 and said.between_days_degrees_of_freedom == 3
    assert 0.003 < said.standard_deviation < 0.006, "within a day"
    terms = records.record_of(Tester.objects.get(pk=tester.pk)).known(Quantity.ANODE_CURRENT, 1.3).terms
    budget = {row.name: row.contribution for row in uncertainty.reading(1.3, terms, readings=9).budget}
    assert budget["between days"] == pytest.approx(terms.between_days_at(1.3)), "and does not average"
    assert terms.between_days_at(1.3) >= said.between_days_sd

    def read(day: str) -> comparison.ComparedValue:
        parts = comparison.components_of(1.3, terms, session="1", operator="1", day=day, source="study 1")
        return comparison.ComparedValue(1.3, 1, parts)

    same, _ = comparison.relative_u(read("2026-01-01"), read("2026-01-01"))
    other, _ = comparison.relative_u(read("2026-01-01"), read("2026-01-02"))
    assert other**2 - same**2 == pytest.approx(2 * (terms.between_days_at(1.3) / 1.3) ** 2)


def test_a_study_of_one_day_says_nothing_of_days_and_one_of_steady_days_says_so() -> None:
    tester = described()
    assert studies.analyse(on_days(tester, (0.0, 0.0, 0.0))).in_words[2].startswith("It was read on 3 days: between")
    one_day = studies.analyse(studied(tester))
    assert one_day.between is None and not any("day" in words for words in one_day.in_words)
