"""Sealed stock: how it is packed, the plan by which some packs are opened, what was drawn, what was decided.

Plans, drawn packs, packs with serials, broken seals, decisions and notes on a supplier are written once. Triggers
in the database refuse to change or delete them (stockroom/migrations); a plan is replaced by a new one that says why.
"""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone

from stockroom.models.goods import Line, Supplier, Valve
from stockroom.models.identity import CodeReading
from stockroom.pure.written import day, plural
from stockroom.sealed.pure import sampling

LEVELS = [(level.value, level.value) for level in sampling.InspectionLevel]
SEVERITIES = [(severity.value, severity.value) for severity in sampling.Severity]


class Packing(models.Model):
    """How the pieces of a sealed line are packed."""

    class Seal(models.TextChoices):
        PACK = "pack", "each piece in a sealed pack of its own"
        CARTON = "carton", "sealed cartons of several pieces"

    line = models.OneToOneField(Line, on_delete=models.PROTECT, related_name="packing")
    seal = models.CharField("what is sealed", max_length=6, choices=Seal.choices, default=Seal.PACK)
    carton_size = models.PositiveIntegerField(
        "pieces in a carton",
        default=1,
        validators=[MinValueValidator(1)],
        help_text="1 for loose single packs. The last carton may hold fewer.",
    )
    contract_marks = models.CharField("contract marks as printed", max_length=200, blank=True)
    pack_date = models.CharField("pack date as printed", max_length=40, blank=True)
    labelled_pieces = models.PositiveIntegerField(null=True, editable=False)  # numbered by labels, before any is drawn

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(carton_size__gte=1), name="a_carton_holds_something"),
            models.CheckConstraint(
                condition=Q(seal="pack") | Q(carton_size__gte=2), name="a_sealed_carton_holds_several"
            ),
        ]

    def __str__(self) -> str:
        if self.seal == self.Seal.CARTON:
            return f"sealed cartons of {self.carton_size}"
        return "single sealed packs" + (f" in cartons of {self.carton_size}" if self.carton_size > 1 else "")


class SamplingPlanQuerySet(models.QuerySet["SamplingPlan"]):
    def current(self) -> SamplingPlanQuerySet:
        return self.filter(replaced_by=None)


class SamplingPlan(models.Model):
    """Open so many packs of the lot and accept with so many failures; what it was taken from, and the seed.

    The lot is what was still in bulk: the pieces of the line from `first_position` on. A piece is usable whose
    grade may be sold or, where `worst_grade` is named, is that grade or a better one.
    """

    class Method(models.TextChoices):
        ISO = "iso", "ISO 2859-1, single sampling"
        EXACT = "exact", "exact, for given qualities and risks"

    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="sampling_plans")
    replaces = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="replaced_by")
    replaced_because = models.CharField("why the earlier plan is replaced", max_length=200, blank=True)
    method = models.CharField(max_length=5, choices=Method.choices)
    level = models.CharField("inspection level", max_length=3, choices=LEVELS, blank=True)
    aql = models.DecimalField("AQL, % nonconforming", max_digits=7, decimal_places=3, null=True)
    severity = models.CharField(max_length=9, choices=SEVERITIES, blank=True)
    severity_proposed = models.CharField(max_length=9, choices=SEVERITIES, blank=True)
    severity_because = models.CharField("why that severity was proposed", max_length=200, blank=True)
    override_reason = models.CharField("why another severity was taken", max_length=200, blank=True)
    offered_again = models.BooleanField("offered again after a refusal", default=False)
    acceptable_percent = models.DecimalField("acceptable quality, % bad", max_digits=5, decimal_places=2, null=True)
    rejectable_percent = models.DecimalField("rejectable quality, % bad", max_digits=5, decimal_places=2, null=True)
    producers_risk_percent = models.DecimalField("producer's risk, %", max_digits=5, decimal_places=2, null=True)
    consumers_risk_percent = models.DecimalField("consumer's risk, %", max_digits=5, decimal_places=2, null=True)
    lot_size = models.PositiveIntegerField("pieces in the lot")
    first_position = models.PositiveIntegerField()
    sample_size = models.PositiveIntegerField()
    acceptance_number = models.PositiveIntegerField()
    basis = models.CharField(max_length=300)
    seal = models.CharField(max_length=6, choices=Packing.Seal.choices)
    carton_size = models.PositiveIntegerField()
    worst_grade = models.CharField("worst grade that is usable", max_length=40, blank=True)
    returnable_until = models.DateField("can go back until", null=True)
    seed = models.CharField(max_length=64)
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    objects = SamplingPlanQuerySet.as_manager()

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(lot_size__gte=2, sample_size__gte=1, sample_size__lte=models.F("lot_size")),
                name="a_sample_is_of_its_lot",
            ),
            models.CheckConstraint(
                condition=~Q(method="iso") | (Q(aql__isnull=False) & ~Q(level="") & ~Q(severity="")),
                name="an_iso_plan_names_its_table_cell",
            ),
            models.CheckConstraint(
                condition=Q(severity=models.F("severity_proposed")) | ~Q(override_reason=""),
                name="another_severity_says_why",
            ),
            models.CheckConstraint(
                condition=Q(replaces=None) | ~Q(replaced_because=""), name="a_replaced_plan_says_why"
            ),
            models.UniqueConstraint(
                fields=["line"], condition=Q(replaces=None), name="the_first_plan_of_a_line_is_one"
            ),
        ]

    def __str__(self) -> str:
        return f"open {self.sample_size} of {self.lot_size}, accept up to {self.allowed}"

    @property
    def allowed(self) -> str:
        """ "1 failure" """
        return plural(self.acceptance_number, "failure")

    @property
    def plan(self) -> sampling.AttributesPlan:
        return sampling.AttributesPlan(self.lot_size, self.sample_size, self.acceptance_number, self.basis)

    @property
    def rejection_number(self) -> int:
        return self.plan.rejection_number

    @property
    def is_returnable(self) -> bool:
        return self.returnable_until is not None and timezone.localdate() <= self.returnable_until

    @property
    def return_in_words(self) -> str:
        """Until when the lot can go back to the supplier."""
        if self.returnable_until is None:
            return "no"
        until = day(self.returnable_until)
        return f"until {until}" if self.is_returnable else f"no longer; it could until {until}"

    @property
    def severity_in_words(self) -> str:
        """The severity of inspection and why it is that."""
        if self.override_reason:
            return f"{self.severity}, not {self.severity_proposed} as proposed: {self.override_reason}."
        return f"{self.severity}: {self.severity_because}."

    @property
    def usable_rule(self) -> str:
        """The rule in words: what counts as usable."""
        return f"graded {self.worst_grade} or better" if self.worst_grade else "of a grade that may be sold"


class DrawnPack(models.Model):
    """The `order`-th pack to open, counted from 1, is the one numbered `number` in the lot."""

    plan = models.ForeignKey(SamplingPlan, on_delete=models.PROTECT, related_name="drawn")
    order = models.PositiveIntegerField()
    number = models.PositiveIntegerField()

    class Meta:
        ordering = ["plan", "order"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "order"], name="draws_are_numbered"),
            models.UniqueConstraint(fields=["plan", "number"], name="a_pack_is_drawn_once"),
        ]

    @property
    def where(self) -> tuple[int, int]:
        """Its carton and its place in it, both from 1."""
        return sampling.carton_and_place(self.number, self.plan.carton_size)


class PackQuerySet(models.QuerySet["Pack"]):
    def under_seal(self) -> PackQuerySet:
        """Neither opened for the sample nor since."""
        return self.filter(opened=False, broken_seal=None)


class Pack(models.Model):
    """The piece of this pack has a serial: it was opened for the sample, or is sold as it is, still sealed."""

    plan = models.ForeignKey(SamplingPlan, on_delete=models.PROTECT, related_name="packs")
    number = models.PositiveIntegerField()
    valve = models.OneToOneField(Valve, on_delete=models.PROTECT, related_name="pack")
    opened = models.BooleanField()
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    objects = PackQuerySet.as_manager()

    class Meta:
        ordering = ["plan", "number"]
        constraints = [models.UniqueConstraint(fields=["plan", "number"], name="a_pack_has_one_serial")]

    @property
    def seal_in_words(self) -> str:
        if self.opened:
            return "opened for the sample"
        broken = getattr(self, "broken_seal", None)
        return f"its seal is broken: {broken.because}" if broken else "under its seal, not tested"

    @property
    def where(self) -> tuple[int, int]:
        return sampling.carton_and_place(self.number, self.plan.carton_size)


class PackDateReading(CodeReading):
    """How the date printed on the packs was read: the reading chosen and all the others it might have had."""

    packing = models.ForeignKey(Packing, on_delete=models.PROTECT, related_name="date_readings")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["packing"], condition=Q(current=True), name="one_current_date_reading_per_packing"
            )
        ]


class BrokenSeal(models.Model):
    """A pack that stayed shut through the sampling was opened after all, here or by a customer. Never undone."""

    pack = models.OneToOneField(Pack, on_delete=models.PROTECT, related_name="broken_seal")
    because = models.CharField(max_length=200)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["at", "id"]


class SealedDecision(models.Model):
    """What the shop did with the lot, and what the sample had shown by then."""

    class Action(models.TextChoices):
        ACCEPT = "accept", "accept: sell the rest sealed"
        TEST_ALL = "test all", "test every piece"
        RETURN = "return", "send the rest back"

    plan = models.ForeignKey(SamplingPlan, on_delete=models.PROTECT, related_name="decisions")
    action = models.CharField(max_length=8, choices=Action.choices)
    proposed = models.CharField("what the plan said", max_length=10)
    because = models.CharField(max_length=300)
    tested = models.PositiveIntegerField("tested of the sample")
    failed = models.PositiveIntegerField("failed of the sample")
    statement = models.TextField("what is said of the unopened packs", blank=True)
    note = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(failed__lte=models.F("tested")), name="no_more_failed_than_tested"),
            models.CheckConstraint(
                condition=~Q(action="accept") | ~Q(statement=""), name="an_accepted_lot_has_its_statement"
            ),
        ]

    @property
    def is_final(self) -> bool:
        """Whether the sample had given its verdict."""
        return self.tested >= self.plan.sample_size or self.failed >= self.plan.rejection_number

    @property
    def sample_accepted(self) -> bool:
        return self.tested >= self.plan.sample_size and self.failed <= self.plan.acceptance_number


class SupplyNote(models.Model):
    """What the shop says of a supplier, where the switching rules leave it to the responsible authority."""

    class Kind(models.TextChoices):
        TERMS = "terms", "how steady the supply is, and whether reduced inspection is wanted"
        RESUMED = "resumed", "the supplier has put things right: sampling begins again, tightened"
        TO_NORMAL = "to normal", "reduced inspection ends"

    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="supply_notes")
    kind = models.CharField(max_length=9, choices=Kind.choices)
    aql = models.DecimalField("AQL", max_digits=7, decimal_places=3, null=True)
    steady = models.BooleanField("the supply is steady", default=False)
    reduced_wanted = models.BooleanField("reduced inspection is wanted", default=False)
    reason = models.CharField(max_length=200)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(kind="terms") | Q(aql__isnull=False), name="a_series_has_its_aql"),
        ]
