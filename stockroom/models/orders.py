"""Customers, what they asked for, what was set aside, what went out and what came back."""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from stockroom.marks.pure.construction import FEATURES
from stockroom.models.goods import Maker, Valve
from stockroom.models.shop import CurrencyField, MoneyField
from stockroom.pure.written import day, moment

SET_NAMES = {1: "single", 2: "matched pair", 4: "matched quad"}


def set_name(size: int) -> str:
    """ "matched quad" for 4, "matched set of 6" for 6."""
    return SET_NAMES.get(size, f"matched set of {size}")


SEALED_WORDS = "sealed and sample-tested, not tested"  # what every text about a sealed pack says
UNTESTED_WORDS = "untested, as received"


def sealed_name(pieces: int) -> str:
    """What is sold under its seal: "sealed pack", or "10 pieces sealed" for a carton or several packs."""
    return "sealed pack" if pieces == 1 else f"{pieces} pieces sealed"


class Customer(models.Model):
    name = models.CharField(max_length=120)
    email = models.EmailField(blank=True)
    address = models.TextField(blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("customer", args=[self.pk])


class OrderQuerySet(models.QuerySet["Order"]):
    def sent(self) -> OrderQuerySet:
        """Of which something has left the house."""
        return self.filter(pk__in=Despatch.objects.not_undone().values("order"))


class Order(models.Model):
    """`held_until` is when what is set aside for it is free again, unless money has come or it is off its shelf; for
    ever where it is empty."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        RESERVED = "reserved", "reserved"
        PULLED = "pulled", "pulled"
        DESPATCHED = "despatched", "despatched"
        CANCELLED = "cancelled", "cancelled"

    number = models.CharField(max_length=12, unique=True, editable=False)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="orders")
    state = models.CharField(max_length=12, choices=State.choices, default=State.OPEN, db_index=True, editable=False)
    currency = CurrencyField(default="GBP")
    note = models.TextField(blank=True)
    placed_at = models.DateTimeField(default=timezone.now, editable=False)
    placed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    held_until = models.DateTimeField("set aside until", null=True, blank=True, editable=False, db_index=True)

    objects = OrderQuerySet.as_manager()

    class Meta:
        ordering = ["-placed_at", "-number"]

    def __str__(self) -> str:
        return self.number

    def get_absolute_url(self) -> str:
        return reverse("order", args=[self.number])

    @property
    def is_changeable(self) -> bool:
        """Not all of it has been taken off the shelves yet."""
        return self.state in (self.State.OPEN, self.State.RESERVED)

    @property
    def is_here(self) -> bool:
        """What is on it has not left the house: an item can still be put back."""
        return self.is_changeable or self.state == self.State.PULLED


def decades(first: int | None, last: int | None) -> str:
    """The years that something was made in, as the trade says them.

    >>> [decades(1950, 1959), decades(1955, None), decades(None, 1962), decades(1957, 1957), decades(1940, 1959)]
    ['in the 1950s', 'from 1955', 'until 1962', 'in 1957', '1940 to 1959']
    """
    if first is None or last is None:
        return f"from {first}" if first else f"until {last}" if last else ""
    if first == last:
        return f"in {first}"
    return f"in the {first}s" if first % 10 == 0 and last == first + 9 else f"{first} to {last}"


YEARS = [MinValueValidator(1900), MaxValueValidator(2100)]


class OrderLine(models.Model):
    """So many items of one kind: "one matched quad, this type, best two grades, within 5 %".

    What is wished of each valve besides (`wishes`) may be blank: its maker, the years it was made in, how alike its
    sections are, how it is built, the name on its glass.
    Where `untested`, an item is one valve that nobody has graded.
    Where `sealed`, an item is `set_size` pieces in sealed packs of one lot, of which nobody has tested any: grades and
    a tolerance do not come into it.
    """

    MOST_IN_A_SET = 12
    WISHES = ("maker", "made_from", "made_to", "balanced_percent", "feature", "feature_word", "as_marked")

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="+")
    asked_as = models.CharField(
        "asked for as", max_length=40, blank=True, editable=False, help_text="Where it is not the type’s own name."
    )
    set_size = models.PositiveSmallIntegerField(
        "pieces in each", default=1, validators=[MinValueValidator(1), MaxValueValidator(1000)]
    )
    sealed = models.BooleanField("in sealed packs, sample-tested", default=False)
    untested = models.BooleanField("untested, as received", default=False)
    quantity = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1)])
    best_grades = models.PositiveSmallIntegerField(
        "of the best … grades",
        default=2,
        validators=[MinValueValidator(1)],
        help_text="1 takes the top grade only, 2 the top two.",
    )
    max_spread_percent = models.FloatField(
        "within %",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(100)],
        help_text="Largest over smallest in the set, less one, for each quantity.",
    )
    maker = models.ForeignKey(Maker, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    made_from = models.PositiveSmallIntegerField(
        "made from", null=True, blank=True, validators=YEARS, help_text="The year: 1950."
    )
    made_to = models.PositiveSmallIntegerField("made until", null=True, blank=True, validators=YEARS)
    balanced_percent = models.FloatField(
        "sections alike within %",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(100)],
        help_text="Of each valve: its larger section over its smaller, less one, for each quantity.",
    )
    feature = models.CharField(max_length=20, blank=True, choices=[(name, one.label) for name, one in FEATURES.items()])
    feature_word = models.CharField(max_length=30, blank=True)
    as_marked = models.CharField("name on the glass", max_length=40, blank=True)
    unit_price = MoneyField("price each", null=True, blank=True, validators=[MinValueValidator(0)])
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(made_from=None)
                | models.Q(made_to=None)
                | models.Q(made_from__lte=models.F("made_to")),
                name="a_line_asks_for_years_in_order",
            ),
            models.CheckConstraint(
                condition=models.Q(feature="", feature_word="") | (~models.Q(feature="") & ~models.Q(feature_word="")),
                name="a_feature_is_asked_for_with_its_word",
            ),
            models.CheckConstraint(
                condition=models.Q(sealed=True) | models.Q(set_size__lte=12), name="a_matched_set_is_of_twelve_at_most"
            ),
            models.CheckConstraint(
                condition=models.Q(sealed=False) | models.Q(max_spread_percent=None), name="sealed_packs_match_nothing"
            ),
        ]

    def __str__(self) -> str:
        if self.sealed:
            return f"{self.quantity} × {sealed_name(self.set_size)} {self.called}"
        return f"{self.quantity} × {set_name(self.set_size)} {self.called}"

    @property
    def called(self) -> str:
        """The name asked for, and what the shop calls the type where that is another: "ECC83 (12AX7)"."""
        return f"{self.asked_as} ({self.type})" if self.asked_as not in ("", str(self.type)) else str(self.type)

    @property
    def grades_asked(self) -> str:
        return "top grade" if self.best_grades == 1 else f"best {self.best_grades} grades"

    @property
    def asked(self) -> str:
        """The line as a person would say it."""
        if self.sealed:
            return f"{self}, {SEALED_WORDS}"
        if self.untested:
            return f"{self}, {UNTESTED_WORDS}"
        words = [str(self), self.grades_asked]
        if self.max_spread_percent is not None and self.set_size > 1:
            words.append(f"within {self.max_spread_percent:g} %")
        return ", ".join([*words, *self.wishes])

    @property
    def wishes(self) -> list[str]:
        """What is asked of each valve besides its type, grade and match, each as a person would say it."""
        years = decades(self.made_from, self.made_to)
        said = {
            f"marked {self.as_marked}": self.as_marked,
            f"by {self.maker}": self.maker_id,
            f"made {years}": years,
            f"sections alike within {self.balanced_percent or 0:g} %": self.balanced_percent,
            f"{self.feature} {self.feature_word}": self.feature,
        }
        return [words for words, asked in said.items() if asked]


class AllocationQuerySet(models.QuerySet["Allocation"]):
    def here(self) -> AllocationQuerySet:
        """Set aside and not sent."""
        return self.filter(live=True, despatch=None)

    def sent(self) -> AllocationQuerySet:
        """Left with a parcel, whether or not it came back since."""
        return self.filter(despatch__isnull=False)


class Allocation(models.Model):
    """A valve set aside for an order line. The database refuses a second live one for the same valve.

    It is pulled off its shelf, scanned into its parcel and sent, in this order. `although` says which wishes of the
    line nobody could judge when it was set aside all the same.
    """

    order_line = models.ForeignKey(OrderLine, on_delete=models.PROTECT, related_name="allocations")
    item = models.PositiveSmallIntegerField(help_text="Which of the line's items it belongs to, from 1.")
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="allocations")
    live = models.BooleanField(default=True)
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    pulled_at = models.DateTimeField(null=True, blank=True)
    packed_at = models.DateTimeField("scanned into its parcel", null=True, blank=True)
    despatch = models.ForeignKey("Despatch", on_delete=models.PROTECT, null=True, related_name="allocations")
    although = models.CharField(max_length=200, blank=True)

    objects = AllocationQuerySet.as_manager()

    class Meta:
        ordering = ["order_line", "item", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["valve"], condition=models.Q(live=True), name="a_valve_is_on_one_order_at_most"
            )
        ]

    @property
    def is_here(self) -> bool:
        return self.live and self.despatch_id is None

    @property
    def how_far(self) -> str:
        """ ", pulled": behind the place of what is still here."""
        return ", in the parcel" if self.packed_at else ", pulled" if self.pulled_at else ""


class DespatchQuerySet(models.QuerySet["Despatch"]):
    def not_undone(self) -> DespatchQuerySet:
        """Not taken back."""
        return self.filter(undone_at=None)


class Despatch(models.Model):
    """A parcel of an order, or all of it, left the house. Numbers have no gaps: one that did not leave after all keeps
    its own, and says so. `unchecked` is why it left though not every valve had been scanned into it."""

    number = models.CharField(max_length=12, unique=True, editable=False)
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="despatches")
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    carrier = models.CharField(max_length=80, blank=True)
    tracking = models.CharField("tracking number", max_length=80, blank=True)
    unchecked = models.CharField(max_length=200, blank=True, editable=False)
    undone_at = models.DateTimeField(null=True, editable=False)
    undone_because = models.CharField(max_length=200, blank=True, editable=False)

    objects = DespatchQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        verbose_name_plural = "despatches"

    def __str__(self) -> str:
        return self.number

    @property
    def in_words(self) -> str:
        return f"Sent {moment(timezone.localtime(self.at))}{self.how}."

    @property
    def how(self) -> str:
        by = f" by {self.carrier}" if self.carrier else ""
        return f"{by}, {self.tracking}" if self.tracking else by


class ReturnQuerySet(models.QuerySet["Return"]):
    def undecided(self) -> ReturnQuerySet:
        """Nobody has said yet what becomes of them: they are the customer's still, and promised to nobody."""
        return self.filter(case__isnull=False, case__verdict=None)


class Return(models.Model):
    """A valve came back. Readings and grades from before no longer speak for it.

    Of what was sold under its seal `seal` says whether it came back so. `case` follows what becomes of it; returns of
    old have none.
    """

    class Complaint(models.TextChoices):
        """What the buyer said was wrong, in words that may stand before the public."""

        NOISE = "noise", "noise, hum or microphony"
        WEAK = "weak", "weak, or it reads low"
        DEAD = "dead", "it does not work"
        SHORTED = "shorted", "shorted, or it arcs"
        DAMAGED = "damaged", "broken or damaged"
        OTHER_THING = "other thing", "not what was ordered or described"
        UNWANTED = "unwanted", "not wanted; no fault was claimed"
        OTHER = "other", "another fault"

    class Seal(models.TextChoices):
        INTACT = "intact", "seal intact"
        BROKEN = "broken", "seal broken"

    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="returns")
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="returns")
    complaint = models.CharField(max_length=12, choices=Complaint.choices, blank=True)  # empty of returns of old
    reason = models.CharField(max_length=300)
    seal = models.CharField(max_length=6, choices=Seal.choices, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    case = models.ForeignKey("ReturnCase", on_delete=models.PROTECT, null=True, related_name="items")

    objects = ReturnQuerySet.as_manager()

    class Meta:
        ordering = ["-at"]

    @property
    def why_promised_to_nobody(self) -> str:
        """Of one that is undecided: what to do first."""
        return f"{self.valve} came back and nobody has decided on it: do that on {self.case} first."

    @property
    def to_the_public(self) -> str:
        """What a later buyer is told of it: when, and the kind of complaint; its own words are the customer's."""
        said = f": {self.get_complaint_display()}" if self.complaint else "; what was said of it was not kept by kind"
        shut = ", with its seal intact" if self.seal == self.Seal.INTACT else ""
        return f"sold before, and came back on {day(timezone.localdate(self.at))}{shut}{said}"
