"""What a test starts from: nothing that it did not ask for, and the reference as the commands of a new shop load it."""

from __future__ import annotations

from typing import Any

import pytest
from django.apps import apps
from django.core.management import call_command

from catalog.models import ValveType
from grading.models import Policy

pytestmark = pytest.mark.django_db


def rows() -> dict[str, list[tuple[Any, ...]]]:
    """Every row of the catalogue and the policies, without the times at which policies and positions were written."""
    models = [*apps.get_app_config("catalog").get_models(), Policy]
    return {
        model.__name__: [
            tuple(row.values())
            for row in model._default_manager.order_by("pk").values(
                *(
                    field.attname
                    for field in model._meta.concrete_fields
                    if field.name not in ("made_at", "described_at")
                )
            )
        ]
        for model in models
    }


def test_a_test_that_asks_for_nothing_finds_no_types_and_no_policy() -> None:
    assert not any(rows().values())


def test_loading_the_files_over_the_kept_reference_changes_no_row(reference: None) -> None:
    def without_keys_made_anew() -> dict[str, list[tuple[Any, ...]]]:
        """Heaters, applications and related types are written anew by every loading, in the order of the files."""
        anew = {"Application", "Heater", "RelatedType"}
        return {name: [row[1:] for row in found] if name in anew else found for name, found in rows().items()}

    before = without_keys_made_anew()
    call_command("load_types", verbosity=0)
    call_command("load_policy", verbosity=0)
    assert without_keys_made_anew() == before
    assert len(before["ValveType"]) >= 60 and len(before["TestPoint"]) >= 60 and len(before["Policy"]) == 1


def test_a_type_made_after_the_kept_ones_gets_a_key_of_its_own(reference: None) -> None:
    known = set(ValveType.objects.values_list("pk", flat=True))
    basing = ValveType.objects.all()[0].basing
    made = ValveType.objects.create(designation="9ZZ9", kind="triode", basing=basing, basing_source=basing.source)
    assert made.pk not in known
