"""The valve as a circuit element."""

from math import log, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from catalog.physics import electrics
from catalog.physics.electrics import PENTODES, TRIODES, Conditions, ConversionRefused

TWIN = TRIODES["12AU7"]
TYPICAL = Conditions(250, -8.5)


@given(st.floats(0.1, 50), st.floats(0.1, 500))
def test_the_three_constants_agree(gm: float, ra: float) -> None:
    mu = electrics.amplification_factor(gm, ra)
    assert electrics.mutual_conductance(mu, ra) == pytest.approx(gm)
    assert electrics.anode_resistance(mu, gm) == pytest.approx(ra)


def test_a_constant_from_nothing_is_refused() -> None:
    with pytest.raises(ValueError):
        electrics.mutual_conductance(100, 0)
    with pytest.raises(ValueError):
        electrics.anode_resistance(100, 0)


def test_the_space_charge_constant_is_the_handbooks() -> None:
    # 2.33e-6 A V^(-3/2), from memory of any handbook of electronics.
    assert pytest.approx(2.33e-6, rel=2e-3) == electrics.CHILD_LANGMUIR


@given(st.floats(1, 500), st.floats(1e-4, 1e-2))
def test_four_times_the_voltage_gives_eight_times_the_current(voltage: float, spacing: float) -> None:
    eight = electrics.child_langmuir_density(4 * voltage, spacing) / electrics.child_langmuir_density(voltage, spacing)
    assert eight == pytest.approx(8)


@given(st.floats(0.1, 200), st.floats(1, 500))
def test_a_perveance_gives_its_own_current_back(current: float, voltage: float) -> None:
    assert electrics.space_charge_current(electrics.perveance(current, voltage), voltage) == pytest.approx(current)


def test_no_current_flows_against_the_field() -> None:
    assert electrics.space_charge_current(1, -10) == 0
    assert electrics.child_langmuir_density(-10, 1e-3) == 0
    assert electrics.anode_current(TWIN, Conditions(-10, -1)) == 0


# Data-book values, from memory: the model is a bogey valve's, and meets them to about a quarter.
@pytest.mark.parametrize(
    ("model", "at", "current_ma", "gm_ma_per_v"),
    [
        (TRIODES["12AU7"], Conditions(250, -8.5), 10.5, 2.2),
        (TRIODES["12AX7"], Conditions(250, -2), 1.2, 1.6),
        (TRIODES["6DJ8"], Conditions(90, -1.3), 15, 12.5),
        (TRIODES["2A3"], Conditions(250, -45), 60, 5.25),
        (TRIODES["300B"], Conditions(300, -61), 62, 5.3),
        (PENTODES["6L6GC"], Conditions(250, -14, 250), 72, 6.0),
    ],
    ids=lambda value: getattr(value, "designation", None),
)
def test_the_model_comes_near_the_data_book(
    model: electrics.Model, at: Conditions, current_ma: float, gm_ma_per_v: float
) -> None:
    point = electrics.small_signal(model, at)
    assert point.anode_current_ma == pytest.approx(current_ma, rel=0.25)
    assert point.gm_ma_per_v == pytest.approx(gm_ma_per_v, rel=0.26)


@given(st.sampled_from(sorted(TRIODES)), st.floats(50, 400), st.floats(-20, -0.1))
def test_more_anode_or_less_bias_passes_more_current(name: str, anode: float, grid: float) -> None:
    model = TRIODES[name]
    here = electrics.anode_current(model, Conditions(anode, grid))
    assert electrics.anode_current(model, Conditions(anode + 10, grid)) >= here
    assert electrics.anode_current(model, Conditions(anode, grid + 0.1)) >= here


@given(st.sampled_from(sorted(TRIODES)), st.floats(150, 400), st.floats(-1, -0.1))
def test_mu_is_the_anode_volts_that_undo_a_volt_on_the_grid(name: str, anode: float, grid: float) -> None:
    model = TRIODES[name]
    point = electrics.small_signal(model, Conditions(anode, grid))
    step = 1e-3

    def surplus(volts: float) -> float:
        return electrics.anode_current(model, Conditions(anode + volts, grid - step)) - point.anode_current_ma

    undone = brentq(surplus, 0, 1, xtol=1e-12)
    assert undone / step == pytest.approx(point.mu, rel=1e-3)


def test_a_positive_grid_is_refused() -> None:
    with pytest.raises(ValueError, match="grid"):
        electrics.anode_current(TWIN, Conditions(250, 1))


def test_a_pentode_without_its_screen_is_refused() -> None:
    with pytest.raises(ValueError, match="screen"):
        electrics.anode_current(PENTODES["EL34"], Conditions(250, -14))


def test_a_valve_cut_off_has_no_slopes() -> None:
    with pytest.raises(ValueError, match="cut off"):
        electrics.small_signal(TWIN, Conditions(100, -200))


# Load lines


@given(st.floats(100, 400), st.floats(10, 220), st.floats(0, 3), st.floats(-3, 0))
def test_the_operating_point_lies_on_both_the_load_line_and_the_valve(
    supply: float, load: float, cathode: float, bias: float
) -> None:
    point = electrics.operating_point(
        TWIN, supply_v=supply, anode_load_kohm=load, cathode_resistor_kohm=cathode, grid_bias_v=bias
    )
    at, current = point.conditions, point.anode_current_ma
    assert at.anode_voltage_v == pytest.approx(supply - current * (load + cathode), abs=1e-6)
    assert at.grid_voltage_v == pytest.approx(bias - current * cathode, abs=1e-6)
    assert current == pytest.approx(electrics.anode_current(TWIN, at))


def test_a_load_line_without_a_supply_or_beyond_cut_off_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        electrics.operating_point(TWIN, supply_v=0, anode_load_kohm=100)
    with pytest.raises(ValueError, match="bias"):
        electrics.operating_point(TWIN, supply_v=250, anode_load_kohm=100, grid_bias_v=1)
    with pytest.raises(ValueError, match="cut off"):
        electrics.operating_point(TWIN, supply_v=100, anode_load_kohm=100, grid_bias_v=-50)


# Other conditions


def test_equal_conditions_change_nothing_and_add_nothing() -> None:
    found = electrics.convert(
        TWIN, TYPICAL, TYPICAL, anode_current_ma=9.7, anode_current_u=0.2, gm_ma_per_v=2.1, gm_u=0.05
    )
    assert found.anode_current_ma[:4] == (9.7, 0.2, 0, 1)
    assert found.gm_ma_per_v is not None and found.gm_ma_per_v[:4] == (2.1, 0.05, 0, 1)


def test_a_conversion_adds_the_models_uncertainty_to_the_readings() -> None:
    found = electrics.convert(
        TWIN, Conditions(200, -6), TYPICAL, anode_current_ma=10.0, anode_current_u=0.2
    ).anode_current_ma
    assert found.model_u > 0
    assert found.standard_uncertainty == pytest.approx(sqrt((0.2 * found.factor) ** 2 + found.model_u**2))
    assert "converted from Va 200 V, Vg -6 V" in found.statement


def test_the_models_uncertainty_is_its_distance_from_the_three_halves_power_law() -> None:
    # With mu exact, what is left is the two laws' disagreement: current by the 3/2, slope by the 1/2 power.
    at, read_at = TYPICAL, Conditions(200, -6)
    found = electrics.convert(TWIN, read_at, at, anode_current_ma=10.0, gm_ma_per_v=2.0, mu_tolerance_percent=0)
    drive = (250 / 21.5 - 8.5) / (200 / 21.5 - 6)
    assert found.gm_ma_per_v is not None
    for converted, power in ((found.anode_current_ma, 1.5), (found.gm_ma_per_v, 0.5)):
        apart = abs(log(converted.factor / drive**power)) / sqrt(3)
        assert converted.model_u / converted.value == pytest.approx(apart)


def test_an_uncertain_mu_adds_to_the_models_uncertainty() -> None:
    def model_u(percent: float) -> float:
        return electrics.convert(
            TWIN, Conditions(200, -6), TYPICAL, anode_current_ma=10, mu_tolerance_percent=percent
        ).anode_current_ma.model_u

    assert model_u(0) < model_u(5) < model_u(10)


def test_a_reading_that_has_no_gm_gets_none() -> None:
    assert electrics.convert(TWIN, Conditions(240, -8.5), TYPICAL, anode_current_ma=9.0).gm_ma_per_v is None


def test_a_longer_way_is_less_certain() -> None:
    def relative(at: Conditions) -> float:
        found = electrics.convert(TWIN, at, TYPICAL, anode_current_ma=10).anode_current_ma
        return found.model_u / found.value

    assert relative(Conditions(250, -8.4)) < relative(Conditions(250, -8)) < relative(Conditions(250, -7))


def test_there_and_back_again_is_the_same_reading() -> None:
    other = Conditions(200, -6)
    there = electrics.convert(TWIN, TYPICAL, other, anode_current_ma=10).anode_current_ma
    back = electrics.convert(TWIN, other, TYPICAL, anode_current_ma=there.value).anode_current_ma
    assert back.value == pytest.approx(10)


def test_the_data_books_two_points_are_joined_within_the_stated_uncertainty() -> None:
    # 12AU7: 11.8 mA at 100 V, 0 V and 10.5 mA at 250 V, -8.5 V: data-book values, from memory.
    found = electrics.convert(TWIN, TYPICAL, Conditions(100, 0), anode_current_ma=10.5).anode_current_ma
    assert abs(found.value - 11.8) < 2 * found.standard_uncertainty


@pytest.mark.parametrize(
    ("name", "read_at"),
    [("12AX7", Conditions(100, -1)), ("12AU7", Conditions(100, -8.5)), ("12AU7", Conditions(250, -0.5))],
)
def test_a_conversion_too_far_is_refused_in_favour_of_a_house_nominal(name: str, read_at: Conditions) -> None:
    wanted = Conditions(250, -2) if name == "12AX7" else TYPICAL
    with pytest.raises(ConversionRefused):
        electrics.convert(TRIODES[name], read_at, wanted, anode_current_ma=1)


def test_a_pentode_converts_by_its_screen() -> None:
    model = PENTODES["EL34"]
    found = electrics.convert(
        model, Conditions(250, -14, 250), Conditions(250, -13, 250), anode_current_ma=70
    ).anode_current_ma
    assert found.value > 70
    assert "Vs 250 V" in found.statement


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        electrics.convert(TWIN, TYPICAL, TYPICAL, anode_current_ma=10, anode_current_u=-1)
