"""Enter in the books what is on record and not in them: a shop that was running before it kept books.

Each lot is entered on the day that it came, each piece that has left on the day that it left, at what it costs now.
"""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.db import transaction

from stockroom.ledger import posting
from stockroom.pure.written import plural


class Command(BaseCommand):
    help = __doc__

    @transaction.atomic
    def handle(self, *args: Any, **options: Any) -> None:
        lots, orders = posting.open_books(None)
        self.stdout.write(f"{plural(lots, 'lot')} and {plural(orders, 'order')} entered.")
