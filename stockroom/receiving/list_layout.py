"""What a supplier's list can hold, and what is remembered of each supplier's lists."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar, cast

from django.contrib.auth.models import User

from stockroom.files.layouts import FileChoices, FileField, Headings, Layout
from stockroom.imports.keeping import ImportKind
from stockroom.models import Lot, LotFile, SupplierMapping
from stockroom.models.imports import ListFile, RememberedColumns

F = TypeVar("F", bound=ListFile)


def _field(label: str, headings: str, *, none: str = "none", required: bool = False) -> FileField:
    return FileField(label, tuple(headings.split(", ")), required, none)


FIELDS: Mapping[str, FileField] = {
    "type": _field(
        "Type",
        "type, valve type, tube type, valve, tube, designation, part number, part no, part, model, item, article, "
        "description, typ, röhre, röhrentyp, bezeichnung, tipo, référence, тип, наименование",
        none="choose",
        required=True,
    ),
    "maker": _field(
        "Marked maker",
        "maker, marked maker, brand, make, manufacturer, mfr, mfg, mark, marke, hersteller, fabricant, marque, marca, "
        "производитель, завод",
    ),
    "condition": _field(
        "Condition claimed", "condition, condition claimed, cond, state, zustand, état, estado, состояние"
    ),
    "expected": _field(
        "Pieces",
        "pieces, quantity, qty, pcs, expected, quantity shipped, count, number, stück, stk, menge, anzahl, quantité, "
        "qté, cantidad, количество, кол-во, шт",
        none="none: each row is one piece",
    ),
    "counted": _field("Counted", "counted, received, actual, gezählt, reçu"),
    "weight": _field(
        "Price or cost weight of one",
        "unit price, price each, price per piece, each, price, cost weight, weight, cost, einzelpreis, stückpreis, "
        "preis, prix unitaire, prix, precio, цена",
        none="none: all weigh 1",
    ),
    "place": _field("Place", "place, shelf, location, bin, drawer, lagerort, lagerplatz, emplacement"),
    "note": _field(
        "Note",
        "note, notes, remark, remarks, comment, comments, bemerkung, bemerkungen, anmerkung, remarque, примечание",
    ),
    "code": _field(
        "Code as stamped",
        "date code, stamped code, code as stamped, stamp, factory code, datecode, stempel, datumscode",
    ),
    "serial": _field(
        "Serial or mark of one valve",
        "serial, serial number, serial no, serial nr, s/n, sn, valve no, tube no, valve number, tube number, "
        "seriennummer, numéro de série, número de serie, серийный номер",
        none="none: pieces in bulk",
    ),
}


@dataclass(frozen=True)
class ListChoices(FileChoices):
    """What somebody chose on the page of columns, and on the page of words.

    `words` is by "type", "maker" and "condition", then by the file's word in plain small letters: the designation, name
    or condition it stands for; an empty type leaves its rows out, an empty maker is no maker.
    """

    condition: str = ""
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def word(self, kind: str, said: str) -> str | None:
        return self.words.get(kind, {}).get(said)


class SupplierLists(ImportKind[F]):
    """Of a lot that came, or of one that is offered: the supplier writes both alike."""

    headings = Headings(FIELDS)
    choices_class = ListChoices

    def memory(self, file: F) -> SupplierMapping:
        supplier = file.supplier_key
        return SupplierMapping.objects.filter(supplier=supplier).first() or SupplierMapping(supplier_id=supplier)

    def start(self, file: F, memory: RememberedColumns) -> ListChoices:
        of = cast(SupplierMapping, memory)
        return ListChoices(mark=of.decimal_mark, condition=of.condition, words=of.words)

    def remember(self, file: F, layout: Layout) -> SupplierMapping:
        """What the columns and words of this file meant, for the supplier's next."""
        mapping = cast(SupplierMapping, super().remember(file, layout))
        choices = cast(ListChoices, layout.choices)
        for kind, words in choices.words.items():
            kept = {said: ours for said, ours in words.items() if ours}
            mapping.words[kind] = {**mapping.words.get(kind, {}), **kept}
        mapping.condition = choices.condition
        mapping.save()
        return mapping


LISTS = SupplierLists[LotFile]()


def receive(lot: Lot, name: str, data: bytes, by: User | None) -> LotFile:
    """Keep the file for mapping. The same file for the same lot, not yet imported, is taken up again.

    Raises:
        NotATable: it cannot be read as a table.
    """
    return LISTS.keep(LotFile(lot=lot, name=name, data=data, uploaded_by=by), LotFile.objects.filter(lot=lot))
