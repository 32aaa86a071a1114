"""Prove that the books balance and that they say what the records say."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from stockroom.ledger.checking import findings
from stockroom.models import LedgerEntry


class Command(BaseCommand):
    help = __doc__

    @transaction.atomic
    def handle(self, *args: Any, **options: Any) -> None:
        found = list(findings())
        for one in found:
            self.stdout.write(one)
        if found:
            raise CommandError(f"{len(found)} findings.")
        self.stdout.write(f"The books balance and agree with the records: {LedgerEntry.objects.count()} entries.")
