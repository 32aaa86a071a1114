"""The form that describes a position: what is asked depends on its role and on the type it was made for."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django import forms

from catalog.fitting import sheet_of
from catalog.models import KeptPosition, ValveType
from catalog.physics.advice import advise
from catalog.physics.findings import Level
from catalog.physics.positions import (
    HEATER_WIRINGS,
    LOADS,
    POWER_ROLES,
    ROLES,
    SCREENS,
    HeaterSupply,
    Position,
    RectifierDuty,
    StabiliserDuty,
)
from stockroom.site.numbers import FloatTyped, WholeTyped
from stockroom.site.web import TypeField


class WhichPositionForm(forms.Form):
    """The two things that decide what else is asked."""

    type = TypeField(label="Made for")
    role = forms.ChoiceField(label="Role", choices=list(ROLES.items()))


class DoesItGoForm(forms.Form):
    """Does one go where the other was?"""

    other = TypeField(label="Does a")
    type = TypeField(label="go where this was")


def volts(label: str, help_text: str = "", *, required: bool = False, least: float | None = 0) -> FloatTyped:
    return FloatTyped(label=f"{label}, V", help_text=help_text, required=required, min_value=least, max_value=5e3)


def number(label: str, help_text: str = "", *, required: bool = False, most: float = 1e5) -> FloatTyped:
    return FloatTyped(label=label, help_text=help_text, required=required, min_value=0, max_value=most)


class PositionForm(forms.Form):
    """What every position has. Give `type`, `role`, and `kept` to change one; a valid form has its `position`."""

    name = forms.CharField(max_length=120, help_text="As you would ask for it again.")
    note = forms.CharField(max_length=300, required=False)
    heater_voltage_v = volts("Heater supply", "Empty: what the type wants.")
    heater_wiring = forms.ChoiceField(label="Heater fed", choices=list(HEATER_WIRINGS.items()))
    heater_spare_a = number(
        "Amperes to spare", "Beyond what this type takes; 0 if none, empty if nobody knows.", most=50
    )
    heater_switchable = forms.BooleanField(label="Heater can be switched to 6.3 or 12.6 V", required=False)
    heater_elevation_v = volts("Heater stands at", "Against the foot of the cathode resistor.", least=-1000)

    HEATER: tuple[str, ...] = (
        "heater_voltage_v",
        "heater_wiring",
        "heater_spare_a",
        "heater_switchable",
        "heater_elevation_v",
    )

    PARTS: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def __init__(self, *args: Any, type: ValveType, role: str, kept: KeptPosition | None = None, **more: Any) -> None:
        if kept is not None:
            more["initial"] = {"name": kept.name, "note": kept.note, **self.values_of(kept.position)}
        super().__init__(*args, **more)
        self.type, self.role, self.kept = type, role, kept
        self.fields["name"].widget.attrs["autofocus"] = True

    @property
    def groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields in the order in which a person reads a circuit, under their headings."""
        groups = [("Name", ("name", "note")), *self.PARTS, ("Heater", self.HEATER)]
        return [(legend, shown) for legend, names in groups if (shown := [self[n] for n in names if n in self.fields])]

    @classmethod
    def values_of(cls, position: Position) -> dict[str, Any]:
        """The position as the fields show it."""
        return {f"heater_{name}": value for name, value in asdict(position.heater).items()}

    def clean_name(self) -> str:
        name: str = self.cleaned_data["name"]
        taken = KeptPosition.objects.filter(name__iexact=name).exclude(
            pk=self.kept.pk if self.kept and self.kept.pk else 0
        )
        if taken.exists():
            raise forms.ValidationError(f"A position is called “{name}” already. Give this one another name.")
        return name

    def heater(self) -> HeaterSupply:
        told = {name.removeprefix("heater_"): self.cleaned_data[name] for name in self.HEATER}
        return HeaterSupply(**{**told, "elevation_v": told["elevation_v"] or 0.0})

    def described(self) -> Position:
        """Only of a form whose fields are right."""
        raise NotImplementedError

    def clean(self) -> dict[str, Any]:
        if not self.errors:
            self.position = self.described()
            self._try_the_original()
        return self.cleaned_data

    def _try_the_original(self) -> None:
        """A position in which not even its own valve works has a figure wrong."""
        sheet = sheet_of(ValveType.objects.with_sheets().get(pk=self.type.pk))
        told = advise(self.position, sheet, sheet)
        failed = [r.text for r in told.reasons if r.level == Level.NO and r.about in ("bias", "supply")]
        if failed:
            raise forms.ValidationError(f"With these values not even the {self.type} works: {failed[0]}.")


class AmplifierPositionForm(PositionForm):
    supply_v = volts("Supply", required=True)
    source_resistance_kohm = number("Resistance of the supply, kΩ", "What all of this position's current passes.")
    load = forms.ChoiceField(label="Anode load", choices=list(LOADS.items()))
    load_kohm = number("Load, kΩ", "The resistor, or what the transformer shows the anode (push-pull: anode to anode).")
    winding_kohm = number("Winding’s resistance, kΩ", "Of a transformer or choke, to direct current.")
    load_ma = number("Current of the current source, mA")
    cathode_resistor_ohm = number("Cathode resistor, Ω", "Push-pull sharing one resistor: write twice its value.")
    bypassed = forms.BooleanField(label="Cathode resistor bypassed", required=False, initial=True)
    grid_v = volts("Grid at", "−37.7 for a fixed bias; what the stage before lifts it to.", least=-1000)
    grid_circuit_kohm = number("Grid circuit, kΩ", "The grid’s way to its return.")
    next_grid_kohm = number("Next grid’s resistor, kΩ")
    output_v_rms = volts("Must give, rms", "Empty: nobody knows.")
    section = WholeTyped(label="Section", min_value=1, max_value=3, initial=1)
    sections_at_work = WholeTyped(
        label="Sections that work so", min_value=1, max_value=3, initial=1, help_text="2 where both halves do this job."
    )
    screen = forms.ChoiceField(label="Screen", choices=list(SCREENS.items()), required=False)
    screen_supply_v = volts("Screen supply", "Empty: the anode’s.")
    screen_resistor_kohm = number("Screen’s resistor, kΩ")
    ultralinear_tap = FloatTyped(
        label="Ultralinear tap", min_value=0.05, max_value=0.95, initial=0.43, required=False, help_text="0.43 is 43 %."
    )

    SCREEN = ("screen", "screen_supply_v", "screen_resistor_kohm", "ultralinear_tap")
    PARTS = (
        ("Supply and load", ("supply_v", "source_resistance_kohm", "load", "load_kohm", "winding_kohm", "load_ma")),
        ("Bias and grids", ("cathode_resistor_ohm", "bypassed", "grid_v", "grid_circuit_kohm", "next_grid_kohm")),
        ("Screen", SCREEN),
        ("What it does", ("output_v_rms", "section", "sections_at_work")),
    )
    PLAIN = tuple(name for _, names in PARTS for name in names)
    MAY_BE_UNKNOWN = frozenset({"grid_circuit_kohm", "next_grid_kohm", "output_v_rms"})

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.sections = list(self.type.sections.all())
        if not any(section.kind in ("pentode", "tetrode", "beam tetrode") for section in self.sections):
            for name in self.SCREEN:
                del self.fields[name]
        elif "screen" not in self.initial:
            self.initial["screen"] = "pentode"
        if "load" not in self.initial:
            self.initial["load"] = "transformer" if self.role in POWER_ROLES else "resistor"
        if len(self.sections) == 1:
            del self.fields["section"], self.fields["sections_at_work"]

    @classmethod
    def values_of(cls, position: Position) -> dict[str, Any]:
        return {**super().values_of(position), **{name: getattr(position, name) for name in cls.PLAIN}}

    def described(self) -> Position:
        told = {name: self.cleaned_data[name] for name in self.PLAIN if name in self.fields}
        given = {name: value for name, value in told.items() if value is not None or name in self.MAY_BE_UNKNOWN}
        return Position(self.type.designation, self.role, **given, heater=self.heater())

    def clean_section(self) -> int:
        section: int = self.cleaned_data["section"]
        if section > len(self.sections):
            raise forms.ValidationError(f"The {self.type} has {len(self.sections)} sections.")
        return section

    def clean(self) -> dict[str, Any]:
        told = self.cleaned_data
        if told.get("load") in ("resistor", "transformer") and not told.get("load_kohm"):
            self.add_error("load_kohm", "How large is the load?")
        if told.get("load") == "current source" and not told.get("load_ma"):
            self.add_error("load_ma", "How much does the current source give?")
        if not told.get("cathode_resistor_ohm") and not told.get("grid_v"):
            self.add_error("cathode_resistor_ohm", "Give a cathode resistor, or a fixed bias as “Grid at”.")
        return super().clean()


class RectifierPositionForm(PositionForm):
    rms_v = volts("Each anode, rms", "Against the centre tap, without load.", required=True)
    source_ohm = number("Source resistance of each anode, Ω", "Windings and resistors in its way.", required=True)
    load_ma = number("Load, mA", required=True)
    first_capacitor_uf = number("First capacitor, µF", "Empty: a choke comes first.")
    anodes = forms.TypedChoiceField(coerce=int, choices=[(2, "two, full wave"), (1, "one, half wave")])
    mains_hz = forms.TypedChoiceField(label="Mains, Hz", coerce=float, choices=[(50.0, "50"), (60.0, "60")])
    capacitor_rating_v = volts("The set’s capacitors stand", "Empty: nobody knows.")
    loads_warm_slowly = forms.BooleanField(
        label="What it feeds warms slowly",
        required=False,
        initial=True,
        help_text="Valves with a cathode and a heater.",
    )

    DUTY = (
        "rms_v",
        "source_ohm",
        "load_ma",
        "first_capacitor_uf",
        "anodes",
        "mains_hz",
        "capacitor_rating_v",
        "loads_warm_slowly",
    )
    PARTS = (("Transformer, filter and load", DUTY),)

    @classmethod
    def values_of(cls, position: Position) -> dict[str, Any]:
        return {**super().values_of(position), **(asdict(position.rectifier) if position.rectifier else {})}

    def described(self) -> Position:
        duty = RectifierDuty(**{name: self.cleaned_data[name] for name in self.DUTY})
        return Position(self.type.designation, self.role, rectifier=duty, heater=self.heater())

    def clean(self) -> dict[str, Any]:
        for name in ("rms_v", "load_ma", "first_capacitor_uf"):
            if self.cleaned_data.get(name) == 0:
                self.add_error(name, "This must be above nought.")
        return super().clean()


class StabiliserPositionForm(PositionForm):
    supply_v = volts("Supply before the resistor", required=True)
    series_resistor_kohm = FloatTyped(label="Series resistor, kΩ", min_value=0.001, max_value=1000)
    load_ma = number("Load, mA", required=True)

    DUTY = ("supply_v", "series_resistor_kohm", "load_ma")
    PARTS = (("Supply and load", DUTY),)

    @classmethod
    def values_of(cls, position: Position) -> dict[str, Any]:
        return {**super().values_of(position), **(asdict(position.stabiliser) if position.stabiliser else {})}

    def described(self) -> Position:
        duty = StabiliserDuty(**{name: self.cleaned_data[name] for name in self.DUTY})
        return Position(self.type.designation, self.role, stabiliser=duty, heater=self.heater())


def form_for(role: str) -> type[PositionForm]:
    return {"rectifier": RectifierPositionForm, "stabiliser": StabiliserPositionForm}.get(role, AmplifierPositionForm)


def suits(role: str, type: ValveType) -> bool:
    """The type has what the role needs: a diode to rectify, a stabiliser to hold, a grid for the others."""
    kinds = {section.kind for section in type.sections.all()}
    needed = {"rectifier": {"diode"}, "stabiliser": {"stabiliser"}}
    return bool(kinds & needed.get(role, {"triode", "pentode", "tetrode", "beam tetrode"}))
