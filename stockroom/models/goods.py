"""What came in and where it stands: suppliers, lots, lines, valves, places, movements."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F
from django.db.models.expressions import CombinedExpression
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from stockroom.models.shop import CurrencyField, MoneyField
from stockroom.pure.money import minor_places
from stockroom.receiving.pure.costing import piece_cost
from stockroom.states import State


class Supplier(models.Model):
    name = models.CharField(max_length=120, unique=True)
    country = models.CharField(max_length=60, blank=True)
    currency = CurrencyField(default="GBP")
    contact = models.TextField(blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("supplier", args=[self.pk])


class Maker(models.Model):
    """The shop's own register of makers' marks. Its source codes and constructions: `models.identity`."""

    name = models.CharField(max_length=80, unique=True)
    first_year = models.PositiveSmallIntegerField("made valves from", null=True, blank=True)
    last_year = models.PositiveSmallIntegerField("until", null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(first_year=None)
                | models.Q(last_year=None)
                | models.Q(first_year__lte=models.F("last_year")),
                name="a_maker_begins_before_it_ends",
            )
        ]

    def __str__(self) -> str:
        return self.name


class Place(models.Model):
    """A shelf, drawer or box. `code` is printed on it and can be scanned."""

    code = models.CharField(max_length=20, unique=True)
    note = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class Lot(models.Model):
    """What one supplier sent at one time, and what it cost to get it here."""

    number = models.CharField(max_length=12, unique=True, editable=False)
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="lots")
    received_on = models.DateField(default=timezone.localdate)
    state = models.CharField(
        max_length=12, choices=State.choices(), default=State.RECEIVED, db_index=True, editable=False
    )
    note = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )

    class Meta:
        ordering = ["-received_on", "-number"]

    def __str__(self) -> str:
        return self.number

    def get_absolute_url(self) -> str:
        return reverse("lot", args=[self.number])


class Charge(models.Model):
    """A bill for a lot, or a rebate on one (below nothing). Each has its own currency: duty is often paid at home.

    `rate` is home currency per unit of the charge's currency. Import tax that is claimed back is owed to the shop: it
    is no part of what the goods cost (IAS 2 Inventories, paragraph 11).
    """

    class Kind(models.TextChoices):
        GOODS = "goods", "Goods"
        FREIGHT = "freight", "Freight"
        DUTY = "duty", "Duty and import tax"
        IMPORT_TAX = "import tax", "Import tax claimed back"
        OTHER = "other", "Other charges"

    lot = models.ForeignKey(Lot, on_delete=models.CASCADE, related_name="charges")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    amount = MoneyField()
    currency = CurrencyField()
    rate = models.DecimalField(
        max_digits=16, decimal_places=10, default=Decimal(1), validators=[MinValueValidator(Decimal("0.0000000001"))]
    )
    note = models.CharField("bill, or why a rebate", max_length=60, blank=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=models.Q(rate__gt=0), name="a_charge_has_a_rate")]

    @property
    def is_cost(self) -> bool:
        return self.kind != self.Kind.IMPORT_TAX

    @property
    def called(self) -> str:
        """Its kind, and whether it is a rebate."""
        return f"{self.get_kind_display()}{' rebate' if self.amount < 0 else ''}"


class Marked(models.Model):
    """Goods of a type, under the name that stands on the glass."""

    as_marked = models.CharField(
        "name on the glass", max_length=40, blank=True, help_text="Where it is another than the type’s own name."
    )

    if TYPE_CHECKING:
        type: Any
        maker: Any

    class Meta:
        abstract = True

    @property
    def called(self) -> str:
        """What the glass calls it."""
        return str(self.as_marked or self.type.designation)

    @property
    def called_and_type(self) -> str:
        """The name on the glass, and what the shop calls the type where that is another: "ECC83 (12AX7)"."""
        return self.called if self.called == str(self.type) else f"{self.called} ({self.type})"

    @property
    def type_and_mark(self) -> str:
        """What it is called, and the maker whose mark it bears where there is one."""
        return f"{self.called_and_type}, {self.maker}" if self.maker else self.called_and_type


def pieces_of_line(path: str = "") -> CombinedExpression:
    """`Line.pieces` for the database, of the lines that `path` leads to, such as "lines__"."""
    return Coalesce(f"{path}counted", f"{path}expected") - F(f"{path}sent_back") - F(f"{path}taken_out")


class Line(Marked):
    """So many pieces of one type in a lot.

    Pieces are in bulk, known only by count, until they are given serials. Each piece, in bulk or not,
    has a position from 0 to `pieces` - 1, which fixes its share of the line's cost. `returned_positions` are those
    of pieces that had their serials when they went back to the supplier.
    """

    class Condition(models.TextChoices):
        SEALED = "nos-sealed", "NOS in sealed pack"
        BOXED = "nos-boxed", "NOS boxed"
        BULK = "nos-bulk", "NOS bulk"
        USED = "used", "Used"

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="lines")
    number = models.PositiveSmallIntegerField()
    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="lines")
    maker = models.ForeignKey(
        Maker, verbose_name="marked maker", on_delete=models.PROTECT, null=True, blank=True, related_name="lines"
    )
    condition = models.CharField("condition claimed", max_length=12, choices=Condition.choices)
    expected = models.PositiveIntegerField(validators=[MinValueValidator(1)])
    counted = models.PositiveIntegerField(null=True, blank=True)
    sent_back = models.PositiveIntegerField("sent back to the supplier", default=0, editable=False)
    taken_out = models.PositiveIntegerField("booked in as another type, or written off", default=0, editable=False)
    found_in = models.ForeignKey(
        "self",
        on_delete=models.PROTECT,
        null=True,
        editable=False,
        related_name="found_lines",
        help_text="The line among whose pieces these were found; they were expected there.",
    )
    returned_positions = models.JSONField("sent back with a serial, by position", default=list, editable=False)
    weight = models.DecimalField(
        "cost weight",
        max_digits=9,
        decimal_places=3,
        default=Decimal(1),
        validators=[MinValueValidator(0)],
        help_text="What one piece of this line is worth beside a piece of the others; 1 shares evenly.",
    )
    cost = MoneyField("share of the lot's cost", default=Decimal(0), editable=False)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, blank=True, related_name="lines")
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["lot", "number"]
        constraints = [
            models.UniqueConstraint(fields=["lot", "number"], name="line_numbers_differ"),
            models.CheckConstraint(condition=models.Q(weight__gte=0), name="weight_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.lot.number}/{self.number}"

    @property
    def count_in_words(self) -> str:
        """What was expected beside what was counted."""
        counted = "not yet counted" if self.counted is None else f"counted {self.counted}"
        return f"Expected {self.expected}, {counted}."

    @property
    def received(self) -> int:
        """Counted when somebody has counted, expected until then."""
        return self.expected if self.counted is None else self.counted

    @property
    def pieces(self) -> int:
        """Received, less those that left the bulk: to the supplier, to another line, or to the bin."""
        return self.received - self.sent_back - self.taken_out

    @property
    def gone_back(self) -> int:
        """All that was sent back to the supplier, out of the bulk or with a serial."""
        return self.sent_back + len(self.returned_positions)

    @property
    def bearing_cost(self) -> int:
        """The pieces that carry the line's cost: not those that went back to the supplier with a serial either."""
        return self.pieces - len(self.returned_positions)

    @property
    def discrepancy(self) -> int | None:
        """Counted less expected: negative when short."""
        return None if self.counted is None else self.counted - self.expected

    def cost_of(self, position: int, currency: str) -> Decimal:
        """Home-currency cost of the piece at `position`; the pieces of a line add up to `cost` exactly.

        A piece that went back to the supplier costs nothing: those that stayed carry its share.
        """
        if position in self.returned_positions:
            return Decimal(0)
        before = sum(one < position for one in self.returned_positions)
        return piece_cost(self.cost, self.bearing_cost, position - before, minor_places(currency))

    def cost_each(self, currency: str) -> tuple[Decimal, Decimal]:
        """The least and the most that a piece which stayed costs; they differ by one minor unit at most."""
        last, places = self.bearing_cost - 1, minor_places(currency)
        return piece_cost(self.cost, last + 1, last, places), piece_cost(self.cost, last + 1, 0, places)


class ValveQuerySet(models.QuerySet["Valve"]):
    def in_house(self) -> ValveQuerySet:
        return self.exclude(state__in=[State.DESPATCHED, State.WRITTEN_OFF])

    def for_rows(self) -> ValveQuerySet:
        return self.select_related("type", "maker", "place", "line__lot")


class Valve(Marked):
    """One glass bottle with a serial."""

    serial = models.CharField(max_length=12, unique=True, editable=False)
    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="valves")
    position = models.PositiveIntegerField(help_text="Its place in its line, from 0.")
    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="valves")
    maker = models.ForeignKey(Maker, on_delete=models.PROTECT, null=True, blank=True, related_name="valves")
    date_code = models.CharField("code as stamped", max_length=40, blank=True)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, blank=True, related_name="valves")
    state = models.CharField(
        max_length=12, choices=State.choices(), default=State.RECEIVED, db_index=True, editable=False
    )
    written_off = models.CharField("written off because", max_length=200, blank=True, editable=False)
    created_at = models.DateTimeField(default=timezone.now, editable=False)

    objects = ValveQuerySet.as_manager()

    class Meta:
        ordering = ["serial"]
        constraints = [models.UniqueConstraint(fields=["line", "position"], name="one_valve_per_position")]

    def __str__(self) -> str:
        return self.serial

    def get_absolute_url(self) -> str:
        return reverse("valve", args=[self.serial])


class Movement(models.Model):
    """A valve went from one place to another."""

    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="movements")
    from_place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, related_name="+")
    to_place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-at", "-id"]
