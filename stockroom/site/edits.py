"""Forms on what somebody else may change while the page is open: only what the person changed is written.

Each field goes to the page with the value that was shown, as Django's hidden initial. What comes back as it was shown
leaves the row's own value alone, whatever that is by now; what the person changed and a colleague changed meanwhile
is an error of its field, which says what stands there now. The row is held while the form is looked at, so nobody
comes in between (`stockroom.site.attempts` puts the request in one transaction).
"""

from __future__ import annotations

from typing import Any, cast

from django import forms
from django.db import connection, models
from django.utils.functional import cached_property

MEANWHILE = "Somebody has changed this to “{now}” while the page was open. Send again if yours is right."
NOT_SHOWN = (forms.PasswordInput, forms.FileInput, forms.HiddenInput)


class WritesOnlyChanges(forms.BaseForm):
    """A mixin, before `forms.Form` or `forms.ModelForm`. `edits` is whether there is anything to be changed yet."""

    edits = True

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            self.show_initial(field)

    def show_initial(self, field: forms.Field) -> None:
        field.show_hidden_initial = self.edits and not isinstance(field.widget, NOT_SHOWN)

    @cached_property
    def changed_data(self) -> list[str]:
        return [name for name, field in self.fields.items() if self._changed(name, field)]

    def _shown(self, name: str, field: forms.Field) -> Any:
        """As the page showed it; as it stands where the page did not say."""
        hidden = self[name].html_initial_name
        if field.show_hidden_initial and hidden in self.data:
            return self._widget_data_value(field.hidden_widget(), hidden)  # type: ignore[attr-defined]
        return self._now(name, field)

    def _now(self, name: str, field: forms.Field) -> Any:
        return field.prepare_value(self.get_initial_for_field(field, name))

    def _changed(self, name: str, field: forms.Field) -> bool:
        return _differs(field, self._shown(name, field), self[name].data)

    def _clean_fields(self) -> None:
        super()._clean_fields()  # type: ignore[misc]
        for name, field in self.fields.items():
            now = self._now(name, field)
            if not _differs(field, self._shown(name, field), now):
                continue
            if self._changed(name, field) and _differs(field, now, self[name].data):
                self.add_error(name, MEANWHILE.format(now="–" if now in (None, "") else now))
                data = cast(Any, self.data).copy()
                data[self[name].html_initial_name] = "" if now is None else now
                self.data = data
            else:
                self.cleaned_data[name] = field.clean(now)


def _differs(field: forms.Field, one: Any, other: Any) -> bool:
    try:
        return field.has_changed(field.to_python(one), other)
    except forms.ValidationError:  # it is not of the field's kind at all
        return True


class EditForm(WritesOnlyChanges, forms.ModelForm):
    """Of a row that may be there already; then it is read anew, and held, before what was sent is looked at."""

    def __init__(self, data: Any = None, *args: Any, **kwargs: Any) -> None:
        row: models.Model | None = kwargs.get("instance")
        self.edits = row is not None and row.pk is not None
        if data is not None and row is not None and self.edits:
            rows = type(row)._base_manager.all()
            row.refresh_from_db(
                from_queryset=rows.select_for_update(no_key=True) if connection.in_atomic_block else rows
            )
        super().__init__(data, *args, **kwargs)
