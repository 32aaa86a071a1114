"""Is a reading believable? Asked before it is kept, because a reading is never erased.

A low reading is never doubted, save of a voltage held: old valves are worn. The bounds are common practice, no source:
a factor of 300 to 3000 either way is a slip of the unit, 100 and more above nominal is no valve of this type,
2.5 and more above it is worth a second look.
"""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from grading.metrology.quantities import Believable, Quantity
from grading.metrology.units import MA_PER_V, MICROAMPERES, MICROMHOS, MILLIAMPERES, Unit, UnitKind, amount, shown
from stockroom.pure.serials import BadSerial, read_serial

SLIP = (300, 3000)  # how far from 1000 times a slip of the unit may look on a valve of any strength
TOO_MUCH = 100
SURPRISING = 2.5


class Doubt(NamedTuple):
    impossible: bool
    message: str


def doubt(
    quantity: Quantity | str, value: float, nominal: float | None = None, unit: Unit | None = None
) -> Doubt | None:
    """What is wrong with a reading.

    Args:
        quantity: or its short name, such as "gm".
        value: in the quantity's own unit.
        nominal: the test point's, in the same unit; None where the sheet gives none.
        unit: the one it was written in, for the message.

    >>> doubt("gm", 1600, 1.6).message
    'gm 1600 mA/V is 1000 times the nominal 1.6: did you mean micromhos?'
    """
    asked = Quantity.named(quantity)
    written = unit or asked.facts.typed_in
    if not math.isfinite(value):
        return Doubt(True, f"{asked.short} is not a number.")
    says = f"{asked.short} {shown(value, written) if written else asked.shown(value)}"
    if value < 0 and not asked.facts.signed:
        return Doubt(True, f"{says} is negative; write it without a sign.")
    if bounds := asked.facts.believable:
        return _by_size(says, abs(value), bounds)
    if not nominal or not written:
        return None
    far = asked.facts.doubted_beyond
    if far is not None and abs(value / nominal - 1) > far:
        beside = f"{says} is far from the nominal {amount(nominal, written)}"
        return Doubt(False, f"{beside}. Is it the voltage across the valve, and has it struck?")
    return _beside_nominal(says, value, nominal, written)


def _beside_nominal(says: str, value: float, nominal: float, unit: Unit) -> Doubt | None:
    ratio = value / nominal
    beside = f"the nominal {amount(nominal, unit)}"
    if SLIP[0] <= ratio <= SLIP[1]:
        return Doubt(True, f"{says} is {ratio:.0f} times {beside}{_did_you_mean(unit, smaller=True)}")
    if ratio >= TOO_MUCH:
        return Doubt(True, f"{says} is {_times(ratio)} times {beside}. Look at its decimal mark and its unit.")
    if 1 / SLIP[1] <= ratio <= 1 / SLIP[0]:
        slipped = f"{says} is a thousandth of {beside}{_did_you_mean(unit, smaller=False)}"
        return Doubt(True, f"{slipped} If the section is dead, write 0.")
    if ratio >= SURPRISING:
        return Doubt(False, f"{says} is {ratio:.2g} times {beside}. Is that what it read?")
    return None


def _did_you_mean(unit: Unit, *, smaller: bool) -> str:
    """The unit a thousand times smaller or larger than the one written, where somebody would use it."""
    steps = {
        UnitKind.GM: (MA_PER_V, MICROMHOS),
        UnitKind.ANODE_CURRENT: (MILLIAMPERES, MICROAMPERES),
    }.get(unit.quantity, ())
    names = [step.name for step in steps]
    if unit.name in names:
        at = names.index(unit.name) + (1 if smaller else -1)
        if 0 <= at < len(steps):
            return f": did you mean {steps[at].word}?"
    return ". Look at its unit."


def _by_size(says: str, size: float, bounds: Believable) -> Doubt | None:
    if size >= bounds.impossible:
        return Doubt(True, f"{says} is beyond any tester. Look at its unit.")
    if size >= bounds.surprising:
        return Doubt(False, f"{says} is a great deal. Is that what it read?")
    return None


def _times(ratio: float) -> str:
    return f"{ratio:.0f}" if ratio < 1e6 else "more than a million"


def stray_serial(text: str) -> str | None:
    """The serial at the end of what stands in a field meant for a reading: the scanner fired there.

    >>> stray_serial("10000012"), stray_serial("1.210000012"), stray_serial("1200")
    ('10000012', '10000012', None)
    """
    found = re.search(r"[0-9]{8}$", re.sub(r"\s", "", text))
    if not found:
        return None
    try:
        return read_serial(found.group())
    except BadSerial:
        return None
