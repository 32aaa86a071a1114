"""The forms of every import: choose or paste the rows, then say what their columns hold."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from django import forms

from stockroom.files.cells import written
from stockroom.files.layouts import FileChoices, read_rows
from stockroom.files.numbers import DecimalMark
from stockroom.files.tables import ENCODINGS, MAX_BYTES, MAX_ROWS, FileRow, NotATable
from stockroom.imports.keeping import ImportKind
from stockroom.models.imports import KeptFile
from stockroom.site.numbers import WholeTyped

SAMPLE = 8
PASTED = "pasted rows"


@dataclass(frozen=True)
class Upload:
    name: str
    data: bytes


class UploadForm(forms.Form):
    """`upload` in the cleaned data: the file, else what was pasted."""

    most_rows = MAX_ROWS

    file = forms.FileField(label="File", required=False, allow_empty_file=True)
    pasted = forms.CharField(
        label="or paste the rows here", required=False, strip=False, widget=forms.Textarea(attrs={"rows": 6})
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["file"].widget.attrs.update(autofocus=True, accept=".csv,.txt,.tsv,.xlsx")
        self.fields["file"].help_text = f"CSV or .xlsx, up to {MAX_BYTES / 1e6:g} MB and {self.most_rows} rows."

    def clean(self) -> None:
        file, pasted = self.cleaned_data.get("file"), self.cleaned_data.get("pasted")
        if file and file.size > MAX_BYTES:
            size = f"{file.size / 1e6:.1f} MB; at most {MAX_BYTES / 1e6:g} MB is read. Split it."
            self.add_error("file", f"“{file.name}” has {size}")
        elif file:
            self.cleaned_data["upload"] = Upload(file.name, file.read())
        elif pasted and pasted.strip():
            self.cleaned_data["upload"] = Upload(PASTED, pasted.encode())
        elif "file" not in self.errors and self.needs_file:
            self.add_error("file", "Choose a file, or paste its rows below.")

    @property
    def needs_file(self) -> bool:
        return True

    def refuse(self, problem: Exception) -> None:
        """What was sent cannot be used."""
        self.add_error("file", f"“{self.cleaned_data['upload'].name}”: {problem}")


@dataclass(frozen=True)
class ColumnGroup:
    legend: str
    aside: bool
    fields: list[forms.BoundField]

    @property
    def is_folded(self) -> bool:
        return self.aside and all(field.value() in ("", None) and not field.errors for field in self.fields)


class ColumnsForm(forms.Form):
    """What each column holds. Another encoding, sheet or heading row brings other columns."""

    encoding = forms.ChoiceField(label="Encoding", choices=ENCODINGS.items())
    sheet = forms.ChoiceField(label="Sheet", required=False)
    heading = WholeTyped(label="Row with the headings", min_value=0, help_text="0 when there are none.")
    mark = forms.ChoiceField(
        label="Decimal mark",
        required=False,
        choices=[("", "as the file shows"), (DecimalMark.POINT.value, "point"), (DecimalMark.COMMA.value, "comma")],
    )
    leave_out = forms.CharField(label="Rows to leave out", required=False, max_length=400, help_text="As 7, 12-14.")
    why_out = forms.CharField(label="Why they are left out", required=False, max_length=80)

    own: tuple[str, ...] = ()  # the fields of a kind of file that its choices keep under the same name

    def __init__(self, kind: ImportKind[Any], file: KeptFile, data: Any = None) -> None:
        super().__init__(data)
        self.kind, self.file, self.layout = kind, file, kind.layout(file)
        chosen, table = self.layout.choices, self.layout.table
        kept = ("sheet", "heading", "mark", "leave_out", "why_out", *self.own)
        self.initial = {name: getattr(chosen, name) for name in kept} | {"encoding": table.encoding}
        self.fields["sheet"].choices = [(one.name, one.name) for one in self.layout.tables]  # type: ignore[attr-defined]
        if len(self.layout.tables) == 1:
            del self.fields["sheet"]
        if not table.encoding:
            del self.fields["encoding"]
        columns = [(str(column), title) for column, title in enumerate(self.layout.titles)]
        for name, one in kind.headings.fields.items():
            if not one.shown and name not in chosen.columns:
                continue
            self.fields[f"column {name}"] = forms.ChoiceField(
                label=one.label, required=one.required, choices=[("", one.none), *columns]
            )
            self.initial[f"column {name}"] = chosen.columns.get(name, "")
        first = next(name for name, one in kind.headings.fields.items() if one.required)
        self.fields[f"column {first}"].widget.attrs["autofocus"] = True

    def clean_leave_out(self) -> str:
        text: str = self.cleaned_data["leave_out"]
        try:
            read_rows(text)
        except ValueError as problem:
            raise forms.ValidationError(str(problem)) from None
        return text

    @property
    def groups(self) -> list[ColumnGroup]:
        """The fields of the columns, under their legends."""
        groups: dict[str, ColumnGroup] = {}
        for name, one in self.kind.headings.fields.items():
            if f"column {name}" in self.fields:
                group = groups.setdefault(one.group, ColumnGroup(one.group, one.aside, []))
                group.fields.append(self[f"column {name}"])
        return list(groups.values())

    @property
    def others(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if not name.startswith("column ")]

    @property
    def sample(self) -> list[tuple[int, list[str]]]:
        return _in_words(self.layout.body)

    @property
    def above(self) -> list[tuple[int, list[str]]]:
        """The first rows above the headings."""
        return _in_words([row for row in self.layout.table.rows if row.number < self.layout.choices.heading])

    def save(self) -> bool:
        """Keep what was chosen. True when the columns on the page were those of another reading of the file."""
        clean = self.cleaned_data
        if "encoding" in self.changed_data:
            try:
                self.kind.read(self.file, clean["encoding"])
            except NotATable as problem:
                self.add_error("encoding", str(problem))
                return True
        kept = {name: clean[name] for name in ("leave_out", "why_out", *self.own)}
        if {"encoding", "sheet", "heading"} & set(self.changed_data):
            sheet = clean.get("sheet", self.layout.table.name)
            heading = clean["heading"] if "heading" in self.changed_data else None
            self.kind.choose(self.file, replace(self.kind.first_choices(self.file, sheet, heading), **kept))
            return True
        self.kind.choose(self.file, replace(self.chosen(), mark=clean["mark"], **kept))
        return False

    def chosen(self) -> FileChoices:
        columns = {
            name: int(self.cleaned_data[f"column {name}"])
            for name in self.kind.headings.fields
            if self.cleaned_data.get(f"column {name}")
        }
        return replace(self.layout.choices, columns=columns)


def _in_words(rows: list[FileRow]) -> list[tuple[int, list[str]]]:
    return [(row.number, [written(cell) for cell in row.cells]) for row in rows[:SAMPLE]]
