"""A published crossed gauge study, by the analysis of variance."""

from functools import cache

from grading.metrology import repeatability
from grading.proof.published import data
from grading.proof.published.case import SECOND_HAND, rounds_to

_GAUGE = "Gauge study"
_GAUGE_SOURCE = (
    '"Measurement Systems Analysis", 4th ed., data; variance components as published for them in a statistics'
    " package's worked example of a crossed study"
)


@cache
def _gauge() -> repeatability.CrossedStudy:
    return repeatability.crossed_study(data.GAUGE_STUDY)


CASES = tuple(
    rounds_to(_GAUGE, what, published, _GAUGE_SOURCE, SECOND_HAND, compute)
    for what, published, compute in (
        ("interaction, F", "0.434", lambda: _gauge().anova[2].f_ratio or 0.0),
        ("interaction, p", "0.974", lambda: _gauge().anova[2].p_value or 0.0),
        ("variance, repeatability", "0.03997", lambda: _gauge().repeatability.variance),
        ("variance, reproducibility", "0.05146", lambda: _gauge().reproducibility.variance),
        ("variance, repeatability and reproducibility", "0.09143", lambda: _gauge().gauge.variance),
        ("variance, part to part", "1.08645", lambda: _gauge().part_to_part.variance),
        ("variance, total", "1.17788", lambda: _gauge().total.variance),
        ("contribution of the gauge, %", "7.76", lambda: _gauge().gauge.contribution_percent),
        ("study variation of the gauge, %", "27.86", lambda: _gauge().gauge.study_variation_percent),
        (
            "study variation, repeatability, %",
            "18.42",
            lambda: _gauge().repeatability.study_variation_percent,
        ),
        (
            "study variation, reproducibility, %",
            "20.90",
            lambda: _gauge().reproducibility.study_variation_percent,
        ),
        ("study variation, parts, %", "96.04", lambda: _gauge().part_to_part.study_variation_percent),
        ("number of distinct categories", "4", lambda: float(_gauge().distinct_categories)),
    )
)
