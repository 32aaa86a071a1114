"""The command that prints every published value beside the one computed here."""

from io import StringIO

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from grading.management.commands import outside_checks
from grading.proof import promised
from grading.proof.published import run
from grading.proof.published.case import READ, PublishedCase, rounds_to
from tests.outside.published import assert_agrees, cases

WRONG = rounds_to("Arithmetic", "two and two", "5", "nobody", READ, lambda: 4.0)


@cases("Valve model")
def test_the_published_operating_point_of_a_triode_comes_out(case: PublishedCase) -> None:
    assert_agrees(case)


def test_it_prints_each_value_with_its_source() -> None:
    out = StringIO()
    call_command("outside_checks", "--topic", "JCGM 106:2012", stdout=out)
    text = out.getvalue()
    assert "JCGM 106:2012" in text and "from memory" in text
    assert "published 0.92, computed 0.9192" in text
    assert "0 disagree" in text


def test_it_fails_when_a_value_disagrees(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outside_checks, "CASES", (WRONG,))
    out = StringIO()
    with pytest.raises(CommandError, match="1 of 1 values disagree"):
        call_command("outside_checks", stdout=out)
    assert "DISAGREES  two and two: published 5, computed 4.00" in out.getvalue()


def test_a_value_that_cannot_be_computed_does_not_agree() -> None:
    (result,) = run([WRONG._replace(compute=lambda: float("nan"))])
    assert not result.agrees


def test_a_published_value_is_met_to_half_its_last_digit_and_no_further() -> None:
    case = rounds_to("t", "n", "0.92", "s", READ, lambda: 0.9249)
    assert [result.agrees for result in run([case, case._replace(compute=lambda: 0.9251)])] == [True, False]


def test_promises_are_tried_by_name_and_a_broken_one_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = WRONG._replace(name="two and two, kept", compute=lambda: 5.0)
    monkeypatch.setattr(promised, "cases", lambda times: iter([WRONG, kept]))
    out = StringIO()
    call_command("try_promises", "--only", "kept", stdout=out)
    assert "1 promises kept." in out.getvalue() and "two and two, kept" in out.getvalue()
    with pytest.raises(CommandError, match="Not kept: two and two"):
        call_command("try_promises", stdout=out)


def test_many_draws_leave_little_to_chance() -> None:
    def most(times: int) -> float:
        return next(case.high for case in promised.cases(times) if "although on the tolerance" in case.name)

    assert most(1) - 0.05 == pytest.approx(4 * (most(16) - 0.05)) and most(16) < 0.053
