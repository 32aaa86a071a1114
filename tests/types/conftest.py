"""A shop that knows a few types. All that the files hold would take each test here a second on PostgreSQL."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest
from django.core.management import call_command

from catalog.loading import load
from catalog.reference.rows import Reference, TypeRow
from catalog.reference.scripts import normal
from tests.reference import cut_down, the_reference

FEW = "0A2 12AU7 12AX7 5881 6922 6AS7G 6DJ8 6L6GC 6N1P 6N23P-EV 6SN7GT 807 EABC80 EL34 EL84 GZ34 KT66 PCL805"


@pytest.fixture
def reference(db: None) -> None:
    """These and their kin, in place of the whole reference of `tests/conftest.py`."""
    ours = the_reference().by_name
    rows = [ours[normal(name)] for name in FEW.split()]
    kin = [ours[normal(one.designation)] for row in rows for one in row.related]
    few = cut_down(the_reference(), *sorted({row.designation for row in (*rows, *kin)}))
    load(Reference(few.sources, few.basings, {name: _among(row, few) for name, row in few.types.items()}, few.by_name))
    call_command("load_policy", verbosity=0)


def _among(row: TypeRow, few: Reference) -> TypeRow:
    """The type without the kin that are not among the few."""
    related = tuple(kin for kin in row.related if normal(kin.designation) in few.by_name)
    told = [kin for kin in row.table.get("related", []) if normal(kin["designation"]) in few.by_name]
    return replace(row, related=related, table={**row.table, "related": told} if told else _without(row.table))


def _without(table: Mapping[str, object]) -> dict[str, object]:
    return {key: value for key, value in table.items() if key != "related"}
