"""Valve types as their sheets describe them: what a valve of this type should be.

Rows are what is in force of the reference files (`manage.py load_types`) and of what the shop itself keeps of a type
(`TypeVersion`); `catalog.loading` alone writes them. Every row of values names its source. Electrical values carry
their unit in the field's name.
"""

from __future__ import annotations

from itertools import groupby
from typing import Any, Protocol

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone

from catalog.kept_positions import KeptPosition as KeptPosition
from catalog.reference.lookup import NameFound, NameRegister, OnFile
from catalog.reference.scripts import normal
from catalog.reference.vocabulary import BASES, ELECTRODES, ROLES, SCREENS


def electrodes_in_words(electrodes: str) -> str:
    """ "1:k+1:g3" as "cathode, section 1 and grid 3 (suppressor), section 1"."""
    words = []
    for electrode in filter(None, electrodes.split("+")):
        section, _, code = electrode.rpartition(":")
        words.append(f"{ELECTRODES[code]}, section {section}" if section else ELECTRODES[code])
    return " and ".join(words)


def cited(source: Source, place: str) -> str:
    return f"{source}, {place}" if place else str(source)


# What a bench person is told beyond the general caution, by the type's own cautions. Common practice, no source.
CAUTION_SENTENCES = {
    "mercury": "This type holds mercury: do not break or tip it hot; clear a breakage by local rules for mercury.",
    "radioactive": "This type may hold a little radioactive material: never open it; follow local rules.",
    "asbestos": "This type may hold asbestos in its base or cap: leave it whole; follow local rules.",
    "beryllia": "The ceramic may hold beryllium oxide, poisonous as dust: never break or grind it; follow local rules.",
    "top cap": "The top cap carries the anode's voltage in use: never touch it with the set or tester on.",
    "high voltage": "This type works at very high voltage.",
    "very hot": "This type runs very hot: let it cool before you touch it.",
    "directly heated": "The filament is the cathode, delicate when cold: no knocks, and the right filament voltage.",
}


class Source(models.Model):
    """A publication, or memory. The only place where a real maker may be named is inside `title`."""

    key = models.SlugField(unique=True)
    title = models.CharField(max_length=300)
    edition = models.CharField(max_length=120, blank=True)
    kind = models.CharField(max_length=40)

    class Meta:
        ordering = ["title"]

    def __str__(self) -> str:
        return f"{self.title}, {self.edition}" if self.edition else self.title

    @property
    def is_memory(self) -> bool:
        """Nobody had a publication open."""
        return self.kind == "memory"


class Sourced(models.Model):
    """A row of values and where they were read."""

    source = models.ForeignKey(Source, on_delete=models.PROTECT, related_name="+")
    source_place = models.CharField("page or sheet", max_length=120, blank=True)

    class Meta:
        abstract = True

    @property
    def cited(self) -> str:
        return cited(self.source, self.source_place)


class Basing(Sourced):
    """Which electrode comes out on which pin. `name` is the registered designation where there is one."""

    name = models.CharField(max_length=40, unique=True)
    base = models.CharField(max_length=40)
    top_cap = models.CharField(max_length=40, blank=True)
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["base", "name"]

    def __str__(self) -> str:
        return f"{self.name} ({self.base_name})"

    @property
    def base_name(self) -> str:
        return BASES[self.base].label if self.base in BASES else self.base

    @property
    def top_cap_in_words(self) -> str:
        return electrodes_in_words(self.top_cap)


class Pin(models.Model):
    """One pin of a basing. `electrodes` is written as in the data file: "1:k+1:g3", "h", "nc"."""

    basing = models.ForeignKey(Basing, on_delete=models.CASCADE, related_name="pins")
    number = models.PositiveSmallIntegerField()
    electrodes = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["number"]
        constraints = [models.UniqueConstraint(fields=["basing", "number"], name="one_row_per_pin")]

    def __str__(self) -> str:
        return f"{self.basing_id}.{self.number} {self.electrodes}"

    @property
    def in_words(self) -> str:
        return electrodes_in_words(self.electrodes) or "no pin"


NOT_IDENTIFIED = "not identified"
ALIKE_INSIDE = ("special quality", "same electrically")  # of `RelatedType.how`: one valve in two qualities
NOT_IDENTIFIED_NORMAL = normal(NOT_IDENTIFIED)


class ValveTypeQuerySet(models.QuerySet["ValveType"]):
    def named(self, designation: str) -> ValveTypeQuerySet:
        """The type that is so called, as `catalog.reference.lookup` reads names; empty where it is not certain."""
        found = self.read_as(designation)
        return self.filter(pk=found.key) if found else self.none()

    def read_as(self, text: str) -> NameFound | None:
        """The type that a text names, and how the text was read."""
        if wanted := normal(text):
            of_types = ValveType.objects.filter(normal=wanted).values_list("pk", flat=True)
            key = of_types.first() or Alias.objects.filter(normal=wanted).values_list("type", flat=True).first()
            if key:
                return NameFound(key, "")
        return self.name_register().find(text)

    def name_register(self) -> NameRegister:
        """Every name on file, for reading many texts or for saying what comes near one."""
        heaters: dict[int, list[tuple[float, float]]] = {}
        for key, volts, amperes in Heater.objects.values_list("type", "voltage_v", "current_a"):
            heaters.setdefault(key, []).append((volts, amperes))
        types, names = {}, {}
        for key, name, bare, base in ValveType.objects.values_list("pk", "designation", "normal", "basing__base"):
            base_name = BASES[base].label if base in BASES else base or ""
            types[key] = OnFile(name, tuple(heaters.get(key, ())), base or "", base_name)
            names[bare] = key
        related = list(RelatedType.objects.values_list("type", "other", "how"))
        kin = frozenset(frozenset((one, other)) for one, other, _ in related)
        alike = frozenset(frozenset((one, other)) for one, other, how in related if how in ALIKE_INSIDE)
        names = {**dict(Alias.objects.values_list("normal", "type")), **names}
        return NameRegister(types, names, alike, kin)

    def identified(self) -> ValveTypeQuerySet:
        return self.exclude(normal=NOT_IDENTIFIED_NORMAL)

    def not_identified(self) -> ValveType:
        """What stands for the type of goods that nobody has read yet."""
        return self.get_or_create(normal=NOT_IDENTIFIED_NORMAL, defaults={"designation": NOT_IDENTIFIED})[0]

    def with_sheets(self) -> ValveTypeQuerySet:
        """What the adviser reads of a type, in a fixed number of queries."""
        return self.select_related("basing").prefetch_related(
            "heaters", "basing__pins", "sections__ratings", "sections__test_points"
        )

    def with_all(self) -> ValveTypeQuerySet:
        """Everything a type page shows, in a fixed number of queries."""
        return self.select_related(
            "basing__source", "basing_source", "heater_source", "first_registered_source"
        ).prefetch_related(
            "aliases__source",
            "heaters",
            "basing__pins",
            "sections__ratings__source",
            "sections__test_points__source",
            "applications__source",
            "related__source",
            "related__other",
        )


def _heading(group: list[Section]) -> str:
    numbers = " and ".join(str(section.number) for section in group)
    return f"Section{'s' if len(group) > 1 else ''} {numbers}, {group[0].kind}"


class ValveType(models.Model):
    designation = models.CharField(max_length=40, unique=True)
    normal = models.CharField(max_length=40, unique=True, editable=False)
    # What the shop calls it on its own pages and papers, where that is another of its names.
    preferred = models.CharField("the shop's name for it", max_length=40, blank=True)
    kind = models.CharField(max_length=40, db_index=True, blank=True)
    cathode = models.CharField(
        max_length=10,
        choices=[("indirect", "indirectly heated"), ("direct", "directly heated"), ("cold", "cold cathode")],
        blank=True,
    )
    tradition = models.CharField(max_length=10, choices=[("western", "western"), ("eastern", "eastern")], blank=True)
    special_quality = models.BooleanField(default=False)
    basing = models.ForeignKey(Basing, on_delete=models.PROTECT, related_name="types", null=True, blank=True)
    basing_source = models.ForeignKey(Source, on_delete=models.PROTECT, related_name="+", null=True, blank=True)
    basing_source_place = models.CharField(max_length=120, blank=True)
    heater_source = models.ForeignKey(Source, on_delete=models.PROTECT, related_name="+", null=True)
    heater_source_place = models.CharField(max_length=120, blank=True)
    # Or the year it was first sold, where that is known and was earlier.
    first_registered = models.PositiveSmallIntegerField(null=True, blank=True)
    first_registered_source = models.ForeignKey(
        Source, on_delete=models.PROTECT, related_name="+", null=True, blank=True
    )
    # Controlled warm-up, and the current of the series string that the heater is made for, where the sheet has them.
    warm_up_s = models.FloatField(null=True)
    series_string_a = models.FloatField(null=True)
    cautions = models.JSONField(default=list)
    note = models.CharField(max_length=400, blank=True)

    objects = ValveTypeQuerySet.as_manager()

    class Meta:
        ordering = ["designation"]

    def __str__(self) -> str:
        return self.preferred or self.designation

    def save(self, *args, **kwargs) -> None:
        self.normal = normal(self.designation)
        super().save(*args, **kwargs)

    def get_absolute_url(self) -> str:
        return reverse("type", args=[self.designation])

    @property
    def groups_of_sections(self) -> list[tuple[str, list[Section]]]:
        """The sections in order, neighbours together whose sheets say the same, under a heading."""
        groups = [list(alike) for _, alike in groupby(self.sections.all(), key=lambda section: section.says)]
        return [(_heading(group), group) for group in groups]

    @property
    def in_words(self) -> str:
        """What it is, and the note on it."""
        kind = self.kind or "kind not known"
        words = [kind[:1].upper() + kind[1:], *filter(None, [self.get_cathode_display()])]
        if self.special_quality:
            words.append("special quality")
        note = self.note[:1].upper() + self.note[1:].removesuffix(".")
        return f"{', '.join(words)}.{f' {note}.' if note else ''}"

    @property
    def first_registered_in_words(self) -> str:
        """A year from memory is about that year."""
        source = self.first_registered_source
        when = "about {} (from memory)" if source and source.is_memory else f"in {{}} ({source})"
        return f"First registered or sold {when.format(self.first_registered)}."

    @property
    def caution_sentences(self) -> list[str]:
        return [CAUTION_SENTENCES[caution] for caution in self.cautions]

    @property
    def basing_cited(self) -> str:
        return "" if self.basing_source is None else cited(self.basing_source, self.basing_source_place)

    @property
    def heater_cited(self) -> str:
        return cited(self.heater_source, self.heater_source_place) if self.heater_source else "no heater"

    @property
    def test_sections(self) -> list[Section]:
        """The sections the bench measures: those with a test point."""
        return [section for section in self.sections.all() if section.test_point]

    @property
    def is_identified(self) -> bool:
        return self.normal != NOT_IDENTIFIED_NORMAL

    @property
    def own_versions(self) -> models.QuerySet[TypeVersion]:
        """What the shop itself said of it, while it says anything."""
        own = self.versions.filter(origin=TypeVersion.Origin.SHOP)
        last = own.first()
        return own if last and last.says else own.none()

    @property
    def has_nominals(self) -> bool:
        """Whether there is anything to grade it by."""
        return any(point.has_nominal for section in self.sections.all() for point in section.test_points.all())


class Heater(models.Model):
    """One way to wire the heater or filament. A centre-tapped heater has two."""

    type = models.ForeignKey(ValveType, on_delete=models.CASCADE, related_name="heaters")
    wiring = models.CharField(max_length=20, blank=True)
    voltage_v = models.FloatField()
    current_a = models.FloatField()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        shown = f"{self.voltage_v:g} V {self.current_a:g} A"
        return f"{shown} {self.wiring}" if self.wiring else shown


class Alias(Sourced):
    """Another designation for the very same valve."""

    type = models.ForeignKey(ValveType, on_delete=models.CASCADE, related_name="aliases")
    designation = models.CharField(max_length=40)
    normal = models.CharField(max_length=40, unique=True, editable=False)

    class Meta:
        ordering = ["designation"]

    def __str__(self) -> str:
        return self.designation

    def save(self, *args, **kwargs) -> None:
        self.normal = normal(self.designation)
        super().save(*args, **kwargs)


class RelatedType(Sourced):
    """Another type that a dealer thinks of beside this one, and how near it is."""

    type = models.ForeignKey(ValveType, on_delete=models.CASCADE, related_name="related")
    other = models.ForeignKey(ValveType, on_delete=models.CASCADE, related_name="related_of")
    how = models.CharField(
        max_length=30,
        choices=[(how, how) for how in ("special quality", "same electrically", "near")],
    )
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["other__designation"]


class Section(models.Model):
    """One electrode system inside the bottle: a double triode has two."""

    type = models.ForeignKey(ValveType, on_delete=models.CASCADE, related_name="sections")
    number = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=40)

    class Meta:
        ordering = ["number"]
        constraints = [models.UniqueConstraint(fields=["type", "number"], name="one_row_per_section")]

    def __str__(self) -> str:
        return f"{self.type.designation} section {self.number}"

    @property
    def test_point(self) -> TestPoint | None:
        """The bench's default: the first that a reading can stand beside, or else the first that is given."""
        given = [point for point in self.test_points.all() if not point.withdrawn]
        return next((point for point in given if point.has_nominal), given[0] if given else None)

    @property
    def says(self) -> tuple[object, ...]:
        """All that the sheet says of this section, for telling whether another is alike."""
        return (self.kind, *(_values(row) for row in (self.ratings, *self.test_points.all())))


def _values(row: models.Model) -> tuple[object, ...]:
    """A row's own values, without its key and the section it hangs on."""
    fields = row._meta.concrete_fields
    return tuple(field.value_from_object(row) for field in fields if field.name not in ("id", "section"))


class Ratings(Sourced):
    """Maxima for one section, in the rating system the sheet uses; for a rectifier also what one anode loses.

    `anode_current_max_ma` of a full-wave rectifier is the direct current of both anodes together. Heater positive and
    negative are to the cathode; `heater_cathode_voltage_max_v` is the figure of a sheet that gives no sign.
    """

    section = models.OneToOneField(Section, on_delete=models.CASCADE, related_name="ratings")
    system = models.CharField(max_length=20)
    anode_voltage_max_v = models.FloatField(null=True)
    anode_dissipation_max_w = models.FloatField(null=True)
    anode_current_max_ma = models.FloatField(null=True)
    screen_voltage_max_v = models.FloatField(null=True)
    screen_dissipation_max_w = models.FloatField(null=True)
    cathode_current_max_ma = models.FloatField(null=True)
    heater_cathode_voltage_max_v = models.FloatField(null=True)
    peak_inverse_voltage_max_v = models.FloatField(null=True)
    heater_positive_voltage_max_v = models.FloatField(null=True)
    heater_negative_voltage_max_v = models.FloatField(null=True)
    all_anodes_dissipation_max_w = models.FloatField(null=True)
    anode_voltage_cold_max_v = models.FloatField(null=True)
    grid_circuit_fixed_bias_max_kohm = models.FloatField(null=True)
    grid_circuit_self_bias_max_kohm = models.FloatField(null=True)
    peak_anode_current_max_ma = models.FloatField(null=True)
    first_capacitor_max_uf = models.FloatField(null=True)
    source_resistance_min_ohm = models.FloatField(null=True)
    supply_rms_max_v = models.FloatField(null=True)
    drop_v = models.FloatField(null=True)
    drop_at_ma = models.FloatField(null=True)
    striking_voltage_v = models.FloatField(null=True)
    least_current_ma = models.FloatField(null=True)

    NAMES = (
        ("anode_voltage_max_v", "Anode voltage", "V"),
        ("anode_dissipation_max_w", "Anode dissipation", "W"),
        ("anode_current_max_ma", "Anode current", "mA"),
        ("screen_voltage_max_v", "Screen voltage", "V"),
        ("screen_dissipation_max_w", "Screen dissipation", "W"),
        ("cathode_current_max_ma", "Cathode current", "mA"),
        ("heater_cathode_voltage_max_v", "Heater to cathode", "V"),
        ("peak_inverse_voltage_max_v", "Peak inverse voltage", "V"),
        ("heater_positive_voltage_max_v", "Heater positive to cathode", "V"),
        ("heater_negative_voltage_max_v", "Heater negative to cathode", "V"),
        ("all_anodes_dissipation_max_w", "Dissipation of all anodes together", "W"),
        ("anode_voltage_cold_max_v", "Anode voltage without current", "V"),
        ("grid_circuit_fixed_bias_max_kohm", "Grid circuit, fixed bias", "kΩ"),
        ("grid_circuit_self_bias_max_kohm", "Grid circuit, cathode resistor", "kΩ"),
        ("peak_anode_current_max_ma", "Peak anode current, each anode", "mA"),
        ("first_capacitor_max_uf", "Largest first capacitor", "µF"),
        ("source_resistance_min_ohm", "Least source resistance, each anode", "Ω"),
        ("supply_rms_max_v", "Supply of each anode, rms", "V"),
        ("drop_v", "Drop of one anode", "V"),
        ("drop_at_ma", "at a current of", "mA"),
        ("striking_voltage_v", "Voltage to strike", "V"),
        ("least_current_ma", "Least current", "mA"),
    )

    @property
    def rows(self) -> list[tuple[str, float, str]]:
        """Name, value and unit of the maxima that the sheet gives."""
        return [(name, value, unit) for field, name, unit in self.NAMES if (value := getattr(self, field)) is not None]


class Settings(Protocol):
    """What is dialled in before a section is read; None where it has no such electrode or no such bias."""

    anode_voltage_v: Any
    screen_voltage_v: Any
    grid_voltage_v: Any
    cathode_resistor_ohm: Any


def dialled_in(at: Settings) -> str:
    """The settings in the order they are dialled in: "Va 250 V, Vg2 250 V, Vg1 −2 V".

    With a cathode resistor the anode's voltage is that of the supply, over valve and resistor together; what is left
    across the valve is said beside it where the current is known.
    """
    words = [f"Va {at.anode_voltage_v:g} V"]
    if at.cathode_resistor_ohm is not None:
        ia = getattr(at, "anode_current_ma", None)
        across = f", {at.anode_voltage_v - at.cathode_resistor_ohm * ia / 1000:.4g} V across the valve" if ia else ""
        words = [f"Va supply {at.anode_voltage_v:g} V{across}"]
    if isinstance(at, TestPoint) and at.as_triode:  # a tester's own settings are settings alone
        words.append("the screen joined to the anode")
    if at.screen_voltage_v is not None:
        words.append(f"Vg2 {at.screen_voltage_v:g} V")
    if at.grid_voltage_v is not None:
        words.append(f"Vg1 {at.grid_voltage_v:g} V".replace("-", "\N{MINUS SIGN}"))
    if at.cathode_resistor_ohm is not None:
        words.append(f"Rk {at.cathode_resistor_ohm:g} Ω")
    if isinstance(at, TestPoint) and at.current_is_set:
        words.append(f"Vg1 set for Ia {at.anode_current_ma:g} mA")
    return ", ".join(words)


class TestPoint(Sourced):
    """The conditions of a measurement and what a good section reads there.

    Bias is either a fixed grid voltage or a cathode resistor, and then the anode's voltage is the supply's; or it is
    whatever lets the printed current flow, which then is a setting and no nominal, as sheets of power types have it. A
    rectifier's `anode_voltage_v` is the drop across the section at `anode_current_ma`, a stabiliser's what it holds
    there. Limits are there only where the sheet gives them.
    """

    __test__ = False  # the trade's word begins like a test class; pytest need not collect it

    section = models.ForeignKey(Section, on_delete=models.CASCADE, related_name="test_points")
    name = models.CharField(max_length=60)
    position = models.PositiveSmallIntegerField(default=0)
    anode_voltage_v = models.FloatField()
    screen_voltage_v = models.FloatField(null=True)
    grid_voltage_v = models.FloatField(null=True)
    cathode_resistor_ohm = models.FloatField(null=True)
    current_is_set = models.BooleanField(default=False)  # the bias is set until the current flows
    as_triode = models.BooleanField(default=False)  # the screen joined to the anode: the current is of both
    anode_current_ma = models.FloatField(null=True)  # none where only the tester's settings are known
    screen_current_ma = models.FloatField(null=True)
    gm_ma_per_v = models.FloatField(null=True)
    mu = models.FloatField(null=True)
    anode_resistance_kohm = models.FloatField(null=True)
    anode_current_min_ma = models.FloatField(null=True)
    anode_current_max_ma = models.FloatField(null=True)
    gm_min_ma_per_v = models.FloatField(null=True)
    gm_max_ma_per_v = models.FloatField(null=True)
    conversion_conductance_ma_per_v = models.FloatField(null=True)  # a mixer's, driven as load_note says
    load_note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["position"]
        constraints = [models.UniqueConstraint(fields=["section", "name"], name="test_point_names_differ")]

    # Readings stand on a point that is no longer given, so it stays, behind all others.
    WITHDRAWN = 1000

    def __str__(self) -> str:
        return f"{self.section} at {self.name}"

    @property
    def withdrawn(self) -> bool:
        return self.position >= self.WITHDRAWN

    @property
    def has_nominal(self) -> bool:
        """Whether a reading can stand beside it: a mixer driven by its oscillator is not what a tester reads."""
        at_rest = self.conversion_conductance_ma_per_v is None
        return self.anode_current_ma is not None and at_rest and not self.withdrawn

    @property
    def holds_voltage(self) -> bool:
        """A stabiliser's: the current is set and the voltage is read."""
        gridless = self.grid_voltage_v is None and self.cathode_resistor_ohm is None
        return gridless and self.section.kind == "stabiliser"

    @property
    def rows(self) -> list[tuple[str, float, float | None, float | None, str]]:
        """Name, nominal, least, most and unit of what the sheet gives."""
        if self.holds_voltage:
            return [("Voltage held", self.anode_voltage_v, None, None, "V")]
        current = "Anode current Ia, set" if self.current_is_set else "Anode current Ia"
        rows = (
            (current, self.anode_current_ma, self.anode_current_min_ma, self.anode_current_max_ma, "mA"),
            ("Screen current Ig2", self.screen_current_ma, None, None, "mA"),
            ("Mutual conductance gm", self.gm_ma_per_v, self.gm_min_ma_per_v, self.gm_max_ma_per_v, "mA/V"),
            ("Conversion conductance gc", self.conversion_conductance_ma_per_v, None, None, "mA/V"),
            ("Amplification factor mu", self.mu, None, None, ""),
            ("Anode resistance ra", self.anode_resistance_kohm, None, None, "kΩ"),
        )
        return [(name, nominal, least, most, unit) for name, nominal, least, most, unit in rows if nominal is not None]

    @property
    def has_limits(self) -> bool:
        return any(least is not None or most is not None for _, _, least, most, _ in self.rows)

    @property
    def conditions(self) -> str:
        return f"Ia {self.anode_current_ma:g} mA" if self.holds_voltage else dialled_in(self)


class Application(Sourced):
    """A circuit that the sheet works out: a row of a resistance-coupled table, or of typical operation.

    `supply_voltage_v` stands above the foot of the cathode resistor, `anode_voltage_v` between anode and cathode; a row
    has one of them. A push-pull pair's load is from anode to anode and its power that of both; currents are of one
    valve without signal. Output voltage is rms, distortion total.
    """

    type = models.ForeignKey(ValveType, on_delete=models.CASCADE, related_name="applications")
    name = models.CharField(max_length=60)
    position = models.PositiveSmallIntegerField(default=0)
    section = models.PositiveSmallIntegerField(default=1)
    role = models.CharField(max_length=30, choices=[(role, role) for role in sorted(ROLES)])
    screen = models.CharField(max_length=20, blank=True, choices=[(screen, screen) for screen in sorted(SCREENS)])
    supply_voltage_v = models.FloatField(null=True)
    anode_voltage_v = models.FloatField(null=True)
    anode_load_kohm = models.FloatField(null=True)
    next_grid_kohm = models.FloatField(null=True)
    cathode_resistor_ohm = models.FloatField(null=True)
    grid_voltage_v = models.FloatField(null=True)
    screen_voltage_v = models.FloatField(null=True)
    screen_resistor_kohm = models.FloatField(null=True)
    anode_current_ma = models.FloatField(null=True)
    screen_current_ma = models.FloatField(null=True)
    gain = models.FloatField(null=True)
    output_voltage_v = models.FloatField(null=True)
    output_power_w = models.FloatField(null=True)
    distortion_percent = models.FloatField(null=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["position"]
        constraints = [models.UniqueConstraint(fields=["type", "name"], name="application_names_differ")]

    def __str__(self) -> str:
        return f"{self.type.designation}: {self.name}"


class TypeVersion(models.Model):
    """What was said of a type from then on: by the reference files, or by the shop itself. Only ever added to.

    `says` is TOML as `catalog.reference.files` reads it: a type, and of the shop's also the basing that it describes.
    The shop's says only what it changes (`catalog.reference.own`); an empty one follows the reference again.
    """

    class Origin(models.TextChoices):
        REFERENCE = "reference", "the reference"
        SHOP = "shop", "the shop itself"

    type = models.ForeignKey(ValveType, on_delete=models.CASCADE, related_name="versions")
    number = models.PositiveIntegerField()
    origin = models.CharField(max_length=10, choices=Origin)
    says = models.TextField(blank=True)
    reason = models.CharField(max_length=300, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-number"]
        constraints = [models.UniqueConstraint(fields=["type", "number"], name="type_version_numbers_differ")]

    def __str__(self) -> str:
        return f"{self.type.designation}, version {self.number}"
