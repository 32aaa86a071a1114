"""The published cases, as parameters of a test: one file in this folder for each source."""

import pytest

from grading.management.commands.outside_checks import CASES
from grading.proof.published import run
from grading.proof.published.case import PublishedCase


def cases(*topics: str) -> pytest.MarkDecorator:
    """Parametrise a test over every case of these topics; a topic without cases is a mistake here."""
    found = [case for case in CASES if case.topic in topics]
    if {case.topic for case in found} != set(topics):
        raise ValueError(f"No published case for one of {topics}.")
    return pytest.mark.parametrize("case", found, ids=[case.name for case in found])


def assert_agrees(case: PublishedCase) -> None:
    """Fail with what was published, what was computed and the source, when they disagree."""
    (result,) = run([case])
    assert result.agrees, f"{case.source} ({case.known}): published {case.published}, computed {result.computed!r}"
