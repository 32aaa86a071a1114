"""One way to write a day, a moment, a share, a count, and the serials of some valves."""

from __future__ import annotations

from datetime import UTC, date, datetime
from fractions import Fraction

import pytest
from django.template import engines

from stockroom.models import Entry
from stockroom.pure import written
from tests.factories import make_valve


def shown(source: str, **context: object) -> str:
    return engines["django"].from_string(source).render(context)


def test_a_moment_is_written_in_the_shops_own_time() -> None:
    summer = datetime(2024, 7, 1, 23, 30, tzinfo=UTC)  # an hour later in London
    assert (
        shown("{{ at|moment }} / {{ at|day }} / {{ at|clock }}", at=summer) == "2 Jul 2024, 00:30 / 2 Jul 2024 / 00:30"
    )


def test_a_day_is_written_without_a_leading_nought_and_nothing_is_nothing() -> None:
    assert shown("{{ on|day }}|{{ none|day }}|{{ none|moment }}", on=date(2024, 4, 5), none=None) == "5 Apr 2024||"


@pytest.mark.parametrize(("count", "words"), [(0, "0 studies"), (1, "1 study"), (2, "2 studies")])
def test_a_count_and_its_noun_agree(count: int, words: str) -> None:
    assert (
        shown('{{ count|counted:"study,studies" }}', count=count) == words == written.plural(count, "study", "studies")
    )


def test_a_share_is_written_alike_on_a_page_and_in_a_sentence() -> None:
    assert shown("{{ share|percent }}", share=0.0234) == written.percent(0.0234) == "2.3\N{NO-BREAK SPACE}%"
    assert written.percent(Fraction(1, 8), places=None) == "12.5\N{NO-BREAK SPACE}%"


@pytest.mark.django_db
def test_serials_are_links_with_a_mark_between() -> None:
    valves = [make_valve(), make_valve()]
    links = [f'<a class="serial" href="/valves/{valve.serial}/">{valve.serial}</a>' for valve in valves]
    assert shown("{{ valves|serials }}", valves=valves) == " · ".join(links)
    assert shown('{{ valves|serials:", " }}', valves=valves) == ", ".join(links)


@pytest.mark.django_db
def test_an_entry_fits_its_own_text_however_it_is_written() -> None:
    long = "a" * 500
    one = Entry.write(None, "noted", long)
    many = Entry.objects.bulk_create([Entry(action="noted", text=long), Entry(action="noted", text="short")])
    assert [len(entry.text) for entry in (one, *many)] == [400, 400, 5]
    assert Entry.objects.get(pk=one.pk).text.endswith("…")
