"""Print every published value beside the one computed here, and fail when any disagrees."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from grading.proof import promised, published
from grading.proof.published import run
from grading.proof.published.case import PROMISE, CaseResult, PublishedCase

CASES = (*published.CASES, *promised.CASES)


class Command(BaseCommand):
    help = "Print each outside check beside its published value and source; fail on any disagreement."
    requires_system_checks = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        topics = sorted({case.topic for case in CASES})
        parser.add_argument("--topic", choices=topics, help="check one topic only")

    def handle(self, *args: Any, **options: Any) -> None:
        wanted = options["topic"]
        cases = [case for case in CASES if wanted in (None, case.topic)]
        shown_source = ""
        disagreements = 0
        for result in run(cases):
            heading = f"{result.case.source} ({result.case.known})"
            if heading != shown_source:
                self.stdout.write(f"\n{heading}")
                shown_source = heading
            self.stdout.write(_line(result))
            disagreements += not result.agrees
        self.stdout.write(f"\n{len(cases)} values checked, {disagreements} disagree.")
        if disagreements:
            raise CommandError(f"{disagreements} of {len(cases)} values disagree with what is published.")


def _line(result: CaseResult) -> str:
    case = result.case
    verdict = "agrees   " if result.agrees else "DISAGREES"
    verb = "promised" if case.known == PROMISE else "published"
    computed = _computed(case, result.computed)
    line = f"  {verdict}  {case.name}: {verb} {case.published}, computed {computed}"
    return f"{line} ({case.note})" if case.note else line


def _computed(case: PublishedCase, value: float) -> str:
    """The computed value with two digits more than the published one, or in percent for a promise."""
    if case.published.endswith("%"):
        return f"{100 * value:.2f} %"
    if "E" in case.published or abs(value) < 0.001:
        return f"{value:.14e}"
    decimals = len(case.published.partition(".")[2])
    return f"{value:.{decimals + 2}f}"
