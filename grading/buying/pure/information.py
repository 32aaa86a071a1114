"""What opening some packs before buying would be worth: preposterior analysis.

Without a look the shop buys where the expected gain is above nothing, and has max(0, E[G]). With s pieces of a line
opened of which x prove usable, it buys where E[G | x] is; so the look is worth, on average over what may be found,

    sum over x of P(x) max(0, E[G | x])  -  max(0, E[G]),

never less than nothing (H. Raiffa and R. Schlaifer, Applied Statistical Decision Theory, 1961, from memory). The draws
of the forecast are the prior: each gives a count u of usable pieces among the m of the line, and the gain G that goes
with it. A sample without replacement finds x with the hypergeometric probability of x given u, so

    P(x) = mean of h(x; m, u, s),    E[G | x] = mean of G h(x; m, u, s) / P(x),

which for u beta-binomial gives x its beta-binomial (tests/outside/test_buying_statistics.py), and goes up to the whole
line. What is found of one line bears on the others by the draws: they share supplier and lot.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from grading.buying.pure.pooling import Floats

STEPS = (1, 2, 3, 5, 8, 13, 20, 32, 50)  # packs to try
ROUNDING = 1e-9  # of the gain: what the sums leave where a look changes nothing
MOST_PIECES = 120  # a look at more is a purchase


class Look(NamedTuple):
    """So many packs opened: what that is worth, what it costs, and from how many usable pieces on to buy.

    `buy_from` is None where no finding would make it worth buying, and 0 where every finding would.
    """

    packs: int
    pieces: int
    worth: float
    cost: float
    buy_from: int | None

    @property
    def net(self) -> float:
        return self.worth - self.cost

    @property
    def changes_nothing(self) -> bool:
        return self.buy_from in (None, 0)


def found_probabilities(lot: int, usable: NDArray[np.int64], sample: int) -> Floats:
    """h(x; lot, usable, sample) for x from 0 to `sample`, one row an x, one column a draw."""
    logs = gammaln(np.arange(lot + 2) + 0.0 + 1.0)
    x = np.arange(sample + 1)[:, None]
    good, bad = usable[None, :] - x, (lot - usable)[None, :] - (sample - x)
    can_be = (good >= 0) & (bad >= 0)
    log_h = (
        logs[usable][None, :]
        - logs[x]
        - logs[np.maximum(good, 0)]
        + logs[lot - usable][None, :]
        - logs[sample - x]
        - logs[np.maximum(bad, 0)]
        - (logs[lot] - logs[sample] - logs[lot - sample])
    )
    return np.where(can_be, np.exp(log_h), 0.0)


def value_of_looking(lot: int, usable: NDArray[np.int64], gain: Floats, sample: int) -> tuple[float, int | None]:
    """What opening `sample` pieces of a line of `lot` is worth, and from how many usable ones on to buy."""
    given = found_probabilities(lot, usable, sample)
    summed = given @ gain / len(gain)  # P(x) E[G | x]
    without = max(0.0, float(gain.mean()))
    worth = float(np.maximum(summed, 0.0).sum()) - without
    if worth < ROUNDING * float(np.abs(gain).mean()):
        worth = 0.0
    buy = np.flatnonzero((summed > 0) & (given.sum(axis=1) > 0))
    return worth, int(buy[0]) if len(buy) else None


def looks(
    pieces: int,
    pack: int,
    usable: NDArray[np.int64],
    gain: Floats,
    *,
    cost_of_pack: float,
    cost_of_piece: float,
    also: Iterable[int] = (),
) -> list[Look]:
    """No pack, then more and more of them; `also` names other numbers of packs, such as what a plan would open."""
    packs_there = -(-pieces // pack)
    wanted = sorted({step for step in (*STEPS, *also) if step <= packs_there and step * pack <= MOST_PIECES})
    found = [Look(0, 0, 0.0, 0.0, 0 if gain.mean() > 0 else None)]
    for packs in wanted:
        sample = min(packs * pack, pieces)
        worth, buy_from = value_of_looking(pieces, usable, gain, sample)
        found.append(Look(packs, sample, worth, packs * cost_of_pack + sample * cost_of_piece, buy_from))
    return found


def best_look(found: list[Look]) -> Look:
    """The one with the most left after its cost; the first is to open none."""
    return max(found, key=lambda look: look.net)
