"""An answer of the adviser: the reasons, the room there is, and both valves at work."""

from __future__ import annotations

from dataclasses import dataclass

from catalog.physics.findings import SAFETY, TABLES, Level, Margin, Reason, worst
from catalog.physics.rectifiers import Supplied
from catalog.physics.stages import Stage


@dataclass(frozen=True)
class Advice:
    """One candidate. ``before`` and ``after`` are the stages of the original and of this one, where there are any."""

    other: str
    reasons: tuple[Reason, ...]  # worst first
    margins: tuple[Margin, ...] = ()
    before: Stage | None = None
    after: Stage | None = None
    supply_before: Supplied | None = None
    supply_after: Supplied | None = None
    safety: str = SAFETY

    @property
    def level(self) -> Level:
        return max(worst(self.reasons), Level.NOTE)

    @property
    def table(self) -> str:
        return TABLES[self.level]

    @property
    def by_adapter(self) -> bool:
        return any(reason.about == "base" for reason in self.reasons)

    @property
    def tone(self) -> str:
        """As messages have it: what a colour and a mark may repeat."""
        if self.level == Level.NOTE:
            return "success"
        return "error" if self.level == Level.NO else "warning"

    @property
    def usable(self) -> bool:
        return self.level <= Level.CHANGE

    @property
    def tightest(self) -> Margin | None:
        known = [margin for margin in self.margins if margin.share is not None]
        return max(known, key=lambda margin: margin.share or 0.0, default=None)

    @property
    def in_one_sentence(self) -> str:
        """The answer to "does Y go in X?", without the two names."""
        decisive = [reason.text for reason in self.reasons if reason.level == self.level]
        told = "; ".join(decisive[:2])
        match self.level:
            case Level.NOTE:
                return "Yes, it drops in" + (f": {told}." if told else ".")
            case Level.CHANGE:
                return f"Yes, with a change: {told}."
            case Level.UNKNOWN:
                return f"Nobody can say: {told}."
            case Level.UNLESS:
                return f"Only if your set asks less: {told}."
        return f"No: {told}."
