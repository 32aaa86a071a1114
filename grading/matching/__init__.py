"""Matching: disjoint sets of valves that agree within a tolerance, of the greatest total value, with proof.

find_sets(pieces, size, tiers, rules)   -> Outcome: the sets, their value, the proven bound, the gap
judge_set(pieces, tiers, rules)         -> Verdict on one set put together by hand
spread(pieces)                          -> largest over smallest, less one, of each quantity
Piece, Tier, Rules, MatchedSet, Progress, Outcome, Verdict   the words
"""

from grading.matching.field import SetVerdict, judge_set, spread
from grading.matching.words import FoundSet, MatchOutcome, Piece, Progress, Rules, Tier

from .search import find_sets

__all__ = [
    "FoundSet",
    "MatchOutcome",
    "Piece",
    "Progress",
    "Rules",
    "SetVerdict",
    "Tier",
    "find_sets",
    "judge_set",
    "spread",
]
