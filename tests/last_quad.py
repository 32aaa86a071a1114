"""Two people, many tries, one last quad: each try is one sale, and one message that says why it is no second.

    .venv/bin/python -m tests.postgres .venv/bin/python -m tests.last_quad --tries 2000

Both send what the pages send, at the same moment: the button of one candidate, or the one that sets aside the best for
every open line. It makes its own stock in the empty database that DATABASE_URL names, and refuses one in use. What it
prints is JSON; `tests/orders/test_the_last_quad.py` runs a small one.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import threading
import time
from collections import Counter
from typing import Any

CLEAR = (  # what the one who comes second may be told; each says what is the case
    "only a graded valve can be set aside. Look again.",
    "has just been set aside for another order. Look again.",
    "is set aside for order",
    "nothing set aside. Nothing in stock meets it.",
    "has just been put in another set. Look again.",
)


class Buyer:
    """One of the two, with a browser of their own, and a new order each time."""

    def __init__(self, name: str, serials: list[str]) -> None:
        from django.test import Client

        from stockroom.site.people import Role
        from tests import factories

        self.serials = serials
        self.client = Client(raise_request_exception=False)
        self.client.force_login(factories.make_user(name, Role.OWNER))
        self.answer = ""

    def ask(self, number: str) -> None:
        from stockroom.models import Customer, Order
        from tests import factories

        customer, _ = Customer.objects.get_or_create(name="Ada Quill")
        order = Order.objects.create(number=number, customer=customer)
        self.order, self.line = order, order.lines.create(type=factories.make_type(), set_size=4, max_spread_percent=20)

    def press(self, together: threading.Barrier, at_once: bool) -> None:
        from django.db import connections

        together.wait()
        if at_once:
            sent = self.client.post(f"/orders/{self.order}/set-aside/", {"once": self.order.number})
        else:
            address = f"/orders/{self.order}/lines/{self.line.pk}/accept/"
            sent = self.client.post(address, {"once": self.order.number, "valves": " ".join(self.serials)})
        page = self.client.get(sent["Location"]) if sent.status_code == 302 else sent
        self.answer = f"{sent.status_code} {page.content.decode()}"
        connections.close_all()

    @property
    def is_served(self) -> bool:
        return self.line.allocations.filter(live=True).count() == 4

    @property
    def message(self) -> str:
        """Which of the clear ones the page shows; nothing where none."""
        return next((clear for clear in CLEAR if clear in self.answer), "")


def try_often(tries: int) -> dict[str, Any]:
    """What came of so many tries, every other one with the button for all lines at once."""
    from grading.management.commands.check_states import disagreements
    from grading.orders import fulfilment
    from grading.valves.rules import broken_rules
    from tests import factories

    factories.make_policy()
    valves = factories.make_valves(factories.make_type(), 4)
    shift = factories.make_shift()
    factories.graded_all([(valve, 1.2, 1.6) for valve in valves], shift=shift)
    buyers = [Buyer(name, [valve.serial for valve in valves]) for name in ("ada", "sal")]
    served: Counter[int] = Counter()
    messages: Counter[str] = Counter()
    begun, faults = time.monotonic(), []
    for number in range(tries):
        together = threading.Barrier(len(buyers))
        for name, buyer in zip("AB", buyers, strict=True):
            buyer.ask(f"{name}{number}")
        threads = [threading.Thread(target=buyer.press, args=(together, number % 2 == 1)) for buyer in buyers]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        happy = [buyer for buyer in buyers if buyer.is_served]
        served[len(happy)] += 1
        for buyer in buyers:
            if buyer not in happy:
                messages[buyer.message or "unclear"] += 1
            if not buyer.answer.startswith("302"):
                faults.append(f"{buyer.order}: {buyer.answer[:300]}")
        for buyer in happy:
            fulfilment.release(buyer.line, 1, None)  # back on the shelf for the next try, the quad as it was made
    return {
        "tries": tries,
        "seconds": round(time.monotonic() - begun, 1),
        "sales_a_try": dict(served),
        "told": dict(messages),
        "faults": faults[:5],
        "broken": [*map(str, disagreements()), *broken_rules()],
    }


def is_right(found: dict[str, Any]) -> bool:
    """One sale each time, and the other told why, in words that we know."""
    sales = {int(many): tries for many, tries in found["sales_a_try"].items()}  # JSON writes the number as text
    one_each = sales == {1: found["tries"]} and sum(found["told"].values()) == found["tries"]
    return one_each and "unclear" not in found["told"] and not found["faults"] and not found["broken"]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=2000)
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "stockroom.site.settings")
    if "DATABASE_URL" not in os.environ:
        parser.error("name an empty database in DATABASE_URL: this writes its tries into it")
    import django

    django.setup()
    from django.conf import settings
    from django.core.management import call_command

    from stockroom.export.backup import is_in_use

    settings.ALLOWED_HOSTS = ["testserver"]
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    call_command("migrate", verbosity=0)
    if is_in_use():
        parser.error("the database is in use: name an empty one")
    found = try_often(asked.tries)
    print(json.dumps(found, indent=1))
    return 0 if is_right(found) else 1


if __name__ == "__main__":
    sys.exit(main())
