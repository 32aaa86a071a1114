"""What a customer says of what comes back, asked in one way wherever it is entered."""

from __future__ import annotations

from typing import Any

from django import forms

from stockroom.models import Return


class ComplaintForm(forms.Form):
    """With what came back and the customer's own words, which a form of a page adds."""

    complaint = forms.ChoiceField(
        label="What the customer says is wrong",
        choices=[("", "–"), *Return.Complaint.choices],
        help_text="Whoever buys it next is told this.",
    )
    seal = forms.ChoiceField(
        label="If it was sold sealed",
        required=False,
        choices=[("", "–"), *Return.Seal.choices],
        help_text="A carton whose seal is intact comes back whole, with one scan.",
    )

    def __init__(self, *args: Any, sealed: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not sealed:
            del self.fields["seal"]
