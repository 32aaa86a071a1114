"""No address answers anybody with a server error, whatever is sent. The long run is `python -m tests.fuzz`."""

from __future__ import annotations

import pytest

from tests.fuzz import Fuzzer


@pytest.mark.django_db
@pytest.mark.parametrize("seed", [1, 2])
def test_whatever_is_sent_is_answered_with_a_page(seed: int) -> None:
    fuzzer = Fuzzer(seed)
    faults = fuzzer.run(150)
    assert faults == []
    assert fuzzer.answers[200] > 20 and fuzzer.answers[302] > 5 and fuzzer.answers[400] > 5
