"""Pages of the grading policy: its versions, writing a new one, and what a re-grade would change."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path

from catalog.reference.vocabulary import TYPE_KINDS
from grading.metrology.quantities import NOISE, Quantity, capitalised
from grading.models import Policy
from grading.verdicts import regrading
from grading.verdicts.pure.rules import FAULTS, NUMBERS, GradeLevel, PolicyProblem, Unknown, read_policy
from grading.verdicts.pure.wording import acceptance_in_words, demanded, unknown_in_words
from stockroom.models import Entry
from stockroom.site.numbers import FloatTyped, WholeTyped
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on


def _demands() -> Iterator[tuple[str, str]]:
    """Each demand that a level can make, and how a form asks for it."""
    yield "saleable", "May be sold"
    for quantity in Quantity:
        demands = quantity.facts.demands
        words = {
            demands.least_share: f"{quantity.short} at least, % of nominal",
            demands.most_share: f"{quantity.short} at most, % of nominal",
            demands.within: f"{quantity.short} within, % of nominal either way",
            demands.spread: f"sections' {quantity.short} differ by at most, %",
            demands.most: f"{quantity.short} at most, {quantity.unit}",
        }
        yield from ((key, capitalised(label)) for key, label in words.items() if key)
    yield "within_sheet_limits", "Within the sheet's own limits"
    yield "noise_at_most", "Noise at most"
    yield "must_be_read", "Not given unless read"


RULE_LABELS = dict(_demands())
OWN_RULES = {key: label for key, label in RULE_LABELS.items() if key != "saleable"}
YES_NO = {"yes": True, "no": False}


class LevelForm(forms.Form):
    """One grade's demands; an empty box is no demand."""

    name = forms.CharField(label="Name of the grade", max_length=40)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for key, label in RULE_LABELS.items():
            field: forms.Field
            if key in NUMBERS:
                field = FloatTyped(label=label, required=False, min_value=0, max_value=1000)
            elif key == "noise_at_most":
                field = forms.ChoiceField(label=label, required=False, choices=[("", "any"), *((n, n) for n in NOISE)])
            elif key == "must_be_read":
                field = forms.MultipleChoiceField(
                    label=label,
                    required=False,
                    choices=[(fault, fault) for fault in FAULTS],
                    widget=forms.CheckboxSelectMultiple,
                )
            else:
                field = forms.BooleanField(label=label, required=False)
            self.fields[key] = field

    def rule(self) -> dict[str, Any]:
        defaults = {field.name: field.default for field in fields(GradeLevel)}
        values = {key: None if value == "" else value for key, value in self.cleaned_data.items() if key in defaults}
        given = {key: value for key, value in values.items() if key == "name" or value != defaults[key]}
        if not given.get("must_be_read", True):
            del given["must_be_read"]
        return given


LevelFormSet = forms.formset_factory(LevelForm, extra=1, can_delete=True, max_num=10)


class OwnRuleForm(forms.Form):
    """A demand that one kind of valve has of its own for a grade."""

    kind = forms.ChoiceField(label="Kind of valve", choices=[("", "–"), *((kind, kind) for kind in sorted(TYPE_KINDS))])
    grade = forms.CharField(label="Grade", max_length=40)
    rule = forms.ChoiceField(label="Demand", choices=list(OWN_RULES.items()))
    value = forms.CharField(
        label="Is",
        max_length=80,
        required=False,
        help_text="A number, yes or no, how noisy, or what must be read; empty where nothing is demanded.",
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if "rule" in data:
            try:
                data["means"] = _meant(data["rule"], data.get("value", ""))
            except ValueError as problem:
                self.add_error("value", str(problem))
        return data


OwnRuleFormSet = forms.formset_factory(OwnRuleForm, extra=2, can_delete=True, max_num=60)


def _meant(rule: str, text: str) -> Any:
    """What was typed as the value of a rule. Raises ValueError saying what to type."""
    if rule == "must_be_read":
        return [part.strip() for part in text.split(",") if part.strip()]
    if rule == "within_sheet_limits":
        if text not in YES_NO:
            raise ValueError("Type yes or no.")
        return YES_NO[text]
    if text == "" or rule == "noise_at_most":
        return text or None
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"“{text}” is not a number.") from None


def _in_words(value: Any) -> str:
    """A rule's value as somebody would type it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(value)
    return "" if value is None else f"{value:g}" if isinstance(value, float | int) else str(value)


def _own_rules(levels: Sequence[GradeLevel]) -> list[dict[str, str]]:
    """What is demanded of some kinds only, a row each, as `OwnRuleForm` has it."""
    return [
        {"kind": kind, "grade": level.name, "rule": rule, "value": _in_words(value)}
        for level in levels
        for kind, own in level.by_kind.items()
        for rule, value in own.items()
    ]


def _with_own_rules(rows: list[dict[str, Any]], own: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The levels' rules with those of single kinds put in. Raises PolicyProblem for a grade that is none of them."""
    by_name = {row["name"]: row for row in rows}
    for one in own:
        if one["grade"] not in by_name:
            raise PolicyProblem(f"A demand on the {one['kind']} is for “{one['grade']}”, which is none of the grades.")
        kinds = by_name[one["grade"]].setdefault("by_kind", {})
        kinds.setdefault(one["kind"], {})[one["rule"]] = one["means"]
    return rows


class PolicyForm(forms.Form):
    """What a policy says besides its levels."""

    title = forms.CharField(label="What is new in this version", max_length=120)
    otherwise = forms.CharField(label="Name of the reject grade", max_length=40)
    scale_pass = forms.CharField(label="Name of the grade that an emission scale gives", max_length=40)
    rule = forms.ChoiceField(
        label="A limit is met when",
        choices=[
            ("simple", "the reading meets it"),
            ("guarded", "the reading meets it by a guard band of so many expanded uncertainties"),
            ("maximum false acceptance", "it is wrongly accepted with at most this probability"),
        ],
    )
    guard_factor = FloatTyped(label="Guard band, expanded uncertainties", required=False, min_value=0.01, max_value=3)
    probability = FloatTyped(label="Probability of false acceptance", required=False, min_value=0.001, max_value=0.5)
    match_probability = FloatTyped(
        label="Required probability of conformity",
        min_value=0.5,
        max_value=0.999,
        help_text="How sure a set's tolerance must be before it is claimed; 0.5 takes the readings as they stand.",
    )

    unknown_accuracy_percent = FloatTyped(
        label="A tester whose record leaves something out is judged as if it read within, %",
        required=False,
        min_value=0,
        max_value=50,
        help_text="Its readings carry no ± and no probability. 0 takes them as they stand.",
    )
    unknown_repeatability_percent = FloatTyped(
        label="… and repeated with a standard deviation of, %", required=False, min_value=0, max_value=50
    )
    unknown_best_grade = WholeTyped(
        label="The best grade that it may give", required=False, min_value=1, help_text="1 is the first level."
    )
    unknown_overdue = forms.ChoiceField(
        label="An overdue calibration",
        required=False,
        choices=[
            ("allowed", "counts as it was, and every paper says that it is late"),
            ("unknown", "counts as none: no ± is stated until it is done again"),
        ],
    )

    unknown_sets = forms.ChoiceField(
        label="Sets of readings of a tester without a study",
        required=False,
        choices=[
            ("supposed", "are made where they would surely hold if it repeated so"),
            ("as read", "are made by the readings as they stand"),
            ("none", "are not made"),
        ],
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        wanted = {"guarded": "guard_factor", "maximum false acceptance": "probability"}.get(data.get("rule", ""))
        if wanted and data.get(wanted) is None and wanted not in self.errors:
            self.add_error(wanted, "This rule needs the number.")
        return data

    def rules(self) -> dict[str, Any]:
        data = self.cleaned_data
        acceptance = {"rule": data["rule"]}
        if data["rule"] == "guarded":
            acceptance["guard_factor"] = data["guard_factor"]
        elif data["rule"] == "maximum false acceptance":
            acceptance["probability"] = data["probability"]
        saved = ("otherwise", "scale_pass", "match_probability")
        unknown = {field.name: data[f"unknown_{field.name}"] for field in fields(Unknown)}
        given = {key: value for key, value in unknown.items() if value not in (None, "")}
        return {key: data[key] for key in saved} | {"acceptance": acceptance, "unknown": given}


def policies(request: HttpRequest) -> HttpResponse:
    return render(request, "verdicts/policies.html", {"policies": Policy.objects.select_related("made_by")})


@login_not_required
def policy(request: HttpRequest, version: int) -> HttpResponse:
    found = get_object_or_404(Policy, version=version)
    levels = found.parsed.levels
    table = [(label, [demanded(getattr(level, key)) for level in levels]) for key, label in RULE_LABELS.items()]
    own = [{**row, "rule": RULE_LABELS[row["rule"]], "value": row["value"] or "–"} for row in _own_rules(levels)]
    acceptance = acceptance_in_words(found.parsed.acceptance)
    context = {"policy": found, "levels": levels, "table": table, "own": own, "acceptance": acceptance}
    context["not_known"] = unknown_in_words(found.parsed.unknown)
    return render(request, "verdicts/policy.html", context)


@for_roles(Role.OWNER)
def policy_new(request: StaffRequest) -> HttpResponse:
    """A new version, starting from the one in force. The old versions stay as they are."""
    current = Policy.current()
    parsed = current.parsed
    form = PolicyForm(
        request.POST or None,
        initial={
            "otherwise": parsed.otherwise,
            "scale_pass": parsed.scale_pass,
            "match_probability": parsed.match_probability,
            **current.rules.get("acceptance", {"rule": "simple"}),
            **{f"unknown_{field.name}": getattr(parsed.unknown, field.name) for field in fields(Unknown)},
        },
    )
    start = [{field.name: getattr(level, field.name) for field in fields(GradeLevel)} for level in parsed.levels]
    levels = LevelFormSet(request.POST or None, initial=start, prefix="level")
    own = OwnRuleFormSet(request.POST or None, initial=_own_rules(parsed.levels), prefix="own")
    if request.method == "POST" and form.is_valid() and levels.is_valid() and own.is_valid():
        rows = [f.rule() for f in levels.forms if f.cleaned_data.get("name") and not f.cleaned_data.get("DELETE")]
        saved = [f.cleaned_data for f in own.forms if f.cleaned_data.get("kind") and not f.cleaned_data.get("DELETE")]
        with errors_on(form):
            rules = {"levels": _with_own_rules(rows, saved), **form.rules()}
            read_policy(rules)
            with transaction.atomic():
                latest = Policy.objects.select_for_update(no_key=True).order_by("-version").first()
                made = Policy.objects.create(
                    version=latest.version + 1 if latest else 1,
                    title=form.cleaned_data["title"],
                    rules=rules,
                    made_by=request.user,
                )
                Entry.write(request.user, "policy-written", f"Wrote {made}")
                regrading.start_effect(made, request.user)
            messages.success(request, f"Version {made.version} is written, not in force yet: see what it would change.")
            return redirect("policy-effect", made.version)
    return render(request, "verdicts/policy_new.html", {"form": form, "levels": levels, "own": own, "current": current})


@for_roles(Role.OWNER)
def policy_effect(request: StaffRequest, version: int) -> HttpResponse:
    """What putting this version in force would change in the stock; then do it, with or without re-grading."""
    found = get_object_or_404(Policy, version=version)
    if request.method == "POST" and "work-out" in request.POST:
        regrading.start_effect(found, request.user)
        return redirect("policy-effect", version)
    if request.method == "POST":
        if regrading.put_in_force(found, request.user, regrade=bool(request.POST.get("regrade"))):
            messages.success(request, f"{found} is in force; the stock is graded by it now.")
            return redirect("policy-effect", version)
        messages.success(request, f"{found} is in force for new readings; current grades stay as they are.")
        return redirect("policies")
    job = regrading.latest_effect(found)
    return render(
        request,
        "verdicts/policy_effect.html",
        {
            "policy": found,
            "job": job,
            "effect": regrading.effect_of(job) if job else None,
            "regrade": regrading.latest_regrade(found),
        },
    )


urlpatterns = [
    path("policy/", policies, name="policies"),
    path("policy/new/", policy_new, name="policy-new"),
    path("policy/<int:version>/", policy, name="policy"),
    path("policy/<int:version>/effect/", policy_effect, name="policy-effect"),
]
