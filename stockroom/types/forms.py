"""The forms of a type: the few things that whoever receives knows, and all that the owner may say."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from copy import deepcopy
from decimal import Decimal
from typing import Any

from django import forms

from catalog.models import CAUTION_SENTENCES, Basing, Ratings, Source
from catalog.reference.equivalents import SOURCE
from catalog.reference.scripts import normal
from catalog.reference.vocabulary import BASES, CATHODES, KINSHIPS, RATING_SYSTEMS, SECTION_ELECTRODES, TYPE_KINDS
from stockroom.site.numbers import DecimalTyped

Table = dict[str, Any]

HEATER = re.compile(r"([0-9.]+)\s*V?\s+([0-9.]+)\s*A?\s*(single|series|parallel)?", re.IGNORECASE)
MOST_PINS = 40


class BasesInput(forms.TextInput):
    """A base in words of one's own; the browser offers those there are."""

    template_name = "types/bases_input.html"

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        context["widget"]["bases"] = [(code, base.label) for code, base in BASES.items()]
        return context


def _choices(words: Sequence[str], nothing: str) -> list[tuple[str, str]]:
    return [("", nothing), *((word, word) for word in sorted(words))]


class NewTypeForm(forms.Form):
    """A type that the shop has never met. Only the name must be known."""

    designation = forms.CharField(label="Name, as the glass says it", max_length=40)
    kind = forms.ChoiceField(choices=_choices(tuple(TYPE_KINDS), "not known"), required=False)
    heater = forms.CharField(
        required=False, max_length=80, help_text="Such as 7 V 0.3 A. Leave empty what you do not know."
    )
    base = forms.CharField(required=False, max_length=40, widget=BasesInput({"list": "bases", "autocomplete": "off"}))
    note = forms.CharField(required=False, max_length=300)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["designation"].widget.attrs.update(
            {"autofocus": True, "autocomplete": "off", "spellcheck": "false"}
        )

    def clean_heater(self) -> list[Table]:
        return read_heaters(self.cleaned_data["heater"])

    def clean_base(self) -> str:
        return read_base(self.cleaned_data["base"])

    @property
    def table(self) -> Table:
        said = self.cleaned_data
        table: Table = {"designation": said["designation"], "kind": said["kind"], "note": said["note"]}
        if said["heater"]:
            table |= {"heaters": said["heater"], "heater_source": SOURCE}
        if said["base"]:
            table |= {"basing": _base_alone(said["base"]), "basing_source": SOURCE}
        return {key: value for key, value in table.items() if value}

    @property
    def basing(self) -> Table | None:
        base = self.cleaned_data["base"]
        return pins_not_known(base) if base else None


def _base_alone(base: str) -> str:
    return f"{base[:22].strip()}, pins not on file"


def pins_not_known(base: str) -> Table:
    """The basing of a valve of which only the base is known."""
    pins = ["unknown"] * (BASES[base].pins if base in BASES else 1)
    return {"name": _base_alone(base), "base": base, "pins": pins, "source": SOURCE}


def read_base(text: str) -> str:
    """The code of a base that is known by this code or label; any other base in the words typed."""
    wanted = text.strip().casefold()
    return next(
        (code for code, base in BASES.items() if wanted in (code.casefold(), base.label.casefold())), text.strip()
    )


def read_heaters(text: str) -> list[Table]:
    """ "12.6 V 0.15 A series; 6.3 V 0.3 A parallel". Raises ValidationError."""
    heaters = []
    for part in filter(None, (piece.strip() for piece in re.split(r"[;\n]", text))):
        match = HEATER.fullmatch(part.replace(",", "."))
        if match is None:
            raise forms.ValidationError(f"“{part}”: give volts and amperes, such as 6.3 V 0.3 A.")
        heater: Table = {"voltage_v": Decimal(match[1]), "current_a": Decimal(match[2])}
        heaters.append({**({"wiring": match[3].lower()} if match[3] else {}), **heater})
    return heaters


def written_heaters(heaters: Sequence[Mapping[str, Any]]) -> str:
    shown = [f"{one['voltage_v']} V {one['current_a']} A {one.get('wiring', '')}".strip() for one in heaters]
    return "; ".join(shown)


class TypeForm(forms.Form):
    """What is said of the whole valve."""

    kind = forms.ChoiceField(choices=_choices(tuple(TYPE_KINDS), "not known"), required=False)
    cathode = forms.ChoiceField(choices=_choices(tuple(CATHODES), "not known"), required=False)
    heater = forms.CharField(
        required=False, max_length=120, help_text="Volts and amperes; two ways of wiring apart by ;"
    )
    base = forms.CharField(required=False, max_length=40, widget=BasesInput({"list": "bases", "autocomplete": "off"}))
    pins = forms.CharField(
        required=False,
        max_length=600,
        widget=forms.Textarea({"rows": 2, "spellcheck": "false"}),
        help_text=(
            "In order from pin 1, with commas, a section’s number before its electrodes: h, 1:k, 1:g1, 1:a, h. "
            "Two on one pin with +; - where a pin is missing; nc, ic, s. Empty where they are not known."
        ),
    )
    top_cap = forms.CharField(required=False, max_length=40, help_text="Such as 1:a.")
    names = forms.CharField(
        label="Other names for the very same valve",
        required=False,
        widget=forms.Textarea({"rows": 2}),
        help_text="With commas.",
    )
    related = forms.CharField(
        label="Related types",
        required=False,
        widget=forms.Textarea({"rows": 3}),
        help_text="One a line: 6DJ8: near: heater 6.3 V. Or special quality, or same electrically.",
    )
    cautions = forms.MultipleChoiceField(
        choices=[(caution, caution) for caution in CAUTION_SENTENCES],
        widget=forms.CheckboxSelectMultiple,
        required=False,
    )
    note = forms.CharField(required=False, max_length=400)

    def clean_heater(self) -> list[Table]:
        return read_heaters(self.cleaned_data["heater"])

    def clean_base(self) -> str:
        return read_base(self.cleaned_data["base"])

    def clean_pins(self) -> list[str]:
        pins = [pin.strip() for pin in re.split(r"[,\n]", self.cleaned_data["pins"]) if pin.strip()]
        if len(pins) > MOST_PINS:
            raise forms.ValidationError(f"{len(pins)} pins? At most {MOST_PINS}.")
        return pins

    def clean_names(self) -> list[str]:
        return [name.strip() for name in re.split(r"[,;\n]", self.cleaned_data["names"]) if name.strip()]

    def clean_related(self) -> list[Table]:
        found = []
        for line in filter(None, (line.strip() for line in self.cleaned_data["related"].splitlines())):
            name, how, note = (part.strip() for part in (line + "::").split(":", 2))
            if how not in KINSHIPS:
                raise forms.ValidationError(f"“{line}”: after the name, say how: {', '.join(sorted(KINSHIPS))}.")
            found.append({"designation": name, "how": how, "note": note.rstrip(": ")})
        return found


def _number(label: str, least: int | None = 0) -> DecimalTyped:
    return DecimalTyped(label=label, required=False, min_value=least, max_digits=10, decimal_places=4)


class RatingsForm(forms.Form):
    """A section's kind and its maxima."""

    kind = forms.ChoiceField(choices=_choices(tuple(SECTION_ELECTRODES), "–"), required=False, label="Kind of section")
    system = forms.ChoiceField(choices=[(word, word) for word in sorted(RATING_SYSTEMS)], label="Rating system")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for field, label, unit in Ratings.NAMES:
            self.fields[field] = _number(f"{label}, {unit}")


class PointForm(forms.Form):
    """A test point; without a nominal it says only how a tester is set, and nothing is graded by it."""

    name = forms.CharField(required=False, max_length=60, label="Name of the test point", help_text="Such as 90 V.")
    anode_voltage_v = _number("Va, V")
    screen_voltage_v = _number("Vg2, V")
    as_triode = forms.BooleanField(required=False, label="or the screen is joined to the anode")
    grid_voltage_v = _number("Vg1, V", None)
    cathode_resistor_ohm = _number("or Rk, Ω")
    current_is_set = forms.BooleanField(required=False, label="or the bias is set until that Ia flows")
    anode_current_ma = _number("Nominal Ia, mA")
    anode_current_min_ma = _number("Ia at least, mA")
    anode_current_max_ma = _number("Ia at most, mA")
    screen_current_ma = _number("Nominal Ig2, mA")
    gm_ma_per_v = _number("Nominal gm, mA/V")
    gm_min_ma_per_v = _number("gm at least, mA/V")
    gm_max_ma_per_v = _number("gm at most, mA/V")
    conversion_conductance_ma_per_v = _number("Conversion conductance gc of a mixer, mA/V")
    mu = _number("mu")
    anode_resistance_kohm = _number("ra, kΩ")

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        for flag in ("current_is_set", "as_triode"):
            said[flag] = said.get(flag) or None  # left out of the row where it is not so
        if any(value is not None for key, value in said.items() if key != "name") and not said.get("name"):
            self.add_error("name", "Give the test point a name, such as its anode voltage.")
        return said


class SourceAndReasonForm(forms.Form):
    """Where the change was read, and why it is made."""

    source = forms.ModelChoiceField(
        label="Read where", queryset=Source.objects.all(), to_field_name="key", empty_label=None
    )
    at = forms.CharField(label="Page or sheet", required=False, max_length=120)
    reason = forms.CharField(label="Why it is changed", max_length=200)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("source", SOURCE)


class SectionForms:
    """One section, or several that are alike: its ratings, its test points and a blank one."""

    def __init__(self, number: int, block: Mapping[str, Any], data: Any) -> None:
        self.block, prefix = dict(block), f"s{number}"
        alike = int(self.block.get("alike", 1))
        self.heading = f"Section {number}" if alike == 1 else f"Sections {number} to {number + alike - 1}"
        start = {"system": "unstated", **self.block.get("ratings", {}), "kind": self.block.get("kind", "")}
        self.ratings = RatingsForm(data, prefix=prefix, initial=start)
        self.points = [
            PointForm(data, prefix=f"{prefix}p{place}", initial=point)
            for place, point in enumerate([*self.block.get("test_point", []), {}])
        ]

    @property
    def all(self) -> list[forms.Form]:
        return [self.ratings, *self.points]

    def said(self, by: Table) -> Table | None:
        """The block as it is now; none where nothing is said of it. `by` is the source of what is new."""
        kind, system = self.ratings.cleaned_data["kind"], self.ratings.cleaned_data["system"]
        if not kind:
            return None
        old = self.block.get("ratings", {})
        numbers = {field: self.ratings.cleaned_data[field] for field, _, _ in Ratings.NAMES}
        ratings = _renewed(old, {"system": system, **numbers}, by)
        points = [
            _renewed(old, form.cleaned_data, by)
            for form, old in zip(self.points, [*self.block.get("test_point", []), {}], strict=True)
            if form.cleaned_data.get("name")
        ]
        block = {**self.block, "kind": kind, "ratings": ratings, "test_point": points}
        return {key: value for key, value in block.items() if value not in ([], {})}


def _renewed(old: Mapping[str, Any], new: Mapping[str, Any], by: Table) -> Table:
    """The old row with what is new in it; one that says something new is by the new source."""
    said = {**old, **{key: value for key, value in new.items() if value is not None}}
    said = {key: value for key, value in said.items() if new.get(key, value) is not None and value != ""}
    return said if said == dict(old) else {**{key: value for key, value in said.items() if key != "at"}, **by}


class TypeForms:
    """All forms of one type on one page."""

    def __init__(self, table: Table, basing: Basing | None, data: Any = None) -> None:
        self.table, self.old_basing = table, basing
        self.type_form = TypeForm(data, initial=_start(table, basing))
        blocks, number, self.sections = [*table.get("section", []), {}], 1, []
        for block in blocks:
            self.sections.append(SectionForms(number, block, data))
            number += int(block.get("alike", 1))
        self.why_form = SourceAndReasonForm(data)

    def is_valid(self) -> bool:
        each = [self.type_form, self.why_form, *(form for section in self.sections for form in section.all)]
        return not [form for form in each if not form.is_valid()]  # every form says its errors

    @property
    def basing(self) -> Table | None:
        """The basing that was described here; none where it is the one there was."""
        said, old = self.type_form.cleaned_data, self.type_form.initial
        if not said["base"] or all(said[key] == self._as_read(key, old[key]) for key in ("base", "pins", "top_cap")):
            return None
        if not said["pins"]:
            return pins_not_known(said["base"])
        name = f"{self.table['designation']}, as described here"[:40]
        basing = {"name": name, "base": said["base"], "pins": said["pins"], **self._by}
        return {**basing, **({"top_cap": said["top_cap"]} if said["top_cap"] else {})}

    def _as_read(self, key: str, written: str) -> Any:
        return [pin.strip() for pin in written.split(",") if pin.strip()] if key == "pins" else written

    @property
    def _by(self) -> Table:
        said = self.why_form.cleaned_data
        return {"source": said["source"].key, **({"at": said["at"]} if said["at"] else {})}

    @property
    def wanted(self) -> Table:
        """The type as the forms say it is."""
        said, by = self.type_form.cleaned_data, self._by
        table = {**deepcopy(self.table), "kind": said["kind"], "cathode": said["cathode"], "note": said["note"]}
        if said["heater"] != read_heaters(self.type_form.initial["heater"]):
            table |= {"heaters": said["heater"], "heater_source": by["source"], "heater_at": by.get("at", "")}
        if basing := self.basing:
            table |= {"basing": basing["name"], "basing_source": by["source"], "basing_at": by.get("at", "")}
        caps = {"top cap"} if said["top_cap"] else set()
        table["cautions"] = [one for one in CAUTION_SENTENCES if one in {*said["cautions"], *caps}]
        table["aliases"] = _named(table.get("aliases", []), [{"designation": name} for name in said["names"]], by)
        table["related"] = _named(table.get("related", []), said["related"], by)
        table["section"] = [block for section in self.sections if (block := section.said(by))]
        if not table.get("heaters"):
            table |= {"heater_source": "", "heater_at": ""}
        return {key: value for key, value in table.items() if value not in ("", [], None)}


def _named(old: Sequence[Table], new: Sequence[Table], by: Table) -> list[Table]:
    """The rows as they were where nothing of them changed, and what is new by the new source."""
    known = {normal(row["designation"]): row for row in old}
    rows = []
    for one in new:
        was = known.get(normal(one["designation"]), {})
        same = all(was.get(key, "") == value for key, value in one.items() if key != "designation")
        rows.append(was if was and same else {**{key: value for key, value in one.items() if value}, **by})
    return rows


def _start(table: Table, basing: Basing | None) -> Table:
    pins = [pin.electrodes or "-" for pin in basing.pins.all()] if basing else []
    related = [
        f"{one['designation']}: {one['how']}: {one.get('note', '')}".rstrip(": ") for one in table.get("related", [])
    ]
    return {
        "kind": table.get("kind", ""),
        "cathode": table.get("cathode", ""),
        "heater": written_heaters(table.get("heaters", [])),
        "base": basing.base if basing else "",
        "pins": "" if "unknown" in pins else ", ".join(pins),
        "top_cap": basing.top_cap if basing else "",
        "names": ", ".join(one["designation"] for one in table.get("aliases", [])),
        "related": "\n".join(related),
        "cautions": table.get("cautions", []),
        "note": table.get("note", ""),
    }
