"""What a sheet says of typical operation, beside what the fitted curves give in the same circuit.

A row of the reference files becomes a position; what it prints of current, gain, power and distortion is set beside
the answer. The curves were fitted to test points, not to these rows, so this is a check from outside. Distortion is
taken at the power that the sheet prints, where the curves reach it.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import sqrt
from typing import NamedTuple

from catalog.physics.positions import POWER_ROLES, Position
from catalog.physics.sheets import TypeSheet
from catalog.physics.stages import CannotWork, Stage
from catalog.reference.rows import ApplicationRow


class Compared(NamedTuple):
    designation: str
    name: str
    quantity: str
    sheet: float
    reckoned: float
    source: str

    @property
    def off_percent(self) -> float:
        return 100 * (self.reckoned / self.sheet - 1)


def position_of(designation: str, row: ApplicationRow) -> Position:
    """The circuit. With an anode voltage, the bias is as printed or what the resistor makes of the currents."""
    power = row.role in POWER_ROLES
    pair = row.role.startswith("push-pull")
    resistor = float(row.cathode_resistor_ohm or 0.0)
    screen_v = float(row.screen_voltage_v or 0.0)
    if row.supply_voltage_v is not None:
        supply, grid = float(row.supply_voltage_v), float(row.grid_voltage_v or 0.0)
    else:
        cathode_ma = float(row.anode_current_ma or 0.0) + float(row.screen_current_ma or 0.0)
        lifted = resistor * cathode_ma * (2 if pair else 1) / 1000 if row.grid_voltage_v is None else 0.0
        supply, grid = float(row.anode_voltage_v or 0.0), float(row.grid_voltage_v or 0.0) - lifted
        resistor = 0.0
    return Position(
        made_for=designation,
        role=row.role,
        section=row.section,
        supply_v=supply,
        load="transformer" if power else "resistor",
        load_kohm=float(row.anode_load_kohm or 0.0),
        cathode_resistor_ohm=resistor * (2 if pair else 1),
        grid_v=grid,
        next_grid_kohm=None if row.next_grid_kohm is None else float(row.next_grid_kohm),
        screen=row.screen,
        screen_supply_v=screen_v,
        screen_resistor_kohm=float(row.screen_resistor_kohm or 0.0),
    )


def compare(sheet: TypeSheet, name: str, row: ApplicationRow, source: str) -> Iterator[Compared]:
    """Nothing where the row's circuit is not one that is solved here, or the type has no curves."""
    fitted = sheet.sections[row.section - 1].fitted
    if fitted is None or not fitted.usable or row.role in ("rectifier", "stabiliser") or not row.anode_load_kohm:
        return
    try:
        stage = Stage(fitted.curve, position_of(sheet.name, row))
    except CannotWork:
        yield Compared(sheet.name, name, "anode current, mA", float(row.anode_current_ma or 1.0), 0.0, source)
        return
    told = (("anode current, mA", row.anode_current_ma, stage.rest.anode_ma), ("gain", row.gain, stage.gain))
    for quantity, printed, reckoned in told:
        if printed and (quantity != "gain" or row.role not in POWER_ROLES):
            yield Compared(sheet.name, name, quantity, float(printed), reckoned, source)
    if row.output_power_w and stage.signal.power_w:
        wanted = float(row.output_power_w)
        yield Compared(sheet.name, name, "power, W", wanted, stage.signal.power_w, source)
        if row.distortion_percent:
            signal = stage.driven(stage.full_drive_v * min(1.0, sqrt(wanted / stage.signal.power_w)))
            total = sqrt(signal.second_percent**2 + signal.third_percent**2)
            yield Compared(sheet.name, name, "distortion, %", float(row.distortion_percent), total, source)
