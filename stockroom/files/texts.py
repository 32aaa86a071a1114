"""CSV in its many dialects: RFC 4180's, widened by semicolons, tabs or bars, any usual encoding, and our own export.

What tells the encoding: a byte-order mark; UTF-8 that is whole; then, among the older sets of 256 characters, the one
under which the most headings are words that we know and the fewest words are such as nobody writes (Latin and Cyrillic
letters in one word, capitals after small letters, a word of accented letters alone, signs inside words). Of Latin sets
that are equal in this, the language decides where charset-normalizer is sure of one, else the western set.
"""

import csv
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Callable
from itertools import islice

from charset_normalizer import from_bytes

from stockroom.files.cells import restored
from stockroom.files.tables import DELIMITERS, ENCODINGS, MAX_ROWS, Allowance, FileTable, NotATable, kept_rows, row_of

NO_VALUE = "\\N"  # in our own export
GUESSED = ("cp1252", "cp1250", "cp1251", "koi8-r", "iso8859-5", "cp866")
SURE_OF_LANGUAGE = 0.25  # of charset-normalizer's coherence, from 0 to 1; common practice, no source
SAMPLE = 20_000  # letters that the guess looks at
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1b]")
_SIGNATURES = {
    b"\x89PNG": "a picture (PNG)",
    b"\xff\xd8\xff": "a picture (JPEG)",
    b"GIF8": "a picture (GIF)",
    b"%PDF": "a PDF",
    b"\x1f\x8b": "a compressed file",
    b"7z\xbc\xaf": "a compressed file",
    b"Rar!": "a compressed file",
    b"{\\rtf": "a word processor's document",
    b"SQLite format": "a database",
    b"MZ": "a program",
    b"\x7fELF": "a program",
}


def read_text(data: bytes, suffix: str, encoding: str, known: Callable[[str], bool]) -> FileTable:
    """
    Args:
        suffix: of the file's name, without the dot.
        encoding: one of `ENCODINGS`; empty to guess it.
        known: whether a heading is one that we know.

    Raises:
        NotATable: it is something else, or not in that encoding.
    """
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise NotATable("The workbook is encrypted. Open it with its password and save it without one.")
        raise NotATable("This is an old binary workbook (.xls). Open it and save it as .xlsx or CSV.")
    for signature, what in _SIGNATURES.items():
        if data.startswith(signature):
            raise NotATable(f"This is {what}, not a table. Send the list as CSV or .xlsx.")
    encoding = encoding or guess_encoding(data, known)
    text = _decoded(data, encoding)
    if text is None:
        raise NotATable(f"The file is not text in {ENCODINGS[encoding]}. Choose another encoding.")
    if not text.strip("\ufeff \t\r\n"):
        raise NotATable("The file is empty.")
    if re.match(r"\s*<(?:!doctype|html|table|\?xml|head|body|meta)", text, re.IGNORECASE):
        raise NotATable("This is a web page or XML under another name. Open it and save it as .xlsx or CSV.")
    if suffix in ("xlsx", "xlsm", "xls", "ods"):
        raise NotATable(f"The name ends in .{suffix}, but the file is plain text. If it is CSV, call it .csv.")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    declared = re.match(r"sep=(.)\n", text)
    delimiter, records = _records(text, declared.group(1) if declared and declared.group(1) in DELIMITERS else None)
    rows = (
        row_of(number, map(_unquoted, record))
        for number, record in enumerate(records, 1)
        if not (declared and number == 1)
    )
    return FileTable("", kept_rows(rows, Allowance()), encoding, delimiter)


def guess_encoding(data: bytes, known: Callable[[str], bool]) -> str:
    """
    Raises:
        NotATable: it is text in none.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in data[:200]:
        text = _decoded(data, "utf-16")
        if text is None or not re.search(r"[\n\r;,\t|]", text):
            raise NotATable("The file is not text and not a workbook. Send the list as CSV or .xlsx.")
        return "utf-16"
    if _decoded(data, "utf-8") is not None:
        return "utf-8"
    texts = {name: text[:SAMPLE] for name in GUESSED if (text := _decoded(data, name)) is not None}
    if not texts:
        raise NotATable("The file is not text and not a workbook. Send the list as CSV or .xlsx.")
    scores = {name: (-_headings(text, known), _odd_words(text)) for name, text in texts.items()}
    best = [name for name in texts if scores[name] == min(scores.values())]
    if best[:2] == ["cp1252", "cp1250"] and texts["cp1252"] != texts["cp1250"]:
        languages = {match.encoding: match.coherence for match in from_bytes(data[:SAMPLE], cp_isolation=best[:2])}
        if languages.get("cp1250", 0) > max(SURE_OF_LANGUAGE, languages.get("cp1252", 0)):
            return "cp1250"
    return best[0]


def _decoded(data: bytes, encoding: str) -> str | None:
    if encoding == "utf-8":
        encoding = "utf-8-sig"
    elif encoding == "utf-16" and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        return None
    return None if _CONTROL.search(text) else text


def _headings(text: str, known: Callable[[str], bool]) -> int:
    """How many cells of the first lines are headings that we know and that only this encoding shows."""
    cells = re.split(r"[;,\t|\n\r]", "\n".join(text.splitlines()[:30]))
    return sum(1 for cell in cells if not cell.isascii() and known(cell.strip('" ')))


def _odd_words(text: str) -> int:
    """How many words, of those with more than plain letters, are such as nobody writes."""
    return sum(1 for word in re.findall(r"[^\s;,\t|\"']+", text) if not word.isascii() and _is_odd(word))


def _is_odd(word: str) -> bool:
    """
    >>> [_is_odd(word) for word in ("Röhre", "Rцhre", "Тип", "рХО", "Òèï", "miesi¹c", "µA", "€3")]
    [False, True, False, True, True, True, False, False]
    """
    if re.search(r"[^\W\d_][^\w\s!-~’–—·№µ°]+[^\W\d_]", word) or re.search(r"[\x80-\x9f\u2500-\u259f]", word):
        return True
    for letters in re.findall(r"[^\W\d_]+", word):
        foreign = [letter for letter in letters if letter not in "µΩΔ" and not letter.isascii()]
        scripts = {unicodedata.name(letter, "?").split()[0] for letter in letters if letter not in "µΩΔªº"}
        if len(scripts) > 1 or not (letters.isupper() or letters.islower() or letters[1:].islower()):
            return bool(foreign)
        if scripts == {"LATIN"} and len(letters) > 2 and len(foreign) == len(letters):
            return True
    return False


def _records(text: str, declared: str | None) -> tuple[str, list[list[str]]]:
    """The delimiter under which the most rows agree on how many columns there are, and the records."""
    best: tuple[int, str, list[list[str]]] | None = None
    broken = ""
    for delimiter in [declared] if declared else DELIMITERS:
        try:
            lines = io.StringIO(text, newline="")
            reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=delimiter != "\t", strict=True)
            records = list(islice(reader, 4 * MAX_ROWS))
        except csv.Error as error:
            broken = str(error)
            continue
        widths = Counter(len(record) for record in records if any(cell.strip() for cell in record))
        width, agreeing = max(widths.items(), key=lambda item: (item[0] > 1, item[1], item[0]), default=(0, 0))
        score = agreeing * (width - 1)
        if best is None or score > best[0]:
            best = (score, delimiter, records)
    if best is None or (not best[0] and broken):
        raise NotATable(f"A cell does not end where it should ({broken}). Look for a stray quotation mark.")
    return best[1:]


def _unquoted(cell: str) -> str:
    """Without the ="…" that keeps a spreadsheet from rewriting a number, and without the marks of our own export."""
    text = cell.strip()
    found = re.fullmatch(r"=\"(.*)\"", text)
    if found:
        return found.group(1)
    return "" if text == NO_VALUE else restored(cell).strip()
