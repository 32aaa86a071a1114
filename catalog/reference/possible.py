"""What no valve can be: a value typed in another unit, or two that contradict each other, is refused when it is read.

The bounds are wide of every valve that was made (common practice, no source), save two that are physics: the anode
current of a hot cathode cannot follow the grid more steeply than Ia e / (k T), some 12 per volt at 1000 K, and mu is gm
times ra (both from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from catalog.reference.rows import HeaterRow, RatingsRow, TestPointRow, TypeRow

STEEPEST_PER_V = Decimal(12)
MU_MAY_DIFFER = Decimal("0.25")  # sheets round all three
HEATING_MAY_DIFFER = Decimal("0.15")  # between the wirings of one heater
FIRST_YEAR, LAST_YEAR = 1880, 2100


def impossible(valve: TypeRow) -> Iterator[tuple[str, str]]:
    """Each thing that cannot be: the key that it stands under, and what is wrong with it, with what it may be."""
    yield from _heaters(valve.heaters)
    for section in valve.sections:
        for point in section.test_points:
            for key, what in (*_point(point), *_within_ratings(point, section.ratings)):
                yield f"section {section.index}, “{point.name}”: {key}", what


def why_no_year(year: Decimal) -> str:
    if year % 1 or not FIRST_YEAR <= year <= LAST_YEAR:
        return f"a year from {FIRST_YEAR} to {LAST_YEAR} is wanted, not {year}"
    return ""


def _heaters(heaters: tuple[HeaterRow, ...]) -> Iterator[tuple[str, str]]:
    for heater in heaters:
        if not Decimal("0.4") <= heater.voltage_v <= 240:
            yield "heaters", f"voltage_v is from 0.4 to 240 V, not {heater.voltage_v}"
        if not Decimal("0.005") <= heater.current_a <= 100:
            yield "heaters", f"current_a is from 0.005 to 100 A, not {heater.current_a}: is it in mA?"
    watts = [heater.voltage_v * heater.current_a for heater in heaters]
    if watts and max(watts) > min(watts) * (1 + HEATING_MAY_DIFFER):
        said = " and ".join(f"{heater.voltage_v} V {heater.current_a} A" for heater in heaters)
        yield "heaters", f"the same heater takes the same power however it is wired, and these differ: {said}"


def _point(point: TestPointRow) -> Iterator[tuple[str, str]]:
    if point.anode_current_ma is None:  # only settings: there is nothing that could be impossible beside them
        return
    ia, gm, mu, ra = point.anode_current_ma, point.gm_ma_per_v, point.mu, point.anode_resistance_kohm
    if not Decimal("0.005") <= ia <= 20_000:
        yield "anode_current_ma", f"from 0.005 to 20000 mA, not {ia}: is it in A?"
    if gm is not None and gm > 200:
        yield "gm_ma_per_v", f"at most 200 mA/V, not {gm}: is it in micromhos?"
    elif gm is not None and gm > STEEPEST_PER_V * ia:
        yield "gm_ma_per_v", f"{gm} mA/V is steeper than {ia} mA can be: is one in another unit?"
    if (gc := point.conversion_conductance_ma_per_v) is not None and gc > 20:
        yield "conversion_conductance_ma_per_v", f"at most 20 mA/V, not {gc}: is it in micromhos?"
    if ra is not None and ra > 20_000:
        yield "anode_resistance_kohm", f"at most 20000 kohm, not {ra}: is it in ohms?"
    if mu is not None and gm is not None and ra is not None and abs(gm * ra - mu) > MU_MAY_DIFFER * mu:
        yield "mu", f"it is gm times ra, which is {gm * ra:.4g}, not {mu}"
    if point.grid_voltage_v is not None and point.grid_voltage_v > 0:
        yield "grid_voltage_v", f"the bias is nought or negative, not {point.grid_voltage_v}"


def _within_ratings(point: TestPointRow, ratings: RatingsRow) -> Iterator[tuple[str, str]]:
    most = ratings.anode_voltage_max_v
    if most is not None and point.anode_voltage_v > most:
        yield "anode_voltage_v", f"{point.anode_voltage_v} V, and the section may have {most} V at most"
