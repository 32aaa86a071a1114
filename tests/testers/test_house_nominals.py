"""House nominals: which valves they are learnt from, what they are, and what is compared with them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from math import isclose
from statistics import NormalDist, median, stdev

import pytest
from django.test import Client
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from grading.bench import readings
from grading.models import HouseNominal, Shift, Stop, Tester, TesterCondition
from grading.testers import conditions, house_nominals, records
from grading.testers.records import BasisKind
from stockroom.models import Line, Valve
from stockroom.site.people import Role
from tests.factories import make_line, make_type, make_user, make_valves, read, read_all
from tests.instruments import GM, IA, checked, described, kept_aside, owner, point, shift_at

VALUES = [1.10, 1.12, 1.14, 1.16, 1.18, 1.20, 1.22, 1.24, 1.26, 0.30]  # nine good ones and a weak one


@pytest.fixture
def tester() -> Tester:
    return described()


@pytest.fixture
def shift(tester: Tester) -> Shift:
    return shift_at(tester)


def stock(shift: Shift, values: Sequence[float] = VALUES, condition: str = Line.Condition.BOXED) -> list[Valve]:
    """Valves of one line, their sections read alike."""
    line = make_line(make_type("12AX7"), len(values), condition=condition)
    valves = make_valves(line.type, len(values), line=line)
    found = [(valve, value, 1.6) for valve, value in zip(valves, values, strict=True)]
    read_all(found, shift=shift, heater_cathode_leakage_ua=1.0, grid_current_ua=-0.1)
    return valves


def good(tester: Tester) -> list[Valve]:
    return [reading.valve for reading in house_nominals.known_good(tester, point())]


def judged_by_house(tester: Tester) -> TesterCondition:
    row = TesterCondition(
        tester=tester, test_point=point(), anode_voltage_v=180, cathode_resistor_ohm=1000, judged_by="house nominal"
    )
    return conditions.set_conditions([row], owner())[0]


# What is learnt


@pytest.mark.django_db
def test_it_is_the_median_and_a_robust_spread_with_the_count_and_the_valves(tester: Tester, shift: Shift) -> None:
    valves = stock(shift)
    learnt = {row.quantity: row for row in house_nominals.learn(tester, point(), owner())}
    assert set(learnt) == {IA, GM}
    row = learnt[IA]
    assert isclose(row.median, 1.17) and row.count == 10
    assert isclose(row.spread, 1.4826 * median(abs(v - 1.17) for v in VALUES))
    assert sorted(reading.valve.serial for reading in row.readings.all()) == [valve.serial for valve in valves]


@pytest.mark.django_db
def test_one_weak_valve_moves_it_hardly_at_all(tester: Tester, shift: Shift) -> None:
    stock(shift)
    row = house_nominals.learn(tester, point(), owner())[0]
    assert abs(row.median - median(VALUES[:-1])) < 0.02
    assert row.spread < 0.08 < stdev(VALUES)


@given(st.lists(st.integers(1, 1000), min_size=1, max_size=12), st.integers(1, 50), st.integers(-900, 900))
def test_the_spread_follows_the_scale_and_not_the_level(values: list[int], scale: int, level: int) -> None:
    moved = [scale * value + level for value in values]
    assert isclose(house_nominals.robust_spread(moved), scale * house_nominals.robust_spread(values))


def test_for_normal_values_the_spread_is_the_standard_deviation() -> None:
    quantiles = [NormalDist(1.2, 0.1).inv_cdf((i + 0.5) / 2001) for i in range(2001)]
    assert isclose(house_nominals.robust_spread(quantiles), 0.1, rel_tol=1e-3)


@pytest.mark.django_db
def test_too_few_valves_are_refused_with_their_number(tester: Tester, shift: Shift) -> None:
    stock(shift, VALUES[:9])
    with pytest.raises(house_nominals.TooFew, match=r"^9 known-good NOS valves .* 10 are needed"):
        house_nominals.learn(tester, point(), owner())
    assert not HouseNominal.objects.exists()


@pytest.mark.django_db
def test_learning_again_keeps_the_old_one_as_history(tester: Tester, shift: Shift) -> None:
    stock(shift)
    first = house_nominals.learn(tester, point(), owner())[0]
    stock(shift, [1.3] * 12)
    house_nominals.learn(tester, point(), owner())
    latest = house_nominals.nominal_for(tester, point(), IA, None)
    assert latest is not None and latest.count == 22 and latest.median == 1.3
    assert HouseNominal.objects.filter(pk=first.pk, count=10).exists()


@pytest.mark.django_db
def test_it_is_known_from_when_until_when_it_was_read(tester: Tester, shift: Shift) -> None:
    judged_by_house(tester)
    last = timezone.now() + timedelta(days=2)
    valves = make_valves(make_line(make_type("12AX7"), 10, condition=Line.Condition.BOXED).type, 10)
    when = [last - timedelta(hours=place) for place in range(10)]
    for valve, taken_at in zip(valves, when, strict=True):
        read(valve, 1.2, 1.6, shift=shift, taken_at=taken_at, heater_cathode_leakage_ua=1.0, grid_current_ua=-0.1)
    house_nominals.learn(tester, point(), owner())
    basis = records.basis_for(Tester.objects.get(pk=tester.pk), point(), IA, last)
    assert basis.kind == BasisKind.HOUSE and basis.nominal_read == (when[-1], when[0])


# From which valves


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("condition", "counted"),
    [(Line.Condition.SEALED, 2), (Line.Condition.BOXED, 2), (Line.Condition.BULK, 2), (Line.Condition.USED, 0)],
)
def test_only_unused_stock_counts(tester: Tester, shift: Shift, condition: str, counted: int) -> None:
    stock(shift, [1.2, 1.3], condition)
    assert len(good(tester)) == counted


@pytest.mark.django_db
def test_a_faulty_valve_does_not_count(tester: Tester, shift: Shift) -> None:
    sound, *faulty = make_valves(make_type("12AX7"), 7)
    read(sound, 1.2, 1.6, shift=shift, heater_cathode_leakage_ua=20.0, grid_current_ua=-2.0)
    read(faulty[0], 1.2, 1.6, shift=shift, shorted=True)
    read(faulty[1], 1.2, 1.6, shift=shift, heater_cathode_leakage_ua=20.5)
    read(faulty[2], 1.2, 1.6, shift=shift, grid_current_ua=2.5)
    read(faulty[3], 1.2, 1.6, shift=shift, grid_current_ua=-2.5)
    read(faulty[5], 0.9, 1.6, shift=shift, stability="drifting")
    read(faulty[4], 1.2, 1.6, shift=shift)
    Valve.objects.filter(pk=faulty[4].pk).update(written_off="dropped")
    assert good(tester) == [sound]


@pytest.mark.django_db
def test_a_valve_counts_once_by_its_latest_standing_reading_here(tester: Tester, shift: Shift) -> None:
    twice, corrected, elsewhere = make_valves(make_type("12AX7"), 3)
    hour_ago = timezone.now() - timedelta(hours=1)
    read(twice, 1.0, 1.6, shift=shift, taken_at=hour_ago)
    read(twice, 1.1, 1.6, shift=shift)
    wrong = read(corrected, 12.0, 1.6, shift=shift, taken_at=hour_ago)[0]
    readings.correct(wrong, readings.EnteredReading(point(), anode_current_ma=1.2), "decimal point", shift.operator)
    read(elsewhere, 1.3, 1.6, shift=shift, taken_at=hour_ago)
    read(elsewhere, 1.3, 1.6, shift=shift_at(described("Window bench"), "ada"))
    assert [reading.anode_current_ma for reading in house_nominals.known_good(tester, point())] == [1.1, 1.2]


@pytest.mark.django_db
def test_readings_of_a_stretch_out_of_control_do_not_count(tester: Tester, shift: Shift) -> None:
    now, day = timezone.now(), timedelta(days=1)
    before, within, after = make_valves(make_type("12AX7"), 3)
    for valve, ago in ((before, 5), (within, 3), (after, 1)):
        read(valve, 1.2, 1.6, shift=shift, taken_at=now - ago * day)
    check = checked(kept_aside(), shift, [1.2]).check
    stop = Stop.objects.create(tester=tester, why="x", check_made=check, suspect_since=now - 4 * day)
    assert good(tester) == [before], "while it is not cleared everything since is suspect"
    Stop.objects.filter(pk=stop.pk).update(cleared_at=now - 2 * day, action="cleaned")
    assert good(tester) == [before, after]


@pytest.mark.django_db
def test_readings_at_other_conditions_are_learnt_apart(tester: Tester, shift: Shift) -> None:
    at_sheet = stock(shift, [1.2, 1.3])
    condition = judged_by_house(tester)
    at_own = stock(shift, [0.9, 0.8, 0.7])
    assert good(tester) == at_sheet
    assert [reading.valve for reading in house_nominals.known_good(tester, point(), condition)] == at_own
    conditions.back_to_sheet(tester, point(), owner())
    again = stock(shift, [1.4])
    assert good(tester) == [*at_sheet, *again]


# What is compared with it


@pytest.mark.django_db
def test_a_reading_at_such_conditions_is_compared_with_the_house_nominal_and_papers_say_so(
    tester: Tester, shift: Shift
) -> None:
    judged_by_house(tester)
    stock(shift)
    house_nominals.learn(tester, point(), owner())
    basis = records.basis_for(Tester.objects.get(pk=tester.pk), point(), IA)
    assert basis.kind == BasisKind.HOUSE and basis.nominal is not None and isclose(basis.nominal, 1.17)
    assert basis.brought(1.0) == (1.0, 0.0) and not basis.sheet_limits
    assert 0 < basis.nominal_u < 0.05
    for told in ("house nominal", "known-good NOS", "of 10 valves", "Long bench", "Rk 1000"):
        assert told in basis.words


@pytest.mark.django_db
def test_one_learnt_at_other_conditions_is_not_used(tester: Tester, shift: Shift) -> None:
    stock(shift)
    house_nominals.learn(tester, point(), owner())
    judged_by_house(tester)
    assert records.basis_for(Tester.objects.get(pk=tester.pk), point(), IA).kind == BasisKind.NONE


# The pages


@pytest.mark.django_db
def test_the_owner_looks_at_the_valves_and_learns(client: Client, tester: Tester, shift: Shift) -> None:
    valves = stock(shift)
    client.force_login(owner())
    address = f"/testers/{tester.pk}/house-nominals/?type=12AX7&section=1"
    page = client.get(address).content.decode()
    assert "10 known-good NOS valves" in page and valves[3].serial in page
    client.post(address)
    row = HouseNominal.objects.get(quantity=IA)
    shown = client.get(f"/house-nominals/{row.pk}/").content.decode()
    assert "10 known-good NOS valves" in shown and valves[9].serial in shown


@pytest.mark.django_db
def test_too_few_valves_are_said_on_the_page_and_nothing_is_learnt(
    client: Client, tester: Tester, shift: Shift
) -> None:
    stock(shift, VALUES[:3])
    client.force_login(owner())
    address = f"/testers/{tester.pk}/house-nominals/?type=12AX7&section=1"
    page = client.get(address).content.decode()
    assert "Too few: 10 are needed" in page and "Learn the house nominal" not in page
    assert "3 known-good NOS valves" in client.post(address).content.decode()
    assert not HouseNominal.objects.exists()


@pytest.mark.django_db
def test_the_bench_does_not_set_what_good_is(client: Client, tester: Tester) -> None:
    client.force_login(make_user("bo", Role.BENCH))
    assert client.get(f"/testers/{tester.pk}/house-nominals/").status_code == 403
