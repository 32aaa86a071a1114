"""Every number of the shop is typed in one kind of field: a comma is a decimal comma, and only keys change it."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from decimal import Decimal
from types import ModuleType
from typing import Any

import pytest
from django import forms
from hypothesis import given
from hypothesis import strategies as st

import catalog
import grading
import stockroom
from stockroom.site.numbers import DecimalTyped, FloatTyped, NumberText, WholeTyped

NO_PAGES = (".migrations", ".management", ".wsgi")


def modules(app: ModuleType) -> list[ModuleType]:
    found = pkgutil.walk_packages(app.__path__, f"{app.__name__}.")
    return [importlib.import_module(one.name) for one in found if not any(part in one.name for part in NO_PAGES)]


def form_classes() -> set[type[Any]]:
    everything = (
        thing for app in (catalog, stockroom, grading) for module in modules(app) for thing in vars(module).values()
    )
    return {thing for thing in everything if inspect.isclass(thing) and issubclass(thing, forms.BaseForm)}


def test_no_form_has_a_browsers_own_number_box() -> None:
    """It drops the comma of “27,50” before anybody can read it, and the wheel changes it."""
    ours = [one for one in form_classes() if one.__module__.split(".")[0] in ("catalog", "stockroom", "grading")]
    assert len(ours) > 40
    boxes = {
        f"{one.__name__}.{name}"
        for one in ours
        for name, field in getattr(one, "base_fields", {}).items()
        if isinstance(field.widget, forms.NumberInput)
    }
    assert not boxes
    numbers = (forms.DecimalField, forms.FloatField, forms.IntegerField)
    unread = {
        f"{one.__name__}.{name}"
        for one in ours
        for name, field in getattr(one, "base_fields", {}).items()
        if type(field) in numbers and not isinstance(field.widget, forms.HiddenInput)
    }
    assert not unread, "these read text as Django does, not as the bench does"


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("27,50", "27.50"),
        ("27.50", "27.50"),
        ("1.234,5", "1234.5"),
        ("1,234.5", "1234.5"),
        (" 1 200 ", "1200"),
        ("−3", "-3"),
    ],
)
def test_an_amount_is_what_was_typed(typed: str, meant: str) -> None:
    assert DecimalTyped().clean(typed) == Decimal(meant)
    assert FloatTyped().clean(typed) == float(meant)


@given(st.integers(0, 10**9), st.integers(0, 99))
def test_a_decimal_comma_never_multiplies(whole: int, hundredths: int) -> None:
    assert DecimalTyped().clean(f"{whole},{hundredths:02}") == DecimalTyped().clean(f"{whole}.{hundredths:02}")


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        (WholeTyped(), "100,000", "could be 100 or 100000"),
        (WholeTyped(), "27,5", "whole number"),
        (DecimalTyped(), "10000012", "is a serial: the scanner fired in this field"),
        (DecimalTyped(), "a dozen", "“a dozen” is not a number"),
        (FloatTyped(min_value=0), "−1", "greater than or equal to 0"),
    ],
)
def test_what_is_no_number_or_two_is_asked_about(field: forms.Field, typed: str, said: str) -> None:
    with pytest.raises(forms.ValidationError, match=said):
        field.clean(typed)


def test_a_phone_shows_its_keys_for_numbers_and_nothing_turns_under_the_wheel() -> None:
    box = NumberText().render("price", "1")
    assert 'inputmode="decimal"' in box and 'type="text"' in box
