"""Files of rows from upload to import, whatever their rows are: kept, read once, laid out, remembered.

A kind of file (a supplier's list, a tester's readings) is an `ImportKind`. Its rows are then looked over and taken in
by the room that knows what they mean: all of them, or none.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Generic, TypeVar

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from stockroom.files.layouts import FileChoices, Headings, Layout, columns_to_remember, first_choices
from stockroom.files.reading import read_tables
from stockroom.files.tables import FileTable, packed, unpacked
from stockroom.models.imports import KeptFile, RememberedColumns
from stockroom.pure.refused import Refused

KEPT_FOR = timedelta(days=7)  # a file that nobody imported

F = TypeVar("F", bound=KeptFile)


class ImportProblem(Refused):
    """The file is not imported; the message says why."""


class NotReady(ImportProblem):
    """There are faults, words that are not known, or doubts that nobody has answered."""


class ImportedBefore(ImportProblem):
    """The file, or its very like, was imported already."""


class ImportKind(Generic[F]):
    """One kind of file: what its columns can hold, what is chosen of it, whose memory of columns it uses."""

    headings: Headings
    choices_class: type[FileChoices] = FileChoices

    def memory(self, file: F) -> RememberedColumns:
        """Of the file's sender; a row not stored yet where nothing is remembered."""
        raise NotImplementedError

    def start(self, file: F, memory: RememberedColumns) -> FileChoices:
        """What is remembered beside the columns."""
        return self.choices_class(mark=memory.decimal_mark)

    def keep(self, file: F, waiting: QuerySet[F]) -> F:
        """Read the new file and keep it. One just like it among those `waiting` is taken up again.

        Raises:
            NotATable: it cannot be read as a table.
        """
        file.name, file.sha256 = file.name[-200:], digest(bytes(file.data))
        file.choices = self.first_choices(file).kept()
        with transaction.atomic():
            type(file)._default_manager.filter(imported_at=None, uploaded_at__lt=timezone.now() - KEPT_FOR).delete()
            before = waiting.filter(sha256=file.sha256, imported_at=None).first()
            if before:
                return before
            file.save()
        return file

    def tables(self, file: F) -> Sequence[FileTable]:
        """As read when it came; read once more only where an older version of this program kept them."""
        found = unpacked(bytes(file.parsed)) if file.parsed else None
        return found or self.read(file)

    def read(self, file: F, encoding: str = "") -> Sequence[FileTable]:
        """
        Raises:
            NotATable
        """
        tables = read_tables(bytes(file.data), file.name, encoding, self.headings.knows)
        file.parsed = packed(tables)
        if file.pk:
            file.save(update_fields=["parsed"])
        return tables

    def choices(self, file: F) -> FileChoices:
        return self.choices_class(**file.choices)

    def layout(self, file: F) -> Layout:
        return Layout(self.tables(file), self.choices(file))

    def rows_of(self, file: F) -> int:
        """How long the chosen sheet is, its heading included: what taking it in will cost."""
        return len(self.layout(file).table.rows)

    def first_choices(self, file: F, sheet: str = "", heading: int | None = None) -> FileChoices:
        """As the headings suggest, the sender's own way first."""
        memory = self.memory(file)
        found = first_choices(self.tables(file), self.headings, memory.columns, sheet, heading)
        return replace(self.start(file, memory), sheet=found.sheet, heading=found.heading, columns=found.columns)

    def choose(self, file: F, choices: FileChoices) -> None:
        file.choices = choices.kept()
        file.save(update_fields=["choices"])

    def remember(self, file: F, layout: Layout) -> RememberedColumns:
        """What the columns of this file meant, for the sender's next."""
        memory = self.memory(file)
        memory.columns = columns_to_remember(layout, self.headings, memory.columns)
        memory.decimal_mark = layout.choices.mark
        memory.save()
        return memory

    def locked(self, file: F) -> F:
        """The file, nobody else importing it meanwhile; within a transaction.

        Raises:
            ImportedBefore: somebody has.
        """
        again = type(file)._default_manager.select_for_update(no_key=True, of=("self",)).get(pk=file.pk)
        if again.imported_at:
            raise ImportedBefore(f"{file.name} has been imported already.")
        return again

    def locked_as_read(self, file: F) -> F:
        """The same, of a file that was looked over before.

        Raises:
            ImportedBefore
            NotReady: somebody has said meanwhile that its columns hold something else.
        """
        again = self.locked(file)
        if again.choices != file.choices:
            raise NotReady(f"What the columns of {file.name} hold was changed meanwhile. Look it over once more.")
        return again

    def imported(self, file: F, by: User | None) -> None:
        """Say so; the caller saves."""
        file.imported_at, file.imported_by = timezone.now(), by


def digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def when_and_who(at: KeptFile) -> str:
    """Of its import: "on 04 Mar 2025 at 14:02 by rowan"."""
    who = f" by {at.imported_by}" if at.imported_by else ""
    return f"on {timezone.localtime(at.imported_at):%d %b %Y at %H:%M}{who}"
