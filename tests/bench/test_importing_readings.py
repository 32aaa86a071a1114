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
from grading.models import Grade, ImportBatch, Reading, ReadingsFile, Shift
from stockroom.files.numbers import DecimalMark
from stockroom.imports.keeping import ImportedBefore
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
    return words(client.post("/readings/import/", fields, follow=True))


def words(page: Any) -> str:
    return " ".join(unescape(page.content.decode()).split())


def columns(client: Client, **changes: Any) -> str:
    """The page of columns of the file sent last, sent with these changes."""
    address = ReadingsFile.objects.latest("pk").get_absolute_url()
    shown = {bound.html_name: bound.value() for bound in client.get(address).context["form"]}
    filled = {name: "" if value is None else str(value) for name, value in shown.items()} | changes
    return words(client.post(address, filled, follow=True))


def take(client: Client, **others: Any) -> Any:
    """Take in the file sent last."""
    address = f"{ReadingsFile.objects.latest('pk').get_absolute_url()}take-in/"
    return client.post(address, others, follow=True)


def kept_file(data: bytes, by: User, name: str = "a.csv") -> ReadingsFile:
    return readings_import.receive(make_tester(), timezone.localdate(), name, data, by)


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
    look(client, sheet(valves))
    reply = take(client)
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
    client.post("/readings/import/", choices(pasted=pasted))
    take(client)
    assert [r.gm_ma_per_v for r in Reading.objects.order_by("section")] == [1.6, 1.5]


def test_one_bad_row_and_nothing_is_taken(client: Client, valves: list[Valve]) -> None:
    data = sheet(valves) + f"{valves[0]};3;1,2;1,6\r\n{serial(900)};1;1,2;lots\r\n".encode()
    shown = look(client, data)
    assert "row 8, column Section: “3” is no section" not in shown
    assert f"row 8, column Section: a {valves[0].type} has no section 3 to test." in shown
    assert "row 9, column S [mA/V]: “lots” is not a number." in shown
    assert "Import 6 reading" not in shown
    reply = take(client)
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
    look(client, f"serial;section;Ia;gm\n{valve};1;120;\n{valve};2;118;\n".encode())
    take(client)
    assert Reading.objects.count() == 2


def test_a_type_of_one_section_needs_no_section_column(client: Client, bo: User) -> None:
    valve = make_valve(make_type("6C4-like", sections=1))
    look(client, f"serial,Ia,gm\n{valve},1.2,1.6\n".encode())
    take(client)
    assert Reading.objects.get().section == 1


def test_a_test_point_is_found_by_name(client: Client, bo: User) -> None:
    points = [
        {"name": "250 V", "anode_voltage_v": 250, "anode_current_ma": 1.2, "gm_ma_per_v": 1.6},
        {"name": "100 V", "anode_voltage_v": 100, "anode_current_ma": 0.5, "gm_ma_per_v": 1.25},
    ]
    valve = make_valve(make_type("one-like", points=points, sections=1))
    shown = look(client, f"serial;test point;Ia;gm\n{valve};180 V;0,5;1,2\n".encode())
    assert "column test point: a one-like has no test point “180 V”; it has “250 V”, “100 V”." in shown
    look(client, f"serial;test point;Ia;gm\n{valve};100 v;0,5;1,2\n".encode())
    take(client)
    assert Reading.objects.get().test_point.name == "100 V"


def test_a_surprising_reading_must_be_vouched_for(client: Client, valves: list[Valve]) -> None:
    shown = look(client, sheet(valves, gm="4,8"))
    assert "Hard to believe" in shown and "row 2, column S [mA/V]: gm 4.8 mA/V is 3 times" in shown
    assert "Say whether this is what was read" in take(client).content.decode()
    assert not Reading.objects.exists()
    sure = re.findall(r'name="sure" value="([0-9a-f]+)"', shown)[0]
    take(client, sure=sure)
    assert Reading.objects.count() == 6


def test_the_same_file_is_not_taken_twice(client: Client, valves: list[Valve]) -> None:
    look(client, sheet(valves))
    take(client)
    shown = look(client, sheet(valves), name="copy of readings.csv")
    assert "This very file was taken in on" in shown and "as readings.csv: 6 readings" in shown
    assert Reading.objects.count() == 6


def test_two_who_take_in_the_same_file_at_once_are_told_apart_by_the_database(valves: list[Valve], bo: User) -> None:
    first, second = kept_file(sheet(valves), bo), kept_file(sheet(valves), make_user("al", Role.BENCH), "b.csv")
    assert first.pk != second.pk
    readings_import.take_in(first, bo)
    with pytest.raises(ImportedBefore, match=r"as a\.csv"):
        readings_import.take_in(second, bo)
    with pytest.raises(ImportedBefore, match="imported already"):
        readings_import.take_in(first, bo)
    assert Reading.objects.count() == 6


def test_a_fault_half_way_leaves_nothing_behind(valves: list[Valve], bo: User, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise RuntimeError("the power went")

    monkeypatch.setattr(readings_import.judging, "by_policy_in_force", broken)
    file = kept_file(sheet(valves), bo)
    with pytest.raises(RuntimeError):
        readings_import.take_in(file, bo)
    assert not Reading.objects.exists() and not ImportBatch.objects.exists() and not Shift.objects.exists()


def test_a_valve_that_left_between_looking_and_taking_stops_it_all(client: Client, valves: list[Valve]) -> None:
    look(client, sheet(valves))
    Valve.objects.filter(pk=valves[2].pk).update(state=State.DESPATCHED)
    assert "book its return" in take(client).content.decode()
    assert not Reading.objects.exists()


# The shift and the day.


def test_it_joins_the_live_shift_at_that_tester(client: Client, valves: list[Valve], bo: User) -> None:
    shift = make_shift(bo)
    look(client, sheet(valves))
    take(client)
    assert ImportBatch.objects.get().shift == shift


def test_readings_of_another_tester_get_a_shift_of_their_own(client: Client, valves: list[Valve], bo: User) -> None:
    live = make_shift(bo)
    other = make_tester("The one in the loft")
    look(client, sheet(valves), tester=other.pk)
    take(client)
    shift = ImportBatch.objects.get().shift
    assert shift.tester == other and shift.ended_at is not None
    assert Shift.objects.running_for(bo) == live


def test_readings_of_an_earlier_day_do_not_speak_over_later_ones(client: Client, valves: list[Valve]) -> None:
    valve = valves[0]
    read(valve, 0.3, 0.4)
    earlier = (timezone.localdate() - timedelta(days=9)).isoformat()
    look(client, sheet([valve]), read_on=earlier)
    take(client)
    assert Grade.objects.get(valve=valve, current=True).name == "Unfit"
    assert timezone.localdate(Reading.objects.filter(batch__isnull=False)[0].taken_at).isoformat() == earlier


def test_a_day_to_come_is_refused_and_the_file_kept(client: Client, valves: list[Valve]) -> None:
    tomorrow = (timezone.localdate() + timedelta(days=1)).isoformat()
    shown = look(client, sheet(valves), read_on=tomorrow)
    assert "That day has not come yet" in shown and "“readings.csv” is kept" in shown
    (kept,) = re.findall(r'name="kept" value="([0-9]+)"', shown)
    again = words(client.post("/readings/import/", choices(kept=kept), follow=True))
    assert "Import 6 readings" in again


# Doubt and choice.


def test_a_doubtful_decimal_mark_is_asked_and_answered_without_another_upload(
    client: Client, valves: list[Valve]
) -> None:
    data = f"serial;section;gm (mA/V)\n{valves[0]};1;1,600\n{valves[0]};2;1,550\n".encode()
    shown = look(client, data)
    assert "“1,600” can be thousands or decimals" in shown and "which decimal mark it uses" in shown
    shown = columns(client, mark=DecimalMark.COMMA.value)
    assert "Import 2 readings of 1 valve" in shown
    take(client)
    assert [r.gm_ma_per_v for r in Reading.objects.order_by("section")] == [1.6, 1.55]


def test_gm_without_a_unit_is_read_as_chosen(client: Client, valves: list[Valve]) -> None:
    data = f"serial;section;gm\n{valves[0]};1;1600\n".encode()
    assert "did you mean micromhos?" in look(client, data)
    assert "µmho is assumed" in look(client, data, gm_unit="µmho")
    assert "mA/V is assumed" in columns(client, gm_unit="mA/V")


def test_a_valve_left_half_read_is_pointed_out(client: Client, valves: list[Valve]) -> None:
    shown = look(client, f"serial;section;Ia\n{valves[0]};1;1,2\n".encode())
    assert f"Not graded yet, having a section unread: {valves[0]}." in shown
    assert "Import 1 reading of 1 valve" in shown


# Wrong files.


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("readings.xlsx", b"PK\x03\x04rest", "“readings.xlsx”: The workbook is damaged"),
        ("photo.png", b"\x89PNG\r\n\x1a\n", "“photo.png”: This is a picture"),
        ("empty.csv", b"", "“empty.csv”: The file is empty"),
        ("letter.txt", b"Dear Sir,\nthe valves were fine.\n", "No headings were found."),
        ("big.csv", b"serial;Ia\n" + b"10000012;1\n" * 800_000, "“big.csv” has 8.8 MB; at most 8 MB"),
    ],
)
def test_a_wrong_file_is_refused_by_name_and_the_form_kept(
    client: Client, bo: User, name: str, data: bytes, says: str
) -> None:
    shown = look(client, data, name, gm_unit="µmho")
    assert says in shown
    assert '<option value="µmho" selected' in shown


def test_more_rows_than_are_taken_at_a_time_are_refused(client: Client, bo: User) -> None:
    assert "6000 rows; at most 5000" in look(client, b"serial;Ia\n" + b"10000012;1\n" * 6_000)
    assert "Nothing was taken in" in take(client).content.decode()


def test_no_file_at_all_is_said(client: Client, bo: User) -> None:
    assert "Choose a file, or paste" in client.post("/readings/import/", choices()).content.decode()


def test_a_file_that_was_never_sent_is_not_found(client: Client, valves: list[Valve]) -> None:
    look(client, sheet(valves))
    other = ReadingsFile.objects.get().pk + 1
    for page in ("", "preview/"):
        assert client.get(f"/readings/import/{other}/{page}").status_code == 404
    assert client.post(f"/readings/import/{other}/take-in/").status_code == 404
    assert "The page has lost the file" in client.post("/readings/import/", choices(kept=other)).content.decode()
    assert not Reading.objects.exists()


def test_only_the_bench_may_import(client: Client, valves: list[Valve]) -> None:
    look(client, sheet(valves))
    client.force_login(make_user("vi", Role.SALES))
    assert client.get("/readings/import/").status_code == 403
    assert client.post("/readings/import/", choices(pasted="x")).status_code == 403
    assert take(client).status_code == 403
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
            file = kept_file(sheet(valves), bo)
            readings_import.look(file)
            readings_import.take_in(file, bo)
        return len(asked)

    assert queries(60) <= queries(3) + 2


def test_a_stabiliser_in_a_file_is_read_in_volts_and_nothing_else_is(bo: User) -> None:
    stabiliser = make_valve(make_type("0A2", kind="voltage stabiliser", sections=1))
    triode = make_valve(make_type("6C4", sections=1))

    def looked(*rows: str) -> readings_import.ReadingsPreview:
        data = "\n".join(["Serial;Voltage held [V];Ia [mA]", *rows, ""]).encode()
        return readings_import.look(kept_file(data, bo))

    [planned] = looked(f"{stabiliser};151,5;").planned
    assert (planned.reading().anode_voltage_v, planned.reading().anode_current_ma) == (151.5, None)
    [problem] = looked(f"{stabiliser};;30").problems
    assert str(problem).endswith("a 0A2 is a stabiliser: it is read in volts, in a column “voltage held”.")
    [problem] = looked(f"{triode};250;1,2").problems
    assert str(problem).endswith("a 6C4 is no stabiliser: leave the voltage held empty.")


def test_the_voltage_held_has_a_column_of_its_own_in_the_preview(client: Client, bo: User) -> None:
    stabiliser = make_valve(make_type("0A2", kind="voltage stabiliser", sections=1))
    shown = look(client, f"Serial;Brennspannung [V]\n{stabiliser};151,5\n".encode())
    assert ">V held, V</th>" in shown and '<td class="n">151.5</td>' in shown
    take(client)
    assert Reading.objects.get().anode_voltage_v == 151.5


def test_a_voltage_beside_numbered_columns_must_say_its_section(bo: User) -> None:
    stabiliser = make_valve(make_type("0A2", kind="voltage stabiliser", sections=1))
    file = kept_file(f"Serial;Ia1;gm1;Ia2;gm2;Voltage held\n{stabiliser};;;;;151\n".encode(), bo)
    preview = readings_import.look(file)
    assert "column Voltage held: does not say which section it is; others do." in str(preview.problems[0])
    file = kept_file(f"Serial;Ia1;Voltage held 1\n{stabiliser};;151\n".encode(), bo)
    [planned] = readings_import.look(file).planned
    assert planned.reading().anode_voltage_v == 151
