"""NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 and 6.3.2.4, and a published gauge study.

The gauge study is that of "Measurement Systems Analysis", 4th ed. The values stand in
grading/proof/published/handbook.py and grading/proof/published/gauge.py, each with how it was read.
"""

from grading.proof.published.case import PublishedCase
from tests.outside.published import assert_agrees, cases


@cases("NIST e-Handbook")
def test_the_handbooks_charts_come_out(case: PublishedCase) -> None:
    assert_agrees(case)


@cases("Gauge study")
def test_the_published_gauge_study_comes_out(case: PublishedCase) -> None:
    assert_agrees(case)
