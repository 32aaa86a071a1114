"""The rectifier's solution keeps what goes in and what comes out in balance, and ends where physics says."""

from __future__ import annotations

from math import sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.physics.rectifiers import Filter, NoSupply, perveance_of, supply

GZ34 = perveance_of(17, 225)  # 17 V at 225 mA in one anode (from memory)


def test_a_perfect_valve_on_a_stiff_source_charges_to_the_peak() -> None:
    found = supply(1e6, Filter(300, 0.5, 1.0, 1000))
    assert found.output_v == pytest.approx(300 * sqrt(2), rel=0.005)
    assert found.ripple_v < 0.05


def test_ripple_is_the_charge_of_a_half_period() -> None:
    """dV = I t / C, with t a little short of half a period (from memory)."""
    found = supply(GZ34, Filter(350, 75, 200, 50))
    whole = 0.2 * 0.01 / 50e-6
    assert 0.5 * whole < found.ripple_v < whole


@settings(max_examples=15)
@given(st.floats(200, 400), st.floats(20, 300), st.floats(20, 200), st.floats(8, 100), st.sampled_from([1, 2]))
def test_more_load_lowers_the_output_and_the_peak_stays_above_the_mean(
    rms_v: float, ohm: float, load_ma: float, uf: float, anodes: int
) -> None:
    try:
        less, more = (supply(GZ34, Filter(rms_v, ohm, load, uf, anodes)) for load in (load_ma, 1.2 * load_ma))
    except NoSupply:
        return
    assert more.output_v < less.output_v < sqrt(2) * rms_v
    assert more.peak_ma > 1.2 * load_ma
    assert more.inverse_v <= 2 * sqrt(2) * rms_v


def test_half_a_wave_gives_less_than_both() -> None:
    both, one = (supply(GZ34, Filter(300, 100, 80, 32, anodes)) for anodes in (2, 1))
    assert one.output_v < both.output_v
    assert one.ripple_v > 1.5 * both.ripple_v


def test_a_choke_first_gives_the_mean_of_the_wave_less_what_is_lost() -> None:
    """2/pi times the peak, 0.9 of the rms (from memory)."""
    found = supply(1e9, Filter(300, 0.0, 100, None))
    assert found.output_v == pytest.approx(0.9 * 300, rel=0.001)
    lossy = supply(GZ34, Filter(300, 100, 100, None))
    assert found.output_v - lossy.output_v == pytest.approx(10 + 17 * (100 / 225) ** (2 / 3), rel=0.001)


def test_what_the_transformer_cannot_drive_is_refused() -> None:
    with pytest.raises(NoSupply, match="cannot drive"):
        supply(GZ34, Filter(20, 1000, 500, 50))
    with pytest.raises(NoSupply, match="half-wave"):
        supply(GZ34, Filter(300, 100, 50, None, anodes=1))
    with pytest.raises(ValueError, match="must be positive"):
        supply(GZ34, Filter(300, 100, 50, 0.0))
