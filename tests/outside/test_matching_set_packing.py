"""Set packing instances with published optima.

Instances pb_100rnd0500 and pb_100rnd0700 of X. Delorme, X. Gandibleux, J. Rodriguez, "GRASP for set packing
problems", European Journal of Operational Research 153(3), 564-580, 2004: one hundred sets with weights 1 to 20, one
hundred constraints "at most one of these". The data are copied from a public copy of the instance files; the optima
are those of "Solving the Set Packing Problem via a Maximum Weighted Independent Set Heuristic", Mathematical Problems
in Engineering, 2020, article 3050714, Table 1, column Opt (pb100rand05: 639, pb100rand07: 503).
"""

import numpy as np
import pytest

from grading.matching.catalogue import Catalogue
from grading.matching.exact import prove
from grading.matching.watch import Watch

WEIGHTS_05 = """
6 12 6 4 20 15 3 8 6 9 9 14 17 15 7 5 12 1 11 6 18 7 18 18 5 9 2 7 1 1 10 3 2 12 4 10 16 10 5 9 5 12 20 1 20 8 1 2 12
13 9 17 5 1 3 13 3 6 8 14 16 8 2 8 20 15 13 7 11 7 9 11 3 1 8 3 1 2 2 12 9 3 18 2 2 14 3 10 18 2 3 1 19 8 16 12 9 7 13
19
"""
CONSTRAINTS_05 = """
11 77, 8 81, 24 88, 87 97, 42 91, 6 48, 55 80, 29 50, 53 74, 47 60, 36 56, 5 79, 66 86, 7 37, 28 74, 51 52, 76 90,
8 75, 23 25, 55 76, 31 44, 67 82, 4 61, 40 44, 49 77, 26 35, 51 54, 31 55, 3 63, 6 82, 51 92, 82 83, 20 96, 16 65,
31 94, 17 32, 33 73, 30 53, 58 89, 14 20, 53 66, 24 73, 26 78, 73 80, 30 67, 13 17, 4 30, 58 81, 63 88, 11 12, 31 94,
9 23, 55 79, 57 64, 23 29, 43 59, 12 65, 63 74, 2 21, 22 54, 56 97, 9 61, 64 70, 46 69, 7 85, 47 71, 90 96, 25 84,
24 77, 14 26, 11 89, 32 65, 9 61, 13 48, 32 72, 27 67, 43 70, 1 29, 26 69, 48 83, 68 87, 14 66, 13 84, 4 27, 14 89,
81 85, 38 91, 26 73, 7 36, 63 67, 84 99, 3 50, 19 73, 83 87, 20 42, 42 47, 54 93, 4 80, 17 66, 3 29
"""
WEIGHTS_07 = """
11 10 18 8 19 8 20 4 14 3 6 5 17 1 3 14 1 18 4 7 8 13 2 9 14 20 2 8 10 4 20 9 11 1 15 12 11 2 2 11 2 15 18 4 6 1 4 6
17 11 17 6 18 11 2 3 5 7 18 16 7 19 10 13 17 1 9 16 12 10 11 4 20 14 5 9 18 13 11 18 14 13 20 7 5 8 19 5 19 9 7 19 9
16 7 14 16 8 13 6
"""
CONSTRAINTS_07 = """
51 57, 10 15 25 84, 37 87 88 90, 25 45 82, 43 56 67 96, 27 48 80, 13 50, 2 63, 2 23 29 48, 3 47 97, 40 86 93,
31 36 50, 20 28, 21 72 73, 1 19 20 76, 58 95, 2 11 48, 28 46 99, 34 58, 12 34 88 100, 19 66 73, 45 83, 16 29,
12 14 54 84, 2 5 11, 16 82 85 86, 48 52, 2 8 74, 13 45 55, 4 19 71, 57 100, 8 16, 3 32 60 62, 47 49, 28 46, 30 93,
66 80, 3 9 44, 27 38 53 94, 5 21, 7 15 27 65, 64 72, 31 49 52 83, 40 41 54, 33 78 94, 1 71, 24 52 77 96, 3 26 73,
79 90, 4 79, 21 24 26, 5 20 38 90, 47 58, 22 57 75, 45 68 82 87, 26 28 35, 29 48 71, 59 65 99, 21 22 27, 9 43 75,
15 90, 39 56 88, 15 44 80, 22 52, 28 75 94, 17 30 31 67, 16 57, 19 30 50 97, 2 16 28, 5 10 90 91, 48 93, 6 16 61 81,
26 60 90, 46 89, 68 92, 60 67 76, 20 26 34 92, 41 48, 35 39 86, 46 92 97, 6 17 37 86, 2 27 61 87, 21 29 70, 18 45 97,
9 36 46 93, 26 85, 40 57, 25 92 93, 19 99, 31 78 100, 15 52 59 71, 36 47 83 94, 7 87, 19 24 60, 32 45 74, 21 31 78,
12 24, 5 6 73, 15 22 47 65, 9 28 41
"""


def instance(weights: str, constraints: str) -> Catalogue:
    """Each constraint is a piece; a set uses the constraints it stands in, and pieces of its own to fill up."""
    worth = np.array(weights.split(), dtype=float)
    rows = [[int(name) - 1 for name in row.split()] for row in constraints.split(",")]
    assert len(worth) == len(rows) == 100
    uses: list[list[int]] = [[] for _ in worth]
    for number, row in enumerate(rows):
        for one in row:
            uses[one].append(number)
    size = max(map(len, uses))
    pieces = len(rows)
    for mine in uses:
        own = size - len(mine)
        mine += range(pieces, pieces + own)
        pieces += own
    return Catalogue(np.array(uses, dtype=np.int32), worth, np.zeros(100, dtype=np.int64), pieces)


@pytest.mark.parametrize(
    ("weights", "constraints", "optimum"),
    [
        (WEIGHTS_05, CONSTRAINTS_05, 639.0),
        (WEIGHTS_07, CONSTRAINTS_07, 503.0),
    ],
    ids=["pb_100rnd0500", "pb_100rnd0700"],
)
def test_the_published_optimum_is_found_and_proven(weights: str, constraints: str, optimum: float) -> None:
    catalogue = instance(weights, constraints)
    answer = prove(catalogue, np.empty(0, dtype=np.int64), 0, Watch(60.0, None, None), 1.0, 0)
    used = catalogue.members[answer.chosen].ravel()
    assert len(used) == len(set(used.tolist()))
    assert catalogue.worth[answer.chosen].sum() == optimum
    assert (answer.value, answer.bound) == (optimum, optimum)
