"""Describing a position, keeping it, and asking what runs in it: pages, stock, the scan box and paper."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client

from catalog.fitting import sheet_of
from catalog.models import KeptPosition, ValveType
from grading.listings import publishing
from grading.sockets.finding import question_of
from grading.sockets.stock import in_stock, nearest
from stockroom.models import Entry
from stockroom.site.people import Role
from tests.catalog.known import examples
from tests.factories import graded, make_policy, make_type, make_user, make_valves
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db

LINE_STAGE = "Line stage with a 12AU7, 300 V, 47 kΩ"


def table(page: str, name: str) -> str:
    """What stands between this table's heading and the next."""
    begins = page.index(f"<h2>{name} (")
    ends = page.find('<details class="answers"', begins)
    return page[begins : ends if ends > 0 else len(page)]


@pytest.fixture
def client(reference: None, logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.SALES)


def answer(client: Client, name: str = LINE_STAGE, query: str = "") -> str:
    kept = KeptPosition.objects.get(name=name)
    return client.get(f"/sockets/{kept.pk}/{query}").content.decode()


@pytest.mark.parametrize("role", ["stabiliser", "rectifier", "cathode follower", "cathode-coupled driver"])
def test_an_example_of_a_role_is_answered_in_three_tables_with_its_caution(client: Client, role: str) -> None:
    for kept in KeptPosition.objects.filter(is_example=True, role=role)[:1]:
        page = client.get(kept.get_absolute_url()).content.decode()
        for name in ("Drops in", "Works with the change named", "Does not"):
            assert table(page, name), kept
        assert "Lethal voltages" in page and "capacitors" in page


def test_each_candidate_is_in_the_table_it_belongs_to(client: Client) -> None:
    page = answer(client)
    assert ">12BH7A</a>" in table(page, "Drops in")
    changed = table(page, "Works with the change named")
    assert ">6CG7</a>" in changed and "heater switched from 12.6 V to 6.3 V" in changed
    assert ">5687</a>" in table(page, "Does not")


def test_an_adapter_brings_other_bases_and_is_named(client: Client) -> None:
    changed = table(answer(client), "Works by an adapter, none in house")
    assert "6SN7GT" in changed and "an adapter, from its base" in changed


def test_one_in_full_has_its_sentence_margins_curves_and_residuals(client: Client) -> None:
    page = answer(client, query="?with=12bh7")
    for part in (
        "Does the 12BH7A go where the 12AU7 was?",
        "Yes, it drops in",
        "To spare",
        "Second harmonic",
        "Output resistance",
        "<svg",
        'id="curves-title"',
        "nothing may rest above it",
        "How well these curves meet the sheet",
    ):
        assert part in page, part


def test_an_unknown_name_is_told_and_the_tables_stay(client: Client) -> None:
    page = answer(client, query="?with=QQ99")
    assert "No valve type is called “QQ99”" in page
    assert table(page, "Drops in")


def test_without_a_position_the_page_says_less_and_says_so(client: Client) -> None:
    page = client.get("/sockets/of/GZ34/").content.decode()
    assert "Nobody described a set" in page
    assert "not unless your set asks less than 125 mA" in table(page, "Not unless your set asks less")
    assert client.get("/sockets/of/5AR4/")["Location"].endswith("/sockets/of/GZ34/")
    assert client.get("/sockets/of/NOSUCH/").status_code == 404


def test_every_type_page_leads_to_its_socket(client: Client) -> None:
    assert "/sockets/of/12AX7/" in client.get("/types/12AX7/").content.decode()
    for name in ("0A2", "EM84", "ECL82", "6AV6", "ECH81"):
        assert client.get(f"/sockets/of/{name}/").status_code == 200, name


# --- does one go where the other was ---------------------------------------------------------------------------------


def test_one_question_gets_one_sentence_and_each_position_its_own(client: Client) -> None:
    page = client.get("/sockets/ask/?other=6CG7&type=ECC82").content.decode()
    assert "Does the 6CG7 go where the 12AU7 was?" in page
    assert page.count('<ul class="messages">') == 1
    assert LINE_STAGE in page and "Yes, with a change: heater switched" in page


@pytest.mark.parametrize(
    "typed",
    [
        "6CG7 in 12AU7",
        "does a 6CG7 go in a 12AU7?",
        "Does 6cg7 go into ECC82",
        "12AU7 > 6CG7",
        "6CG7 for a 12AU7",
        "ECC82→6CG7",
    ],
)
def test_the_scan_box_takes_the_question(client: Client, typed: str) -> None:
    assert client.get("/find/", {"q": typed})["Location"] == "/sockets/ask/?type=12AU7&other=6CG7"


@pytest.mark.parametrize("typed", ["12AU7", "L0001/2", "10000012", "shelf in cellar", "6CG7 in nothing", ""])
def test_the_scan_box_leaves_other_words_alone(client: Client, typed: str) -> None:
    assert question_of(typed) is None


# --- describing a position -------------------------------------------------------------------------------------------

DESCRIBED = {
    "name": "Phono stage of the blue amplifier",
    "note": "",
    "supply_v": "280",
    "load": "resistor",
    "load_kohm": "100",
    "cathode_resistor_ohm": "1500",
    "bypassed": "on",
    "next_grid_kohm": "1000",
    "section": "1",
    "sections_at_work": "2",
    "heater_voltage_v": "6.3",
    "heater_wiring": "parallel",
    "heater_spare_a": "0.2",
}
NEW = "/sockets/new/?type=12AX7&role=common+cathode"


def test_a_position_is_described_once_and_kept(client: Client) -> None:
    begin = client.get("/sockets/", {"type": "ECC83", "role": "common cathode"})
    assert begin["Location"] == NEW
    done = client.post(NEW, DESCRIBED)
    kept = KeptPosition.objects.get(name=DESCRIBED["name"])
    assert done["Location"] == kept.get_absolute_url()
    assert (kept.position.supply_v, kept.position.heater.wiring) == (280, "parallel")
    assert Entry.objects.filter(action="position").exists()
    assert DESCRIBED["name"] in client.get("/sockets/").content.decode()
    changed = client.post(f"/sockets/{kept.pk}/change/", {**DESCRIBED, "supply_v": "300"})
    assert changed.status_code == 302
    kept.refresh_from_db()
    assert kept.position.supply_v == 300
    client.post(f"/sockets/{kept.pk}/forget/")
    assert not KeptPosition.objects.filter(pk=kept.pk).exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"supply_v": "many"}, "“many” is not a number"),
        ({"load_kohm": ""}, "How large is the load?"),
        ({"cathode_resistor_ohm": ""}, "Give a cathode resistor"),
        ({"section": "3"}, "has 2 sections"),
        ({"name": LINE_STAGE}, "called"),
        ({"cathode_resistor_ohm": "", "grid_v": "-60"}, "not even the 12AX7 works: 12AX7: the valve is cut off here"),
    ],
)
def test_a_bad_description_is_told_what_and_nothing_typed_is_lost(
    client: Client, change: dict[str, str], words: str
) -> None:
    page = client.post(NEW, {**DESCRIBED, **change}).content.decode()
    assert words in page
    assert 'value="1000"' in page


def test_a_role_that_the_type_cannot_play_is_refused(client: Client) -> None:
    page = client.get("/sockets/", {"type": "GZ34", "role": "common cathode"}).content.decode()
    assert "The GZ34 is a rectifier; it cannot do this." in page


@pytest.mark.parametrize("role", ["rectifier", "stabiliser", "push-pull class AB"])
def test_each_role_asks_its_own(client: Client, role: str) -> None:
    fields = {
        "rectifier": {"rms_v": "300", "source_ohm": "120", "load_ma": "100", "anodes": "2", "mains_hz": "50.0"},
        "stabiliser": {"supply_v": "250", "series_resistor_kohm": "4.7", "load_ma": "5"},
        "push-pull class AB": {
            "supply_v": "420",
            "load": "transformer",
            "load_kohm": "3.4",
            "grid_v": "-33",
            "screen": "pentode",
            "screen_supply_v": "400",
        },
    }[role]
    type_ = {"rectifier": "GZ34", "stabiliser": "0A2", "push-pull class AB": "EL34"}[role]
    told = {"name": f"Ours: {role}", "heater_wiring": "across", **fields}
    done = client.post(f"/sockets/new/?type={type_}&role={role.replace(' ', '+')}", told)
    kept = KeptPosition.objects.get(name=f"Ours: {role}")
    assert done.status_code == 302
    assert client.get(kept.get_absolute_url()).status_code == 200
    assert client.get(f"/sockets/{kept.pk}/change/").status_code == 200


def test_an_example_is_kept_as_ones_own_and_stays_itself(client: Client) -> None:
    example = KeptPosition.objects.get(name=LINE_STAGE)
    form = client.get(f"/sockets/{example.pk}/change/").context["form"]
    values = {name: value for name, value in form.initial.items() if value not in (None, False)}
    client.post(f"/sockets/{example.pk}/change/", {**values, "supply_v": 250})
    mine = KeptPosition.objects.get(name=f"{LINE_STAGE} (ours)")
    assert mine.position.supply_v == 250 and not mine.is_example
    assert KeptPosition.objects.get(pk=example.pk).position == examples()[LINE_STAGE]
    assert client.post(f"/sockets/{example.pk}/forget/").status_code == 404


# --- in stock first --------------------------------------------------------------------------------------------------


def make_stock(designation: str, *currents: float) -> list[Any]:
    make_policy()
    type_ = ValveType.objects.filter(designation=designation).first() or make_type(designation)
    valves = make_valves(type_, len(currents))
    point = type_.sections.all()[0].test_point
    assert point is not None
    for valve, share in zip(valves, currents, strict=True):
        graded(valve, ia=point.anode_current_ma * share, gm=(point.gm_ma_per_v or 1) * share)
    return valves


def test_what_is_in_stock_stands_first_by_grade_and_price(client: Client) -> None:
    valves = make_stock("6189", 1.0, 1.01, 0.99)
    publishing.publish(valves[:1], "A 6189", "", Decimal("18.50"), "GBP", make_user())
    page = answer(client)
    drops = table(page, "Drops in") if ">6189</a>" in table(page, "Drops in") else table(page, "Cannot say")
    assert drops.index(">6189</a>") == drops.index("?with=") + len('?with=6189#full"')
    stock = in_stock([valves[0].type_id])[valves[0].type_id]
    assert stock.total == 3
    assert "GBP" in stock.in_words and "18.50" in stock.in_words
    assert stock.in_words in page.replace("&nbsp;", "\N{NO-BREAK SPACE}")


def test_a_valve_that_somebody_has_is_not_in_stock(client: Client) -> None:
    valves = make_stock("6189", 1.0, 1.0)
    valves[0].state = "despatched"
    valves[0].save()
    assert in_stock([valves[0].type_id])[valves[0].type_id].total == 1


def test_the_pair_nearest_together_is_found_at_the_positions_own_point(reference: None) -> None:
    valves = make_stock("12BH7A", 0.90, 1.10, 1.00, 1.11)
    type_ = ValveType.objects.with_all().get(designation="12BH7A")
    found = nearest(type_, sheet_of(type_), 1, examples()[LINE_STAGE], 2)
    assert found is not None
    assert {valve.pk for valve in found.valves} == {valves[1].pk, valves[3].pk}
    assert 0 < found.spread < 0.02
    assert nearest(type_, sheet_of(type_), 1, examples()[LINE_STAGE], 5) is None


def test_one_valves_own_readings_take_the_place_of_its_types(client: Client) -> None:
    strong = make_stock("12BH7A", 1.3)[0]
    own = answer(client, query=f"?with={strong.serial}")
    of_type = answer(client, query="?with=12BH7A")
    assert f"Does {strong.serial} go where the 12AU7 was?" in own
    told = [page[page.index("<td>Anode current</td>") :][:200] for page in (own, of_type)]
    assert told[0] != told[1]


# --- on paper --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("query", ["?paper=1", "?paper=1&with=12BH7A", "?paper=1&with=6CG7"])
def test_the_answer_prints_on_one_sheet_with_its_caution(client: Client, query: str) -> None:
    kept = KeptPosition.objects.get(name=LINE_STAGE)
    done = client.get(f"/sockets/{kept.pk}/{query}")
    assert done["Content-Type"] == "application/pdf"
    pages = read_pdf(done.content)
    assert len(pages) == 1
    assert "Lethal voltages" in pages[0] and LINE_STAGE in pages[0]
