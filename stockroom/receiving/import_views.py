"""Pages that import lines into a lot: choose the file, say what its columns hold, look it over, take it in."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from stockroom.files.tables import MAX_BYTES, MAX_ROWS, DecimalMark, NotATable, written
from stockroom.models import Line, Lot, LotFile, Maker
from stockroom.pure.written import plural
from stockroom.receiving import list_import as importing
from stockroom.receiving.booking import ReceivingError
from stockroom.receiving.list_import import ImportProblem, ListPreview, Word
from stockroom.receiving.list_layout import FIELDS, ColumnChoices, Layout, first_choices, read_rows, receive
from stockroom.site.names import NameField
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import TypeField

SAMPLE = 8
SHOWN_PROBLEMS, SHOWN_WORDS, SHOWN_LINES = 100, 100, 100


class FileForm(forms.Form):
    file = forms.FileField(label="The supplier’s list", allow_empty_file=True)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["file"].widget.attrs.update(autofocus=True, accept=".csv,.txt,.tsv,.xlsx")
        self.fields["file"].help_text = f"CSV or .xlsx, up to {MAX_BYTES / 1e6:g} MB and {MAX_ROWS} rows."


class ColumnsForm(forms.Form):
    """What each column holds. Another sheet or heading row brings other columns."""

    sheet = forms.ChoiceField(label="Sheet", required=False)
    heading = forms.IntegerField(label="Row with the headings", min_value=0, help_text="0 when there are none.")
    mark = forms.ChoiceField(
        label="Decimal mark",
        required=False,
        choices=[("", "as the file shows"), (DecimalMark.POINT.value, "point"), (DecimalMark.COMMA.value, "comma")],
    )
    condition = forms.ChoiceField(
        label="Condition where the file gives none", required=False, choices=[("", "–"), *Line.Condition.choices]
    )
    leave_out = forms.CharField(label="Rows to leave out", required=False, max_length=400, help_text="As 7, 12-14.")

    def __init__(self, layout: Layout, data: Any = None) -> None:
        super().__init__(data)
        self.layout = layout
        chosen = layout.choices
        self.initial = {name: getattr(chosen, name) for name in ("sheet", "heading", "mark", "condition", "leave_out")}
        self.fields["sheet"].choices = [(one.name, one.name) for one in layout.tables]  # type: ignore[attr-defined]
        if len(layout.tables) == 1:
            del self.fields["sheet"]
        columns = [(str(column), title) for column, title in enumerate(layout.titles)]
        for name, one in FIELDS.items():
            none = {
                "type": "choose",
                "expected": "none: each row is one piece",
                "weight": "none: all weigh 1",
                "serial": "none: pieces in bulk",
            }
            field = forms.ChoiceField(
                label=one.label, required=name == "type", choices=[("", none.get(name, "none")), *columns]
            )
            self.fields[f"column {name}"] = field
            self.initial[f"column {name}"] = chosen.columns.get(name, "")
        self.fields["column type"].widget.attrs["autofocus"] = True

    def clean_leave_out(self) -> str:
        text: str = self.cleaned_data["leave_out"]
        try:
            read_rows(text)
        except ValueError as problem:
            raise forms.ValidationError(str(problem)) from None
        return text

    @property
    def moved(self) -> bool:
        """Whether the columns on the page are those of another sheet or heading row."""
        return bool({"sheet", "heading"} & set(self.changed_data))

    @property
    def columns(self) -> list[forms.BoundField]:
        return [self[f"column {name}"] for name in FIELDS]

    @property
    def others(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if not name.startswith("column ")]

    def choices(self) -> ColumnChoices:
        told = self.cleaned_data
        return replace(
            self.layout.choices,
            columns={name: int(told[f"column {name}"]) for name in FIELDS if told[f"column {name}"]},
            mark=told["mark"],
            condition=told["condition"],
            leave_out=told["leave_out"],
        )


class WordsForm(forms.Form):
    """What the file's own words mean. A field is named by its kind and the word in plain small letters."""

    def __init__(self, preview: ListPreview, data: Any = None) -> None:
        super().__init__(data)
        self.types = self._add("type", preview.types, self._type)
        self.conditions = self._add("condition", preview.conditions, self._condition)
        self.makers = self._add("maker", preview.makers, self._maker)
        if self.fields and not preview.ready:
            next(iter(self.fields.values())).widget.attrs["autofocus"] = True

    def _add(self, kind: str, words: list[Word], make: Any) -> list[tuple[Word, list[forms.BoundField]]]:
        rows = []
        for word in words[:SHOWN_WORDS]:
            self.fields[f"{kind} {word.plain}"] = make(word)
            bound = [self[f"{kind} {word.plain}"]]
            if kind == "type":
                out = forms.BooleanField(label=f"leave the rows of {word.said} out", required=False)
                self.fields[f"out {word.plain}"] = out
                bound.append(self[f"out {word.plain}"])
            rows.append((word, bound))
        return rows

    def _type(self, word: Word) -> forms.Field:
        return TypeField(label=f"The type of {word.said}", required=False, max_length=40)

    def _condition(self, word: Word) -> forms.Field:
        return forms.ChoiceField(
            label=f"What {word.said} means", required=False, choices=[("", "–"), *Line.Condition.choices]
        )

    def _maker(self, word: Word) -> forms.Field:
        return NameField(Maker, label=f"The maker called {word.said}", required=False, initial=word.said)

    def words(self, before: ColumnChoices) -> dict[str, dict[str, str]]:
        """The words chosen before, and these."""
        chosen = {kind: dict(before.words.get(kind, {})) for kind in ("type", "condition", "maker")}
        told = self.cleaned_data
        for word, _ in self.types:
            if told.get(f"out {word.plain}"):
                chosen["type"][word.plain] = ""
            elif told.get(f"type {word.plain}"):
                chosen["type"][word.plain] = told[f"type {word.plain}"].designation
        for word, _ in self.conditions:
            if told[f"condition {word.plain}"]:
                chosen["condition"][word.plain] = told[f"condition {word.plain}"]
        for word, _ in self.makers:
            maker = told[f"maker {word.plain}"]
            chosen["maker"][word.plain] = maker.name if maker else ""
        return chosen


def _lot(number: str) -> Lot:
    return get_object_or_404(Lot.objects.select_related("supplier"), number=number)


def _file(number: str, pk: int) -> LotFile:
    return get_object_or_404(LotFile.objects.select_related("lot__supplier"), lot__number=number, pk=pk)


@for_roles(Role.RECEIVING)
def lot_import(request: StaffRequest, number: str) -> HttpResponse:
    lot = _lot(number)
    sending = request.method == "POST"
    form = FileForm(request.POST, request.FILES) if sending else FileForm()
    if sending and form.is_valid():
        sent = form.cleaned_data["file"]
        try:
            if sent.size > MAX_BYTES:
                raise NotATable(f"The file has {sent.size / 1e6:.1f} MB; at most {MAX_BYTES / 1e6:g} MB is read.")
            file = receive(lot, sent.name, sent.read(), request.user)
        except NotATable as problem:
            form.add_error("file", f"{sent.name}: {problem}")
        else:
            return redirect(file)
    files = lot.files.defer("data").select_related("uploaded_by", "imported_by")
    return render(request, "receiving/lot_import.html", {"lot": lot, "form": form, "files": files})


@for_roles(Role.RECEIVING)
def columns(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    """Which column holds what: as remembered of the supplier, as the headings say, or as chosen here."""
    file = _file(number, pk)
    if file.imported_at:
        return _already(request, file)
    layout = Layout(file)
    form = ColumnsForm(layout, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        if form.moved:
            told = form.cleaned_data
            sheet = told.get("sheet", layout.table.name)
            heading = told["heading"] if "heading" in form.changed_data else None
            _choose(file, replace(first_choices(layout, sheet, heading), leave_out=told["leave_out"]))
            return redirect(file)
        _choose(file, form.choices())
        return redirect("lot-import-preview", number, pk)
    sample = [(row.number, [written(cell) for cell in row.cells]) for row in layout.body[:SAMPLE]]
    above = [row for row in layout.table.rows if row.number < layout.choices.heading]
    context = {
        "file": file,
        "lot": file.lot,
        "form": form,
        "layout": layout,
        "sample": sample,
        "above": [(row.number, [written(cell) for cell in row.cells]) for row in above[:SAMPLE]],
        "before": _before(file),
        "remembered": layout.mapping,
    }
    return render(request, "receiving/lot_import_columns.html", context)


@for_roles(Role.RECEIVING)
def preview(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    """Every line the file would bring, every fault it has, and its words that are not known."""
    file = _file(number, pk)
    if file.imported_at:
        return _already(request, file)
    shown = importing.look(file)
    form = WordsForm(shown, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        choices = ColumnChoices(**file.choices)
        _choose(file, replace(choices, words=form.words(choices)))
        return redirect("lot-import-preview", number, pk)
    return _preview_page(request, file, shown, form)


@for_roles(Role.RECEIVING)
@require_POST
def take_in(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    file = _file(number, pk)
    try:
        lines = importing.take_in(file, request.user, sure=bool(request.POST.get("sure")))
    except (ImportProblem, ReceivingError) as problem:
        messages.error(request, str(problem))
        return redirect("lot-import-preview", number, pk)
    count = plural(len(lines), "line")
    messages.success(request, f"{count} imported from {file.name}.")
    return redirect(file.lot)


def _choose(file: LotFile, choices: ColumnChoices) -> None:
    file.choices = asdict(choices)
    file.save(update_fields=["choices"])


def _already(request: StaffRequest, file: LotFile) -> HttpResponse:
    messages.warning(request, f"{file.name} has been imported into this lot already.")
    return redirect("lot-import", file.lot.number)


def _before(file: LotFile) -> str:
    before = importing.imported_before(file)
    return importing.before_in_words(before) if before else ""


def _preview_page(request: StaffRequest, file: LotFile, shown: ListPreview, form: WordsForm) -> HttpResponse:
    words = [len(some) - SHOWN_WORDS for some in (shown.types, shown.conditions, shown.makers)]
    context = {
        "file": file,
        "lot": file.lot,
        "preview": shown,
        "form": form,
        "before": _before(file),
        "problems": shown.problems[:SHOWN_PROBLEMS],
        "more_problems": max(0, len(shown.problems) - SHOWN_PROBLEMS),
        "more_words": sum(more for more in words if more > 0),
        "page": Paginator(shown.planned, SHOWN_LINES).get_page(request.GET.get("page")),
        "back": reverse("lot-import-columns", args=[file.lot.number, file.pk]),
    }
    return render(request, "receiving/lot_import_preview.html", context)


urlpatterns = [
    path("lots/<str:number>/import/", lot_import, name="lot-import"),
    path("lots/<str:number>/import/<int:pk>/", columns, name="lot-import-columns"),
    path("lots/<str:number>/import/<int:pk>/preview/", preview, name="lot-import-preview"),
    path("lots/<str:number>/import/<int:pk>/take-in/", take_in, name="lot-import-take-in"),
]
