"""A grade is asked for by its name, and the number of the best grades is what is stored."""

from __future__ import annotations

import pytest
from django import forms

from grading.models import Policy
from grading.verdicts.grade_choice import BestGradesField, good_or_better, grade_choices

pytestmark = pytest.mark.django_db


class Asked(forms.Form):
    best_grades = BestGradesField()


def saleable() -> list[str]:
    return [level.name for level in Policy.current().parsed.levels if level.saleable]


def test_the_choices_are_the_policys_own_names(policy: Policy) -> None:
    names = saleable()
    assert grade_choices() == [
        (best, f"{name} only" if best == 1 else f"{name} or better") for best, name in enumerate(names, 1)
    ]


def test_what_is_kept_is_a_number(policy: Policy) -> None:
    form = Asked({"best_grades": "2"})
    assert form.is_valid() and form.cleaned_data["best_grades"] == 2
    assert 'value="2" selected' in str(Asked()["best_grades"])


def test_a_number_beyond_the_policy_is_refused_when_asked_and_still_named_when_stored(policy: Policy) -> None:
    beyond = len(saleable()) + 1
    assert not Asked({"best_grades": str(beyond)}).is_valid()
    assert good_or_better(beyond) == f"any of the {len(saleable())} grades that are sold"
    assert good_or_better(2) == f"{saleable()[1]} or better"
