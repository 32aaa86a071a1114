"""Whether the position's heater supply lights another valve, on which pins, and what it must give.

Voltages within 6 % are one supply (6.0 and 6.3 V; common practice, no source), currents within 5 % one series string
(the tolerance that sheets of string heaters give; from memory). A supply of which nobody said what it has to spare is
trusted with a fifth more, which makers' own windings allow for the type's variants; beyond that nobody can say.
"""

from __future__ import annotations

from collections.abc import Iterator

from catalog.physics.findings import Level, Reason, more_or_less, shown
from catalog.physics.pins import Substitution, ends_and_tap
from catalog.physics.positions import HeaterSupply
from catalog.physics.sheets import HeaterOption, TypeSheet

SAME_VOLTAGE = 0.06  # relative
SAME_STRING = 0.05  # relative
COOLER = 1.12  # ratio; a heater that gets so little less than it wants still works, if not for long (no source)
UNASKED = 1.2  # ratio of current that a supply is trusted with unasked
SWITCHED_V = (6.3, 12.6)


def present_option(valve: TypeSheet, supply: HeaterSupply) -> HeaterOption | None:
    """How the valve that the position was made for is heated there."""
    if supply.voltage_v is None:
        preferred = [o for o in valve.heaters if (o.wiring == "parallel") == (supply.wiring == "parallel")]
        return next(iter(preferred or valve.heaters), None)
    return _option(valve, supply.voltage_v, supply.wiring)


def _option(valve: TypeSheet, voltage_v: float, wiring: str) -> HeaterOption | None:
    fitting = [option for option in valve.heaters if _near(option.voltage_v, voltage_v, SAME_VOLTAGE)]
    fitting.sort(key=lambda option: (option.wiring == "parallel") != (wiring == "parallel"))
    return fitting[0] if fitting else None


def judge_heater(swap: Substitution, supply: HeaterSupply, *, assumed: bool) -> Iterator[Reason]:
    original, other = swap.original, swap.other
    if not original.heaters or not other.heaters:
        if original.heaters or other.heaters:
            lacking = other if original.heaters else original
            if lacking.cathode == "cold":
                yield Reason(Level.NO, "heater", f"the {lacking.name} has no heater, the other has")
            else:
                yield Reason(Level.UNKNOWN, "heater", f"the heater of the {lacking.name} is not on file")
        return
    present = present_option(original, supply)
    if present is None:
        yield Reason(
            Level.UNKNOWN, "heater", f"the {original.name} is not made for the {supply.voltage_v:g} V that were told"
        )
    elif supply.wiring == "string":
        yield from _in_string(present, swap)
    elif assumed:
        yield from _by_any(swap, supply)
    else:
        yield from _on_supply(present, swap, supply, assumed=False)


def _in_string(present: HeaterOption, swap: Substitution) -> Iterator[Reason]:
    other = swap.other
    same = [o for o in other.heaters if _near(o.current_a, present.current_a, SAME_STRING)]
    if not same:
        takes = " or ".join(f"{option.current_a:g} A" for option in other.heaters)
        yield Reason(Level.NO, "heater", f"its heater takes {takes} in a string of {present.current_a:g} A")
        return
    nearest = min(same, key=lambda option: abs(option.voltage_v - present.voltage_v))
    change = nearest.voltage_v - present.voltage_v
    if abs(change) > SAME_VOLTAGE * present.voltage_v:
        way = "less for" if change > 0 else "more for"
        text = (
            f"its heater drops {nearest.voltage_v:g} V in the string, not {present.voltage_v:g} V: {abs(change):.3g} V "
            f"{way} the others, to be made good in the dropper"
        )
        yield Reason(Level.CHANGE, "heater", text)
    if swap.original.warm_up_s and not other.warm_up_s:
        text = f"no controlled warm-up is told of it ({swap.original.warm_up_s:g} s for the {swap.original.name})"
        yield Reason(Level.NOTE, "heater", f"{text}: in a string it may flash when switched on")


def _by_any(swap: Substitution, supply: HeaterSupply) -> Iterator[Reason]:
    """Nobody described the supply: the kindest of the ways in which the original may be heated, and a word on it."""
    ways = []
    for option in swap.original.heaters:
        wiring = "parallel" if option.wiring == "parallel" else "across"
        told = HeaterSupply(option.voltage_v, wiring, supply.spare_a)
        ways.append((option, list(_on_supply(option, swap, told, assumed=True))))
    option, reasons = min(ways, key=lambda way: max((reason.level for reason in way[1]), default=Level.FINE))
    levels = {max((reason.level for reason in found), default=Level.FINE) for _, found in ways}
    yield from reasons
    if len(levels) > 1:
        pins = _between(swap.original, option)
        yield Reason(Level.NOTE, "heater", f"right where the set feeds {option.voltage_v:g} V {pins}")


def _on_supply(present: HeaterOption, swap: Substitution, supply: HeaterSupply, *, assumed: bool) -> Iterator[Reason]:
    other = swap.other
    parallel = present.wiring == "parallel"
    direct = [
        o
        for o in other.heaters
        if _near(o.voltage_v, present.voltage_v, SAME_VOLTAGE) and (o.wiring == "parallel") == parallel
    ]
    if direct:
        yield from _amperes(present, direct[0], supply, assumed)
        return
    same_volts = [o for o in other.heaters if _near(o.voltage_v, present.voltage_v, SAME_VOLTAGE)]
    if same_volts:
        option = same_volts[0]
        yield Reason(
            Level.CHANGE,
            "heater",
            f"heater leads moved: {option.voltage_v:g} V {_between(other, option)}, not "
            f"{_between(swap.original, present)}; wrongly fed it stays cold or burns out",
        )
        yield from _amperes(present, option, supply, assumed)
        return
    switched = [o for o in other.heaters if any(_near(o.voltage_v, v, SAME_VOLTAGE) for v in SWITCHED_V)]
    if supply.switchable and switched:
        option = switched[0]
        yield Reason(
            Level.CHANGE,
            "heater",
            f"heater switched from {present.voltage_v:g} V to {option.voltage_v:g} V {_between(other, option)}, "
            f"where it takes {option.current_a:g} A",
        )
        yield from (reason for reason in _amperes(present, option, supply, assumed) if reason.level > Level.NOTE)
        return
    cooler = [o for o in other.heaters if 1 < o.voltage_v / present.voltage_v <= COOLER and o.wiring == present.wiring]
    if cooler:
        text = f"its heater wants {cooler[0].voltage_v:g} V and gets {present.voltage_v:g} V: it runs cool"
        yield Reason(Level.CHANGE, "heater", f"{text}, or is given its own volts; look that it still has its emission")
        yield from _amperes(present, cooler[0], supply, assumed)
        return
    wants = " or ".join(f"{o.voltage_v:g} V {o.current_a:g} A {_between(other, o)}" for o in other.heaters)
    yield Reason(
        Level.NO,
        "heater",
        f"its heater wants {wants}; the set gives {present.voltage_v:g} V {_between(swap.original, present)}; "
        "wrongly fed it stays cold or burns out",
    )


def _amperes(present: HeaterOption, option: HeaterOption, supply: HeaterSupply, assumed: bool) -> Iterator[Reason]:
    more = option.current_a - present.current_a
    ratio = option.current_a / present.current_a
    if abs(ratio - 1) < 0.02:
        return
    takes = f"heater takes {option.current_a:g} A at {option.voltage_v:g} V, the original {present.current_a:g} A"
    if more < 0:
        if ratio < 0.7:
            yield Reason(Level.NOTE, "heater", f"{takes}: look that the lighter load does not lift its voltage")
    elif supply.spare_a is not None:
        if more <= supply.spare_a * 1.001:
            yield Reason(Level.NOTE, "heater", f"{takes}: {shown(more)} A of the {supply.spare_a:g} A to spare")
        else:
            yield Reason(
                Level.NO, "heater", f"{takes}: {shown(more)} A more, and the supply has {supply.spare_a:g} A to spare"
            )
    elif ratio <= UNASKED:
        yield Reason(Level.NOTE, "heater", f"{takes}, {more_or_less(present.current_a, option.current_a)}")
    else:
        text = f"{takes}, {more_or_less(present.current_a, option.current_a)}"
        if assumed:
            yield Reason(Level.UNLESS, "heater", f"{text}: not unless the winding has {shown(more)} A to spare")
        else:
            yield Reason(Level.UNKNOWN, "heater", f"{text}; nobody said what the supply has to spare")


def _between(valve: TypeSheet, option: HeaterOption) -> str:
    ends, taps = ends_and_tap(valve)
    if option.wiring == "parallel" and taps:
        return f"between pins {'+'.join(map(str, ends))} and {'+'.join(map(str, taps))}"
    if len(ends) < 2:
        return "across the heater"
    return f"between pins {ends[0]} and {'+'.join(map(str, ends[1:]))}"


def _near(was: float, now: float, relative: float) -> bool:
    return abs(now - was) <= relative * max(abs(was), abs(now)) + 1e-9
