"""The clock, the stop button and the reports of one run."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from .words import BestCall, Progress, ProgressCall, StopCall


class Watch:
    """Keeps the value and bound of every part of a run, and says when to leave off."""

    def __init__(
        self, seconds: float, progress: ProgressCall | None, should_stop: StopCall | None, near_enough: float = 0.0
    ) -> None:
        self.began = time.monotonic()
        self.deadline = self.began + seconds
        self.progress = progress
        self.should_stop = should_stop
        self.near_enough = near_enough
        self.stopped = False
        self.timed_out = False
        self.hurried = False
        self.values: dict[int, float] = {}
        self.bounds: dict[int, float] = {}
        self.counts: dict[int, int] = {}
        self.members: dict[int, Sequence[Sequence[int]]] = {}  # the best sets of each part, by its own rows
        self.best: BestCall = list
        self._asked = 0.0

    def gone(self) -> float:
        return time.monotonic() - self.began

    def left(self) -> float:
        return self.deadline - time.monotonic()

    def over(self) -> bool:
        """Time is up, or a person has asked to stop."""
        now = time.monotonic()
        if now >= self.deadline:
            self.timed_out = True
        if not self.stopped and self.should_stop is not None and now - self._asked > 0.05:
            self._asked = now
            self.stopped = self.should_stop()
        return self.stopped or self.timed_out

    def end(self) -> None:
        """A solver was stopped by the limit that it was given: no more work, though a moment may be left."""
        if not self.over():
            self.timed_out = True

    def why_over(self) -> str:
        """In words."""
        return "it was stopped" if self.stopped else "the time ran out"

    def near(self, value: float, bound: float) -> bool:
        """The gap is as small as was asked for."""
        return bound - value <= self.near_enough * bound + 1e-9 * abs(bound)

    @contextmanager
    def share(self, part: float) -> Iterator[float]:
        """The seconds that one step may take, a part of those left. A step that took them all was cut short by the
        clock, so the answer may differ from run to run, as when time runs out."""
        seconds = max(part * self.left(), 0.0)
        began = time.monotonic()
        yield seconds
        self.hurried = self.hurried or time.monotonic() - began >= seconds

    def report(self, stage: str) -> None:
        if self.progress is not None:
            self.progress(
                Progress(
                    stage,
                    sum(self.values.values()),
                    sum(self.bounds.values()),
                    sum(self.counts.values()),
                    self.gone(),
                    self.best,
                )
            )

    def note(self, part: int, value: float, bound: float, count: int) -> None:
        """Note where one part of the pool stands. The whole is told once every part is noted."""
        self.values[part], self.bounds[part], self.counts[part] = value, bound, count

    def reached(
        self,
        part: int,
        value: float,
        bound: float,
        count: int,
        stage: str,
        members: Sequence[Sequence[int]] | None = None,
    ) -> None:
        """Note where one part of the pool stands, with its best sets where they are others, and report the whole."""
        if members is not None:
            self.members[part] = members
        self.note(part, value, bound, count)
        self.report(stage)
