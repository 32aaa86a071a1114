"""A name is read by the grammar of its system; what is only near is offered with what differs."""

from __future__ import annotations

import pytest

from catalog.reference.designations import names_in, understood
from catalog.reference.lookup import NameRegister, OnFile
from catalog.reference.scripts import as_it_looks, normal
from catalog.reference.vocabulary import BASES
from tests.reference import the_reference

OURS = the_reference()


# A shop that knows these and no others, so that what is near stays the same whatever types are added.
SOME = (
    "12AX7 12AU7 12AT7 12AV7 12AY7 6DJ8 6922 6SN7GT 6SL7GT 6V6GT 6L6G 5881 6550 6080 6AU6 6X4 EL34 EL84 EL86 7320 EF80 "
    "EF85 EF86 EF183 ECF80 ECL82 EZ80 EZ81 0A2 0C3 0D3 30 85A2 807 6N1P 6N2P 6N6P 6N23P 6N23P-EV 6P1P 6P3S 6P3S-E 6P6S "
    "5Ts3S 5Ts4S 6Ts5S 6Zh1P"
)


def _on_file() -> NameRegister:
    types, names = {}, {}
    for key, type_ in enumerate(OURS.types[name] for name in SOME.split()):
        base = OURS.basings[type_.basing].base
        heaters = tuple((float(heater.voltage_v), float(heater.current_a)) for heater in type_.heaters)
        types[key] = OnFile(type_.designation, heaters, base, BASES[base].label)
        names |= {normal(name): key for name in (type_.designation, *(alias.designation for alias in type_.aliases))}
    return NameRegister(types, names)


REGISTER = _on_file()


def found(text: str) -> str | None:
    one = REGISTER.find(text)
    return one and REGISTER.types[one.key].designation


@pytest.mark.parametrize(
    ("written", "designation"),
    [
        ("12AX7/ECC83", "12AX7"),
        ("ECC83 = 12AX7", "12AX7"),
        ("6922/E88CC", "6922"),
        ("6V6GT/G", "6V6GT"),
        ("6L6WGB/5881", "5881"),
        ("JAN-CRP-6SN7WGT", "6SN7GT"),
        ("VR105/30", "0C3"),
        ("OA2", "0A2"),
        ("6O80", "6080"),
        ("I2AX7", "12AX7"),
        ("ЕСС83", "12AX7"),
        ("6Н23П-ЕВ", "6N23P-EV"),
        ("6H23P-EB", "6N23P-EV"),
        ("6H1P", "6N1P"),
        ("6P3C-E", "6P3S-E"),
        ("6P6C", "6P6S"),
        ("5C3S", "5Ts3S"),
        ("5Z4S", "5Ts4S"),
        ("6J1P", "6Zh1P"),
        ("6SN7W", "6SN7GT"),
        ("6X4W", "6X4"),
        ("6П1П-ЕВ", "6P1P"),
    ],
)
def test_a_name_is_found_however_it_is_written(written: str, designation: str) -> None:
    assert found(written) == designation


@pytest.mark.parametrize(
    "written",
    ["PL84", "PCC88", "UCL82", "12AX7/12AU7", "6080A", "6N6P-I", "EL84M", "E83CC/E88CC", "6N99P", "", "-", "hello"],
)
def test_what_another_valve_may_be_is_never_taken_for_one_on_file(written: str) -> None:
    assert found(written) is None


@pytest.mark.parametrize(
    ("written", "first", "says"),
    [
        ("PL84", "EL84", "another heater: 6.3 V 0.76 A, the name says 300 mA in series"),
        ("UF80", "EF80", "another heater: 6.3 V 0.3 A, the name says 100 mA in series"),
        ("8SN7GT", "6SN7GT", "another heater: 6.3 V 0.6 A, the name says 8 V"),
        ("EL34B", "EL34", "a maker's own suffix"),
        ("6080A", "6080", "replaces the earlier ones, which may not replace it"),
        ("6N6P-I", "6N6P", "for pulses"),
        ("6P1P-I", "6P1P", "for pulses"),
    ],
)
def test_what_is_near_comes_with_what_differs(written: str, first: str, says: str) -> None:
    offers = [(offer.designation, offer.why) for offer in REGISTER.near(written)]
    assert offers[0][0] == first and says in offers[0][1], offers


def test_no_offer_hides_another_heater_or_base() -> None:
    """Every European name known here, asked for with each other heater letter."""
    for name in [name for name in REGISTER.names if understood(name).system == "European" and name[0] == "E"]:
        for letter in "PUHX":
            asked = letter + name[1:]
            for offer in [] if asked in REGISTER.names else REGISTER.near(asked, 20):
                same_letter = any(other.startswith(letter) for other, key in REGISTER.names.items() if key == offer.key)
                assert same_letter or "another heater" in offer.why or not REGISTER.types[offer.key].heaters, (
                    asked,
                    offer,
                )


def test_a_number_that_tells_another_base_is_said() -> None:
    """The 40s are rimlock, the 80s noval (from memory)."""
    offers = {offer.designation: offer.why for offer in REGISTER.near("EF45", 20)}
    assert "another base: noval" in offers["EF85"]


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("12AX7WA", {"12": "about 12 V", "7": "useful elements", "WA": "ruggedised"}),
        ("6SN7WGTA", {"W": "ruggedised", "GT": "tubular", "A": "second version"}),
        ("PCC88", {"P": "300 mA", "C": "triode", "88": "noval"}),
        ("E88CC", {"E": "6.3 V", "88": "special quality"}),
        ("6Н23П-ЕВ", {"6": "about 6 V", "N": "double triode", "P": "miniature", "EV": "long life"}),
        ("5Ц4С", {"TS": "rectifier", "S": "octal"}),
        ("85A2", {"85": "holds 85 V"}),
        ("CV4004", {"CV4004": "register"}),
        ("D3a", {"D3A": "register"}),
        ("6922", {"6922": "order of registration"}),
    ],
)
def test_a_name_says_what_each_part_was_taken_for(name: str, parts: dict[str, str]) -> None:
    said = {part.text: part.meaning for part in understood(name).parts}
    assert all(meaning in said[text] for text, meaning in parts.items()), said


@pytest.mark.parametrize(
    ("name", "system"),
    [
        ("KT88", "number of a British maker's own series"),
        ("VT-231", "American service number (or an older British one)"),
        ("M8137", "British long-life number"),
        ("RV12P2000", "German service number"),
        ("C3m", "number of a telephone administration"),
        ("ГУ-50", "eastern transmitting number"),
        ("6N16B", "eastern"),
        ("2A3", "American"),
        ("UCL82", "European"),
        ("xyz", ""),
    ],
)
def test_the_system_of_a_name_is_told(name: str, system: str) -> None:
    assert understood(name).system == system


def test_every_name_on_file_but_a_few_follows_a_system() -> None:
    lost = [name for name in REGISTER.names if not understood(name).system]
    assert len(lost) < 0.05 * len(REGISTER.names), lost


def test_every_letter_of_the_cyrillic_alphabet_has_a_latin_one() -> None:
    assert normal("АБВГДЕЁЖЗИЙКЛМНОПРСТУФХЦЧШЩЪЫЬЭЮЯабвгдеёжзийклмнопрстуфхцчшщъыьэюяІЇЄҐ").isascii()
    assert as_it_looks("АВЕКМНОРСТХ") == "ABEKMHOPCTX"


def test_two_names_in_one_are_told_apart_from_one_name_with_a_stroke() -> None:
    assert names_in("12AX7/ECC83") == ("12AX7", "ECC83")
    assert names_in("EF91 (6AM6)") == ("EF91", "6AM6")
    assert names_in("VR150/30") == ("VR150/30",)
