"""Which severity of inspection a supplier's next lot meets: the switching rules of ISO 2859-1.

    Standing             where a supplier stands: severity, switching score, recent lots, discontinued or not
    LotResult            what one lot on original inspection showed
    after                the state after one more lot, with the reason
    state_after       the state after a series of lots
    resume               begin again after discontinuation
    return_to_normal     leave reduced inspection for another reason than a lot not accepted
    accepted_one_step_tighter   what the switching score asks of a lot

The rules are those of ISO 2859-1:1999, clauses 9.3 (normal, tightened, reduced; 9.3.3.2 the switching score
for single sampling) and 9.4 (discontinuation). Only original inspection counts: a lot returned and offered
again does not. Where they were seen is named in tests/outside/test_iso2859.py.

The shop stands in for the responsible authority: it says whether the supply is steady and whether it wants
reduced inspection at all. A series is kept for one supplier at one AQL.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import NamedTuple

from stockroom.sealed.pure.sampling import AQLS, SamplingError, Severity, table_plan

SCORE_FOR_REDUCED = 30
REFUSED_FOR_DISCONTINUATION = 5


class InspectionDiscontinued(SamplingError):
    """Lots from this supplier are not sampled until the supplier has put things right."""


class LotResult(NamedTuple):
    """One lot on original inspection.

    `accepted_one_step_tighter` is needed on normal inspection when the acceptance number is 2 or more.
    """

    accepted: bool
    acceptance_number: int
    accepted_one_step_tighter: bool = False


@dataclass(frozen=True)
class SwitchingState:
    """`recent` holds the last five results since the severity last changed, oldest first (True: accepted)."""

    severity: Severity = Severity.NORMAL
    score: int = 0
    recent: tuple[bool, ...] = ()
    refused_on_tightened: int = 0
    discontinued: bool = False
    reason: str = "inspection begins with normal severity"


def after(now: SwitchingState, lot: LotResult, *, steady: bool = False, reduced_wanted: bool = False) -> SwitchingState:
    """The state after one more lot.

    Args:
        steady: supply is at a steady rate.
        reduced_wanted: the shop considers reduced inspection desirable.

    Raises:
        InspectionDiscontinued: the series has been stopped; see `resume`.
    """
    if now.discontinued:
        raise InspectionDiscontinued(
            "Sampling of this supplier's lots is discontinued until the supplier has put things right."
        )
    recent = (*now.recent, lot.accepted)[-5:]
    if now.severity is Severity.NORMAL:
        return _after_normal(now, lot, recent, steady and reduced_wanted)
    if now.severity is Severity.TIGHTENED:
        return _after_tightened(now, lot, recent)
    if not lot.accepted:
        return SwitchingState(reason="a lot was not accepted on reduced inspection: back to normal")
    if not (steady and reduced_wanted):
        return SwitchingState(reason="supply is not steady or reduced inspection not wanted: back to normal")
    return replace(now, recent=recent, reason="the lot was accepted: reduced inspection continues")


def _after_normal(now: SwitchingState, lot: LotResult, recent: tuple[bool, ...], may_reduce: bool) -> SwitchingState:
    if recent.count(False) >= 2:
        reason = "two of five or fewer consecutive lots were not accepted: tightened inspection"
        return SwitchingState(Severity.TIGHTENED, reason=reason)
    score = _score(now.score, lot)
    if score >= SCORE_FOR_REDUCED and may_reduce:
        reason = f"the switching score reached {score} and supply is steady: reduced inspection"
        return SwitchingState(Severity.REDUCED, score, reason=reason)
    reason = f"normal inspection continues; the switching score is {score}"
    return replace(now, score=score, recent=recent, reason=reason)


def _score(score: int, lot: LotResult) -> int:
    """Clause 9.3.3.2, single sampling."""
    if lot.acceptance_number >= 2:
        return score + 3 if lot.accepted and lot.accepted_one_step_tighter else 0
    return score + 2 if lot.accepted else 0


def _after_tightened(now: SwitchingState, lot: LotResult, recent: tuple[bool, ...]) -> SwitchingState:
    if len(recent) == 5 and all(recent):
        return SwitchingState(reason="five consecutive lots were accepted on tightened inspection: back to normal")
    refused = now.refused_on_tightened + (not lot.accepted)
    if refused >= REFUSED_FOR_DISCONTINUATION:
        return replace(
            now,
            recent=recent,
            refused_on_tightened=refused,
            discontinued=True,
            reason=f"{refused} lots were not accepted on tightened inspection: sampling is discontinued",
        )
    return replace(
        now,
        recent=recent,
        refused_on_tightened=refused,
        reason=f"tightened inspection continues; {refused} lots not accepted on it so far",
    )


def state_after(lots: Iterable[LotResult], *, steady: bool = False, reduced_wanted: bool = False) -> SwitchingState:
    """The state after a series of lots, oldest first, from normal inspection."""
    now = SwitchingState()
    for lot in lots:
        now = after(now, lot, steady=steady, reduced_wanted=reduced_wanted)
    return now


def resume(now: SwitchingState) -> SwitchingState:
    """Begin again, with tightened inspection, after the supplier has put things right."""
    if not now.discontinued:
        raise SamplingError("Sampling of this supplier's lots is not discontinued.")
    return SwitchingState(Severity.TIGHTENED, reason="resumed after discontinuation: tightened inspection")


def return_to_normal(now: SwitchingState, reason: str) -> SwitchingState:
    """Leave reduced inspection because the supply became irregular or other conditions ask for it."""
    if now.severity is not Severity.REDUCED:
        raise SamplingError(f"This supplier is on {now.severity} inspection, not on reduced.")
    return SwitchingState(reason=f"{reason}: back to normal")


def accepted_one_step_tighter(letter: str, aql: Decimal, sample_size: int, failed: int) -> bool:
    """Whether the lot would also have been accepted on normal inspection at the next smaller AQL.

    The same sample is judged, so the tighter plan must have the same sample size; where the table's arrow
    leads to another one, or there is no smaller AQL, the question cannot be answered and counts as no (our
    caution; the rule does not say).

    Raises:
        NotInTheTables: no such letter or AQL.
    """
    table_plan(letter, aql, Severity.NORMAL)
    place = AQLS.index(aql)
    if place == 0:
        return False
    _, tighter_size, acceptance_number = table_plan(letter, AQLS[place - 1], Severity.NORMAL)
    return tighter_size == sample_size and failed <= acceptance_number
