"""A tester corrected: the valves that it bears on are named and judged again, and nothing else is."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from grading.listings import publishing
from grading.models import Calibration, Grade, Study, Tester
from grading.testers import records, studies
from grading.testers.records import Calibrated, Described
from grading.verdicts import rejudging
from stockroom.jobs import worker
from stockroom.models import Entry, Job, JobState, Valve
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_policy, make_shift, make_type, make_user, make_valves
from tests.instruments import GM, IA, calibrated, described, owner, shift_at, studied

pytestmark = pytest.mark.django_db

FINE = {IA: Described(0.01, 1.0, 0.01), GM: Described(0.01, 2.0)}
COARSE = {IA: Described(0.01, 1.0, 0.01), GM: Described(0.2, 2.0)}


@pytest.fixture
def tester() -> Tester:
    make_policy()
    return calibrated(described())


@pytest.fixture
def read_here(tester: Tester) -> list[Valve]:
    """Two that are well above the limit of the top grade's gm (1.44 mA/V), one by less than a coarse display shows."""
    valves = make_valves(make_type(), 2)
    graded_all([(valves[0], 1.2, 1.9), (valves[1], 1.2, 1.52)], shift=shift_at(tester))
    return valves


def names(valves: list[Valve]) -> list[str]:
    return [Grade.objects.get(valve=valve, current=True).name for valve in valves]


def test_a_coarser_display_step_judges_again_what_was_read_on_it_and_nothing_else(
    tester: Tester, read_here: list[Valve], logged_in: Callable[..., Client]
) -> None:
    elsewhere = make_valves(make_type(), 1)
    graded(elsewhere[0], gm=1.52, shift=make_shift(make_user("ada")))
    before = names([*read_here, *elsewhere])
    untouched = Grade.objects.get(valve=elsewhere[0], current=True).pk
    assert before[:2] == ["Excellent", "Excellent"]
    said = records.describe(tester, COARSE, owner())
    assert said == ["It bears on 2 valves read on it, which are judged again now."]
    worker.work_off()
    assert names(read_here) == ["Excellent", "Good"]
    assert Grade.objects.get(valve=elsewhere[0], current=True).pk == untouched
    job = rejudging.latest(tester)
    assert job is not None and (job.result["graded"], job.result["count"]) == (2, 1)
    page = logged_in(Role.OWNER).get(f"/testers/{tester.pk}/bears-on/").content.decode()
    assert "2 valves, of which\n      1 got another grade" in page
    assert all(str(valve) in page for valve in read_here) and str(elsewhere[0]) not in page
    assert Entry.objects.filter(action="judged-again").count() == 1


def test_the_page_says_which_valves_a_change_bears_on(
    tester: Tester, read_here: list[Valve], logged_in: Callable[..., Client]
) -> None:
    sent = {
        "anode_current_ma-resolution": "0.01",
        "anode_current_ma-accuracy_percent": "1",
        "anode_current_ma-accuracy_absolute": "0.01",
        "gm_ma_per_v-resolution": "0.2",
        "gm_ma_per_v-accuracy_percent": "2",
    }
    client = logged_in(Role.OWNER)
    page = client.post(f"/testers/{tester.pk}/measures/", sent, follow=True).content.decode()
    assert "It bears on 2 valves read on it, which are judged again now." in page
    assert f"/testers/{tester.pk}/bears-on/" in page


def test_writing_down_the_same_again_judges_nothing(tester: Tester, read_here: list[Valve]) -> None:
    assert records.describe(tester, FINE, owner()) == [] and not Job.objects.exists()


def test_a_calibration_bears_on_what_was_read_since_it_was_done(tester: Tester, read_here: list[Valve]) -> None:
    early = make_valves(make_type(), 1)
    graded(early[0], shift=shift_at(tester), taken_at=timezone.now() - timedelta(days=9))
    today = timezone.localdate()
    calibration = Calibration(
        tester=tester, done_on=today - timedelta(days=2), due_on=today + timedelta(days=300), by="a laboratory"
    )
    said = records.calibrate(calibration, {GM: Calibrated(0.5, correction_percent=-8.0)}, owner())
    assert said == ["It bears on 2 valves read on it, which are judged again now."]
    worker.work_off()
    assert names(read_here) == ["Excellent", "Good"], "the tester read 8 % too high"
    assert Grade.objects.filter(valve=early[0]).count() == 1


def test_what_is_listed_and_no_longer_for_sale_leaves_the_public_list(tester: Tester) -> None:
    (valve,) = make_valves(make_type(), 1)
    graded(valve, gm=1.05, shift=shift_at(tester))
    listing = publishing.publish([valve], "A triode", "As found.", Decimal("9"), "GBP", owner())
    records.describe(tester, {**COARSE, GM: Described(0.2, 20.0)}, owner())
    worker.work_off()
    listing.refresh_from_db()
    assert listing.ended_because == f"{valve} has no grade now that may be sold"


def test_one_that_waits_sees_the_next_change_too_and_one_at_work_gets_a_second_behind_it(
    tester: Tester, read_here: list[Valve]
) -> None:
    records.describe(tester, COARSE, owner())
    records.describe(tester, FINE, owner())
    assert Job.objects.filter(state=JobState.WAITING).count() == 1
    assert worker.claim() is not None
    records.describe(tester, COARSE, owner())
    assert Job.objects.filter(state=JobState.WAITING).count() == 1 and Job.objects.count() == 2


def test_a_study_set_aside_speaks_no_more_until_it_is_brought_back(
    tester: Tester, logged_in: Callable[..., Client]
) -> None:
    old = studied(tester)
    new = studied(tester)

    def speaks() -> Study:
        found = studies.repeatability_of(tester, IA, 1.2)
        assert found is not None
        return found.study

    assert speaks() == new, "of two alike the later"
    client = logged_in(Role.OWNER)
    address = f"/studies/{new.pk}/set-aside/"
    assert "Say why the study is set aside." in client.post(address, {"why": " "}, follow=True).content.decode()
    page = client.post(address, {"why": "before the meter was changed"}, follow=True).content.decode()
    assert "set aside: before the meter was changed" in page
    assert speaks() == old
    client.post(address, {"back": "1"})
    assert speaks() == new
    assert logged_in(Role.BENCH).post(address, {"why": "no"}).status_code == 403


def test_a_study_set_aside_judges_again_what_was_read_with_it(tester: Tester, read_here: list[Valve]) -> None:
    study = studied(tester)
    worker.work_off()
    known = Grade.objects.get(valve=read_here[0], current=True)
    assert any("study" in words for row in known.measured for words in row["resting_on"])
    assert studies.set_aside(study, "another meter", owner())
    worker.work_off()
    known = Grade.objects.get(valve=read_here[0], current=True)
    assert not any("study" in words for row in known.measured for words in row["resting_on"])


def test_a_piece_of_ten_times_as_many_valves_takes_no_more_queries(tester: Tester) -> None:
    """20,000 valves are judged again in pieces; what a piece asks of the database does not grow with it."""

    def asked(count: int) -> int:
        valves = make_valves(make_type(), count)
        graded_all([(valve, 1.2, 1.9) for valve in valves], shift=shift_at(tester))
        records.describe(tester, COARSE if count < 10 else FINE, owner())
        with CaptureQueriesContext(connection) as queries:
            worker.work_off()
        return len(queries)

    few, many = asked(2), asked(20)
    assert many <= few + 2, "one job each, in a single piece"
