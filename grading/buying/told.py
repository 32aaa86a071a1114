"""What a kept forecast says, in sentences and rows for a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any, NamedTuple

from grading.buying.pure.forecast import COVERAGE, NEARLY_ALL
from grading.buying.pure.information import Look, best_look
from grading.models import OfferForecast
from stockroom.pure.money import shown
from stockroom.pure.written import figures, noun, percent, plural

LITTLE_LOTS, LITTLE_SALES = 5, 30
FROM = {
    "owner": "as you say",
    "book": "the price book, for none was sold",
    "nobody": "cannot say, for none was sold and the price book has none",
}


class LineTold(NamedTuple):
    """A row of the lines: what is said of it, how it sells, and on what that rests."""

    number: int
    usable: str
    usable_between: str
    proceeds: str
    proceeds_between: str
    sells: str
    rests: str


@dataclass(frozen=True)
class OfferAsTold:
    forecast: OfferForecast

    @property
    def content(self) -> dict[str, Any]:
        return dict(self.forecast.content)

    def money(self, amount: Decimal | float | None) -> str:
        """Never less than nothing: nobody pays for taking a lot."""
        value = amount if isinstance(amount, Decimal) else Decimal(repr(float(amount or 0)))
        return shown(max(value, Decimal(0)), self.forecast.currency)

    def between(self, low: Decimal | float | None, high: Decimal | float | None) -> str:
        return f"80 %: {self.money(low)} to {self.money(high)}"

    @property
    def return_wanted(self) -> str:
        return percent(Decimal(self.content["terms"]["return_percent"]) / 100, places=None)

    @property
    def most(self) -> str:
        """The sentence that the page is for."""
        kept = self.forecast
        assert kept.most is not None and kept.most_surely is not None
        if kept.most <= 0:
            return f"On average it would not earn {self.return_wanted} a year even as a gift: leave it."
        if kept.most_high is not None and kept.most_high <= 0:
            return (
                f"Leave it: in nine cases of ten it would not earn {self.return_wanted} a year even as a gift. "
                f"On average it is worth {self.money(kept.most)}."
            )
        surely = (
            f"at most {self.money(kept.most_surely)} to earn that with a chance of 4 in 5"
            if kept.most_surely > 0
            else "no price earns that with a chance of 4 in 5"
        )
        return (
            f"Pay at most {self.money(kept.most)} to earn {self.return_wanted} a year on average "
            f"({self.between(kept.most_low, kept.most_high)}); {surely}."
        )

    @property
    def at_the_price(self) -> str:
        asked = self.content["terms"]["asked"]
        if asked is None or self.forecast.chance is None:
            return "Nobody has named a price yet; with one, the page says how likely it is to earn that."
        return (
            f"At the {self.money(Decimal(asked))} asked, the chance that it earns {self.return_wanted} a year or more "
            f"is {percent(self.forecast.chance, places=0)}."
        )

    @property
    def proceeds(self) -> str:
        kept = self.forecast
        beyond = kept.proceeds is not None and kept.proceeds_high is not None and kept.proceeds > kept.proceeds_high
        seldom = ", much of it in few cases" if beyond else ""
        return f"{self.money(kept.proceeds)}{seldom} ({self.between(kept.proceeds_low, kept.proceeds_high)})"

    @property
    def time(self) -> str:
        middle, low, high = self.content["months"]
        horizon = self.content["terms"]["months"]
        beyond = f"more than {horizon}"
        share = percent(NEARLY_ALL, places=0)
        if low is None:
            return f"{share} of the good ones are not sold within {plural(horizon, 'month')}"
        ends = f"{low:g} to {beyond if high is None else f'{high:g}'} {noun(2, 'month')}"
        return f"{share} of the good ones in {beyond if middle is None else f'{middle:g}'} months (80 %: {ends})"

    @property
    def left(self) -> str:
        """What the horizon leaves; nothing where that is nearly nothing."""
        unsold = self.content["unsold"]
        if unsold < 0.01:
            return ""
        horizon = plural(self.content["terms"]["months"], "month")
        return f"On average {percent(unsold, places=0)} of the good ones are left after {horizon}, counted as nothing."

    @property
    def hours(self) -> str:
        if self.content["hours"] is None:
            return "cannot say: no shift with readings one after the other. The work is not in the price."
        middle, low, high = self.content["hours"]
        return f"{figures(middle)} h (80 %: {figures(low)} to {figures(high)} h)"

    @property
    def rests(self) -> list[str]:
        """On what it rests; what is little says so."""
        of = self.content["history"]
        own = (
            f"{plural(of['known_of_supplier'], 'valve')} of {plural(of['lots_of_supplier'], 'lot')} by this supplier"
            if of["lots_of_supplier"]
            else "none by this supplier, so it leans on the others and widens"
        )
        told = [
            f"Yields: {plural(of['known'], 'known valve')} of {plural(of['lots'], 'lot')}; of these {own}.",
            f"Prices and demand: {plural(of['sold'], 'graded valve')} sold in three years, as the books say.",
        ]
        pace = of["minutes_each"]
        shifts = f"Bench: {plural(of['shifts'], 'shift')}"
        told.append(f"{shifts}, {figures(pace, 2)} minutes a valve." if pace is not None else "Bench: no shift yet.")
        return told

    @property
    def little(self) -> str:
        of = self.content["history"]
        few = []
        if of["lots"] < LITTLE_LOTS:
            few.append(plural(of["lots"], "lot"))
        if of["sold"] < LITTLE_SALES:
            few.append(plural(of["sold"], "graded valve") + " sold")
        if not few:
            return ""
        return f"Little history: {' and '.join(few)}. The intervals are wide for it, and may still be beside the mark."

    @property
    def unsaid(self) -> str:
        """Lines of which no price is known, which count for nothing."""
        without = [line for line in self.content["lines"] if line["price_from"] == "nobody"]
        if not without or self.content["why_not"]:
            return ""
        numbers = ", ".join(str(line["number"]) for line in without)
        pieces = plural(sum(line["pieces"] for line in without), "piece")
        return (
            f"Cannot say what {noun(len(without), 'line')} {numbers} ({pieces}) would bring: counted as nothing, but "
            "tested all the same. Say on the line what a good one brings, if you know."
        )

    @cached_property
    def lines(self) -> dict[int, LineTold]:
        return {line["number"]: self._line(line) for line in self.content["lines"]}

    def _line(self, line: dict[str, Any]) -> LineTold:
        of = self.content["history"]
        lots = of["lots_of_type"].get(str(line["type"]), 0), of["lots_of_condition"].get(line["condition"], 0)
        sold = of["sold_of_type"].get(str(line["type"]), 0)
        price = FROM.get(line["price_from"]) or f"{sold} sold"
        rests = f"Lots known: {lots[0]} of the type, {lots[1]} of the condition. Price: {price}."
        if "beta" in line:  # a beta distribution is as sure as alpha + beta pieces seen
            rests += f" The yield is as sure as from {plural(round(sum(line['beta'])), 'valve')} of its own."
        a_year = line["pieces_a_year"]
        first = f"{line['stock']} here go first" if line["stock"] else "None here"
        pace = "cannot say how fast they sell" if a_year is None else f"about {figures(a_year, 2)} sell a year"
        usable, proceeds = line.get("usable"), line.get("proceeds")
        return LineTold(
            line["number"],
            "cannot say" if usable is None else percent(usable[0], places=0),
            "" if usable is None else f"80 %: {percent(usable[1], places=0)} to {percent(usable[2], places=0)}",
            "cannot say" if proceeds is None else self.money(proceeds[0]),
            "" if proceeds is None else self.between(proceeds[1], proceeds[2]),
            f"{first}; {pace}",
            rests,
        )

    @cached_property
    def looks(self) -> list[LookTold]:
        """Opening packs of each sealed line first, the best line before others."""
        told = [LookTold(self, line) for line in self.content["lines"] if line.get("looks")]
        return sorted(told, key=lambda one: -one.best.net)


@dataclass(frozen=True)
class LookTold:
    """What opening packs of one line would change."""

    told: OfferAsTold
    line: dict[str, Any]

    @cached_property
    def looks(self) -> list[Look]:
        return [Look(**look) for look in self.line["looks"]]

    @property
    def best(self) -> Look:
        return best_look(self.looks)

    @property
    def sentence(self) -> str:
        what = f"line {self.line['number']}, {self.line['called']}"
        best = self.best
        if best.packs == 0:
            most = max(self.looks, key=lambda look: look.worth)
            if most.worth <= 0:
                return (
                    f"Opening packs of {what}, would not change what to do: whatever they show, the answer is the same."
                )
            return f"Opening packs of {what}, first is not worth it: it would cost more than it tells."
        packs = plural(best.packs, "pack")
        gain = self.told.money(best.net)
        return f"Open {packs} of {what}, first: that is worth {gain} more than it costs. {self.rule(best)}"

    def rule(self, look: Look) -> str:
        if look.buy_from is None:
            return "Leave it whatever they show."
        if look.buy_from == 0:
            return "Buy whatever they show."
        if look.buy_from == look.pieces:
            return "Buy only if all are good." if look.pieces > 1 else "Buy only if it is good."
        return f"Buy if {look.buy_from} or more of {plural(look.pieces, 'piece')} are good."

    @property
    def rows(self) -> Sequence[tuple[Look, str, str, str, str]]:
        return [
            (
                look,
                self.told.money(look.worth),
                self.told.money(look.cost),
                "as ISO 2859-1 would open" if look.packs in self.line["by_plan"] else "",
                self.rule(look),
            )
            for look in self.looks
        ]


assert COVERAGE == 0.8, "the sentences above say 80 %"
