"""Three things the trade takes for granted. Common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from catalog.reference.rows import Reference, TestPointRow, TypeRow
from catalog.reference.scripts import normal
from tests.reference import the_reference


@cache
def reference() -> Reference:
    return the_reference()


def valve(name: str) -> TypeRow:
    found = reference().find(name)
    assert found is not None, name
    return found


def points(name: str) -> list[dict[str, TestPointRow]]:
    """The test points of each section by name, the source taken off: what is compared is the values."""
    return [
        {point.name: replace(point, source="", at="") for point in section.test_points}
        for section in valve(name).sections
    ]


def test_the_nine_pin_6cg7_is_electrically_the_octal_6sn7gt() -> None:
    assert points("6CG7") == points("6SN7GT")
    assert valve("6CG7").heaters == valve("6SN7GT").heaters
    assert reference().basings[valve("6CG7").basing].base == "B9A"
    assert reference().basings[valve("6SN7GT").basing].base == "octal"


def test_each_says_so_of_the_other() -> None:
    for one, other in (("6CG7", "6SN7GT"), ("6SN7GT", "6CG7")):
        assert ("same electrically", normal(other)) in [
            (related.how, normal(related.designation)) for related in valve(one).related
        ]


def test_a_6n6p_section_has_a_mu_of_20() -> None:
    assert [section.test_points[0].mu for section in valve("6N6P").sections] == [20, 20]


@pytest.mark.parametrize(
    "rating", ["anode_dissipation_max_w", "screen_dissipation_max_w", "screen_voltage_max_v", "anode_voltage_max_v"]
)
def test_a_6p1p_is_close_to_a_6v6_in_its_ratings(rating: str) -> None:
    """Dissipations within a quarter; voltages within a third, the 6V6 being allowed more in every sheet."""
    ours = getattr(valve("6P1P").sections[0].ratings, rating)
    theirs = getattr(valve("6V6GT").sections[0].ratings, rating)
    assert ours is not None and theirs is not None
    apart = abs(float(ours) / float(theirs) - 1)
    assert apart <= (0.25 if rating.endswith("_w") else 1 / 3), f"{ours} against {theirs}"


def test_a_6p1p_draws_what_a_6v6_draws_at_the_same_bias() -> None:
    (ours,) = (point for point in valve("6P1P").sections[0].test_points if point.anode_voltage_v == 250)
    (theirs,) = (point for point in valve("6V6GT").sections[0].test_points if point.anode_voltage_v == 250)
    assert (ours.screen_voltage_v, ours.grid_voltage_v) == (theirs.screen_voltage_v, theirs.grid_voltage_v)
    assert abs(ours.anode_current_ma / theirs.anode_current_ma - 1) <= 0.05
    assert ours.gm_ma_per_v and theirs.gm_ma_per_v
    assert abs(ours.gm_ma_per_v / theirs.gm_ma_per_v - 1) <= 0.25
