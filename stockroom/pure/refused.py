"""What a person is told when something cannot be done as asked."""

from __future__ import annotations


class Refused(ValueError):
    """Cannot be done as asked. The message is a sentence for the person: what is in the way, and what to do instead.

    Every refusal derives from it, so that a page can show any of them (`stockroom.site.refusals`).
    """


class CannotPrint(Refused):
    """A paper is not made, for it would show empty boxes in place of letters.

    Whoever lays the paper out may add where to the arguments; what a person is told stays.
    """

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why

    def __str__(self) -> str:
        return self.why
