"""Readings out of a workbook or under any headings: the columns are chosen once and remembered for the tester."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.utils import timezone

from grading.bench import readings_import
from grading.bench.readings_import import READINGS_FILES, look, take_in
from grading.models import Reading, ReadingsFile, TesterMapping
from stockroom.imports import keeping
from stockroom.models import Valve
from stockroom.site.people import Role
from tests.bench.test_importing_readings import bo, columns, sheet, take, valves, words  # noqa: F401 -- fixtures
from tests.bench.test_importing_readings import look as look_at
from tests.factories import make_shift, make_tester, make_type, make_user, make_valves
from tests.files.test_tables import workbook
from tests.keyboard import Keyboard

pytestmark = pytest.mark.django_db


def received(data: bytes, by: User, name: str = "r.csv", **choices: Any) -> ReadingsFile:
    file = readings_import.receive(make_tester(), timezone.localdate(), name, data, by)
    file.choices |= choices
    file.save()
    return file


# Workbooks


def test_a_workbook_of_readings_is_taken_in(client: Client, valves: list[Valve]) -> None:  # noqa: F811
    rows = [[int(valve.serial), section, 1.2, 1.625] for valve in valves for section in (1, 2)]
    data = workbook(["Readings of the week"], ["Serial No.", "Section", "Ia [mA]", "S [mA/V]"], *rows)
    assert "Import 6 readings of 3 valves" in look_at(client, data, "readings.xlsx")
    take(client)
    assert {(one.anode_current_ma, one.gm_ma_per_v) for one in Reading.objects.all()} == {(1.2, 1.625)}


def test_a_number_of_a_workbook_is_what_it_is_whatever_mark_its_texts_use(valves: list[Valve], bo: User) -> None:  # noqa: F811
    rows = [[valves[0].serial, 1, 1.2, "1,6"], [valves[0].serial, 2, 1.25, 1.625]]
    file = received(workbook(["serial", "section", "Ia (mA)", "gm (mA/V)"], *rows), bo, "r.xlsx")
    assert [one.row.gm_ma_per_v for one in look(file).planned] == [1.6, 1.625]


def test_faults_of_a_workbook_are_named_by_row_and_column(valves: list[Valve], bo: User) -> None:  # noqa: F811
    day = timezone.localdate()
    rows = [[valves[0].serial, 1, "=1+1", 1.6], [valves[1].serial, 1, 1.2, day], ["=A1", 1, 1.2, 1.6]]
    file = received(workbook(["serial", "section", "Ia (mA)", "gm (mA/V)"], *rows), bo, "r.xlsx")
    fault = "there is a formula whose value was never worked out. Open the workbook, put it right and save it."
    assert [str(one) for one in look(file).problems] == [
        f"row 2, column Ia (mA): {fault}",
        f"row 3, column gm (mA/V): {day} is a day, not a number. A spreadsheet may have made it one.",
        f"row 4, column serial: {fault}",
    ]


def test_hidden_rows_of_a_workbook_are_told(valves: list[Valve], bo: User) -> None:  # noqa: F811
    def change(book: Any) -> None:
        book.active.row_dimensions[2].hidden = True

    rows = [[valves[0].serial, section, 1.2, 1.6] for section in (1, 2)]
    file = received(workbook(["serial", "section", "Ia", "gm"], *rows, change=change), bo, "r.xlsx")
    assert "Hidden in the workbook and read all the same: row 2." in look(file).notes


# Headings


@pytest.mark.parametrize(
    "heading",
    [
        "Serial No.;System;Ia [mA];gm [mA/V];leakage (µA);Ig (µA);Noise;Remarks",
        "Seriennummer;System;Anodenstrom (mA);Steilheit (mA/V);Leckstrom (µA);Gitterstrom (µA);Rauschen;Bemerkung",
        "Numéro de série;Section;Courant anodique, mA;Pente (mA/V);Fuite (µA);Courant grille (µA);Bruit;Remarques",
        "Número de serie;Sección;Corriente anódica (mA);Pendiente (mA/V);Fuga (µA);Corriente de rejilla;Ruido;Nota",
        "Серийный номер;Секция;Ток анода, мА;Крутизна, мА/В;Утечка (мкА);Ток сетки (мкА);Шум;Примечание",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "guessed"])
def test_headings_are_known_in_the_languages_of_lists(
    valves: list[Valve],  # noqa: F811
    bo: User,  # noqa: F811
    heading: str,
    encoding: str,
) -> None:
    text = f"{heading}\n{valves[0]};1;1,2;1,6;0,5;0,1;;foot loose\n{valves[0]};2;1,1;1,5;0,5;0,1;;\n"
    old = "cp1251" if "мА" in heading else "cp1252"
    file = received(text.replace("µ", "u").encode(old if encoding == "guessed" else encoding), bo)
    preview = look(file)
    assert preview.problems == ()
    first, second = (one.row for one in preview.planned)
    assert (first.section, first.anode_current_ma, first.gm_ma_per_v) == (1, 1.2, 1.6)
    assert (first.heater_cathode_leakage_ua, first.grid_current_ua, first.remark) == (0.5, 0.1, "foot loose")
    assert (second.section, second.gm_ma_per_v) == (2, 1.5)


@pytest.mark.parametrize("said", ["nein", "keine", "non", "нет", "no"])
def test_no_short_is_no_short_in_the_same_languages(valves: list[Valve], bo: User, said: str) -> None:  # noqa: F811
    text = f"serial;section;Ia;Kurzschluss\n{valves[0]};1;1,2;{said}\n{valves[0]};2;1,1;h-k\n"
    assert [one.row.shorted for one in look(received(text.encode(), bo)).planned] == [False, True]


def test_columns_that_nobody_knows_are_chosen_and_remembered_for_the_tester(
    client: Client,
    valves: list[Valve],  # noqa: F811
) -> None:
    head = "Probe;Half;Wert A;Wert B (µmho)"

    def rows(valve: Valve) -> bytes:
        return f"{head}\n{valve};1;1,2;1600\n{valve};2;1,1;1500\n".encode()

    shown = look_at(client, rows(valves[0]))
    assert "What the columns of readings.csv hold" in shown
    shown = columns(client, **{"column serial": "0", "column anode current": "2", "column gm": "3"})
    assert "Import 2 readings of 1 valve" in shown
    assert "Column “Wert A” does not say its unit; mA is assumed." in shown
    take(client)
    assert [one.gm_ma_per_v for one in Reading.objects.order_by("section")] == [1.6, 1.5]
    assert TesterMapping.objects.get().columns == {
        "probe": "serial",
        "half": "section",
        "wert a": "anode current",
        "wert b (µmho)".casefold(): "gm",
    }
    assert "Import 2 readings of 1 valve" in look_at(client, rows(valves[1]))
    other = make_tester("The one in the loft")
    assert "What the columns of readings.csv hold" in look_at(client, rows(valves[2]), tester=other.pk)


def test_a_column_that_somebody_took_away_is_not_used_next_time_either(
    client: Client,
    valves: list[Valve],  # noqa: F811
) -> None:
    def rows(valve: Valve) -> bytes:
        return f"serial;section;Ia;gm\n{valve};1;1,2;9999\n".encode()

    look_at(client, rows(valves[0]))
    shown = columns(client, **{"column gm": ""})
    assert "Column “gm” is not used." in shown and "Import 1 reading of 1 valve" in shown
    take(client)
    assert Reading.objects.get().gm_ma_per_v is None
    assert "Import 1 reading of 1 valve" in look_at(client, rows(valves[1]))


def test_a_whole_valve_in_a_row_can_be_mapped_section_by_section(client: Client, valves: list[Valve]) -> None:  # noqa: F811
    look_at(client, f"serial;left;right\n{valves[0]};1,2;1,1\n".encode())
    shown = columns(client, **{"column anode current 1": "1", "column anode current 2": "2"})
    assert "Import 2 readings of 1 valve" in shown
    take(client)
    assert [one.anode_current_ma for one in Reading.objects.order_by("section")] == [1.2, 1.1]


def test_of_two_columns_for_one_thing_somebody_says_which(client: Client, valves: list[Valve]) -> None:  # noqa: F811
    shown = look_at(client, f"serial;section;gm;S (mA/V)\n{valves[0]};1;1,6;1,5\n".encode())
    assert "is gm once more, after column “gm”. Say on the page of columns which it is." in shown
    assert "Import 1 reading" in columns(client, **{"column gm": "3"})
    take(client)
    assert Reading.objects.get().gm_ma_per_v == 1.5


def test_another_heading_row_sheet_or_encoding_brings_its_columns(client: Client, valves: list[Valve]) -> None:  # noqa: F811
    data = f"serial;Ia;gm\nserial;gm;Ia\n{valves[0]};1,6;1,2\n".encode()
    look_at(client, data)
    page = columns(client, heading="2")
    assert "What the columns of readings.csv hold" in page
    assert ReadingsFile.objects.get().choices["columns"] == {"serial": 0, "gm": 1, "anode current": 2}


def test_rows_are_left_out_with_their_reason(client: Client, valves: list[Valve]) -> None:  # noqa: F811
    data = sheet(valves) + b"mean;;1,2;1,6\r\n"
    assert "Take in" not in look_at(client, data)
    shown = columns(client, leave_out="8", why_out="the mean of all")
    assert "Left out, the mean of all: row 8." in shown and "Import 6 readings" in shown


def test_a_row_left_out_lends_no_valve_to_the_row_beneath_it(valves: list[Valve], bo: User) -> None:  # noqa: F811
    rows = [f"{valves[0]};1;1,2", f"{valves[1]};1;1,2", ";2;1,1"]
    data = "\n".join(["serial;section;Ia", *rows]).encode()
    assert [one.valve for one in look(received(data, bo)).planned] == [valves[0], valves[1], valves[1]]
    preview = look(received(data, bo, leave_out="3"))
    assert [one.valve for one in preview.planned] == [valves[0]]
    assert [str(one) for one in preview.problems] == ["row 4, column serial: there is no serial."]


def test_the_file_is_read_once_and_no_page_reads_it_again(
    client: Client,
    valves: list[Valve],  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    look_at(client, sheet(valves))

    def read_again(*_: Any) -> None:
        raise AssertionError("the file was read once more")

    monkeypatch.setattr(keeping, "read_tables", read_again)
    assert "Import 6 readings" in columns(client)
    take(client)
    assert Reading.objects.count() == 6


def test_what_was_taken_in_stays_on_record_and_is_not_taken_twice(client: Client, valves: list[Valve]) -> None:  # noqa: F811
    look_at(client, sheet(valves))
    take(client)
    file = ReadingsFile.objects.get()
    assert file.imported_by is not None and file.imported_by.username == "bo" and bytes(file.data) == sheet(valves)
    assert file.batch is not None and file.batch.rows == file.batch.readings.count() == 6
    for address in (file.get_absolute_url(), f"{file.get_absolute_url()}preview/"):
        assert "has been taken in already" in words(client.get(address, follow=True))
    assert "imported already" in words(take(client))
    assert Reading.objects.count() == 6


def test_without_a_tester_or_a_day_nothing_is_taken_in(valves: list[Valve], bo: User) -> None:  # noqa: F811
    file = received(sheet(valves), bo)
    ReadingsFile.objects.update(tester=None)
    with pytest.raises(keeping.NotReady, match="at which tester"):
        take_in(file, bo)
    assert not Reading.objects.exists()


def test_the_kind_of_file_keeps_gm_units_through_another_heading_row(valves: list[Valve], bo: User) -> None:  # noqa: F811
    file = readings_import.receive(make_tester(), timezone.localdate(), "r.csv", sheet(valves), bo, gm_unit="µmho")
    assert file.choices["gm_unit"] == "µmho" and READINGS_FILES.choices(file).heading == 1


def test_a_workbook_of_readings_is_mapped_and_taken_in_without_a_mouse(
    served: Any, browser: Any, tmp_path: Path
) -> None:
    """But for the browser's own window in which a file is chosen."""
    user = make_user("bo", Role.BENCH)
    user.set_password("a-long-test-password")
    user.save()
    make_shift(user, make_tester())
    (valve,) = make_valves(make_type(), 1)
    sent = tmp_path / "readings.xlsx"
    sent.write_bytes(workbook(["Probe", "System", "Strom", "gm (mA/V)"], [valve.serial, 1, 1.2, 1.6]))
    page = browser.new_page()
    board = Keyboard(page, f"{served.url}/readings/import/")
    board.type("bo").press("Tab").type("a-long-test-password").go()
    page.set_input_files("[name=file]", str(sent))
    board.tab_to("Preview").go()
    board.choose("A: Probe").tab_to("Anode current").choose("C: Strom").tab_to("Preview").go()
    assert board.at() == "Import 1 reading of 1 valve"
    board.go()
    assert "1 readings of 1 valves taken in" in board.words
    page.close()
    assert Reading.objects.get().anode_current_ma == 1.2
