"""A file of readings is looked over, then taken in whole or not at all."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from grading.bench import readings_import
from grading.metrology.units import TypedMark
from grading.models import Grade, ImportBatch, Reading, Shift
from stockroom.models import Entry, Valve
from stockroom.pure.serials import serial
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import (
    make_policy,
    make_shift,
    make_tester,
    make_type,
    make_user,
    make_valve,
    make_valves,
    read,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def bo(client: Client) -> User:
    make_policy()
    make_tester()
    user = make_user("bo", Role.BENCH)
    client.force_login(user)
    return user


@pytest.fixture
def valves(bo: User) -> list[Valve]:
    return make_valves(make_type(), 3)


def sheet(valves: list[Valve], gm: str = "1,6") -> bytes:
    """As a spreadsheet of the continent saves it: byte-order mark, semicolons, decimal commas, a blank line."""
    rows = [f"{valve};{section};1,2;{gm}" for valve in valves for section in (1, 2)]
    return "\ufeff".encode() + "\r\n".join(["Serial No.;Section;Ia [mA];S [mA/V]", *rows, ""]).encode()


def choices(**others: Any) -> dict[str, Any]:
    start = {"tester": make_tester().pk, "read_on": timezone.localdate().isoformat(), "gm_unit": "mA/V", "mark": ""}
    return {**start, **others}


def look(client: Client, data: bytes, name: str = "readings.csv", **others: Any) -> str:
    fields = choices(file=SimpleUploadedFile(name, data), **others)
    return unescape(client.post("/readings/import/", fields).content.decode())


def kept(shown: str) -> str:
    return re.findall(r'name="kept" value="([^"]+)"', shown)[0]


def take(client: Client, shown: str, **others: Any) -> Any:
    return client.post("/readings/import/take-in/", choices(kept=kept(shown), **others), follow=True)


def test_the_form_begins_with_today_and_the_tester_of_the_shift(client: Client, bo: User) -> None:
    make_shift(bo, make_tester("Second"))
    shown = client.get("/readings/import/").content.decode()
    assert f'type="date" name="read_on" value="{timezone.localdate().isoformat()}"' in re.sub(r"\s+", " ", shown)
    assert f'value="{make_tester("Second").pk}" selected' in shown and shown.count("autofocus") == 1


def test_the_preview_lists_every_reading_and_keeps_none(client: Client, valves: list[Valve]) -> None:
    shown = look(client, sheet(valves))
    assert "Import 6 readings of 3 valves" in shown
    assert all(valve.serial in shown for valve in valves)
    assert "Read as UTF-8, separated by semicolons" in shown
    assert not Reading.objects.exists() and not ImportBatch.objects.exists()


def test_taking_in_keeps_all_and_judges_the_valves(client: Client, valves: list[Valve], bo: User) -> None:
    reply = take(client, look(client, sheet(valves)))
    assert "6 readings of 3 valves taken in, 3 graded" in reply.content.decode()
    assert Reading.objects.count() == 6
    assert {reading.gm_ma_per_v for reading in Reading.objects.all()} == {1.6}
    for valve in Valve.objects.all():
        assert valve.state == State.GRADED
        entry = Entry.objects.get(valve=valve, action="readings-imported")
        assert entry.by == bo and "readings.csv" in entry.text and "Excellent" in entry.text
    batch = ImportBatch.objects.get()
    assert (batch.file_name, batch.rows, batch.shift.operator) == ("readings.csv", 6, bo)
    assert set(batch.readings.all()) == set(Reading.objects.all())


def test_pasted_rows_are_as_good_as_a_file(client: Client, valves: list[Valve]) -> None:
    pasted = "\t".join(["serial", "Ia1", "gm1", "Ia2", "gm2"]) + "\n" + f"{valves[0]}\t1.2\t1600 µmho\t1.1\t1.5\n"
    shown = client.post("/readings/import/", choices(pasted=pasted)).content.decode()
    take(client, shown)
    assert [r.gm_ma_per_v for r in Reading.objects.order_by("section")] == [1.6, 1.5]


def test_one_bad_row_and_nothing_is_taken(client: Client, valves: list[Valve]) -> None:
    data = sheet(valves) + f"{valves[0]};3;1,2;1,6\r\n{serial(900)};1;1,2;lots\r\n".encode()
    shown = look(client, data)
    assert "row 8, column Section: “3” is no section" not in shown
    assert f"row 8, column Section: a {valves[0].type} has no section 3 to test." in shown
    assert "row 9, column S [mA/V]: “lots” is not a number." in shown
    assert "Import 6 reading" not in shown
    reply = take(client, shown)
    assert "Nothing was taken in" in reply.content.decode()
    assert not Reading.objects.exists()


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        (f"{serial(900)};1;1,2;1,6", f"row 2, column serial: no valve has the serial {serial(900)}."),
        ("10000013;1;1,2;1,6", "row 2, column serial: “10000013” has a wrong digit"),
        ("{0};;1,2;1,6", "row 2, column section: a 12AX7 has 2 sections, and the file does not say which this is."),
        ("{0};1;-1,2;1,6", "row 2, column Ia (mA): anode current −1.2 mA is negative"),
        ("{0};1;1,2;1600", "column gm (mA/V): gm 1600 mA/V is 1000 times the nominal 1.6: did you mean micromhos?"),
        ("{0};1;1200;1,6", "column Ia (mA): anode current 1200 mA is 1000 times"),
        ("{0};1;;", "There is a heading and no readings beneath it."),
    ],
)
def test_what_the_shop_knows_better_is_named_by_row_and_column(
    client: Client, valves: list[Valve], row: str, fault: str
) -> None:
    data = f"serial;section;Ia (mA);gm (mA/V)\n{row.format(valves[0])}\n".encode()
    assert fault in look(client, data)


def test_valves_that_have_gone_are_named(client: Client, bo: User) -> None:
    gone = make_valve(state=State.DESPATCHED)
    broken = make_valve(state=State.WRITTEN_OFF, written_off="dropped")
    shown = look(client, sheet([gone, broken]))
    assert "book its return" in shown and "written off: dropped" in shown


def test_a_rectifier_takes_no_gm(client: Client, bo: User) -> None:
    valve = make_valve(make_type("5Y3GT", kind="rectifier"))
    assert "column gm: a 5Y3GT has no gm" in look(client, f"serial;section;Ia;gm\n{valve};1;120;1,6\n".encode())
    shown = look(client, f"serial;section;Ia;gm\n{valve};1;120;\n{valve};2;118;\n".encode())
    take(client, shown)
    assert Reading.objects.count() == 2


def test_a_type_of_one_section_needs_no_section_column(client: Client, bo: User) -> None:
    valve = make_valve(make_type("6C4-like", sections=1))
    take(client, look(client, f"serial,Ia,gm\n{valve},1.2,1.6\n".encode()))
    assert Reading.objects.get().section == 1


def test_a_test_point_is_found_by_name(client: Client, bo: User) -> None:
    points = [
        {"name": "250 V", "anode_voltage_v": 250, "anode_current_ma": 1.2, "gm_ma_per_v": 1.6},
        {"name": "100 V", "anode_voltage_v": 100, "anode_current_ma": 0.5, "gm_ma_per_v": 1.25},
    ]
    valve = make_valve(make_type("one-like", points=points, sections=1))
    shown = look(client, f"serial;test point;Ia;gm\n{valve};180 V;0,5;1,2\n".encode())
    assert "column test point: a one-like has no test point “180 V”; it has “250 V”, “100 V”." in shown
    take(client, look(client, f"serial;test point;Ia;gm\n{valve};100 v;0,5;1,2\n".encode()))
    assert Reading.objects.get().test_point.name == "100 V"


def test_a_surprising_reading_must_be_vouched_for(client: Client, valves: list[Valve]) -> None:
    shown = look(client, sheet(valves, gm="4,8"))
    assert "Hard to believe" in shown and "row 2, column S [mA/V]: gm 4.8 mA/V is 3 times" in shown
    assert "Say whether this is what was read" in take(client, shown).content.decode()
    assert not Reading.objects.exists()
    sure = re.findall(r'name="sure" value="([0-9a-f]+)"', shown)[0]
    take(client, shown, sure=sure)
    assert Reading.objects.count() == 6


def test_the_same_file_is_not_taken_twice(client: Client, valves: list[Valve]) -> None:
    take(client, look(client, sheet(valves)))
    shown = look(client, sheet(valves), name="copy of readings.csv")
    assert "This very file was taken in on" in shown and "as readings.csv: 6 readings" in shown
    assert Reading.objects.count() == 6


def test_two_who_take_in_the_same_file_at_once_are_told_apart_by_the_database(valves: list[Valve], bo: User) -> None:
    preview = readings_import.look(sheet(valves))
    readings_import.take_in(preview, file_name="a.csv", tester=make_tester(), by=bo)
    with pytest.raises(readings_import.ReadingsImportedBefore, match=r"as a\.csv"):
        readings_import.take_in(preview, file_name="b.csv", tester=make_tester(), by=bo)
    assert Reading.objects.count() == 6


def test_a_fault_half_way_leaves_nothing_behind(valves: list[Valve], bo: User, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise RuntimeError("the power went")

    monkeypatch.setattr(readings_import.judging, "by_policy_in_force", broken)
    with pytest.raises(RuntimeError):
        readings_import.take_in(readings_import.look(sheet(valves)), file_name="a.csv", tester=make_tester(), by=bo)
    assert not Reading.objects.exists() and not ImportBatch.objects.exists() and not Shift.objects.exists()


def test_a_valve_that_left_between_looking_and_taking_stops_it_all(client: Client, valves: list[Valve]) -> None:
    shown = look(client, sheet(valves))
    Valve.objects.filter(pk=valves[2].pk).update(state=State.DESPATCHED)
    assert "book its return" in take(client, shown).content.decode()
    assert not Reading.objects.exists()


# The shift and the day.


def test_it_joins_the_live_shift_at_that_tester(client: Client, valves: list[Valve], bo: User) -> None:
    shift = make_shift(bo)
    take(client, look(client, sheet(valves)))
    assert ImportBatch.objects.get().shift == shift


def test_readings_of_another_tester_get_a_shift_of_their_own(client: Client, valves: list[Valve], bo: User) -> None:
    live = make_shift(bo)
    other = make_tester("The one in the loft")
    take(client, look(client, sheet(valves), tester=other.pk), tester=other.pk)
    shift = ImportBatch.objects.get().shift
    assert shift.tester == other and shift.ended_at is not None
    assert Shift.objects.running_for(bo) == live


def test_readings_of_an_earlier_day_do_not_speak_over_later_ones(client: Client, valves: list[Valve]) -> None:
    valve = valves[0]
    read(valve, 0.3, 0.4)
    earlier = (timezone.localdate() - timedelta(days=9)).isoformat()
    take(client, look(client, sheet([valve]), read_on=earlier), read_on=earlier)
    assert Grade.objects.get(valve=valve, standing=True).name == "Unfit"
    assert timezone.localdate(Reading.objects.filter(batch__isnull=False)[0].taken_at).isoformat() == earlier


def test_a_day_to_come_is_refused_and_the_file_kept(client: Client, valves: list[Valve]) -> None:
    tomorrow = (timezone.localdate() + timedelta(days=1)).isoformat()
    shown = look(client, sheet(valves), read_on=tomorrow)
    assert "That day has not come yet" in shown and "“readings.csv” is kept" in shown
    again = client.post("/readings/import/", choices(kept=kept(shown))).content.decode()
    assert "Import 6 readings" in again


# Doubt and choice.


def test_a_doubtful_decimal_mark_is_asked_and_answered_without_another_upload(
    client: Client, valves: list[Valve]
) -> None:
    data = f"serial;section;gm (mA/V)\n{valves[0]};1;1,600\n{valves[0]};2;1,550\n".encode()
    shown = look(client, data)
    assert "“1,600” can be thousands or decimals" in shown and "which decimal mark it uses" in shown
    shown = client.post("/readings/import/", choices(kept=kept(shown), mark=TypedMark.COMMA.value)).content.decode()
    assert "Import 2 readings of 1 valve" in shown
    take(client, shown, mark=TypedMark.COMMA.value)
    assert [r.gm_ma_per_v for r in Reading.objects.order_by("section")] == [1.6, 1.55]


def test_gm_without_a_unit_is_read_as_chosen(client: Client, valves: list[Valve]) -> None:
    data = f"serial;section;gm\n{valves[0]};1;1600\n".encode()
    assert "did you mean micromhos?" in look(client, data)
    assert "µmho is assumed" in look(client, data, gm_unit="µmho")


def test_a_valve_left_half_read_is_pointed_out(client: Client, valves: list[Valve]) -> None:
    shown = look(client, f"serial;section;Ia\n{valves[0]};1;1,2\n".encode())
    assert f"Not graded yet, having a section unread: {valves[0]}." in shown
    assert "Import 1 reading of 1 valve" in shown


# Wrong files.


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("readings.xlsx", b"PK\x03\x04rest", "“readings.xlsx”: This is a zipped file"),
        ("photo.png", b"\x89PNG\r\n\x1a\n", "“photo.png”: This is a picture"),
        ("empty.csv", b"", "“empty.csv”: The file is empty"),
        ("letter.txt", b"Dear Sir,\nthe valves were fine.\n", "“letter.txt”: No heading was found"),
        ("big.csv", b"serial;Ia\n" + b"10000012;1\n" * 100_000, "“big.csv” has 1.1 MB; at most 1 MB"),
        ("long.csv", b"serial;Ia\n" + b"10000012;1\n" * 6_000, "6000 rows; at most 5000"),
    ],
)
def test_a_wrong_file_is_refused_by_name_and_the_form_kept(
    client: Client, bo: User, name: str, data: bytes, says: str
) -> None:
    shown = look(client, data, name, gm_unit="µmho")
    assert says in shown
    assert '<option value="µmho" selected' in shown


def test_no_file_at_all_is_said(client: Client, bo: User) -> None:
    assert "Choose a file, or paste" in client.post("/readings/import/", choices()).content.decode()


def test_a_tampered_page_is_not_believed(client: Client, valves: list[Valve]) -> None:
    shown = look(client, sheet(valves))
    reply = client.post("/readings/import/take-in/", choices(kept=kept(shown)[:-2] + "xx"))
    assert "lost the file" in reply.content.decode()
    assert not Reading.objects.exists()


def test_only_the_bench_may_import(client: Client, valves: list[Valve]) -> None:
    shown = look(client, sheet(valves))
    client.force_login(make_user("vi", Role.SALES))
    assert client.get("/readings/import/").status_code == 403
    assert client.post("/readings/import/", choices(pasted="x")).status_code == 403
    assert take(client, shown).status_code == 403
    assert not Reading.objects.exists()


def test_without_a_tester_the_page_says_so(client: Client) -> None:
    client.force_login(make_user("bo", Role.BENCH))
    assert "The owner writes the first one down" in client.get("/readings/import/").content.decode()


def test_a_long_file_asks_the_database_in_batches_and_not_by_the_row(bo: User) -> None:
    type = make_type()
    make_policy()

    def queries(count: int) -> int:
        valves = make_valves(type, count)
        with CaptureQueriesContext(connection) as asked:
            preview = readings_import.look(sheet(valves))
            readings_import.take_in(preview, file_name="a.csv", tester=make_tester(), by=bo)
        return len(asked)

    assert queries(60) <= queries(3) + 2


def test_a_stabiliser_in_a_file_is_read_in_volts_and_nothing_else_is(bo: User) -> None:
    stabiliser = make_valve(make_type("0A2", kind="voltage stabiliser", sections=1))
    heads = "Serial;Voltage held [V];Ia [mA]"
    [planned] = readings_import.look(f"{heads}\n{stabiliser};151;\n".encode()).planned
    assert (planned.reading().anode_voltage_v, planned.reading().anode_current_ma) == (151, None)
    [problem] = readings_import.look(f"{heads}\n{stabiliser};;30\n".encode()).problems
    assert str(problem).endswith("a 0A2 is a stabiliser: it is read in volts, in a column “voltage held”.")
    triode = make_valve(make_type("6C4", sections=1))
    [problem] = readings_import.look(f"{heads}\n{triode};250;1,2\n".encode()).problems
    assert str(problem).endswith("a 6C4 is no stabiliser: leave the voltage held empty.")
