"""JCGM 106:2012, and what our rules promise, by simulation.

Source: JCGM 106:2012, "Evaluation of measurement data - The role of measurement uncertainty in conformity
assessment", 7.3.3, 7.4, 8.3.3 (from memory) and 9.5.4 (read at second hand): grading/proof/published/jcgm106.py.
"""

from grading.proof.published.case import PublishedCase
from tests.outside.published import assert_agrees, cases


@cases("JCGM 106:2012")
def test_the_worked_examples_come_out(case: PublishedCase) -> None:
    assert_agrees(case)


@cases("Simulation")
def test_ten_thousand_simulated_valves_keep_each_promise(case: PublishedCase) -> None:
    assert_agrees(case)


@cases("Simulation of the shop")
def test_what_the_shop_prints_and_decides_keeps_each_promise_from_both_sides(case: PublishedCase) -> None:
    assert_agrees(case)
