"""A published operating point of a triode, by the published model."""

from functools import cache

from catalog.physics import electrics
from grading.proof.published.case import READ, rounds_to

_VALVE = "Valve model"
_VALVE_SOURCE = (
    '"Electronics", chapter 6 "Vacuum Tubes", p. 176, eqs. 6.37 to 6.42; its circuit (330 V, 100 kohm, 1.5 kohm)'
    " is not on the page read, and is inferred from the currents and gains there"
)


@cache
def _stage() -> electrics.OperatingPoint:
    return electrics.operating_point(
        electrics.TRIODES["12AX7"], supply_v=330, anode_load_kohm=100, cathode_resistor_kohm=1.5
    )


def _page_resistance() -> float:
    """The page's ra: the parameter mu over gm."""
    return electrics.anode_resistance(100, _stage().gm_ma_per_v)


CASES = tuple(
    rounds_to(_VALVE, f"12AX7, {what}", published, _VALVE_SOURCE, READ, compute)
    for what, published, compute in (
        ("anode current, mA", "1.07", lambda: _stage().anode_current_ma),
        ("anode to cathode, V", "221", lambda: _stage().conditions.anode_voltage_v),
        ("grid to cathode, V", "-1.61", lambda: _stage().conditions.grid_voltage_v),
        ("mutual conductance, mA/V", "1.88", lambda: _stage().gm_ma_per_v),
        ("anode resistance as mu / gm, kohm", "53.3", _page_resistance),
        ("gain, cathode bypassed", "-65", lambda: -100 * 100 / (100 + _page_resistance())),
        ("gain, cathode not bypassed", "-33", lambda: -100 * 100 / (100 + _page_resistance() + 101 * 1.5)),
    )
)
