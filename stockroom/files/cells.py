"""Text in a cell of a CSV file that no spreadsheet runs as a formula, and the same text back.

    defused     the text with a backslash in front where a spreadsheet would take it for a formula
    restored    the text without that backslash

A text that begins with a backslash gets one more, so that every text comes back as it was; spaces in front do not
count, as some readers drop them. Which beginnings are formulas: OWASP's page “CSV Injection”, from memory; a text that
is a plain number is left as it is.
"""

import re

STARTS = "=+-@\t\r\n＝＋－＠"
_GUARDED = re.compile(rf" *[{re.escape(STARTS)}\\]")
_NUMBER = re.compile(r"[-+][0-9]+(?:[.,][0-9]+)?")


def defused(text: str) -> str:
    """
    >>> [defused(text) for text in ("=1+1", "-1.5", "tall boxes")] == ["\\\\=1+1", "-1.5", "tall boxes"]
    True
    """
    return f"\\{text}" if _GUARDED.match(text) and not _NUMBER.fullmatch(text) else text


def restored(cell: str) -> str:
    """
    >>> restored("\\\\=1+1"), restored("-1.5"), restored("tall boxes")
    ('=1+1', '-1.5', 'tall boxes')
    """
    return cell[1:] if cell.startswith("\\") and _GUARDED.match(cell, 1) else cell
