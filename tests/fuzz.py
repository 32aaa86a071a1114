"""Every address, every role, and what no form of ours would send: each answer is a page, none a server error.

    .venv/bin/python -m tests.postgres .venv/bin/python -m tests.fuzz --requests 30000

works on the empty database that DATABASE_URL names, with the world of `tests/site/test_access.py`, in which there is
one of everything; `tests/site/test_fuzz.py` runs a small one. The same seed sends the same.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
from collections import Counter
from typing import Any, NamedTuple

LONG = 20_000
HOSTILE = [
    "",
    " ",
    "\0",
    "a\0b",
    "0",
    "-1",
    "1.5",
    "27,50",
    "1e320",
    "1" + "0" * 320,
    "9" * 5000,
    "NaN",
    "Infinity",
    "-Infinity",
    "2147483648",
    "9223372036854775808",
    "-9223372036854775809",
    "１２３",
    "²",
    "²/3",
    "0x10",
    "1_000",
    "2026-13-45",
    "0001-01-01",
    "9999-12-31",
    "10000-01-01",
    "2026-02-29",
    "a" * LONG,
    "é" * 500,
    "🫖" * 100,
    "\u202e\u200b\ufeff",
    "<script>alert(1)</script>",
    "'; DROP TABLE stockroom_valve; --",
    "%00",
    "%s%d{}{0}",
    "../../etc/passwd",
    "[]",
    "{}",
    "null",
    "1:2:3",
    "a|b|c",
    "1 2 3",
    "10000012-99999999",
    "10000012\n10000025",
    "L0001/1",
    "R0001",
    "12AX7",
]
QUERIES = ("page", "serial", "serials", "set", "q", "name", "type", "place", "state", "point", "read", "by", "take")


class ServerFault(NamedTuple):
    seed: int
    number: int
    who: str
    method: str
    address: str
    sent: dict[str, list[str]]
    trouble: str


class Fuzzer:
    def __init__(self, seed: int) -> None:
        from tests.site.test_access import WHO, World

        self.seed, self.pick = seed, random.Random(seed)
        self.world, self.who = World(), WHO
        self.people = self._people()
        self.answers: Counter[int] = Counter()
        self.shown: dict[str, list[Any]] = {}

    def _people(self) -> dict[str, Any]:
        from stockroom.site.people import Role
        from tests import factories

        people: dict[str, Any] = {"nobody": None}
        for role in Role:
            people[role.value] = factories.make_user(f"fuzz-{role}", role)
        people["no role"] = factories.make_user("fuzz-none")
        people["no role"].groups.clear()
        factories.make_shift(people["owner"], self.world.tester)
        return people

    def run(self, requests: int) -> list[ServerFault]:
        return [fault for number in range(requests) if (fault := self.one(number)) is not None]

    def one(self, number: int) -> ServerFault | None:
        from django.test import Client

        who = self.pick.choices(list(self.people), [1, 2, 2, 2, 6, 1])[0]
        client = Client(raise_request_exception=False)
        if self.people[who] is not None:
            client.force_login(self.people[who])
        name = self.pick.choice(sorted(self.who))
        address = self._address(name)
        if self.pick.random() < 0.4:
            keys = self.pick.sample(QUERIES, self.pick.randint(1, 3))
            sent = {key: [self.pick.choice(HOSTILE)] for key in keys}
            method, answer = "GET", client.get(address, sent)
        else:
            sent = self._filled(client, address)
            method, answer = "POST", client.post(address, sent)
        self.answers[answer.status_code] += 1
        if answer.status_code < 500:
            return None
        trouble = repr(answer.exc_info[1]) if getattr(answer, "exc_info", None) else answer.content.decode()[:300]
        brief = {key: [value[:60] for value in values] for key, values in sent.items()}
        return ServerFault(self.seed, number, who, method, address[:200], brief, trouble[:500])

    def _address(self, name: str) -> str:
        """Of the thing that is there, or of one that cannot be."""
        from django.urls import NoReverseMatch, reverse

        arguments = self.who[name][1](self.world)
        if arguments and self.pick.random() < 0.25:
            place = self.pick.randrange(len(arguments))
            wild = (
                self.pick.choice([2**31, 2**63, 0]) if isinstance(arguments[place], int) else self.pick.choice(HOSTILE)
            )
            try:
                return reverse(name, args=[*arguments[:place], wild, *arguments[place + 1 :]])
            except NoReverseMatch:
                pass
        return reverse(name, args=arguments)

    def _filled(self, client: Any, address: str) -> dict[str, list[str]]:
        """One of the page's forms, a few of its fields filled with what nobody would type."""
        from tests.forms import forms_of

        if address not in self.shown:
            page = client.get(address)
            html = page.content.decode() if page.status_code == 200 and "html" in page["Content-Type"] else ""
            self.shown[address] = [form for form in forms_of(html) if form.method == "post"]
        forms = self.shown[address]
        sent: dict[str, list[str]] = {}
        kinds: list[str] = list(self.pick.sample(QUERIES, 3))
        if forms:
            form = self.pick.choice(forms)
            for key, value in form.fields:
                sent.setdefault(key, []).append(value)
            kinds = [key for key in form.kinds if key != "csrfmiddlewaretoken"] or kinds
        for key in self.pick.sample(kinds, min(len(kinds), self.pick.randint(0, 3))):
            sent[key] = [self.pick.choice(HOSTILE) for _ in range(self.pick.choice([1, 1, 1, 2]))]
        if self.pick.random() < 0.1 and sent:
            del sent[self.pick.choice(sorted(sent))]
        return sent


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--requests", type=int, default=30_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "stockroom.site.settings")
    if "DATABASE_URL" not in os.environ:
        parser.error("name an empty database in DATABASE_URL: this writes nonsense into it")
    import logging

    import django

    django.setup()
    logging.disable(logging.CRITICAL)
    from django.conf import settings
    from django.core.management import call_command

    from stockroom.export.backup import is_in_use

    settings.ALLOWED_HOSTS = ["testserver"]
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    call_command("migrate", verbosity=0)
    if is_in_use():
        parser.error("the database is in use: name an empty one")
    fuzzer = Fuzzer(asked.seed)
    faults = fuzzer.run(asked.requests)
    for fault in faults:
        print(json.dumps(fault._asdict()))
    print(json.dumps({"requests": fuzzer.answers.total(), "faults": len(faults), "answers": dict(fuzzer.answers)}))
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
