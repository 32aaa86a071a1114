"""One table of a reference file, read key by key; a fault says where it stands."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from decimal import Decimal

from catalog.reference.rows import ReferenceProblem


class RowReader:
    """A TOML table being read. It remembers where it stands and which of its keys nobody has asked for.

    A sparse one is a shop's own, of a type of which little is known: what is missing is not asked for.
    """

    def __init__(self, where: str, table: object, sparse: bool = False) -> None:
        self.where, self.sparse = where, sparse
        if not isinstance(table, dict):
            raise ReferenceProblem(f"{where}: a table was expected, not {table!r}")
        self.table = table
        self._left = dict(table)

    def problem(self, key: str, what: str) -> ReferenceProblem:
        return ReferenceProblem(f"{self.where}: {key}: {what}")

    def finish(self) -> None:
        if self._left:
            raise self.problem(", ".join(sorted(self._left)), "not a key known here")

    def take(self, key: str) -> object:
        return self._left.pop(key, None)

    def optional_text(self, key: str) -> str:
        value = self.take(key)
        if value is None:
            return ""
        if not isinstance(value, str):
            raise self.problem(key, f"words in quotes are wanted, not {value!r}")
        return value.strip()

    def text(self, key: str) -> str:
        value = self.optional_text(key)
        if not value:
            raise self.problem(key, "missing")
        return value

    def word(self, key: str, known: Collection[str], default: str | None = None) -> str:
        value = self.optional_text(key) or default
        if value is None:
            raise self.problem(key, "missing")
        if value not in known:
            raise self.problem(key, f"“{value}” is not one of: {', '.join(sorted(known))}")
        return value

    def known_word(self, key: str, known: Collection[str]) -> str:
        """A word that a sparse table may lack."""
        return "" if self.sparse and key not in self._left else self.word(key, known)

    def flag(self, key: str) -> bool:
        value = self.take(key)
        if value is not None and not isinstance(value, bool):
            raise self.problem(key, f"true or false is wanted, not {value!r}")
        return bool(value)

    def optional_number(self, key: str) -> Decimal | None:
        value = self.take(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self.problem(key, f"a number is wanted, not {value!r}")
        number = Decimal(value)
        if not number.is_finite():
            raise self.problem(key, f"a finite number is wanted, not {value!r}")
        return number

    def optional_positive(self, key: str) -> Decimal | None:
        number = self.optional_number(key)
        if number is not None and number <= 0:
            raise self.problem(key, f"must be greater than zero, not {number}")
        return number

    def positive(self, key: str) -> Decimal:
        number = self.optional_positive(key)
        if number is None:
            raise self.problem(key, "missing")
        return number

    def nominal(self, key: str) -> Decimal | None:
        """A positive number that a sparse table may lack."""
        return self.optional_positive(key) if self.sparse else self.positive(key)

    def list(self, key: str) -> list[object]:
        value = self.take(key)
        if value is None:
            return []
        if not isinstance(value, list):
            raise self.problem(key, f"a list is wanted, not {value!r}")
        return value

    def rows(self, key: str, name: str) -> Iterator[RowReader]:
        for position, table in enumerate(self.list(key), start=1):
            yield RowReader(f"{self.where}, {name} {position}", table, self.sparse)
