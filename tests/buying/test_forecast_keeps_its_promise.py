"""The forecast on invented shops, by the functions that the page calls: its 80 % intervals hold four outcomes of five,
from both sides, and buying by it earns more than any rule of thumb. `manage.py try_buying` does the same at length."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from grading.buying.pure import trial
from grading.buying.pure.forecast import Interval80, LineForecast, forecast

# So few offers scatter: of 150 that are each held with 0.8, between 0.73 and 0.87 are in all but 3 tries of 100. The
# bounds that are promised, 0.75 and 0.85, are held by the command's thousands.
SHOPS, OFFERS, DRAWS = 50, 3, 400
LEAST, MOST = 0.73, 0.87


@cache
def tried() -> list[trial.TriedOffer]:
    return trial.try_shops(SHOPS, OFFERS, seed=7, draws=DRAWS)


@pytest.mark.parametrize("what", ["proceeds", "worth today at the return", "bench hours", "usable share of a line"])
def test_an_interval_of_eighty_per_cent_holds_four_outcomes_of_five(what: str) -> None:
    held = next(row for row in trial.coverage(tried()) if row.what == what)
    assert LEAST <= held.share <= MOST, held


def test_the_time_to_sell_is_held_at_least_as_often() -> None:
    # Months are whole and end with the horizon, so that what lies on an end is within: it is held oftener.
    held = next(row for row in trial.coverage(tried()) if row.what == "months until nearly all is sold")
    assert held.share >= LEAST, held


def test_intervals_are_not_so_wide_that_they_say_nothing() -> None:
    held = next(row for row in trial.coverage(tried()) if row.what == "proceeds")
    assert held.width < 1.2, held  # of what is forecast: about from half of it to half as much again


def test_intervals_are_narrower_the_more_lots_are_known() -> None:
    few = trial.coverage([one for one in tried() if one.lots_known <= 4])[0]
    many = trial.coverage([one for one in tried() if one.lots_known >= 16])[0]
    assert many.width < few.width


def test_the_forecast_is_right_on_average() -> None:
    came = sum(one.outcome.proceeds for one in tried())
    said = sum(one.forecast.proceeds.middle for one in tried())
    assert came == pytest.approx(said, rel=0.15)


def test_buying_by_the_forecast_earns_more_than_the_best_rule_of_thumb_in_hindsight() -> None:
    by_forecast, _, *thumbs = trial.gains(tried())
    best = max(thumbs, key=lambda row: row.gain)
    assert by_forecast.gain > best.gain > 0, (by_forecast, best)


def test_the_chance_that_is_stated_of_the_return_is_met_so_often() -> None:
    stated = np.array([one.forecast.chance for one in tried()], dtype=float)
    met = np.array([one.outcome.worth - one.terms.charges >= (one.terms.asked or 0) for one in tried()])
    assert met.mean() == pytest.approx(stated.mean(), abs=0.08)
    assert met[stated > 0.8].mean() > 0.65 > 0.35 > met[stated < 0.2].mean()


def test_what_opening_packs_promises_is_not_lost_again() -> None:
    plain, looked, *_ = trial.gains(tried())
    promised = sum(one.look_promised for one in tried())
    assert promised > 0
    # One look of many pays much or little; together they do not cost more than they gain, beyond what is chance.
    assert looked.gain > plain.gain - promised


@pytest.mark.parametrize("times", [0.5, 2.0])
def test_intervals_that_are_too_narrow_or_too_wide_are_found_out(times: float) -> None:
    made = [
        one._replace(forecast=one.forecast._replace(proceeds=_wider(one.forecast.proceeds, times))) for one in tried()
    ]
    assert not LEAST <= trial.coverage(made)[0].share <= MOST


def _wider(of: Interval80, times: float) -> Interval80:
    middle, reach = (of.low + of.high) / 2, times * (of.high - of.low) / 2
    return Interval80(of.middle, middle - reach, middle + reach)


def test_the_same_history_and_seed_say_the_same() -> None:
    world = trial.invent(np.random.default_rng(4))
    learned = trial.history(world, 6)
    terms, lines = trial.offered(world, learned, trial.TERMS)
    once, again = (forecast(learned, terms, lines, seed=5, draws=500) for _ in range(2))
    assert once == again
    assert all(isinstance(line, LineForecast) for line in once.lines)
