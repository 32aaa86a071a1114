"""Grades asked for by name: "Good or better" for the best two, whose number is what is stored."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms

from grading.models import Policy

USUAL = 2


def grade_choices() -> list[tuple[int, str]]:
    """How many of the best grades, and what that is called; those that may be sold, by the policy in force."""
    names = [level.name for level in Policy.current().parsed.levels if level.saleable]
    return [(best, f"{name} only" if best == 1 else f"{name} or better") for best, name in enumerate(names, start=1)]


def good_or_better(best_grades: int, names: Mapping[int, str] | None = None) -> str:
    """ "Good or better" for 2. More grades than the policy has are all of them."""
    names = names or dict(grade_choices())
    return names.get(best_grades, f"any of the {len(names)} grades that are sold")


class BestGradesField(forms.TypedChoiceField):
    """The lowest grade that will do."""

    def __init__(self, **kwargs: Any) -> None:
        given = {"label": "Grade", "initial": USUAL, **kwargs}
        super().__init__(coerce=int, choices=grade_choices, **given)
