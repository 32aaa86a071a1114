"""Why there are no sets, by number."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from grading.matching import Piece, Remedy, Rules, Tier, find_sets, judge_set, why_few
from grading.matching.shortfall import Count

TWO = (Tier("2 %", 0.02, 1.0),)


def pool(count: int, guard: float, seed: int = 0) -> list[Piece]:
    logs = np.random.default_rng(seed).normal(size=(count, 2)) * 0.01
    return [Piece(at, (70 * float(np.exp(a)), 11 * float(np.exp(b))), guard=(guard,)) for at, (a, b) in enumerate(logs)]


def test_guard_bands_that_take_the_tolerance_are_told_by_number() -> None:
    pieces = pool(24, 0.0095)
    found = why_few(pieces, 4, TWO, changes=[Remedy("read each valve 8 more times", pool(24, 0.003), TWO, Rules())])
    as_read = len(find_sets(pool(24, 0.0), 4, TWO).sets)
    after = len(find_sets(pool(24, 0.003), 4, TWO).sets)
    assert (found.sure_enough, found.as_read) == (len(find_sets(pieces, 4, TWO).sets), as_read)
    assert found.sure_enough == 0
    assert as_read > after > 0
    assert Count("read each valve 8 more times", after) in found.changes
    assert found.guard_share == pytest.approx(2 * 0.0095 / np.log(1.02))
    assert found.words[0] == (
        f"{as_read} sets, {4 * as_read} of 24 valves, could be made within the tolerance as read; none of them are "
        "sure enough to be within it."
    )
    assert "takes 96% of the tolerance" in found.words[1]
    assert any(f"({found.changes[0].sets} set" in sentence for sentence in found.words)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("size", [2, 3])
def test_the_tolerance_at_which_sets_begin_is_that_of_the_tightest_set(seed: int, size: int) -> None:
    pieces = [
        Piece(at, (50 * float(np.exp(x)),)) for at, x in enumerate(np.random.default_rng(seed).normal(size=7) / 4)
    ]
    narrow = (Tier("0.5 %", 0.005, 1.0),)
    found = why_few(pieces, size, narrow)
    tightest = min(max(judge_set(rows, narrow).spread) for rows in combinations(pieces, size))
    if tightest <= 0.005:
        assert found.begins_at is None
    elif found.begins_at is not None:
        assert tightest <= found.begins_at + 1e-9
        assert found.begins_at <= tightest * 1.011
        assert found.changes[0].sets >= 1
    else:
        assert tightest > 8 * 0.0049


def test_makers_and_settings_that_keep_valves_apart_are_told() -> None:
    alike = [Piece(at, (100.0,), maker=("Northgate", "Harbour")[at % 2], settings=at // 2) for at in range(4)]
    found = why_few(alike, 2, TWO, Rules(same_maker=True))
    assert found.sure_enough == found.as_read == 0
    assert Count("mix makers in a set", 2) in found.changes
    assert any("read alike" in one.words and one.sets == 2 for one in found.taken_by)
    assert any("What would help most: mix makers in a set (2 sets)" in sentence for sentence in found.words)


def test_too_few_valves_is_said_before_anything_else() -> None:
    found = why_few([Piece(1, (1.0,), maker="Northgate"), Piece(2, (1.0,))], 2, TWO, Rules(same_maker=True))
    assert found.words[0] == "Of 2 valves 1 can join a set at all; a set takes 2."
    assert why_few([], 2, TWO).words[0] == "Of 0 valves 0 can join a set at all; a set takes 2."
