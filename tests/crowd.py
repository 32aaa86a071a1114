"""Several people at once at the same few valves, over HTTP: every answer is a page of the shop's, nothing is promised
twice, nothing acknowledged is lost.

    .venv/bin/python -m tests.postgres .venv/bin/python -m tests.crowd --requests 6000

makes its own stock in the empty database that DATABASE_URL names, and refuses one in use. What it prints is JSON;
`tests/site/test_a_crowd.py` runs a small one.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from typing import Any

VALVES, ORDERS = 16, 6


class Person:
    """One of the crowd, with a browser of their own."""

    def __init__(self, name: str, seed: int, world: CrowdedShop) -> None:
        from django.test import Client

        self.world, self.pick = world, random.Random(seed)
        self.client = Client(raise_request_exception=False)
        self.client.force_login(world.people[name])
        self.answers: Counter[str] = Counter()
        self.faults: list[str] = []
        self.saved = 0

    def work(self, requests: int) -> None:
        from django.db import connections

        deeds: list[tuple[int, Callable[[], Any]]] = [
            (6, self.set_aside),
            (4, self.release),
            (5, self.read),
            (3, self.list_),
            (2, self.end),
            (3, self.match),
            (2, self.break_up),
            (1, self.give_serial),
            (1, self.count),
            (1, self.move),
            (1, self.write_off),
            (2, self.take_order),
        ]
        for _ in range(requests):
            (deed,) = self.pick.choices([deed for _, deed in deeds], [weight for weight, _ in deeds])
            answer = deed()
            self.answers[f"{deed.__name__} {answer.status_code}"] += 1
            if answer.status_code >= 500:
                self.faults.append(f"{deed.__name__}: {getattr(answer, 'exc_info', None)}")
        connections.close_all()

    def post(self, address: str, **typed: Any) -> Any:
        return self.client.post(address, {"once": str(self.pick.random()), **typed})

    def valve(self) -> str:
        return str(self.pick.choice(self.world.serials))

    def set_aside(self) -> Any:
        order, line, size = self.pick.choice(self.world.lines)
        chosen = self.pick.sample(self.world.serials, size)
        return self.post(f"/orders/{order}/lines/{line}/accept/", valves=" ".join(chosen))

    def release(self) -> Any:
        order, line, _ = self.pick.choice(self.world.lines)
        return self.post(f"/orders/{order}/lines/{line}/release/{self.pick.randint(1, 3)}/")

    def read(self) -> Any:
        typed = {f"s{section}-{name}": f"{value:.2f}" for section in (1, 2) for name, value in self._seen()}
        answer = self.post("/bench/", serial=self.valve(), **typed)
        self.saved += answer.status_code == 302 and "read=" in answer["Location"]
        return answer

    def _seen(self) -> list[tuple[str, float]]:
        return [("anode_current", self.pick.gauss(1.2, 0.01)), ("gm", self.pick.gauss(1.6, 0.01))]

    def list_(self) -> Any:
        typed = {"title": "One", "text": "", "price": "5", "currency": "GBP"}
        return self.post(f"/listings/new/?serial={self.valve()}", **typed)

    def end(self) -> Any:
        from stockroom.models import Listing

        found = Listing.objects.live().order_by("?").first()
        return self.post(f"/listings/{found.number if found else 'A99999'}/end/")

    def match(self) -> Any:
        chosen = self.pick.sample(self.world.serials, 2)
        return self.post("/sets/by-hand/", serials="\n".join(chosen), tolerance_percent="20")

    def break_up(self) -> Any:
        from grading.models import MatchedSet

        found = MatchedSet.objects.live().order_by("?").first()
        return self.post(f"/sets/{found.number if found else 'S99999'}/break/", reason="To match anew")

    def give_serial(self) -> Any:
        return self.post(f"/bench/take-up/{self.world.line}/")

    def count(self) -> Any:
        return self.post(f"/lots/{self.world.lot}/count/", **{"line-1": str(self.pick.randint(900, 999))})

    def move(self) -> Any:
        return self.post("/move/?place=Z1", valves="\n".join(self.pick.sample(self.world.serials, 3)))

    def write_off(self) -> Any:
        return self.post(f"/valves/{self.valve()}/write-off/", reason="Broken")

    def take_order(self) -> Any:
        return self.post("/orders/new/", new_name="Ada Quill", currency="GBP")


class CrowdedShop:
    """A few valves that everybody wants, of a lot with many more in bulk."""

    def __init__(self, people: int) -> None:
        from stockroom.models import Customer, Order
        from stockroom.site.people import Role
        from tests import factories

        factories.make_policy()
        type_ = factories.make_type()
        line = factories.make_line(type_, 900)
        self.line, self.lot = line.pk, line.lot.number
        factories.make_place("Z1")
        valves = factories.make_valves(type_, VALVES, line=line)
        shift = factories.make_shift()
        factories.graded_all([(valve, 1.2, 1.6) for valve in valves], shift=shift)
        self.serials = [valve.serial for valve in valves]
        customer = Customer.objects.create(name="Bo Marsh")
        self.lines = []
        for number in range(1, ORDERS + 1):
            order = Order.objects.create(number=f"R9{number:03}", customer=customer)
            made = order.lines.create(type=type_, set_size=1 + number % 2, quantity=3, best_grades=3)
            self.lines.append((order.number, made.pk, made.set_size))
        self.people = {}
        for number in range(people):
            user = factories.make_user(f"person{number}", Role.OWNER)
            factories.make_shift(user, shift.tester)
            self.people[user.username] = user


def crowd(people: int, requests: int, seed: int) -> dict[str, Any]:
    """So many requests in all, by so many at once; what came of them."""
    from grading.management.commands.check_states import disagreements
    from grading.models import Reading
    from grading.valves.rules import broken_rules

    world = CrowdedShop(people)
    read_before = Reading.objects.count()
    persons = [Person(name, seed + number, world) for number, name in enumerate(world.people)]
    threads = [threading.Thread(target=person.work, args=(requests // people,)) for person in persons]
    begun = time.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    answers = sum((person.answers for person in persons), Counter[str]())
    return {
        "requests": answers.total(),
        "seconds": round(time.monotonic() - begun, 1),
        "faults": [fault for person in persons for fault in person.faults],
        "broken": [*map(str, disagreements()), *broken_rules()],
        "acknowledged": sum(person.saved for person in persons),
        "kept": (Reading.objects.count() - read_before) // 2,
        "answers": dict(sorted(answers.items())),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=8)
    parser.add_argument("--requests", type=int, default=6000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "stockroom.site.settings")
    if "DATABASE_URL" not in os.environ:
        parser.error("name an empty database in DATABASE_URL: this writes a crowd's work into it")
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
    found = crowd(asked.people, asked.requests, asked.seed)
    print(json.dumps(found, indent=1))
    return bool(found["faults"] or found["broken"] or found["acknowledged"] != found["kept"])


if __name__ == "__main__":
    sys.exit(main())
