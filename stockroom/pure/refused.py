"""What a person is told when something cannot be done as asked."""

from __future__ import annotations


class Refused(ValueError):
    """Cannot be done as asked. The message is a sentence for the person: what is in the way, and what to do instead.

    Every refusal derives from it, so that a page can show any of them (`stockroom.site.refusals`).
    """
