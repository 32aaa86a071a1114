"""The queue: jobs are done once, stop when asked, are tried again, and survive whoever does them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, OperationalError, transaction
from django.test import Client
from django.utils import timezone

from stockroom.jobs import kinds, worker
from stockroom.jobs.kinds import KINDS, Lane
from stockroom.jobs.worker import Hand, LostJob
from stockroom.models import Customer, Job, JobState
from stockroom.site.people import Role
from tests.jobs import counting
from tests.jobs.counting import ask

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def counting_is_known() -> Iterator[None]:
    counting.make_known()
    yield
    del KINDS["count"]
    counting.GIVEN_UP.clear()


def done(job: Job) -> Job:
    worker.work_off()
    job.refresh_from_db()
    return job


def test_a_job_is_done_once_and_keeps_what_came_of_it() -> None:
    job = done(ask(3))
    assert (job.state, job.result) == (JobState.DONE, {"counted": 3})
    assert job.progress == {"text": "3 counted", "done": 3, "of": 3} and job.ended_at
    assert not worker.work_off() and Customer.objects.count() == 3


def test_of_two_workers_one_gets_the_job_and_the_other_the_next() -> None:
    first, second = ask(1), ask(2)
    assert [worker.claim(), worker.claim(), worker.claim()] == [first, second, None]


def test_a_live_job_about_a_thing_is_asked_for_once() -> None:
    job = ask(1, key="the till")
    assert ask(5, key="the till") == job and ask(1, key="the shelf") != job
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.create(kind="count", key="the till", title="Twice")
    worker.work_off()
    assert ask(1, key="the till") != job


def test_jobs_of_one_lane_do_not_wait_for_those_of_another() -> None:
    ask(1)
    assert worker.claim([Lane.PICTURES]) is None and worker.claim([Lane.RECORDS]) is not None


# Stopping and trying again


def test_a_job_that_waits_is_stopped_at_once() -> None:
    job = ask(3)
    kinds.ask_to_stop(job)
    assert done(job).state == JobState.STOPPED and not Customer.objects.exists()


def test_a_job_at_work_stops_between_two_pieces_and_goes_on_from_there_when_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(worker, "BEAT_S", 0)
    job = ask(5)
    at_work = worker.claim()
    assert at_work is not None
    kinds.ask_to_stop(at_work)
    assert worker.do(Hand(at_work)) == JobState.STOPPED
    job.refresh_from_db()
    assert job.saved == job.result == {"done": 1}
    assert kinds.retry(job) and not kinds.retry(job)
    assert done(job).state == JobState.DONE
    assert Customer.objects.count() == 5


def test_a_worker_that_leaves_gives_the_job_back_and_uses_up_no_attempt() -> None:
    job = ask(3)
    at_work, leaving = worker.claim(), threading.Event()
    assert at_work is not None
    leaving.set()
    assert worker.do(Hand(at_work, leaving)) == JobState.WAITING
    job.refresh_from_db()
    assert (job.state, job.attempts, job.saved, job.stop_asked) == (JobState.WAITING, 0, {"done": 1}, False)
    assert done(job).state == JobState.DONE and Customer.objects.count() == 3


# Whose fault


def test_trouble_of_the_machine_uses_up_no_attempt_and_is_tried_again(caplog: pytest.LogCaptureFixture) -> None:
    job = done(ask(3, trouble_at=2, trouble="disk"))
    assert (job.state, job.attempts) == (JobState.WAITING, 0)
    assert job.trouble == "It is tried again: the disk is full." and "No space left" in caplog.text
    assert done(job).saved == {"done": 1}, "not before its time"
    for _ in range(worker.MOST_ATTEMPTS + 1):
        Job.objects.update(not_before=timezone.now())
        assert done(job).state == JobState.WAITING
    Job.objects.update(not_before=None, question={"to": 3})
    assert done(job).state == JobState.DONE and Customer.objects.count() == 3


def test_a_fault_of_ours_is_tried_again_and_then_given_up(caplog: pytest.LogCaptureFixture) -> None:
    job = ask(3, trouble_at=1, trouble="fault")
    for attempt in range(1, worker.MOST_ATTEMPTS):
        assert (done(job).state, job.attempts) == (JobState.WAITING, attempt)
        assert job.not_before and job.not_before > timezone.now() and not counting.GIVEN_UP
        Job.objects.update(not_before=None)
    assert done(job).state == JobState.FAILED
    assert "failed 3 times" in job.trouble and [job.trouble] == counting.GIVEN_UP
    assert "a fault of ours" in caplog.text


def test_what_cannot_be_done_as_asked_fails_at_once_with_its_reason() -> None:
    job = done(ask(3, trouble_at=1, trouble="refused"))
    assert (job.state, job.trouble) == (JobState.FAILED, "There are not so many.")


def test_a_question_with_a_key_of_another_version_is_refused_and_the_next_job_is_done() -> None:
    strange = ask(1)
    Job.objects.filter(pk=strange.pk).update(question={"to": 1, "backwards": True})
    unknown = Job.objects.create(kind="of tomorrow", title="Something new")
    lacking = Job.objects.create(kind="count", title="Something old")
    ordinary = ask(1)
    assert done(ordinary).state == JobState.DONE
    for job, words in ((strange, "“backwards”"), (unknown, "“of tomorrow”"), (lacking, "does not say “to”")):
        job.refresh_from_db()
        assert job.state == JobState.FAILED and words in job.trouble


# Workers that die


def dead(job: Job) -> Job:
    """In the hands of a worker that has given no sign of life for too long."""
    claimed = worker.claim()
    assert claimed == job
    Job.objects.update(alive_at=timezone.now() - worker.LOST_AFTER - timedelta(seconds=1))
    return claimed


def test_a_job_whose_worker_died_is_taken_over_and_the_dead_one_can_write_nothing() -> None:
    lost = Hand(dead(ask(3)))
    heir = worker.claim()
    assert heir is not None and heir.attempts == 2
    with pytest.raises(LostJob):
        lost.save(done=99)
    lost.tell("Still here.")
    assert lost.leaving
    assert worker.do(lost) == JobState.WORKING and not Customer.objects.exists()
    assert worker.do(Hand(heir)) == JobState.DONE and Customer.objects.count() == 3
    heir.refresh_from_db()
    assert heir.result == {"counted": 3} and heir.progress["text"] == "3 counted"


def test_a_job_that_comes_on_a_little_each_time_is_not_given_up() -> None:
    job = ask(6)
    for _ in range(5):
        Hand(dead(job)).save(done=job.saved.get("done", 0) + 1)
        job.refresh_from_db()
    assert job.saved == {"done": 5} and job.attempts == 1
    assert done(job).state == JobState.DONE


def test_a_job_that_kills_its_workers_is_given_up() -> None:
    job = ask(3)
    for _ in range(worker.MOST_ATTEMPTS):
        dead(job)
    assert done(job).state == JobState.FAILED
    assert "begun 3 times" in job.trouble and [job.trouble] == counting.GIVEN_UP


def test_a_worker_outlives_whatever_happens(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    stop, rounds = threading.Event(), []

    def trouble(lanes: Any) -> None:
        rounds.append(lanes)
        if len(rounds) == 3:
            stop.set()
        raise OperationalError("the database went away") if len(rounds) == 1 else KeyError("a fault of ours")

    monkeypatch.setattr(worker, "PAUSE_IN_TROUBLE_S", 0)
    monkeypatch.setattr(worker, "claim", trouble)
    monkeypatch.setattr(worker.connections, "close_all", lambda: None)  # the test's own connection stays
    worker.work_forever(stop)
    assert len(rounds) == 3 and "the database went away" in caplog.text and "a fault of ours" in caplog.text


# The pages


def test_the_pages_show_progress_and_look_again_by_themselves(logged_in: Callable[..., Client]) -> None:
    job = ask(4)
    client = logged_in(Role.BENCH)
    page = client.get(f"/jobs/{job.pk}/").text
    assert 'http-equiv="refresh"' in page and "waits for its turn" in page
    Job.objects.update(state=JobState.WORKING, progress={"text": "1 counted", "done": 1, "of": 4})
    page = client.get(f"/jobs/{job.pk}/").text
    assert "1 counted." in page and '<progress max="4" value="1">' in page
    Job.objects.create(kind="photograph", title="Photograph 1234")
    page = client.get("/jobs/").text
    assert "1 counted" in page and "1 more waits: Prepare a photograph." in page and "1234" not in page
    Job.objects.filter(kind="photograph").delete()
    Job.objects.update(state=JobState.FAILED, trouble="It broke.")
    page = client.get(f"/jobs/{job.pk}/").text
    assert "It broke." in page and 'http-equiv="refresh"' not in page


def test_the_pages_show_jobs_whose_question_no_page_of_this_version_fits(logged_in: Callable[..., Client]) -> None:
    for kind in ("of tomorrow", *KINDS):
        if kind != "photograph":
            Job.objects.create(kind=kind, title=f"Strange {kind}", question={"unheard": "of"})
    client = logged_in(Role.BENCH)
    assert client.get("/jobs/").text.count("Strange ") == len(KINDS)
    worker.work_off()
    assert set(Job.objects.values_list("state", flat=True)) == {JobState.FAILED}
    assert client.get("/jobs/").text.count("does not know") == len(KINDS) - 1


def test_who_asked_or_works_with_it_may_stop_it_and_try_it_again(
    logged_in: Callable[..., Client], person: Callable[..., Any]
) -> None:
    job = ask(2)
    stranger, owner = logged_in(Role.SALES), logged_in(Role.OWNER)
    assert stranger.post(f"/jobs/{job.pk}/stop/").status_code == 403
    assert "Stop</button>" not in stranger.get(f"/jobs/{job.pk}/").text
    assert "Stop</button>" in owner.get(f"/jobs/{job.pk}/").text
    assert owner.post(f"/jobs/{job.pk}/stop/").status_code == 302
    job.refresh_from_db()
    assert job.state == JobState.STOPPED
    assert "Go on with it" in owner.get(f"/jobs/{job.pk}/").text
    Job.objects.update(made_by=stranger.get("/").wsgi_request.user)
    assert stranger.post(f"/jobs/{job.pk}/retry/").status_code == 302
    assert done(job).state == JobState.DONE
    assert "cannot be asked for again" in owner.post(f"/jobs/{job.pk}/retry/", follow=True).text
