"""What is impossible is refused; what is only surprising is asked about; a worn valve is neither."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading.metrology.plausible import doubt, stray_serial
from grading.metrology.shorts import Short, read_short
from grading.metrology.units import MA_PER_V, MICROMHOS, MILLIAMPERES
from stockroom.pure.serials import serial


def message(*args, **kwargs) -> str:
    found = doubt(*args, **kwargs)
    assert found is not None
    return found.message


def impossible(*args, **kwargs) -> bool:
    found = doubt(*args, **kwargs)
    return found is not None and found.impossible


@pytest.mark.parametrize("quantity", ["anode current", "gm", "heater-cathode leakage"])
def test_a_negative_reading_is_impossible(quantity: str) -> None:
    assert impossible(quantity, -0.1, 1.2)
    assert "negative" in message(quantity, -0.1, 1.2)


def test_a_grid_current_may_have_either_sign() -> None:
    assert doubt("grid current", -0.5) is None
    assert doubt("grid current", 0.5) is None
    assert "−250 µA" in message("grid current", -250)


def test_micromhos_typed_as_milliamperes_per_volt_are_caught() -> None:
    assert impossible("gm", 1600, 1.6, MA_PER_V)
    assert message("gm", 1550, 1.6, MA_PER_V) == ("gm 1550 mA/V is 969 times the nominal 1.6: did you mean micromhos?")


def test_milliamperes_per_volt_typed_as_micromhos_are_caught() -> None:
    text = message("gm", 0.0016, 1.6, MICROMHOS)
    assert text.startswith("gm 1.6 µmho is a thousandth of the nominal 1600: did you mean mA/V?")
    assert impossible("gm", 0.0016, 1.6, MICROMHOS)


def test_microamperes_typed_as_milliamperes_are_caught() -> None:
    assert "did you mean microamperes?" in message("anode current", 1180, 1.2, MILLIAMPERES)


def test_a_missing_decimal_mark_is_asked_about() -> None:
    found = doubt("anode current", 12, 1.2)
    assert found is not None and not found.impossible
    assert found.message == "anode current 12 mA is 10 times the nominal 1.2. Is that what it read?"


def test_a_hundred_times_nominal_is_impossible() -> None:
    assert impossible("anode current", 120, 1.2)


@pytest.mark.parametrize("share", [0, 0.01, 0.2, 0.5, 1, 1.5, 2.4])
def test_worn_dead_and_strong_valves_are_believed(share: float) -> None:
    assert doubt("anode current", 1.2 * share, 1.2) is None
    assert doubt("gm", 1.6 * share, 1.6) is None


def test_three_times_nominal_is_asked_about() -> None:
    found = doubt("gm", 4.8, 1.6)
    assert found is not None and not found.impossible


@pytest.mark.parametrize(("leakage", "verdict"), [(0, None), (200, None), (5_000, False), (200_000, True)])
def test_a_great_leakage_is_asked_about_and_an_absurd_one_refused(leakage: float, verdict: bool | None) -> None:
    found = doubt("heater-cathode leakage", leakage)
    assert (found and found.impossible) == verdict


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
@pytest.mark.parametrize("quantity", ["anode current", "gm", "heater-cathode leakage", "grid current"])
def test_what_is_no_number_is_impossible(quantity: str, value: float) -> None:
    assert impossible(quantity, value, 1.2)


@given(nominal=st.floats(0.05, 300), wear=st.floats(0.35, 2.0))
def test_a_slip_of_the_unit_is_caught_on_any_live_section(nominal: float, wear: float) -> None:
    assert impossible("gm", 1000 * wear * nominal, nominal)
    assert impossible("gm", wear * nominal / 1000, nominal)
    assert doubt("gm", wear * nominal, nominal) is None


@given(number=st.integers(1, 900_000), before=st.sampled_from(["", "1.2", "0,", "  "]))
def test_a_scan_in_a_reading_field_is_recognised(number: int, before: str) -> None:
    assert stray_serial(before + serial(number)) == serial(number)


@pytest.mark.parametrize("text", ["", "1.2", "1600", "12345678", "1600 µmho", "0.00012345"])
def test_a_reading_is_not_taken_for_a_serial(text: str) -> None:
    assert stray_serial(text) is None


@pytest.mark.parametrize("text", ["", "no", "None", "0", "-", "ok"])
def test_no_short_has_many_spellings(text: str) -> None:
    assert read_short(text) == Short(False)


@pytest.mark.parametrize("text", ["yes", "X", "1", "shorted"])
def test_a_short_somewhere_is_enough(text: str) -> None:
    assert read_short(text) == Short(True)


@pytest.mark.parametrize(
    ("text", "between"),
    [
        ("hk", "heater and cathode"),
        ("H-K", "heater and cathode"),
        ("g1-g2", "grid 1 and screen"),
        ("ga", "grid and anode"),
        ("a/k", "anode and cathode"),
        ("when tapped", "when tapped"),
    ],
)
def test_a_short_names_its_electrodes(text: str, between: str) -> None:
    assert read_short(text) == Short(True, between)
