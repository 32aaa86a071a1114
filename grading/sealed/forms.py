"""The forms of sealed stock: the packs, a plan, how many to open, what is decided, what is said of a supplier."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.utils import timezone

from grading.models import Policy
from stockroom.models import Listing, Packing, SamplingPlan, SealedDecision, SupplyNote
from stockroom.sealed.plans import Exact, Iso, Terms
from stockroom.sealed.pure import sampling
from stockroom.sealed.pure.sampling import InspectionLevel, Severity
from stockroom.site.edits import EditForm
from stockroom.site.numbers import DecimalTyped, WholeTyped, typed_numbers

Method = SamplingPlan.Method
AQLS = [(f"{aql}", f"{aql}") for aql in sampling.AQLS_FOR_ITEMS]
LEVEL_WORDS = {
    InspectionLevel.S1: "S-1, opens the fewest",
    InspectionLevel.S2: "S-2",
    InspectionLevel.S3: "S-3",
    InspectionLevel.S4: "S-4",
    InspectionLevel.I: "I",
    InspectionLevel.II: "II, unless there is a reason",
    InspectionLevel.III: "III, opens the most",
}
REASON_HELP = "Only when it is not the severity proposed above."


class PackingForm(EditForm):
    class Meta:
        model = Packing
        fields = ["seal", "carton_size", "contract_marks", "pack_date"]
        formfield_callback = typed_numbers
        widgets = {"seal": forms.RadioSelect}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["carton_size"].widget.attrs["autofocus"] = True
        self.fields["contract_marks"].help_text = "Word for word; the date can stand in them too."

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if values.get("seal") == Packing.Seal.CARTON and values.get("carton_size", 2) < 2:
            self.add_error("carton_size", "A sealed carton holds several pieces. For single packs choose the other.")
        return values

    def _get_validation_exclusions(self) -> set[str]:
        return super()._get_validation_exclusions() | {"line"}  # type: ignore[misc]


class SamplingPlanForm(forms.Form):
    """A wish for a plan. It is filled in before it is asked for, so that the page shows a plan at once."""

    method = forms.ChoiceField(choices=Method.choices, widget=forms.RadioSelect)
    level = forms.ChoiceField(
        label="Inspection level", required=False, choices=[(level.value, words) for level, words in LEVEL_WORDS.items()]
    )
    aql = forms.ChoiceField(label="AQL, % nonconforming", required=False, choices=AQLS)
    severity = forms.ChoiceField(
        required=False, choices=[("", "as proposed"), *((severity.value, severity.value) for severity in Severity)]
    )
    override_reason = forms.CharField(
        label="Why another severity", required=False, max_length=200, help_text=REASON_HELP
    )
    offered_again = forms.BooleanField(
        label="Offered again after a refusal (does not count for the switching rules)", required=False
    )
    acceptable_percent = DecimalTyped(
        label="Acceptable quality, % bad", required=False, min_value=0, max_value=100, decimal_places=2
    )
    rejectable_percent = DecimalTyped(
        label="Rejectable quality, % bad", required=False, min_value=0, max_value=100, decimal_places=2
    )
    producers_risk_percent = DecimalTyped(
        label="Producer's risk, %",
        required=False,
        min_value=0,
        max_value=100,
        decimal_places=2,
        help_text="Of refusing a lot of acceptable quality.",
    )
    consumers_risk_percent = DecimalTyped(
        label="Consumer's risk, %",
        required=False,
        min_value=0,
        max_value=100,
        decimal_places=2,
        help_text="Of accepting a lot of rejectable quality.",
    )
    worst_grade = forms.ChoiceField(label="A piece is usable when it is", required=False)
    returnable_until = forms.DateField(
        label="Can go back to the supplier until",
        required=False,
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
        help_text="Empty when it cannot.",
    )
    replaced_because = forms.CharField(label="Why the plan is replaced", max_length=200)

    ISO_FIELDS = ("level", "aql", "severity", "override_reason", "offered_again")
    EXACT_FIELDS = ("acceptable_percent", "rejectable_percent", "producers_risk_percent", "consumers_risk_percent")
    OTHER_FIELDS = ("worst_grade", "returnable_until", "replaced_because")
    START: Mapping[str, str] = {
        "method": "iso",
        "level": "II",
        "aql": "4.0",
        "acceptable_percent": "2",
        "rejectable_percent": "15",
        "producers_risk_percent": "5",
        "consumers_risk_percent": "10",
    }

    def __init__(self, data: Mapping[str, Any] | None, replaces: bool) -> None:
        super().__init__(data or self.START)
        policy = Policy.objects.filter(in_force=True).first()
        levels = [level for level in policy.parsed.levels if level.saleable] if policy else []
        worse = [(level.name, f"graded {level.name} or better") for level in levels]
        self.fields["worst_grade"].choices = [("", "of a grade that may be sold"), *worse]  # type: ignore[attr-defined]
        if not replaces:
            del self.fields["replaced_because"]
        elif not data or "replaced_because" not in data:
            self.fields["replaced_because"].required = False  # while it is only being worked out
        first = "acceptable_percent" if self.data.get("method") == Method.EXACT else "aql"
        self.fields[first].widget.attrs["autofocus"] = True

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        needed: Sequence[str] = ("level", "aql") if values.get("method") == Method.ISO else ()
        if values.get("method") == Method.EXACT:
            needed = self.EXACT_FIELDS
        for name in needed:
            if values.get(name) in (None, "") and name not in self.errors:
                self.add_error(name, "This is needed for the method chosen.")
        day = values.get("returnable_until")
        if day and day < timezone.localdate():
            self.add_error("returnable_until", "This day has passed. Leave it empty if the lot cannot go back.")
        return values

    @property
    def wish(self) -> Iso | Exact:
        values = self.cleaned_data
        if values["method"] == Method.EXACT:
            return Exact(*(values[name] for name in self.EXACT_FIELDS))
        return Iso(
            InspectionLevel(values["level"]),
            Decimal(values["aql"]),
            Severity(values["severity"]) if values["severity"] else None,
            values["override_reason"],
            values["offered_again"],
        )

    @property
    def terms(self) -> Terms:
        values = self.cleaned_data
        return Terms(values["worst_grade"], values["returnable_until"], values.get("replaced_because", ""))

    def _bound(self, names: Sequence[str]) -> list[forms.BoundField]:
        return [self[name] for name in names if name in self.fields]

    @property
    def iso(self) -> list[forms.BoundField]:
        return self._bound(self.ISO_FIELDS)

    @property
    def exact(self) -> list[forms.BoundField]:
        return self._bound(self.EXACT_FIELDS)

    @property
    def others(self) -> list[forms.BoundField]:
        return self._bound(self.OTHER_FIELDS)


class OpenForm(forms.Form):
    count = WholeTyped(label="Open how many", min_value=1)

    def __init__(self, shut: int, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["count"].initial = shut
        self.fields["count"].widget.attrs.update({"autofocus": True})


class DecideForm(forms.Form):
    action = forms.ChoiceField(label="Decision", choices=SealedDecision.Action.choices)
    note = forms.CharField(label="Why, if it is not what the plan proposes", required=False, max_length=200)
    keep_opened = forms.BooleanField(
        label="If it goes back: keep the pieces that were opened",
        required=False,
        help_text="Otherwise they go back with it, as far as they are in the house.",
    )


class SealedListingForm(forms.ModelForm):
    count = WholeTyped(min_value=1, initial=1)

    class Meta:
        model = Listing
        fields = ["title", "text", "price", "currency"]
        formfield_callback = typed_numbers

    field_order = ["count", "title", "text", "price", "currency"]


class SupplyForm(forms.ModelForm):
    aql = forms.TypedChoiceField(
        label="AQL", choices=[("", "–"), *AQLS], coerce=Decimal, required=False, empty_value=None
    )

    class Meta:
        model = SupplyNote
        fields = ["kind", "aql", "steady", "reduced_wanted", "reason"]
        formfield_callback = typed_numbers

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["aql"].help_text = "For beginning again and for ending reduced inspection."

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if values.get("kind") and values["kind"] != SupplyNote.Kind.TERMS and values.get("aql") is None:
            self.add_error("aql", "Say at which AQL.")
        return values
