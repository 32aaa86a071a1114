"""How the adviser speaks: what it found, how much room there is, and which table an answer belongs to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

SAFETY = (
    "This is reckoned from published data and from what was told of the set; nobody here has seen it. Lethal voltages "
    "remain in a set that is switched off and unplugged, in its capacitors. Valves are hot and break; some hold "
    "mercury or radioactive material. What the maker of the set wrote and the local rules come first. Work inside a "
    "set, and the setting of any bias, is for a licensed or qualified person."
)

# A valve's own spread and the sheets' rounding: so little above a limit is at the limit (common practice, no source).
AT_LIMIT = 1.05


class Level(IntEnum):
    FINE = 0
    NOTE = 1  # good to know, or to look at
    CHANGE = 2  # right once the set is changed as said
    UNKNOWN = 3  # nobody can say without more data
    UNLESS = 4  # no, unless the set asks less than the original allows; only where nobody described the set
    NO = 5


TABLES = {
    Level.NOTE: "drops in",
    Level.CHANGE: "works with a change",
    Level.UNKNOWN: "cannot say",
    Level.UNLESS: "not unless your set asks less",
    Level.NO: "does not",
}


@dataclass(frozen=True)
class Reason:
    level: Level
    about: str  # base, sections, pin 9, top cap, heater, cathode, limits, bias, gain, supply or hazard
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Margin:
    """What the position asks beside what the valve allows. ``limit`` None: the sheet does not say.

    ``least`` turns it round: the position must give at least the limit.
    """

    name: str
    asked: float
    limit: float | None
    unit: str
    least: bool = False

    @property
    def share(self) -> float | None:
        if self.limit is None:
            return None
        if self.least:
            return self.limit / self.asked if self.asked > 0 else 99.0
        return self.asked / self.limit

    @property
    def over(self) -> bool:
        return self.share is not None and self.share > AT_LIMIT

    @property
    def at_limit(self) -> bool:
        return self.share is not None and 1 < self.share <= AT_LIMIT

    @property
    def spare_percent(self) -> float | None:
        return None if self.share is None else round(100 * (1 - self.share)) + 0.0  # no minus before a nought

    @property
    def in_words(self) -> str:
        most = "at least" if self.least else "of"
        if self.limit is None:
            return f"{self.name} {shown(self.asked)} {self.unit}, no limit at hand"
        return f"{self.name} {shown(self.asked)} {self.unit} {most} {shown(self.limit)} {self.unit}"


def worst(findings: Iterable[Reason]) -> Level:
    return max((finding.level for finding in findings), default=Level.FINE)


def shown(value: float) -> str:
    """Three figures, without an exponent, a proper minus.

    >>> shown(0.4567), shown(1234.5), shown(-37.71), shown(12.04)
    ('0.457', '1234', '−37.7', '12')
    """
    text = f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return text.replace("-", "\N{MINUS SIGN}")


def more_or_less(was: float, now: float) -> str:
    """
    >>> more_or_less(2, 3), more_or_less(4, 3)
    ('50 % more', '25 % less')
    """
    return f"{abs(now / was - 1) * 100:.0f} % {'more' if now > was else 'less'}"
