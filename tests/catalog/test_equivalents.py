"""Names that mean the same valve become aliases of whichever of them is on file."""

from __future__ import annotations

from pathlib import Path

import pytest

from catalog.reference.equivalents import Equivalent, further_names, read_equivalents
from catalog.reference.scripts import normal
from tests.reference import FIXTURES, the_reference

ROWS = read_equivalents(FIXTURES / "equivalents.toml")


def test_the_names_of_a_row_go_to_the_type_on_file_whichever_name_it_has() -> None:
    row = Equivalent(("EL84", "6BQ5", "N709"))
    assert further_names([row], {"6BQ5": "6BQ5"}) == {"6BQ5": ["EL84", "N709"]}
    assert further_names([row], {"KT88": "KT88"}) == {}


def test_a_special_row_leads_to_the_everyday_valve_until_it_has_a_type_of_its_own() -> None:
    row = Equivalent(("E88CC", "CV2492"), "ECC88")
    assert further_names([row], {"ECC88": "ECC88"}) == {"ECC88": ["E88CC", "CV2492"]}
    assert further_names([row], {"ECC88": "ECC88", "E88CC": "6922"}) == {"6922": ["CV2492"]}


def test_no_name_on_file_is_taken_from_the_type_that_has_it() -> None:
    """EF86 and 6Zh32P may stand in one row: each keeps its own name."""
    row = Equivalent(("EF86", "6BK8", "6ZH32P"))
    assert further_names([row], {"EF86": "EF86", "6ZH32P": "6Zh32P"}) == {"EF86": ["6BK8"]}


def test_our_rows_make_more_than_five_hundred_names_and_every_one_is_from_memory() -> None:
    reference = the_reference()
    aliases = [alias for type_ in reference.types.values() for alias in type_.aliases]
    assert len(reference.by_name) >= 600
    listed = {normal(name) for row in ROWS for name in row.names}
    assert all(alias.source == "memory" for alias in aliases if normal(alias.designation) in listed)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('same = [{ names = ["A1", "A 1"] }]', "stands with"),
        ("same = [{ names = 3 }]", "names in quotes"),
        ("same = [3]", "names in quotes"),
    ],
)
def test_a_row_that_is_wrong_is_refused(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "equivalents.toml"
    file.write_text(text)
    with pytest.raises(ValueError, match=says):
        read_equivalents(file)
