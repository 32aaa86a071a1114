"""Matching: disjoint sets of valves that agree within a tolerance, of the greatest total value, with proof.

find_sets(pieces, size, tiers, rules)   -> Outcome: the sets, their value, the proven bound, the gap
judge_set(pieces, tiers, rules)         -> Verdict on one set put together by hand
guard_for(relative_u, size, probability, ...)  -> guard band of a piece
why_few(pieces, size, tiers, rules, changes)  -> Shortfall: what takes the sets that are not there
spread(pieces)                          -> largest over smallest, less one, of each quantity
Piece, Tier, Rules, MatchedSet, Progress, Outcome, Verdict   the words
"""

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
