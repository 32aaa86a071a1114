"""What several valves are called together, as the glass says it."""

from __future__ import annotations

from collections.abc import Sequence

from stockroom.models import Valve


def called_together(valves: Sequence[Valve]) -> str:
    """Their one name on the glass with the type beside it; the type alone where the glass says several names."""
    names = {valve.called_and_type for valve in valves}
    return names.pop() if len(names) == 1 else str(valves[0].type)


def called_apart(valves: Sequence[Valve]) -> str:
    """Each with its own name, in a sentence, where the glass says several; nothing where it says one."""
    if len({valve.called for valve in valves}) == 1:
        return ""
    return f"Marked on the glass: {', '.join(f'{valve.serial} {valve.called}' for valve in valves)}."


def serial_and_name(valve: Valve) -> str:
    """For a paper that names the type elsewhere: the serial, and the name on the glass where it is another."""
    return f"{valve.serial} ({valve.as_marked})" if valve.as_marked else valve.serial
