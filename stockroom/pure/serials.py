"""Serial numbers: how they are formed, and how they are read back from a scanner or a hand.

A serial is eight digits: a running number and a check digit. Digits alone make the shortest Code 128, and
the check digit (Damm's quasigroup, through python-stdnum) catches every single wrong digit and every swap
of two neighbours.
"""

import re

from stdnum import damm

from stockroom.pure.refused import Refused

DIGITS = 8
FIRST = 1_000_000  # so that every serial has all its digits


class BadSerial(Refused):
    """Not a serial of ours. The message says why."""


def serial(number: int) -> str:
    """The serial of the `number`-th valve, counted from 1.

    >>> serial(1)
    '10000012'
    """
    body = str(FIRST + number)
    if number < 1 or len(body) != DIGITS - 1:
        raise ValueError(f"There is no serial for number {number}.")
    return body + damm.calc_check_digit(body)


def read_serial(text: str) -> str:
    """The serial in a scan: eight digits, with spaces or a page address around them.

    >>> read_serial(" 1000 0012 "), read_serial("https://shop.example/valves/10000012/")
    ('10000012', '10000012')
    """
    scanned = text.strip()
    address = re.search(r"/valves/(\d+)/?$", scanned)
    digits = address.group(1) if address else re.sub(r"[\s.-]", "", scanned)
    if not digits:
        raise BadSerial("Nothing was scanned. Scan a label or type its eight digits.")
    if not re.fullmatch(r"[0-9]+", digits):
        raise BadSerial(f"“{scanned}” is not a serial: a serial is {DIGITS} digits.")
    if len(digits) != DIGITS:
        raise BadSerial(f"“{scanned}” has {len(digits)} digits; a serial has {DIGITS}.")
    if not damm.is_valid(digits):
        raise BadSerial(f"“{scanned}” has a wrong digit or two digits swapped: its check digit does not agree.")
    return digits
