"""A list in any of the usual encodings is read as it was written, or as somebody says that it was written."""

from __future__ import annotations

import pytest

from stockroom.files.cells import written
from stockroom.files.reading import read_tables
from stockroom.files.tables import ENCODINGS, NotATable
from stockroom.receiving.list_layout import LISTS

RUSSIAN = "Тип;Количество;Состояние\n6П1П-ЕВ;10;новый\n6Н2П;5;б/у\n"
RUSSIAN_BENEATH = "Type;Qty;Maker\n6P1P;10;Медный Ключ\n6N2P;5;Заречье\n"
POLISH = "Typ;Ilość;Stan\nEL84;5;używany, sprawny\nECC83;4;zużyty\n"
CZECH = "Typ;Počet;Výrobce\nEL84;5;Modřínová dílna\nECC83;4;Žlutá věž\n"
GERMAN = "Röhre;Stück;Zustand\nEL84;5;gebraucht, geprüft\n"
FRENCH = "référence;quantité;état;prix\nEL84;5;usagé;€ 3,50\n"


def first_table(data: bytes, encoding: str = "") -> list[list[str]]:
    (table,) = read_tables(data, "list.csv", encoding, LISTS.headings.knows)
    return [[written(cell) for cell in row.cells] for row in table.rows]


def as_written(text: str) -> list[list[str]]:
    return [line.split(";") for line in text.splitlines()]


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        *((RUSSIAN, name) for name in ("cp1251", "koi8-r", "iso8859-5", "cp866", "utf-8", "utf-16")),
        ("ТИП;ШТ\n6П1П;5\n", "koi8-r"),  # capitals alone: another encoding makes small letters of them
        *((RUSSIAN_BENEATH, name) for name in ("cp1251", "koi8-r", "cp866")),
        (POLISH, "cp1250"),
        (CZECH, "cp1250"),
        (GERMAN, "cp1252"),
        (GERMAN, "iso8859-1"),
        (FRENCH, "cp1252"),
        ("Type;Qty\nEL84;5\n", "ascii"),
        ("serial;Ia [mA];gm [µmho]\n10000012;1,2;1600\n", "cp1252"),
    ],
)
def test_the_encoding_is_guessed_from_headings_and_from_words_that_nobody_writes(text: str, encoding: str) -> None:
    assert first_table(text.encode(encoding)) == as_written(text)


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        (GERMAN, "cp850"),
        (GERMAN, "mac-roman"),
        (CZECH, "iso8859-2"),
        (CZECH, "cp852"),
        (FRENCH, "iso8859-15"),
        ("Τύπος;Ποσότητα\nEL84;5\n", "cp1253"),
        ("Τύπος;Ποσότητα\nEL84;5\n", "iso8859-7"),
        ("Лампа;Кількість\n6П1П;5\n", "koi8-u"),
        ("Tür;Sayı\nEL84;5 ığş\n", "cp1254"),
        ("Tips;Skaits\nEL84;5 ķļņ\n", "cp1257"),
        ("型式;数量\nEL84;5\n", "shift-jis"),
        ("型号;数量\nEL84;5\n", "gb18030"),
    ],
)
def test_whoever_knows_the_encoding_can_say_it(text: str, encoding: str) -> None:
    assert first_table(text.encode(encoding), encoding) == as_written(text)


def test_every_encoding_that_can_be_chosen_reads_plain_letters() -> None:
    for name in ENCODINGS:
        assert first_table("Type;Qty\nEL84;5\n".encode(name), name)[1] == ["EL84", "5"], name


def test_bytes_that_an_encoding_cannot_have_are_refused_by_its_name() -> None:
    with pytest.raises(NotATable, match=r"not text in UTF-8\. Choose another"):
        first_table(RUSSIAN.encode("cp1251"), "utf-8")
    with pytest.raises(NotATable, match=r"not text in Shift JIS, Japanese"):
        first_table(b"Type;Qty\n\x80\xff;5\n", "shift-jis")


def test_how_it_was_read_is_said() -> None:
    (table,) = read_tables(RUSSIAN.encode("cp1251"), "list.csv", known=LISTS.headings.knows)
    assert table.how == "Windows-1251, Cyrillic, separated by semicolons"
