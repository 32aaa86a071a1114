"""What a page reads does not grow with the stock: rows fetched for 200 valves are rows fetched for 1,000."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.db.backends.utils import CursorWrapper
from django.test import Client
from django.utils import timezone

from grading.models import Grade, MatchedSet, Member, Reading
from grading.sets import making
from stockroom.models import Customer, Entry, Listing, Order, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests import factories

pytestmark = pytest.mark.django_db

SMALL, LARGE = 200, 1000


class GrowingStock:
    """One lot of one type; every valve but the first few is a copy of one that was read and graded."""

    def __init__(self) -> None:
        self.policy = factories.make_policy()
        self.type = factories.make_type()
        self.line = factories.make_line(self.type, LARGE + 100)
        self.first = factories.make_valves(self.type, 4, line=self.line)
        factories.graded_all([(valve, 1.2 + number / 1000, 1.6) for number, valve in enumerate(self.first)])
        self.set = making.make_set(self.first[:2], 20, factories.make_user())
        self.order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
        self.order.lines.create(type=self.type, set_size=1, best_grades=3)
        self.order.lines.create(type=self.type, set_size=2, best_grades=3, max_spread_percent=20)
        self.order.lines.create(type=self.type, set_size=4, best_grades=3, max_spread_percent=20)

    def grow(self, to: int) -> None:
        count = to - Valve.objects.count()
        model: Grade = self.first[3].grades.get()
        read = list(model.readings.all())
        valves = factories.make_valves(self.type, count, line=self.line, state=State.GRADED)
        grades = Grade.objects.bulk_create(
            Grade(
                valve=valve,
                policy=self.policy,
                name=model.name,
                rank=model.rank,
                saleable=True,
                measured=model.measured,
            )
            for valve in valves
        )
        readings = Reading.objects.bulk_create(
            Reading(
                valve=valve,
                section=one.section,
                test_point=one.test_point,
                shift=one.shift,
                anode_current_ma=one.anode_current_ma,
                gm_ma_per_v=one.gm_ma_per_v,
            )
            for valve in valves
            for one in read
        )
        through = Grade.readings.through
        through.objects.bulk_create(
            through(grade=grade, reading=readings[place * len(read) + offset])
            for place, grade in enumerate(grades)
            for offset in range(len(read))
        )
        Entry.objects.bulk_create(Entry(action="noted", text="Noted", valve=one, lot=self.line.lot) for one in valves)
        self._sets(list(zip(valves, grades, strict=True))[: count // 2])

    def _sets(self, some: list[tuple[Valve, Grade]]) -> None:
        pairs = list(zip(some[::2], some[1::2], strict=False))
        start = MatchedSet.objects.count()
        made = MatchedSet.objects.bulk_create(
            MatchedSet(
                number=f"S9{start + number:05}",
                type=self.type,
                size=2,
                tolerance_percent=20,
                policy=self.policy,
                made_at=timezone.now(),
            )
            for number, _ in enumerate(pairs)
        )
        Member.objects.bulk_create(
            Member(set=one, valve=valve, grade=grade, position=place)
            for one, pair in zip(made, pairs, strict=True)
            for place, (valve, grade) in enumerate(pair, 1)
        )
        Valve.objects.filter(pk__in=[valve.pk for pair in pairs for valve, _ in pair]).update(state=State.MATCHED)
        Listing.objects.bulk_create(
            Listing(number=f"A9{start + number:05}", title="One", price=5, currency="GBP")
            for number in range(len(pairs))
        )


@contextmanager
def rows_fetched(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], int]]:
    """How many rows the database has handed over."""
    seen = 0

    def counted(name: str) -> Any:
        def fetch(self: CursorWrapper, *args: Any) -> Any:
            nonlocal seen
            found = getattr(self.cursor, name)(*args)
            seen += 0 if found is None else len(found) if name != "fetchone" else 1
            return found

        return fetch

    with monkeypatch.context() as patch:
        for name in ("fetchone", "fetchmany", "fetchall"):
            patch.setattr(CursorWrapper, name, counted(name), raising=False)
        yield lambda: seen


def test_no_page_reads_more_rows_of_a_larger_stock(
    logged_in: Callable[..., Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    # The bounds that a page keeps, brought down so that both stocks lie above them.
    monkeypatch.setattr("grading.orders.candidates.LOOKED_AT", 20)
    monkeypatch.setattr("grading.sets.plans.READ_FOR_A_PAGE", 60)
    monkeypatch.setattr("grading.papers.certificates.MOST_SIBLINGS", 40)
    stock, client = GrowingStock(), logged_in(Role.OWNER)
    pages = [
        "/",
        f"/orders/{stock.order.number}/",
        f"/lots/{stock.line.lot.number}/",
        f"/valves/{stock.first[0].serial}/",
        "/valves/?state=graded&grade=Good",
        "/sets/?status=live",
        f"/sets/{stock.set.number}/",
        f"/sets/{stock.set.number}/certificate.pdf",
        "/listings/?status=live",
        "/listings/many/singles/",
        "/listings/many/sets/",
        f"/prices/why/?item={stock.first[0].serial}",
        "/daybook/?text=noted",
        "/types/12AX7/",
        f"/bench/?serial={stock.first[3].serial}",
    ]

    def read(page: str) -> int:
        with rows_fetched(monkeypatch) as fetched:
            assert client.get(page).status_code == 200, page
            return fetched()

    stock.grow(SMALL)
    for page in pages:
        read(page)  # what is asked for once and kept
    small = {page: read(page) for page in pages}
    stock.grow(LARGE)
    large = {page: read(page) for page in pages}
    assert all(small.values()), "nothing was counted"
    grown = {page: (small[page], large[page]) for page in pages if large[page] > small[page] + 12}
    assert grown == {}
