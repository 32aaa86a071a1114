"""Load the shop's first grading policy from fixtures/policy.json, when the shop has none."""

import json
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from grading.models import Policy
from grading.verdicts.pure.rules import read_policy


class Command(BaseCommand):
    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        if Policy.objects.exists():
            if options["verbosity"]:
                self.stdout.write("The shop has a policy already; nothing was changed.")
            return
        data = json.loads((settings.BASE_DIR / "fixtures" / "policy.json").read_text())
        read_policy(data["rules"])
        Policy.objects.create(version=1, title=data["title"], rules=data["rules"], in_force=True)
        if options["verbosity"]:
            self.stdout.write(f"Policy 1, {data['title']}, is in force.")
