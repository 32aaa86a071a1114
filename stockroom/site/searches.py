"""What the public looked for and did not find, kept beside the pages.

No page view writes to the database. Like a web server's own log of what was asked of it, a line is added to a file; the
owner's desk counts the lines when it is worked out and takes the file away. A line holds the day and the words, nothing
of who asked. The file takes so many lines and no more until then, so that a robot cannot fill the disk; what comes
after is not counted, and the desk says so.
"""

from __future__ import annotations

import json
import logging
import os
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import NamedTuple

from django.conf import settings
from django.utils import timezone

log = logging.getLogger(__name__)

MOST_BYTES = 200_000  # some three thousand searches
LONGEST = 40  # of the words; no type's name is longer


class Looked(NamedTuple):
    on: date
    words: str


def _path() -> Path:
    return Path(settings.MEDIA_ROOT) / "searches-without-result.jsonl"


def found_nothing(words: str) -> None:
    """Somebody of the public looked for this. A page is not refused because its search could not be noted."""
    words = " ".join(words.split())[:LONGEST]
    if not words:
        return
    line = json.dumps({"on": timezone.localdate().isoformat(), "words": words}, ensure_ascii=False) + "\n"
    path = _path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # A short line added to a file's end goes there whole, whoever else adds one.
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            if os.fstat(handle).st_size < MOST_BYTES:
                os.write(handle, line.encode())
        finally:
            os.close(handle)
    except OSError as problem:
        log.warning("A search without result was not noted: %s", problem)


def _taken() -> Path:
    return _path().with_suffix(".taken")


def take() -> tuple[Counter[Looked], bool]:
    """What was noted, and whether the file was full. It is kept aside until `done`, for who is interrupted."""
    taken = _taken()
    if not taken.exists():
        if not _path().exists():
            return Counter(), False
        _path().rename(taken)
    return Counter(_lines(taken)), taken.stat().st_size >= MOST_BYTES


def _lines(path: Path) -> Iterator[Looked]:
    with path.open(encoding="utf-8", errors="replace") as file:
        for line in file:
            try:
                row = json.loads(line)
                yield Looked(date.fromisoformat(row["on"]), str(row["words"])[:LONGEST])
            except (ValueError, KeyError, TypeError):
                log.warning("A line of %s is damaged and left out.", path.name)


def done() -> None:
    """What was taken is kept elsewhere now."""
    _taken().unlink(missing_ok=True)
