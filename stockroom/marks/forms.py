"""The sheet on which somebody writes down what a valve shows, and the small forms beside it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any, cast

from django import forms
from django.utils.functional import cached_property

from catalog.models import ValveType
from stockroom.marks import identity
from stockroom.marks.identity import MarksSeen
from stockroom.marks.pure.construction import CONDITION, FEATURES, FeatureChoice
from stockroom.marks.pure.datecodes import DateMeaning
from stockroom.marks.pure.identification import Built, Ranked
from stockroom.marks.register import MarkSaid, Register
from stockroom.models import Cleaning, Condition, Line, Maker, Valve
from stockroom.site.edits import WritesOnlyChanges
from stockroom.site.names import NameField
from stockroom.site.web import TypeField, marked_as, type_field

LIKELIEST = 6  # shown at once; the others unfold

ALONE, WHERE_EMPTY, OVER = "alone", "empty", "over"


@dataclass(frozen=True)
class Offered:
    """One reading of the code as the page offers it."""

    ranked: Ranked
    owners: list[str]
    chosen: bool

    @property
    def reading(self) -> DateMeaning:
        return self.ranked.reading


def _select(choice: FeatureChoice) -> forms.ChoiceField:
    words = [("", "–"), *((word, word) for word in choice.words)]
    return forms.ChoiceField(label=choice.label, required=False, choices=words)


class MarksForm(WritesOnlyChanges, forms.Form):
    """What is seen on one valve, or on all of a line (`valve` None).

    A code is read before it is kept: `settled` is False until the page has shown what this code can mean. Of one valve
    only what the person changed is written; hold the valve before the form is made. A page that came back with neither
    the code nor its reading touched leaves both as they stand.
    """

    type = TypeField(label="Type, as the glass says it", max_length=40)
    new_type = forms.BooleanField(required=False, label="It is not on file: enter it as a new type")
    maker = NameField(Maker, label="Marked maker", required=False)
    code = forms.CharField(label="Code as stamped", max_length=40, required=False)
    pack_marks = forms.CharField(label="Marks on the pack", max_length=200, required=False)
    note = forms.CharField(label="Note on the condition", max_length=300, required=False)
    spread = forms.ChoiceField(label="For which valves", required=False)

    def __init__(self, data: Any = None, *, line: Line, valve: Valve | None, others: int) -> None:
        self.edits = valve is not None
        super().__init__(data, initial=_as_recorded(valve, line))
        self.line, self.valve = line, valve
        self.register = Register()
        for name, choice in FEATURES.items():
            self.fields[f"feature {name}"] = _select(choice)
        for name, choice in CONDITION.items():
            self.fields[f"condition {name}"] = _select(choice)
        self._offer_spread(others)
        for name in ("code", "pack_marks", "note"):
            self.fields[name].widget.attrs.update(autocomplete="off", spellcheck="false")
        self.fields["code"].widget.attrs["data-enter"] = "send"
        if valve is None:
            del self.fields["type"], self.fields["new_type"]
        else:
            type_field(self).may_be_new = bool(self.data.get("new_type"))
        for name, field in self.fields.items():
            self.show_initial(field)
            if name in ("spread", "new_type"):
                field.show_hidden_initial = False
        self.saved = valve and valve.date_readings.filter(current=True).first()
        self.ranked = self._rank()

    def _offer_spread(self, others: int) -> None:
        where_empty = (WHERE_EMPTY, "only where nothing is recorded")
        if self.valve is None:
            self.fields["spread"].choices = [  # type: ignore[attr-defined]
                where_empty,
                (OVER, "on all of them, in place of what is recorded"),
            ]
        elif others:
            also = f"this one, and the line’s {others} others"
            self.fields["spread"].choices = [  # type: ignore[attr-defined]
                (ALONE, "this one alone"),
                (WHERE_EMPTY, f"{also} where nothing is recorded"),
                (OVER, f"{also} in place of what is recorded"),
            ]
        else:
            del self.fields["spread"]

    # The code and its readings

    @property
    def _code(self) -> str:
        """As typed; as it stands where it was not touched."""
        stands = str(self.initial.get("code", ""))
        written = self.data.get("code", "") if self.is_bound and self._touched("code") else stands
        return " ".join(written.split())[:40]

    def _touched(self, name: str) -> bool:
        return self._changed(name, self.fields[name])

    @property
    def _reading_untouched(self) -> bool:
        """The page came back with the code and its reading as it had shown them."""
        shown = self.data.get("initial-reading")
        as_shown = self.is_bound and shown is not None and shown == self.data.get("reading")
        return bool(as_shown and self.saved) and not self._touched("code") and not self._touched("type")

    @property
    def _type(self) -> ValveType:
        """The type as typed, else as recorded; only to rank by."""
        if self.is_bound and self.valve is not None:
            typed = ValveType.objects.named(self.data.get("type", "")).first()
            if typed:
                return typed
        return self.valve.type if self.valve else self.line.type

    def _rank(self) -> list[Ranked]:
        besides = [self.valve.pk] if self.valve else []
        others = identity.others_of_line(self.line, besides)
        received, years = self.line.lot.received_on, self.built.years if self.built else None
        return identity.rank_code(self._code, self._type, received, others, self.register, years)

    @cached_property
    def built(self) -> Built | None:
        """What the construction as recorded tells of the years; what is on the page is taken up once it is saved."""
        if self.valve is None:
            return None
        features = {one.feature: one.word for one in self.valve.features.all()}
        return identity.built(features, self.valve.maker, self.valve.type_id, self.register)

    @property
    def said(self) -> list[MarkSaid]:
        return self.register.said(self._code, self._type)

    def clean(self) -> dict[str, Any]:
        """Somebody else may have read the same code otherwise meanwhile."""
        shown, stands = self.data.get("initial-reading"), self.saved.reading if self.saved else None
        key = stands.key if stands else ""
        told = shown is not None and self.settled and not self._touched("code") and not self._reading_untouched
        if told and self.saved and key not in (shown, self.chosen):
            data = cast(Any, self.data).copy()
            data["initial-reading"] = key
            self.data = data
            self.add_error(
                "code",
                f"Somebody has read this as {stands.words if stands else 'undecided'} meanwhile. "
                "Send again if yours is right.",
            )
        return super().clean() or {}

    @property
    def token(self) -> str:
        """The same while the same code of the same type is being read."""
        return hashlib.sha256(f"{self._code}\n{self._type.pk}".encode()).hexdigest()[:16]

    @property
    def settled(self) -> bool:
        """Whether the page that was sent had shown what its code can mean, or that no rule reads it."""
        return not self._code or self._reading_untouched or self.data.get("shown") == self.token

    def put_cursor(self, *, on_reading: bool) -> None:
        """On what is wrong, else on the code; the page itself puts it on the reading that is marked."""
        at = next((name for name in self.errors if name in self.fields), "code")
        if not on_reading:
            self.fields[at].widget.attrs["autofocus"] = True

    @property
    def chosen(self) -> str:
        """The key of the reading that is marked: as sent, as kept, or the one that leads."""
        if self.is_bound and self.data.get("shown") == self.token and not self._reading_untouched:
            return str(self.data.get("reading", ""))
        if self.saved and self.saved.code == self._code:
            return self.saved.reading.key if self.saved.reading else ""
        return identity.leader(self.ranked)

    @property
    def shown_reading(self) -> str:
        """The key of the reading that was marked when the page was first opened."""
        if "initial-reading" in self.data:
            return str(self.data["initial-reading"])
        return self.saved.reading.key if self.saved and self.saved.reading else ""

    @property
    def offered(self) -> list[Offered]:
        return [
            Offered(one, self.register.owners(one.reading.source_code), one.reading.key == self.chosen)
            for one in self.ranked
        ]

    @property
    def likeliest(self) -> list[Offered]:
        return self.offered[:LIKELIEST]

    @property
    def less_likely(self) -> list[Offered]:
        return self.offered[LIKELIEST:]

    @property
    def chosen_is_folded(self) -> bool:
        return any(one.chosen for one in self.less_likely)

    # What the template lays out

    def _bound(self, prefix: str) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name.startswith(prefix)]

    @property
    def marks(self) -> list[forms.BoundField]:
        """The box for a new type is offered once a name was not found."""
        asked = "type" in self.errors or (self.is_bound and self.data.get("new_type"))
        names = ("type", *(["new_type"] if asked else []), "maker", "code")
        return [self[name] for name in names if name in self.fields]

    @property
    def construction(self) -> list[forms.BoundField]:
        return self._bound("feature ")

    @property
    def condition(self) -> list[forms.BoundField]:
        return [*self._bound("condition "), self["pack_marks"], self["note"]]

    def seen(self) -> MarksSeen:
        data = self.cleaned_data
        type_ = data.get("type")
        return MarksSeen(
            type=type_,
            as_marked=marked_as(type_field(self).written, type_) if type_ else "",
            maker=data["maker"],
            code=data["code"],
            chosen=self.chosen if data["code"] else "",
            features={name: data[f"feature {name}"] for name in FEATURES},
            condition={name: data[f"condition {name}"] for name in CONDITION},
            pack_marks=data["pack_marks"],
            note=data["note"],
        )

    @property
    def spread_to(self) -> str:
        return self.cleaned_data.get("spread") or ALONE


def _as_recorded(valve: Valve | None, line: Line) -> dict[str, Any]:
    if valve is None:
        return {"maker": line.maker_id}
    condition = Condition.objects.filter(valve=valve).first()
    return {
        "type": valve.called,
        "maker": valve.maker_id,
        "code": valve.date_code,
        "pack_marks": condition.pack_marks if condition else "",
        "note": condition.note if condition else "",
        **{f"feature {one.feature}": one.word for one in valve.features.all()},
        **{f"condition {name}": getattr(condition, name) for name in CONDITION if condition},
    }


class CleaningForm(forms.ModelForm):
    class Meta:
        model = Cleaning
        fields = ["how", "note"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["how"].widget.attrs["autofocus"] = True


class DismissForm(forms.Form):
    because = forms.CharField(label="Why it is nothing", max_length=200)
