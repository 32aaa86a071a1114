"""What testers tell the rooms above them. Sent inside the transaction of the change it tells of."""

from __future__ import annotations

from datetime import date

from django.contrib.auth.models import User
from django.dispatch import Signal

from grading.models import Tester

#: tester, since: the first day whose readings are now known otherwise, None for all; by. A receiver may answer with
#: a sentence for whoever made the change.
tester_corrected = Signal()


def corrected(tester: Tester, by: User, since: date | None = None) -> list[str]:
    """More, or something else, is known of how well it reads; what its receivers say of that."""
    answers = tester_corrected.send(Tester, tester=tester, since=since, by=by)
    return [words for _, words in answers if words]
