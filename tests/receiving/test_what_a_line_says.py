"""The sentences that pages put together of a line, a claim's step and a warning."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal

from django.contrib.auth.models import User

from catalog.models import ValveType
from stockroom.models import Claim, ClaimStep, Line, Maker, MarkWarning
from stockroom.receiving.views import LineRow
from stockroom.states import State
from stockroom.tally import LotTally

NBSP = "\N{NO-BREAK SPACE}"
EMPTY = LotTally({}, 0)


def test_a_line_names_its_type_and_the_mark_it_bears() -> None:
    type_ = ValveType(designation="12AX7")
    assert Line(type=type_).type_and_mark == "12AX7"
    assert Line(type=type_, maker=Maker(name="Dunvarrow")).type_and_mark == "12AX7, Dunvarrow"


def test_a_line_says_whether_it_was_counted() -> None:
    assert Line(expected=30).count_in_words == "Expected 30, not yet counted."
    assert Line(expected=30, counted=0).count_in_words == "Expected 30, counted 0."


def test_the_cost_of_a_piece_is_one_figure_or_two() -> None:
    def cost(least: str | None, most: str | None) -> str:
        return LineRow(Line(), EMPTY, "", least and Decimal(least), most and Decimal(most), 0).cost_each

    assert (cost(None, None), cost("5.03", "5.03"), cost("5.03", "5.04")) == ("–", "5.03", "5.03–5.04")


def test_progress_is_told_furthest_first() -> None:
    assert LotTally({State.GRADED: 3, State.RECEIVED: 1}, 4).in_words == "3 graded, 5 received"


def test_a_step_of_a_claim_says_what_was_agreed_and_keeps_its_own_names() -> None:
    claim = Claim(currency="DKK")
    assert ClaimStep(claim=claim, kind="sent").in_words == "sent to the supplier"
    agreed = ClaimStep(claim=claim, kind="agreed", amount=Decimal("436.87"), note="all but one")
    assert agreed.in_words == f"agreed on DKK{NBSP}436.87: all but one"
    assert [kind for kind, _ in ClaimStep._meta.get_field("kind").choices] == ["sent", "agreed", "refused", "withdrawn"]


def test_a_warning_says_what_became_of_it() -> None:
    at = datetime(2024, 4, 5, 12, tzinfo=UTC)
    assert MarkWarning().outcome_in_words == "open"
    assert MarkWarning(cleared_at=at).outcome_in_words == "cleared 5 Apr 2024"
    dismissed = MarkWarning(dismissed_at=at, dismissed_by=User(username="rosa"), dismissed_because="a late box")
    assert dismissed.outcome_in_words == "dismissed by rosa, 5 Apr 2024: a late box"
