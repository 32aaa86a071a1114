"""Matching: disjoint sets of valves that agree within a tolerance, of the greatest total value, with proof."""

from grading.matching.field import SetVerdict, judge_set, spread
from grading.matching.words import FoundSet, MatchOutcome, Piece, Progress, Rules, Tier

from .guards import guard_for
from .search import find_sets
from .shortfall import Remedy, Shortfall, why_few

__all__ = [
    "FoundSet",
    "MatchOutcome",
    "Piece",
    "Progress",
    "Remedy",
    "Rules",
    "SetVerdict",
    "Shortfall",
    "Tier",
    "find_sets",
    "guard_for",
    "judge_set",
    "spread",
    "why_few",
]
