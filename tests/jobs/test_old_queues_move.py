"""What waited in the two queues of an older version waits in the one queue after migrating, on either database."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import pytest
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from grading.models import MatchRun
from grading.sets.runs import Ask
from grading.valves import guards
from stockroom.jobs import worker
from stockroom.models import Job, JobState, Photograph
from stockroom.photographs import storing
from tests.factories import make_policy, make_type, make_user

pytestmark = pytest.mark.django_db(transaction=True)

BEFORE = [("grading", "0009_readings_file"), ("stockroom", "0007_parsed_files")]


def migrate(targets: list[tuple[str, str]]) -> Any:
    """As the command does it: the guards come off the tables first, for an older table may lack what they look at."""
    guards.take_down()
    executor = MigrationExecutor(connection)
    executor.migrate(targets)
    return executor.loader.project_state(targets).apps


@pytest.fixture
def old() -> Iterator[Any]:
    """The models of the version before the queue; afterwards the newest again."""
    try:
        yield migrate(BEFORE)
    finally:
        newest()


def newest() -> None:
    migrate(MigrationExecutor(connection).loader.graph.leaf_nodes())
    guards.put_up()


def test_runs_and_photographs_of_an_older_version_wait_in_the_one_queue(old: Any) -> None:
    type_, by = make_type(), make_user("kit")
    make_policy()
    ask = asdict(Ask(size=2, tiers=(("within 2 %", 2, 100),), best_grades=2))
    outcome = {"sets": [[[1, 2], [0.01], "within 2 %", 100.0, "S00001"]], "value": 100.0, "bound": 100.0, "gap": 0.0}
    Run, Photo = old.get_model("grading", "MatchRun"), old.get_model("stockroom", "Photograph")
    for state, more in (
        ("waiting", {}),
        ("working", {"alive_at": timezone.now(), "progress": {"stage": "half-way"}, "stop_asked": True}),
        ("done", {"outcome": outcome, "alive_at": timezone.now()}),
        ("failed", {"trouble": "It broke."}),
    ):
        Run.objects.create(type_id=type_.pk, ask=ask, state=state, made_by_id=by.pk, **more)
    for number, (state, attempts) in enumerate((("waiting", 2), ("ready", 1), ("refused", 1))):
        Photo.objects.create(sha256=f"{number:064}", kind="JPEG", size_bytes=1, state=state, attempts=attempts)

    newest()

    runs = list(MatchRun.objects.order_by("pk").select_related("job"))
    assert [run.job.state for run in runs] == ["waiting", "waiting", "done", "failed"]
    assert [run.job.stop_asked for run in runs] == [False, True, False, False]
    assert all(Ask.read(run.ask) == Ask(**ask) and run.job.made_by_id == by.pk for run in runs)
    assert runs[2].outcome["sets"][0][4] == "S00001" and runs[3].job.trouble == "It broke."
    job = Job.objects.get(kind=storing.KIND)
    waiting = Photograph.objects.get(state="waiting")
    assert (job.question, job.attempts, job.key) == ({"photograph": waiting.pk}, 2, f"photograph {waiting.pk}")
    ended = worker.work_off()
    assert ended[JobState.DONE] == 3, "two runs over an empty pool, and a photograph without its file, which is refused"
    waiting.refresh_from_db()
    assert waiting.state == Photograph.State.REFUSED

    back = migrate(BEFORE)
    assert sorted(back.get_model("grading", "MatchRun").objects.values_list("state", flat=True)) == [
        "done",
        "done",
        "done",
        "failed",
    ]
    assert back.get_model("grading", "MatchRun").objects.first().ask == ask | {
        "tiers": [["within 2 %", 2, 100]],
        "start": [],
    }
