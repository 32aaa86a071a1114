"""Forms as a browser would send them: what stands in a page's fields, unchanged."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import NamedTuple


class ShownForm(NamedTuple):
    action: str
    method: str
    fields: list[tuple[str, str]]  # as they stand; a name may come again
    kinds: dict[str, str]  # by name: the input's type, "select" or "textarea"

    @property
    def values(self) -> dict[str, str]:
        return dict(self.fields)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[ShownForm] = []
        self.select = self.textarea = ""
        self.options: list[tuple[str, bool]] = []
        self.inside: ShownForm | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        at = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.inside = ShownForm(at.get("action", ""), at.get("method", "get").lower(), [], {})
            self.forms.append(self.inside)
        elif self.inside is None:
            return
        elif tag == "input" and at.get("name"):
            kind = at.get("type", "text")
            self.inside.kinds[at["name"]] = kind
            if kind not in ("checkbox", "radio", "file") or "checked" in at:
                self.inside.fields.append((at["name"], at.get("value", "on" if kind == "checkbox" else "")))
        elif tag == "button" and at.get("name"):
            self.inside.kinds.setdefault(at["name"], "button")
        elif tag == "select":
            self.select, self.options = at.get("name", ""), []
        elif tag == "option" and self.select:
            self.options.append((at.get("value", ""), "selected" in at))
        elif tag == "textarea":
            self.textarea = at.get("name", "")
            self.inside.kinds[self.textarea] = "textarea"
            self.inside.fields.append((self.textarea, ""))

    def handle_data(self, data: str) -> None:
        if self.textarea and self.inside is not None:
            name, before = self.inside.fields[-1]
            self.inside.fields[-1] = (name, (before + data).lstrip("\r\n"))

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea":
            self.textarea = ""
        elif tag == "select" and self.select and self.inside is not None:
            chosen = [value for value, selected in self.options if selected] or [v for v, _ in self.options[:1]]
            self.inside.kinds[self.select] = "select"
            self.inside.fields.extend((self.select, value) for value in chosen)
            self.select = ""
        elif tag == "form":
            self.inside = None


def forms_of(html: str) -> list[ShownForm]:
    reader = _Reader()
    reader.feed(html)
    return reader.forms


def form_with(html: str, field: str) -> ShownForm:
    """The page's last form that has this field."""
    return next(form for form in reversed(forms_of(html)) if field in form.kinds)
