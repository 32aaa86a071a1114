"""What pages say of a name: how it is read, and what comes near it on file."""

from __future__ import annotations

from typing import NamedTuple

from catalog.models import ValveType
from catalog.reference.designations import Designation, names_in, understood
from catalog.reference.lookup import NearName


class NameRead(NamedTuple):
    asked: str
    read: list[Designation]
    near: list[NearName]

    @property
    def in_words(self) -> str:
        """For a message: what comes near, with what differs."""
        if not self.near:
            return "Nothing on file comes near it."
        return "Near it: " + "; ".join(f"{other.designation} ({other.why})" for other in self.near[:3]) + "."


def name_read(text: str) -> NameRead | None:
    """None where nothing is asked."""
    if not text.strip():
        return None
    read = [one for name in names_in(text) if (one := understood(name)).parts]
    return NameRead(text, read, ValveType.objects.name_register().near(text))
