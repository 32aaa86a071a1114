"""A real worker in a process of its own is killed with SIGKILL, or told to leave, and another takes its job up.

The database is the one that the tests run with: PostgreSQL's test database itself, or on SQLite, which keeps that in
memory, a copy of it in a file.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import dj_database_url
import pytest
from django.conf import settings
from django.db import connection, connections
from django.utils import timezone

from stockroom.jobs import worker
from stockroom.models import Customer, Job, JobState
from tests.jobs.counting import Count

pytestmark = pytest.mark.django_db(transaction=True)

PATIENCE_S = 60
APART = "apart"


@pytest.fixture
def database_url(tmp_path: Path) -> Iterator[str]:
    """Of a database that other processes can reach; here it is called APART."""
    if connection.vendor == "sqlite":
        file = tmp_path / "shop.sqlite3"
        with connection.cursor() as cursor:
            cursor.execute("VACUUM INTO %s", [str(file)])
        url = f"sqlite:///{quote(str(file))}"
    else:
        known = connection.settings_dict
        password = f":{quote(known['PASSWORD'])}" if known["PASSWORD"] else ""
        url = f"postgres://{quote(known['USER'])}{password}@{known['HOST']}:{known['PORT']}/{known['NAME']}"
    # The connection is known by its name only, as a test may open no others of those that the settings name.
    connections.settings[APART] = {**connection.settings_dict, **dj_database_url.parse(url)}
    connections[APART] = connections.create_connection(APART)
    del connections.settings[APART]
    yield url
    connections[APART].close()
    del connections[APART]


Worker = subprocess.Popen[bytes]


@pytest.fixture
def start_worker(database_url: str) -> Iterator[Callable[..., Worker]]:
    begun: list[Worker] = []

    def start(*command: str) -> Worker:
        begun.append(
            subprocess.Popen(
                [sys.executable, "-m", "tests.jobs.a_worker", *(command or ("work_jobs", "--watch"))],
                cwd=settings.BASE_DIR,
                env={**os.environ, "DATABASE_URL": database_url},
            )
        )
        return begun[-1]

    yield start
    for process in begun:
        process.kill()
        process.wait()


def until(true: Callable[[], Any], process: Worker) -> None:
    began = time.monotonic()
    while not true():
        assert process.poll() is None, "the worker ended by itself"
        assert time.monotonic() - began < PATIENCE_S, "nothing happened"
        time.sleep(0.05)


def asked(**question: Any) -> Job:
    return Job.objects.using(APART).create(kind="count", title="Count", question=asdict(Count(**question)))


def counted() -> list[str]:
    return sorted(Customer.objects.using(APART).values_list("name", flat=True))


def test_a_killed_workers_job_goes_on_from_where_it_was_and_no_piece_is_done_twice(
    start_worker: Callable[..., Worker],
) -> None:
    job = asked(to=40, pause_s=0.05)
    first = start_worker()
    until(lambda: len(counted()) >= 5, first)
    os.kill(first.pid, signal.SIGKILL)
    assert first.wait() == -signal.SIGKILL
    job.refresh_from_db()
    assert job.state == JobState.WORKING and 5 <= len(counted()) < 40
    # As if so long had gone by that nobody believes in the first one any more.
    Job.objects.using(APART).update(alive_at=timezone.now() - worker.LOST_AFTER - timedelta(seconds=1))
    second = start_worker()
    until(lambda: not Job.objects.using(APART).live().exists(), second)
    job.refresh_from_db()
    assert (job.state, job.attempts, job.result) == (JobState.DONE, 1, {"counted": 40})
    assert counted() == sorted(f"Customer {number}" for number in range(1, 41))


@pytest.mark.parametrize(
    ("command", "sign"),
    [(("work_jobs", "--watch"), signal.SIGTERM), (("serve", "--port", "0"), signal.SIGINT)],
)
def test_a_worker_that_is_told_to_leave_gives_its_job_back_at_once(
    start_worker: Callable[..., Worker], command: tuple[str, ...], sign: signal.Signals
) -> None:
    job = asked(to=1000, pause_s=0.05)
    first = start_worker(*command)
    until(lambda: len(counted()) >= 3, first)
    first.send_signal(sign)
    assert first.wait(timeout=PATIENCE_S) == 0
    job.refresh_from_db()
    assert (job.state, job.attempts, job.saved) == (JobState.WAITING, 0, {"done": len(counted())})


def test_progress_is_written_and_a_stop_is_heard_while_a_piece_takes_long(
    start_worker: Callable[..., Worker],
) -> None:
    job = asked(to=10, pause_s=2.0)
    rows = Job.objects.using(APART).filter(pk=job.pk)
    process = start_worker()
    until(lambda: rows.filter(progress__text="1 counted").exists(), process)
    rows.update(stop_asked=True)
    until(lambda: rows.filter(state=JobState.STOPPED).exists(), process)
    assert len(counted()) <= 3
