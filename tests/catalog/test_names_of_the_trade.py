"""Names as they stand on glass, cartons and lists, each with the type that it is found as; from memory.

The names of one valve in several countries, services and alphabets. What is not on file must at least be understood.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from catalog.reference.designations import names_in, understood
from catalog.reference.files import read_reference
from catalog.reference.lookup import NameRegister, OnFile
from catalog.reference.scripts import normal

FOUND = """
ECC83=12AX7 12AX7/ECC83=12AX7 12AX7-A=12AX7 B339=12AX7 CV492=12AX7 M8137=6057 CV4004=6057 JAN-5751WA=5751
ECC82=12AU7 CV491=12AU7 6189=6189 12AU7WA/6189=6189 E81CC=6201 CV4024=6201 CV455=12AT7 E88CC=6922 6922/E88CC=6922
CV2492=6922 ECC88/6DJ8=6DJ8 7DJ8=PCC88 VT-231=6SN7GT CV1988=6SN7GT JAN-CRP-6SN7WGT=6SN7GT 6SN7-GTB=6SN7GTB B65=6SN7GT
6SL7WGT=6SL7GT 12SN7=12SN7GT B36=12SN7GT 6BQ5=EL84 N709=EL84 CV2975=EL84 6CA7/EL34=EL34 CV1741=EL34 6267=EF86 Z729=EF86
CV2901=EF86 KT66/CV1075=KT66 CV5220=KT88 5881=5881 6V6GT/G=6V6GT 6V6-GTA=6V6GT CV511=6V6GT 807=807 GZ34=5AR4 5AR4=5AR4
CV1377=5AR4 CV378=GZ37 U54=GZ37 6CA4=EZ81 U709=EZ81 6V4=EZ80 EZ90=6X4 6X4WA=6X4 5Y3GT/G=5Y3GT VR150/30=0D3 VR105-30=0C3
OA2=0A2 OD3=0D3 QS1207=0A2 0G3=85A2 EF95=6AK5 EB91=6AL5 D77=6AL5 EF94=6AU6 EL90=6AQ5 EC90=6C4 6005W=6005
1T4=DF91 DK91/1R5=DK91 14GW8=PCL86 6GW8=ECL86 6BM8=ECL82 QQE03/12=6360 QQV06-40A=5894 5842=417A WE417A=417A WE396A=396A
WE-300B=300B VR91=EF50 VR54=EB34 H63=6F5 6H1P=6N1P 6Н1П=6N1P 6H2n=6N2P 6H8C=6N8S 6Н8С=6N8S 6H13C=6N13S 6H23п-EB=6N23P-EV
6Н23П-ЕВ=6N23P-EV 6H1n-EB=6N1P-EV 6П3С-Е=6P3S-E 6P3C-E=6P3S-E 6p14p=6P14P 6П14П-ЕР=6P14P-ER 6C33C-B=6S33S-V 6С19П=6S19P
QV06-20=6146 6072A=6072 6DQ6=6DQ6A CV3523=6146 VT-27=30 VT-29=27 VT-42=872A
M8196=5725 CV686=0C3 5960-99-000-4024=6201 UY-227=27 UX-245=45
UZ-6C6=6C6 QQE06/40=5894 JAN-CG-6SN7W=6SN7GT 3B24W=3B24
5Ц4С=5Ts4S 6Ж1П-ЕВ=6Zh1P-EV 6J32P=6Zh32P 6Х2П=6Kh2P ГУ-50=GU-50 GU50=GU-50 ГМ70=GM-70 СГ1П=SG1P CГ2П=SG2P 6Э5П=6E5P
"""
UNDERSTOOD = """EF802 ECC230 EL503 UEL71 PL302 DAC32 NF2 E88CC-01 EL34-EH 6GM5 7054 954 310A 5A/102D 10E/92 CV2179
TT21 QS150/15 PT15 R19 30P4MR 6Zh20P 6С46Г ГУ-43 СГ15П-2 UO-186 RL12P35 18042 6E13N 5Ц12П"""


@pytest.fixture(scope="module")
def register() -> NameRegister:
    rows = read_reference(Path(__file__).parents[2] / "fixtures").types.values()
    types = {key: OnFile(row.designation) for key, row in enumerate(rows)}
    names = {normal(alias.designation): key for key, row in enumerate(rows) for alias in row.aliases}
    own = {normal(row.designation): key for key, row in enumerate(rows)}
    return NameRegister(types, {**names, **own}, frozenset([frozenset((own["6005"], own["6AQ5"]))]))


def test_names_of_every_kind_lead_to_the_type_that_they_mean(register: NameRegister) -> None:
    wrong = []
    for row in FOUND.split():
        name, _, wanted = row.partition("=")
        found, meant = register.find(name), register.find(wanted)
        if not found or not meant or found.key != meant.key:
            wrong.append((name, wanted, found and register.types[found.key].designation))
    assert wrong == []


def test_two_names_of_one_valve_in_two_qualities_are_the_first_and_of_two_valves_are_none(
    register: NameRegister,
) -> None:
    found = register.find("EL90/6005")
    assert found and register.types[found.key].designation == "6AQ5"
    assert "6005 is a type of its own, the same inside" in found.why
    assert register.find("KT88/EL34") is None


@pytest.mark.parametrize("name", UNDERSTOOD.split())
def test_what_is_not_on_file_is_understood_by_its_system(name: str) -> None:
    assert all(understood(one).parts for one in names_in(name))


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("6AQ8 ECC85", "6AQ8"),
        ("6BM8-ECL82", "ECL82"),
        ("QQE06/40 / 5894", "5894"),
        ("QQE03/12=6360", "6360"),
        ("PCL82 / 16A8", "PCL82"),
        ("USA 5U4G", "5U4G"),
    ],
)
def test_two_names_side_by_side_are_both_read(register: NameRegister, text: str, wanted: str) -> None:
    found = register.find(text)
    assert found and register.types[found.key].designation == wanted


@pytest.mark.parametrize(
    "name", ["ED8000", "EC8020", "ЭМ-4", "6K11B", "1P5B", "6Ж9Г", "VT52", "VT255", "6J8", "EL509/519"]
)
def test_a_name_that_only_resembles_one_on_file_leads_to_none(register: NameRegister, name: str) -> None:
    """ED8000 is no 8000, ЭМ-4 an electrometer valve and no EM4, 6K11B a subminiature pentode and no triple triode."""
    assert register.find(name) is None


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("DH77", "British"),
        ("PEN45DD", "British"),
        ("RENS1834", "screen grid, heated from the mains"),
        ("ZM1230", "digit indicator"),
        ("YL1240", "tetrode or pentode"),
        ("2C46", "triode"),
        ("4CX800A", "ceramic"),
        ("450TH", "high mu"),
        ("6F13", "pentode"),
        ("6F13", "6.3 V heater"),
        ("PL260", "thyratron"),
        ("UX-852", "four pins"),
        ("6J20P", "pentode with a short grid base"),
        ("12AX7EH", "a maker's own suffix"),
        ("ЭМ-7", "electrometer"),
        ("ИВ-6", "fluorescent"),
        ("EC8020", "triode"),
        ("RV2,4P700", "German"),
    ],
)
def test_what_a_name_outside_the_great_systems_says_is_true(name: str, meant: str) -> None:
    told = [understood(one) for one in names_in(name)]
    assert any(meant in one.system or any(meant in part.meaning for part in one.parts) for one in told), told


@pytest.mark.parametrize("name", ["AB123X", "WE555555", "QZ5", "K81234", "nnn", "6nn"])
def test_letters_before_a_number_make_no_name_of_what_is_none(register: NameRegister, name: str) -> None:
    assert register.find(name) is None
