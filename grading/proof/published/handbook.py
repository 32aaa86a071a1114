"""Worked control charts of the NIST/SEMATECH e-Handbook of Statistical Methods."""

from functools import partial

from grading.metrology import control
from grading.proof.published import data
from grading.proof.published.case import SECOND_HAND, rounds_to

_HANDBOOK = "NIST e-Handbook"
_HANDBOOK_SOURCE = "NIST/SEMATECH e-Handbook of Statistical Methods"


def _flow_rate() -> control.IndividualsChart:
    return control.individuals_chart(data.FLOW_RATE)


def _ewma() -> tuple[control.EwmaPoint, ...]:
    return control.ewma(data.EWMA_DATA, 50, 2.0539, weight=0.3, settled_limits=True)


def _ewma_point(i: int) -> float:
    return _ewma()[i].value


CASES = (
    *(
        rounds_to(
            _HANDBOOK, f"individuals chart, {what}", published, f"{_HANDBOOK_SOURCE}, 6.3.2.2", SECOND_HAND, compute
        )
        for what, published, compute in (
            ("centre line", "50.81", lambda: _flow_rate().centre),
            ("mean moving range", "1.8778", lambda: _flow_rate().mean_moving_range),
            ("upper control limit", "55.8041", lambda: _flow_rate().upper_control_limit),
            ("lower control limit", "45.8159", lambda: _flow_rate().lower_control_limit),
        )
    ),
    rounds_to(
        _HANDBOOK,
        "EWMA chart, upper control limit",
        "52.5884",
        f"{_HANDBOOK_SOURCE}, 6.3.2.4",
        SECOND_HAND,
        lambda: _ewma()[0].upper_control_limit,
    ),
    rounds_to(
        _HANDBOOK,
        "EWMA chart, lower control limit",
        "47.4115",
        f"{_HANDBOOK_SOURCE}, 6.3.2.4",
        SECOND_HAND,
        lambda: _ewma()[0].lower_control_limit,
        allow=0.00005,
        note="the Handbook cuts this limit off (47.41157) instead of rounding it",
    ),
    *(
        rounds_to(
            _HANDBOOK,
            f"EWMA chart, point {i + 1}",
            f"{printed:.2f}",
            f"{_HANDBOOK_SOURCE}, 6.3.2.4",
            SECOND_HAND,
            partial(_ewma_point, i),
        )
        for i, printed in enumerate(data.EWMA_PRINTED)
    ),
)
