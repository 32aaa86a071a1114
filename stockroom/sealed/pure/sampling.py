"""How many sealed packs to open, which ones, and what the result says about the rest.

Sources. The tables are Table 1 (code letters) and Tables 2-A, 2-B and 2-C (single sampling, normal, tightened
and reduced) of ISO 2859-1:1999, "Sampling procedures for inspection by attributes, Part 1: Sampling schemes
indexed by acceptance quality limit (AQL) for lot-by-lot inspection". Tables 1 and 2-A hold the same plans as
those of the public MIL-STD-105E, and so does Table 2-B but for letter A at AQL 10; Table 2-C does not, since
the 1999 edition closed the gap between its acceptance and rejection numbers. The standard itself was not
seen: the copies that every cell was checked against are named in tests/outside/test_iso2859.py.

Each valve either conforms or does not, so the plans are used for the percentage of nonconforming items, for
which the standard has AQLs up to 10; the AQLs above are for counts of nonconformities per hundred items.

All probabilities are exact fractions of whole-number counts, so that a plan never turns on a rounding.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from itertools import count
from math import ceil, comb, floor
from typing import NamedTuple

from stockroom.pure.refused import Refused
from stockroom.pure.written import percent, plural


class SamplingError(Refused):
    """A sampling question that has no answer as asked."""


class LotTooSmall(SamplingError):
    """A lot of fewer than two packs cannot be sampled."""


class NotInTheTables(SamplingError):
    """The standard has no such AQL, level or plan."""


class NoPlan(SamplingError):
    """The qualities and risks asked for contradict each other."""


class InspectionLevel(StrEnum):
    """How large a sample is for its lot: II unless there is a reason; S-1 to S-4 open the fewest packs."""

    S1 = "S-1"
    S2 = "S-2"
    S3 = "S-3"
    S4 = "S-4"
    I = "I"  # noqa: E741  the standard's own name
    II = "II"
    III = "III"


class Severity(StrEnum):
    """Normal to begin with; the switching rules decide the rest (see switching.py)."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"


_AQL_NAMES = """
0.010 0.015 0.025 0.040 0.065 0.10 0.15 0.25 0.40 0.65 1.0 1.5 2.5 4.0 6.5 10
15 25 40 65 100 150 250 400 650 1000
"""
AQLS = tuple(map(Decimal, _AQL_NAMES.split()))
AQLS_FOR_ITEMS = tuple(aql for aql in AQLS if aql <= 10)

# Table 1: the largest lot of each range, then the code letter for each level.
_CODE_LETTERS = """
             S-1 S-2 S-3 S-4  I  II III
      8       A   A   A   A   A   A   B
     15       A   A   A   A   A   B   C
     25       A   A   B   B   B   C   D
     50       A   B   B   C   C   D   E
     90       B   B   C   C   C   E   F
    150       B   B   C   D   D   F   G
    280       B   C   D   E   E   G   H
    500       B   C   D   E   F   H   J
   1200       C   C   E   F   G   J   K
   3200       C   D   E   G   H   K   L
  10000       C   D   F   G   J   L   M
  35000       C   D   F   H   K   M   N
 150000       D   E   G   J   L   N   P
 500000       D   E   G   J   M   P   Q
      -       D   E   H   K   N   Q   R
"""

# Tables 2-A, 2-B, 2-C: code letter, sample size, then the acceptance number in the column of each AQL, in the
# order of AQLS. An arrow sends to the first plan below or above in its column; a point marks a place without
# a plan.
_NORMAL = """
A    2   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  7 10 14 21 30
B    3   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21 30 44
C    5   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21 30 44  ↑
D    8   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21 30 44  ↑  ↑
E   13   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21 30 44  ↑  ↑  ↑
F   20   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑
G   32   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑
H   50   ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
J   80   ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
K  125   ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
L  200   ↓  ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
M  315   ↓  ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
N  500   ↓  ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
P  800   ↓  0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
Q 1250   0  ↑  ↓  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
R 2000   ↑  ↑  1  2  3  5  7 10 14 21  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
"""
_TIGHTENED = """
A    2   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18 27
B    3   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18 27 41
C    5   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18 27 41  ↑
D    8   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18 27 41  ↑  ↑
E   13   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18 27 41  ↑  ↑  ↑
F   20   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑
G   32   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑
H   50   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
J   80   ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
K  125   ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
L  200   ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
M  315   ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
N  500   ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
P  800   ↓  ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
Q 1250   ↓  0  ↓  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
R 2000   0  ↑  ↓  1  2  3  5  8 12 18  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
S 3150   .  .  1  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .  .
"""
_REDUCED = """
A    2   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↓  ↓  1  2  3  5  7 10 14 21 30
B    2   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  7 10 14 21 30
C    2   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10 14 21  ↑
D    3   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10 14 21  ↑  ↑
E    5   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10 14 21  ↑  ↑  ↑
F    8   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑
G   13   ↓  ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑
H   20   ↓  ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
J   32   ↓  ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
K   50   ↓  ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
L   80   ↓  ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
M  125   ↓  ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
N  200   ↓  ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
P  315   ↓  0  ↑  ↓  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
Q  500   0  ↑  ↑  ↓  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
R  800   ↑  ↑  ↑  1  2  3  5  6  8 10  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑  ↑
"""


class _TableRow(NamedTuple):
    letter: str
    sample_size: int
    cells: tuple[str, ...]


def _rows(table: str) -> tuple[_TableRow, ...]:
    lines = [line.split() for line in table.strip().splitlines()]
    return tuple(_TableRow(letter, int(size), tuple(cells)) for letter, size, *cells in lines)


_MASTER_TABLES = {
    Severity.NORMAL: _rows(_NORMAL),
    Severity.TIGHTENED: _rows(_TIGHTENED),
    Severity.REDUCED: _rows(_REDUCED),
}


@dataclass(frozen=True)
class AttributesPlan:
    """A single sampling plan: open `sample_size` of `lot_size` packs and accept at `acceptance_number`
    failures.

    At `rejection_number`, always the next number, or more it refuses. `basis` says where it was taken from.
    """

    lot_size: int
    sample_size: int
    acceptance_number: int
    basis: str

    @property
    def rejection_number(self) -> int:
        return self.acceptance_number + 1

    @property
    def opens_everything(self) -> bool:
        """Whether the plan leaves nothing sealed."""
        return self.sample_size == self.lot_size


def code_letter(lot_size: int, level: InspectionLevel) -> str:
    """The sample size code letter of Table 1.

    Raises:
        LotTooSmall: below two packs.
    """
    if lot_size < 2:
        raise LotTooSmall(f"A lot of {lot_size} cannot be sampled: test it, or sell it as it is.")
    heading, *lines = (line.split() for line in _CODE_LETTERS.strip().splitlines())
    column = heading.index(level.value) + 1
    for line in lines[:-1]:
        if lot_size <= int(line[0]):
            return line[column]
    return lines[-1][column]


def table_plan(letter: str, aql: Decimal, severity: Severity) -> tuple[str, int, int]:
    """The letter, sample size and acceptance number that Table 2-A, 2-B or 2-C gives, its arrows followed.

    Raises:
        NotInTheTables: no such letter, AQL, or plan.
    """
    if aql not in AQLS:
        raise NotInTheTables(f"{aql} is not one of the standard's AQLs: {', '.join(map(str, AQLS))}.")
    rows = _MASTER_TABLES[severity]
    letters = [row.letter for row in rows]
    if letter not in letters:
        raise NotInTheTables(f"{letter} is not a code letter of the table for {severity} inspection.")
    column = AQLS.index(aql)
    place = letters.index(letter)
    step = {"↓": 1, "↑": -1}.get(rows[place].cells[column], 0)
    while rows[place].cells[column] in "↓↑":
        place += step
    row = rows[place]
    if row.cells[column] == ".":
        raise NotInTheTables(f"The table has no plan for letter {letter} at AQL {aql}, {severity} inspection.")
    return row.letter, row.sample_size, int(row.cells[column])


def single_plan(
    lot_size: int, level: InspectionLevel, aql: Decimal, severity: Severity = Severity.NORMAL
) -> AttributesPlan:
    """The ISO 2859-1 single sampling plan for a lot.

    Args:
        lot_size: packs in the lot, at least two.
        aql: one of AQLS, in percent nonconforming (or, above 10, nonconformities per hundred items).

    Where the table's sample is as large as the lot or larger, every pack is opened; the acceptance number
    stays.

    Raises:
        LotTooSmall, NotInTheTables.
    """
    letter = code_letter(lot_size, level)
    final_letter, sample_size, acceptance_number = table_plan(letter, aql, severity)
    by_arrow = "" if final_letter == letter else f", by the table's arrow {final_letter}"
    basis = f"ISO 2859-1, level {level}, {severity} inspection, AQL {aql}, code letter {letter}{by_arrow}"
    if sample_size >= lot_size:
        basis += f"; its sample of {sample_size} is not smaller than the lot, so every pack is opened"
    return AttributesPlan(lot_size, min(sample_size, lot_size), acceptance_number, basis)


def hypergeometric_cdf(failed: int, lot_size: int, defective: int, sample_size: int) -> Fraction:
    """The exact probability of at most `failed` defectives in a sample drawn without replacement.

    P(X <= x) = sum over k <= x of C(D, k) C(N - D, n - k) / C(N, n), with N the lot, D the defectives in it
    and n the sample.
    """
    if not 0 <= defective <= lot_size or not 0 <= sample_size <= lot_size:
        raise SamplingError(f"A lot of {lot_size} holds neither {defective} defectives nor a sample of {sample_size}.")
    good = lot_size - defective
    least = max(0, sample_size - good)
    most = min(failed, defective, sample_size)
    if most < least:
        return Fraction(0)
    term = comb(defective, least) * comb(good, sample_size - least)
    total = term
    for k in range(least, most):
        term = term * (defective - k) * (sample_size - k) // ((k + 1) * (good - sample_size + k + 1))
        total += term
    return Fraction(total, comb(lot_size, sample_size))


def binomial_cdf(failed: int, sample_size: int, share: Decimal | Fraction) -> Fraction:
    """The exact probability of at most `failed` defectives among `sample_size` from a steady process."""
    p = Fraction(share)
    if not 0 <= p <= 1:
        raise SamplingError(f"A share of {share} is not between 0 and 1.")
    a, b = p.numerator, p.denominator
    ways = sum(comb(sample_size, k) * a**k * (b - a) ** (sample_size - k) for k in range(min(failed, sample_size) + 1))
    return Fraction(ways, b**sample_size)


def acceptance_probability(plan: AttributesPlan, defective: int) -> Fraction:
    """The exact probability that the plan accepts its lot when `defective` of the packs are bad."""
    return hypergeometric_cdf(plan.acceptance_number, plan.lot_size, defective, plan.sample_size)


class CurvePoint(NamedTuple):
    """A point of the curve: bad packs in the lot, their share of it, and the probability of acceptance."""

    defective: int
    share: float
    probability: float


def operating_characteristic(plan: AttributesPlan, points: int = 41) -> list[CurvePoint]:
    """The operating characteristic curve, from a perfect lot to one that is accepted one time in two hundred.

    Returns:
        At most `points` points with rising content, every one a lot that can exist (whole packs).
    """
    if points < 2:
        raise SamplingError("A curve needs at least two points.")
    last = _first_content(plan, Fraction(1, 200))
    contents = sorted({round(Fraction(last * k, points - 1)) for k in range(points)})
    return [
        CurvePoint(defective, defective / plan.lot_size, float(acceptance_probability(plan, defective)))
        for defective in contents
    ]


def limiting_quality(plan: AttributesPlan, probability: Decimal | Fraction = Fraction(1, 10)) -> CurvePoint:
    """The best lot that is accepted no more often than `probability`; a worse one is accepted less often."""
    defective = _first_content(plan, Fraction(probability))
    return CurvePoint(defective, defective / plan.lot_size, float(acceptance_probability(plan, defective)))


def _first_content(plan: AttributesPlan, probability: Fraction) -> int:
    """The smallest content accepted with at most `probability` (the whole lot when none is)."""
    low, high = 0, plan.lot_size
    while low < high:
        middle = (low + high) // 2
        if acceptance_probability(plan, middle) <= probability:
            high = middle
        else:
            low = middle + 1
    return low


def exact_plan(
    lot_size: int,
    acceptable: Decimal | Fraction,
    rejectable: Decimal | Fraction,
    producers_risk: Decimal | Fraction,
    consumers_risk: Decimal | Fraction,
) -> AttributesPlan:
    """The plan that opens the fewest packs while keeping both risks, by the hypergeometric distribution.

    Args:
        acceptable: share of bad packs up to which a lot shall be accepted with probability 1 -
        producers_risk. rejectable: share from which on it shall be accepted with at most consumers_risk.

    A lot holds whole packs, so `acceptable` stands for the worst lot not above it and `rejectable` for the
    best lot not below it. For each acceptance number, smallest first, the smallest sample that keeps the
    consumer's risk is sought; a larger sample only makes acceptance rarer, so if the producer's risk is not
    kept there, no sample with that acceptance number keeps both. The search ends: at the acceptance number of
    the worst good lot that lot is accepted by any sample.

    Raises:
        LotTooSmall: below two packs.
        NoPlan: the shares do not tell two different lots apart, or a risk is not between 0 and 1.
    """
    if lot_size < 2:
        raise LotTooSmall(f"A lot of {lot_size} cannot be sampled: test it, or sell it as it is.")
    good, bad = Fraction(acceptable), Fraction(rejectable)
    producer, consumer = Fraction(producers_risk), Fraction(consumers_risk)
    if not 0 <= good < bad <= 1:
        raise NoPlan("The acceptable share of bad packs must be below the rejectable one, both between 0 and 1.")
    if not (0 < producer < 1 and 0 < consumer < 1):
        raise NoPlan("Both risks must lie between 0 and 1.")
    worst_good, best_bad = floor(good * lot_size), ceil(bad * lot_size)

    candidates = ((c, _smallest_sample(lot_size, best_bad, c, consumer)) for c in count())
    acceptance_number, sample_size = next(
        (c, n) for c, n in candidates if hypergeometric_cdf(c, lot_size, worst_good, n) >= 1 - producer
    )
    basis = (
        f"hypergeometric distribution: lots with {worst_good} bad packs or fewer are accepted with at least "
        f"{percent(1 - producer, places=None)}, "
        f"lots with {best_bad} or more with at most {percent(consumer, places=None)}"
    )
    return AttributesPlan(lot_size, sample_size, acceptance_number, basis)


def _smallest_sample(lot_size: int, defective: int, acceptance_number: int, risk: Fraction) -> int:
    low, high = acceptance_number + 1, lot_size
    while low < high:
        middle = (low + high) // 2
        if hypergeometric_cdf(acceptance_number, lot_size, defective, middle) <= risk:
            high = middle
        else:
            low = middle + 1
    return low


def draw(lot_size: int, sample_size: int, seed: str) -> list[int]:
    """The numbers of the packs to open, in the order to open them.

    The packs are numbered from 1. Each number is ranked by the SHA-256 digest of the text "seed:number"
    (UTF-8), and the first `sample_size` are drawn. Anyone can repeat it from the recorded seed, with any
    program, on any machine, and drawing more later continues the same list.

    Raises:
        SamplingError: no seed, or more to draw than there are.
    """
    if not seed:
        raise SamplingError("The draw needs a seed, which is recorded so that it can be repeated.")
    if not 0 <= sample_size <= lot_size:
        raise SamplingError(f"{sample_size} packs cannot be drawn from {lot_size}.")
    ranked = sorted(range(1, lot_size + 1), key=lambda number: hashlib.sha256(f"{seed}:{number}".encode()).digest())
    return ranked[:sample_size]


def carton_and_place(number: int, carton_size: int) -> tuple[int, int]:
    """Where pack `number` stands: its carton and its place in it, both counted from 1."""
    if number < 1 or carton_size < 1:
        raise SamplingError("Packs and cartons are counted from 1.")
    carton, place = divmod(number - 1, carton_size)
    return carton + 1, place + 1


class LotOutcome(StrEnum):
    ACCEPT = "accept"
    GO_ON = "go on"
    TEST_ALL = "test all"
    RETURN = "return"
    ALL_TESTED = "all tested"


class LotDecision(NamedTuple):
    outcome: LotOutcome
    reason: str


def decide(plan: AttributesPlan, tested: int, failed: int, returnable: bool) -> LotDecision:
    """What to do after `tested` packs of the sample, `failed` of which failed.

    The rule: at the rejection number the lot is refused at once, since no later result can change that; it
    goes back while it can, otherwise every pack is tested and each valve stands on its own result. Below it,
    the whole sample is opened, even when acceptance is already certain, because the full count feeds the
    switching rules and the statement about the rest. `tested` may exceed the sample only while the rest of a
    refused lot is being tested.

    Raises:
        SamplingError: counts that cannot be.
    """
    if not 0 <= failed <= tested <= plan.lot_size:
        raise SamplingError(f"{failed} failed of {tested} tested cannot be, in a lot of {plan.lot_size}.")
    if failed >= plan.rejection_number:
        result = f"{failed} of {tested} failed and the plan refuses at {plan.rejection_number}"
        if returnable:
            return LotDecision(LotOutcome.RETURN, f"{result}: return the lot.")
        if tested < plan.lot_size:
            left = plan.lot_size - tested
            return LotDecision(
                LotOutcome.TEST_ALL, f"{result}, and the lot cannot go back: test the {left} that are left."
            )
        return LotDecision(LotOutcome.ALL_TESTED, f"{result}; every pack has been tested and none is sold as sealed.")
    if tested < plan.sample_size:
        left = plan.sample_size - tested
        return LotDecision(
            LotOutcome.GO_ON, f"{failed} of {tested} failed; {left} of the sample are still to be tested."
        )
    if tested == plan.lot_size:
        return LotDecision(LotOutcome.ALL_TESTED, f"Every pack was opened; {failed} of {tested} failed.")
    result = f"{failed} of {tested} failed and the plan accepts up to {plan.acceptance_number}"
    return LotDecision(LotOutcome.ACCEPT, f"{result}: the other {plan.lot_size - tested} may be sold sealed.")


class Unopened(NamedTuple):
    """What the sample says of the packs left sealed: with `confidence`, `at_most` of `unopened` are bad.

    `lot_size` packs were drawn from, and `outside` more were opened since, `outside_failed` of them bad; `broken` more
    were written off as broken, and are bad too. `counted` is how many packs a later count says there were. Below
    nought, `at_most` is refuted by what was found.
    """

    unopened: int
    opened: int
    failed: int
    at_most: int
    confidence: Fraction
    lot_size: int
    outside: int = 0
    outside_failed: int = 0
    counted: int | None = None
    broken: int = 0

    @property
    def refuted(self) -> bool:
        """More bad packs were found among those not drawn than the sample allows there at all."""
        return self.at_most < 0

    @property
    def share(self) -> float:
        """`at_most` as a share of the unopened packs; 0 when none is left."""
        return self.at_most / self.unopened if self.unopened else 0.0

    @property
    def found_bad(self) -> int:
        """The bad packs found among those not drawn."""
        return self.outside_failed + self.broken

    def as_found(self, outside: int, outside_failed: int, counted: int, broken: int = 0) -> Unopened:
        """With what is known of the packs not drawn: so many were opened, so many of those failed, so many broke.

        The sample bounds the bad packs among all that were not drawn. Those found since are some of them, so the bound
        for the others is less by as many and holds with the same confidence: it is the same event. The good ones found
        take nothing off it, and leave fewer packs for it to be a share of. Packs that a later count does not find were
        not drawn either: the bound holds for what is there of them.
        """
        there = max(0, min(self.lot_size, counted) - self.opened - outside - broken)
        return self._replace(
            unopened=there,
            at_most=min(self.at_most - outside_failed - broken, there),
            outside=outside,
            outside_failed=outside_failed,
            counted=counted,
            broken=broken,
        )

    def sentence(self) -> str:
        """The words for the paper that goes with what is sold sealed."""
        return " ".join(filter(None, [self._sampled(), self._since(), self._limit()]))

    def _sampled(self) -> str:
        if self.opened == self.lot_size:
            return f"All {self.opened} packs were opened and tested; {self.failed} failed."
        return (
            f"Sealed and sample-tested, not tested: {self.opened} of {self.lot_size} packs, "
            f"drawn at random, were opened and tested and {self.failed} failed."
        )

    def _since(self) -> str:
        """What came to light after the draw."""
        said = []
        if self.counted is not None and self.counted != self.lot_size:
            packs = plural(self.counted, "pack was", "packs were")
            said.append(f"By a count after the draw {packs} there, not {self.lot_size}.")
        if self.outside:
            more = plural(self.outside, "pack more was", "packs more were")
            off = ": they are taken off the limit" if self.outside_failed else ""
            said.append(f"{more} opened without being drawn and {self.outside_failed} of them failed{off}.")
        if self.broken:
            packs = plural(self.broken, "pack was", "packs were")
            said.append(f"{packs} found broken and written off: taken off the limit.")
        return " ".join(said)

    def _limit(self) -> str:
        if self.refuted:
            allowed = self.at_most + self.found_bad
            return (
                f"What the sample said is refuted: by it at most {allowed} of the packs not drawn were bad, and "
                f"{self.found_bad} have been found."
            )
        if not self.unopened:
            return "" if self.opened == self.lot_size else "No pack is left unopened."
        limit = (
            f"none of the {self.unopened} unopened packs is bad"
            if self.at_most == 0
            else f"at most {self.at_most} of the {self.unopened} unopened packs ({percent(self.share)}) are bad"
        )
        return f"With {percent(self.confidence, places=None)} confidence {limit}."


def if_not_refuted(decided: LotDecision, left: Unopened, returnable: bool) -> LotDecision:
    """The decision, unless what was found outside the draw refutes the sample that it rests on."""
    if decided.outcome is not LotOutcome.ACCEPT or not left.refuted:
        return decided
    what = "return the lot" if returnable else f"test the {left.unopened} that are left"
    outcome = LotOutcome.RETURN if returnable else LotOutcome.TEST_ALL
    return LotDecision(
        outcome,
        f"{left.found_bad} bad packs were found outside the draw, more than the "
        f"{left.at_most + left.found_bad} that the sample allows there with "
        f"{percent(left.confidence, places=None)} confidence: {what}.",
    )


def unopened(lot_size: int, tested: int, failed: int, confidence: Decimal | Fraction = Fraction(95, 100)) -> Unopened:
    """The upper confidence limit for the bad packs among those left sealed.

    The limit is the worst lot that would still have shown so few failures with a probability above 1 -
    confidence (the exact one-sided limit for a finite lot, found by inverting the hypergeometric
    distribution), less the failures already taken out. It holds for a sample drawn at random and opened to
    its end.

    Raises:
        SamplingError: counts that cannot be, or a confidence that is not between 0 and 1.
    """
    level = Fraction(confidence)
    if not 0 < level < 1:
        raise SamplingError(f"A confidence of {confidence} is not between 0 and 1.")
    if not 0 <= failed <= tested <= lot_size:
        raise SamplingError(f"{failed} failed of {tested} tested cannot be, in a lot of {lot_size}.")
    low, high = failed, lot_size - (tested - failed)  # the tested good ones are certain
    while low < high:
        middle = (low + high + 1) // 2
        if hypergeometric_cdf(failed, lot_size, middle, tested) > 1 - level:
            low = middle
        else:
            high = middle - 1
    return Unopened(lot_size - tested, tested, failed, low - failed, level, lot_size)
