"""What pages share: pages of a list, and forms that ask for a valve by its serial or for a type by name."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, cast

from django import forms
from django.core.paginator import Page, Paginator
from django.db.models import Count, IntegerField, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.http import HttpRequest

from catalog.models import Alias, ValveType
from catalog.naming import name_read
from catalog.reference.designations import names_to_enter
from catalog.reference.scripts import normal
from stockroom.models import Line, Shop, Valve
from stockroom.pure.serials import BadSerial, read_serial

ROWS = 50


def page_of(request: HttpRequest, rows: QuerySet[Any] | Sequence[Any]) -> Page[Any]:
    """The page that the address asks for; the nearest one when it asks for none there is."""
    return Paginator(rows, ROWS).get_page(request.GET.get("page"))


def addresses(request: HttpRequest) -> Callable[[str], str]:
    """From a path to the full address of a page for those outside; the shop is asked once.

    Its own address on the web stands before the path, whatever the machine in the shop was called by.
    """
    own = Shop.own().web_address.rstrip("/")
    return lambda path: f"{own}{path}" if own else request.build_absolute_uri(path)


def public_address(request: HttpRequest, path: str = "") -> str:
    """The one address of a page: this page's, without what was asked of it, where no path is given."""
    return addresses(request)(path or request.path)


def valve_typed(text: str, *related: str) -> Valve:
    """The valve whose serial was scanned or typed into a form, fetched with these relations.

    Raises:
        ValidationError: it is no serial, or no valve has it.
    """
    try:
        serial = read_serial(text)
    except BadSerial as problem:
        raise forms.ValidationError(str(problem)) from problem
    valve = Valve.objects.select_related(*related).filter(serial=serial).first()
    if valve is None:
        raise forms.ValidationError(f"No valve has the serial {serial}.")
    return valve


UNREAD = frozenset({"?", "not identified", "unidentified", "unknown", "various", "mixed", "assorted"})


def marked_as(text: str, type_: ValveType) -> str:
    """The name on the glass as it is kept beside the type: nothing where it is the type's own designation."""
    if normal(text) == normal(type_.designation) or text.casefold() in UNREAD:
        return ""
    alias = Alias.objects.filter(normal=normal(text)).values_list("designation", flat=True).first()
    return alias or " ".join(text.split())[:40]


class TypeField(forms.CharField):
    """A valve type by any of its names. The browser offers the names through the list `type-names`.

    `may_be_new`: a name that is not on file makes a type without a primary key, for a service to store.
    `may_be_unread`: "?" and like words stand for goods that nobody has identified yet. `written` is what was typed.
    """

    widget = forms.TextInput(attrs={"list": "type-names", "autocomplete": "off", "spellcheck": "false"})
    may_be_new = may_be_unread = False
    written = ""

    def clean(self, value: Any) -> ValveType | None:
        text = self.written = super().clean(value)
        if not text:
            return None
        if self.may_be_unread and text.casefold() in UNREAD:
            return ValveType.objects.not_identified()
        found = ValveType.objects.named(text).first()
        if found is None and self.may_be_new:
            return ValveType(designation=names_to_enter(text)[0])  # its other names are kept when it is stored
        if found is None:
            known = name_read(text)
            raise forms.ValidationError(f"No valve type is called “{text}”. {known.in_words if known else ''}")
        return found

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, ValveType):
            return value.designation
        if isinstance(value, int):
            return ValveType.objects.filter(pk=value).values_list("designation", flat=True).first()
        return value


def type_field(form: forms.BaseForm) -> TypeField:
    """The form's field `type`."""
    return cast(TypeField, form.fields["type"])


def how_many(model: type[Line] | type[Valve], field: str, **where: Any) -> Coalesce:
    """So many rows of `model` point here by `field`; counted apart, so that two counts do not multiply."""
    rows = model._default_manager.filter(**{field: OuterRef("pk")}, **where).order_by().values(field)
    return Coalesce(Subquery(rows.annotate(n=Count("pk")).values("n"), output_field=IntegerField()), 0)
