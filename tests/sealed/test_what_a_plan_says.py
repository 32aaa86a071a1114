"""What the pages of sealed stock say of a plan, its cost in seals, and a pack."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.utils import timezone

from stockroom.models import BrokenSeal, Pack, Packing, SamplingPlan
from stockroom.sealed.plans import Opening

CARTON, PACK = Packing.Seal.CARTON, Packing.Seal.PACK


@pytest.mark.parametrize(
    ("opening", "words"),
    [
        (Opening(1, 1, 1, 9, True, PACK), "1 piece to open; 9 pieces stay under a whole seal"),
        (
            Opening(13, 7, 8, 67, True, PACK),
            "13 pieces to open, out of 7 of 8 cartons; 67 pieces stay under a whole seal",
        ),
        (
            Opening(13, 6.6, 8, 13.4, False, CARTON),
            "13 pieces to open, out of about 7 of 8 sealed cartons; about 13 pieces stay under a whole seal",
        ),
    ],
)
def test_a_plan_says_what_it_opens(opening: Opening, words: str) -> None:
    assert opening.in_words == words


def test_a_plan_says_until_when_the_lot_can_go_back() -> None:
    assert SamplingPlan().return_in_words == "no"
    tomorrow = timezone.localdate() + timedelta(days=1)
    assert SamplingPlan(returnable_until=tomorrow).return_in_words.startswith("until ")
    assert SamplingPlan(returnable_until=date(2020, 3, 1)).return_in_words == "no longer; it could until 1 Mar 2020"


def test_a_plan_says_why_its_severity() -> None:
    assert SamplingPlan(severity="normal", severity_because="it begins so").severity_in_words == "normal: it begins so."
    other = SamplingPlan(severity="tightened", severity_proposed="normal", override_reason="a bad smell")
    assert other.severity_in_words == "tightened, not normal as proposed: a bad smell."


def test_a_pack_says_how_its_seal_stands() -> None:
    assert Pack(opened=True).seal_in_words == "opened for the sample"
    assert Pack(opened=False).seal_in_words == "under its seal, not tested"
    broken = Pack(opened=False)
    broken.broken_seal = BrokenSeal(because="dropped")
    assert broken.seal_in_words == "its seal is broken: dropped"
