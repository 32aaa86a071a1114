"""What the decision rules and the intervals promise, tried by simulation."""

from collections.abc import Callable, Iterator
from functools import cache, partial

from scipy import stats

from grading.metrology import conformity
from grading.metrology.conformity import GuardedAcceptance, MaximumFalseAcceptance, SimpleAcceptance
from grading.proof import simulated
from grading.proof.published.case import PROMISE, PublishedCase

_TRIED = "Simulation"
_OURS = f"simulation of {simulated.VALVES} valves, fixed seed"


def _at_most(name: str, most: float, words: str, compute: Callable[[], float]) -> PublishedCase:
    return PublishedCase(_TRIED, name, words, 0.0, most, _OURS, PROMISE, compute)


@cache
def _false_accepts(rule: conformity.Rule, limit: float) -> simulated.FalseAccepts:
    return simulated.false_accepts(rule, limit)


def _accepted_at_limit(rule: conformity.Rule, limit: float) -> float:
    return _false_accepts(rule, limit).at_limit


def _wrong_among_accepted(rule: conformity.Rule, limit: float) -> float:
    return _false_accepts(rule, limit).among_accepted


def _promises() -> Iterator[PublishedCase]:
    rules: tuple[tuple[str, conformity.Rule, float], ...] = (
        ("guard band w = U (k = 2)", GuardedAcceptance(), float(stats.norm.sf(2))),
        ("at most 5 % false acceptance", MaximumFalseAcceptance(0.05), 0.05),
        ("at most 1 % false acceptance", MaximumFalseAcceptance(0.01), 0.01),
    )
    for side, limit in (("lower", simulated.LIMITS.lower), ("upper", simulated.LIMITS.upper)):
        for words, rule, promise in rules:
            yield _at_most(
                f"{words}: accepted of the valves lying on the {side} limit",
                promise,
                f"<= {100 * promise:.2f} %",
                partial(_accepted_at_limit, rule, limit),
            )
            yield _at_most(
                f"{words}: not conforming among those accepted near the {side} limit",
                promise,
                f"<= {100 * promise:.2f} %",
                partial(_wrong_among_accepted, rule, limit),
            )
        yield _at_most(
            f"simple acceptance: not conforming among those accepted near the {side} limit",
            0.5,
            "<= 50 %",
            partial(_wrong_among_accepted, SimpleAcceptance(), limit),
        )
    name = "95 % interval of a reading holds the true value"
    yield PublishedCase(_TRIED, name, "94 to 96 %", 0.94, 0.96, _OURS, PROMISE, simulated.reading_coverage)


CASES: tuple[PublishedCase, ...] = tuple(_promises())
