"""Pages for what is known by its name: suppliers, makers and places."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from stockroom.site import saving
from stockroom.site.edits import EditForm
from stockroom.site.names import known_name, name_of_field
from stockroom.site.people import StaffRequest


class NamedForm(EditForm):
    """A name is written once, in capitals or not."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields[name_of_field(self._meta.model)].widget.attrs.update(autofocus=True, autocomplete="off")

    def _clean_name(self) -> str:
        name = " ".join(self.cleaned_data[name_of_field(self._meta.model)].split())
        other = known_name(self._meta.model, name)
        if other is not None and other.pk != self.instance.pk:
            raise forms.ValidationError(f"There is a {self._meta.model._meta.verbose_name} “{other}” already.")
        return name

    def clean_name(self) -> str:
        return self._clean_name()


def edit_named(request: StaffRequest, form_class: type[NamedForm], thing: Any, title: str, back: str) -> HttpResponse:
    form = form_class(request.POST or None, instance=thing)
    if request.method == "POST" and form.is_valid():
        saved = saving.save_named(form.save(commit=False), request.user)
        messages.success(request, f"{saved} is saved.")
        return redirect(reverse(saved._meta.model_name, args=[saved.pk]))
    return render(request, "site/form.html", {"form": form, "title": title, "back": back})
