"""find_sets: the question a page asks. So far the left-to-right pass answers, with the bound of counting."""

from __future__ import annotations

import time
from collections.abc import Hashable, Iterable, Sequence

from .field import lay_out, spread
from .greedy import greedy_pass
from .words import MatchedSet, Outcome, Piece, Progress, ProgressCall, Rules, StopCall, Tier


def find_sets(
    pieces: Sequence[Piece],
    size: int,
    tiers: Sequence[Tier],
    rules: Rules = Rules(),  # noqa: B008
    *,
    time_limit_s: float = 60.0,
    seed: int = 0,
    progress: ProgressCall | None = None,
    should_stop: StopCall | None = None,
    start: Iterable[Iterable[Hashable]] = (),
) -> Outcome:
    """Disjoint sets of ``size`` pieces of the greatest total value, with a proven bound.

    ``start`` gives sets of an earlier run, as keys: those that still stand are built upon. ``progress`` is
    called now and then; when ``should_stop`` returns true the best so far comes back. ValueError for a
    question without meaning (a size outside 2 to 12, a quantity that is not positive, two tiers of one name).
    """
    began = time.monotonic()
    field = lay_out(pieces, size, tiers, rules)
    found = greedy_pass(field, size)
    value = float(sum(field.values[tier] for _, tier in found))
    best = field.values[0] if len(field.values) else 0.0
    bound = float(sum(len(group) // size for group in field.groups) * best)
    sets = []
    for members, tier in found:
        chosen = [pieces[field.rows[row]] for row in sorted(members)]
        sets.append(MatchedSet(tuple(piece.key for piece in chosen), spread(chosen), field.tiers[tier].name,
                               field.tiers[tier].value))
    seconds = time.monotonic() - began
    if progress is not None:
        progress(Progress("left-to-right pass", value, bound, len(sets), seconds))
    gap = (bound - value) / bound if bound else 0.0
    return Outcome(tuple(sets), value, bound, gap, value >= bound, seconds, False, False, {}, field.left_out,
                   "left-to-right pass; bound by counting")
