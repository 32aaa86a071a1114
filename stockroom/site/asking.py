"""Forms that ask again before they take what is hard to believe."""

from __future__ import annotations

from typing import Any

from django import forms


class AsksAgain(forms.BaseForm):
    """Put before the form it goes with; call `ask` while the form is cleaned.

    A hidden field carries what was asked about. Sending the same text again answers yes, by Enter alone; another text
    is asked about afresh.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["sure"] = forms.CharField(required=False, label="", widget=forms.HiddenInput)
        at = self.add_prefix("sure")
        self._answered = set(self.data.get(at, "").split("|")) if self.is_bound else set()
        self._asked: list[str] = []
        if self.is_bound:
            self.data = {**dict(self.data.items()), at: ""}

    def ask(self, name: str, why: str, then: str = "If that is right, send it again.") -> None:
        """Refuse the field, unless this very text has been asked about before."""
        key = f"{name}={self.data.get(self.add_prefix(name), '').strip()}"
        self._asked.append(key)
        self.data[self.add_prefix("sure")] = "|".join(self._asked)  # type: ignore[index]
        if key not in self._answered:
            self.add_error(name, f"{why} {then}")
