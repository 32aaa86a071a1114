"""Keys in portions that every database takes in one question."""

from __future__ import annotations

from collections.abc import Collection, Iterator

CHUNK = 500  # SQLite takes a limited number of values in one IN


def chunked(keys: Collection[int]) -> Iterator[list[int]]:
    ordered = list(keys)
    for start in range(0, len(ordered), CHUNK):
        yield ordered[start : start + CHUNK]
