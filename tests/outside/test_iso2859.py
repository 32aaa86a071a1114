"""ISO 2859-1 against copies of its tables and rules that were seen; the standard itself was not.

[Q] "ANSI/ASQC Z1.4/MIL-STD-105E/BS 6001/DIN 40080/ISO 2859/NF X 06-022", a published chart: Table I, sample
    size code letters, and the note below the master tables; pdfcoffee.com/aql-sampling-chart-pdf-free.html.
[N] National Institute of Building Sciences, AC-TABLE.ASC, Table 1-A (General Level II, single, normal) and
    Table 1-B (General Level III, single, tightened): rejection numbers for AQL 0.65 to 15. It says that it
    is developed from MIL-STD-105E, Tables I and II-A; www.nibs.org/FMOC/DPW_AC/AC-TABLE.ASC.
[R] The R function AAZ14Single, which recalls the tables of MIL-STD-105E with their arrows followed: sample
    sizes and acceptance numbers; public repository fjgonzalezmgt/AQLSchemesCust, file R/AAZ14Single.R,
    commit c42ea7df9abdbc5d57b014cf5a5b3fb868cf98b0.
[G] A public transcription, as program text, of Tables 2-A, 2-B and 2-C of GB/T 2828.1-2012, which that text
    calls identical with ISO 2859-1:1999 and says was compared cell by cell with a scan of the standard. The
    index it was read from does not name the repository. Used here for Table 2-C, which is not that of
    MIL-STD-105E, and for the switching score of clause 9.3.3.2.
[S] "Switching Rules (ISO 2859-1)", a published chart; www.sqconline.com/switching-rules-iso-2859-1.
[C] The change list of ISO 2859-1:1999, quoted at www.pinzhi.org/thread-103021-1-1.html: "reduced plans have
    been changed to eliminate the gap between the acceptance and rejection numbers".
"""

from decimal import Decimal

import pytest

from stockroom.sealed.pure.sampling import AQLS, InspectionLevel, Severity, code_letter, single_plan, table_plan
from stockroom.sealed.pure.switching import LotResult, SwitchingState, accepted_one_step_tighter, after, state_after

LETTERS = "ABCDEFGHJKLMNPQR"

# [Q], and the same letters in [R]: upper end of the range, then S-1 S-2 S-3 S-4 I II III.
CODE_LETTERS = """
8 A A A A A A B
15 A A A A A B C
25 A A B B B C D
50 A B B C C D E
90 B B C C C E F
150 B B C D D F G
280 B C D E E G H
500 B C D E F H J
1200 C C E F G J K
3200 C D E G H K L
10000 C D F G J L M
35000 C D F H K M N
150000 D E G J L N P
500000 D E G J M P Q
9999999 D E H K N Q R
"""

# [N], Table 1-A: letter, sample size, rejection numbers for AQL 0.65 1.0 1.5 2.5 4.0 6.5 10 15 ("v" and "^"
# arrows).
NIBS_NORMAL = """
A 2 v v v v v 1 ^ v
B 3 v v v v 1 ^ v 2
C 5 v v v 1 ^ v 2 3
D 8 v v 1 ^ v 2 3 4
E 13 v 1 ^ v 2 3 4 6
F 20 1 ^ v 2 3 4 6 8
G 32 ^ v 2 3 4 6 8 11
H 50 v 2 3 4 6 8 11 15
J 80 2 3 4 6 8 11 15 22
K 125 3 4 6 8 11 15 22 ^
L 200 4 6 8 11 15 22 ^ ^
M 315 6 8 11 15 22 ^ ^ ^
N 500 8 11 15 22 ^ ^ ^ ^
P 800 11 15 22 ^ ^ ^ ^ ^
Q 1250 15 22 ^ ^ ^ ^ ^ ^
"""
NIBS_AQLS = [Decimal(aql) for aql in ("0.65", "1.0", "1.5", "2.5", "4.0", "6.5", "10", "15")]

# [N], Table 1-B, in the same columns, the rows that were seen.
NIBS_TIGHTENED = """
A 2 v v v v v v v v
B 3 v v v v v 1 v v
C 5 v v v v 1 v v 2
D 8 v v v 1 v v 2 3
E 13 v v 1 v v 2 3 4
F 20 v 1 v v 2 3 4 6
G 32 1 v v 2 3 4 6 9
H 50 v v 2 3 4 6 9 13
J 80 v 2 3 4 6 9 13 19
K 125 2 3 4 6 9 13 19 ^
L 200 3 4 6 9 13 19 ^ ^
"""

# [R] sample sizes with the arrows followed, rows by letter, columns by AQL 0.010 to 1000.
R_NORMAL_SIZES = """
1250 800 500 315 200 125 80 50 32 20 13 8 5 3 2 5 3 2 2 2 2 2 2 2 2 2
1250 800 500 315 200 125 80 50 32 20 13 8 5 3 2 5 3 3 3 3 3 3 3 3 3 3
1250 800 500 315 200 125 80 50 32 20 13 8 5 3 8 5 5 5 5 5 5 5 5 5 5 3
1250 800 500 315 200 125 80 50 32 20 13 8 5 13 8 8 8 8 8 8 8 8 8 8 5 3
1250 800 500 315 200 125 80 50 32 20 13 8 20 13 13 13 13 13 13 13 13 13 13 8 5 3
1250 800 500 315 200 125 80 50 32 20 13 32 20 20 20 20 20 20 20 20 13 13 13 8 5 3
1250 800 500 315 200 125 80 50 32 20 50 32 32 32 32 32 32 32 32 20 13 13 13 8 5 3
1250 800 500 315 200 125 80 50 32 80 50 50 50 50 50 50 50 50 32 20 13 13 13 8 5 3
1250 800 500 315 200 125 80 50 125 80 80 80 80 80 80 80 80 50 32 20 13 13 13 8 5 3
1250 800 500 315 200 125 80 200 125 125 125 125 125 125 125 125 80 50 32 20 13 13 13 8 5 3
1250 800 500 315 200 125 315 200 200 200 200 200 200 200 200 125 80 50 32 20 13 13 13 8 5 3
1250 800 500 315 200 500 315 315 315 315 315 315 315 315 200 125 80 50 32 20 13 13 13 8 5 3
1250 800 500 315 800 500 500 500 500 500 500 500 500 315 200 125 80 50 32 20 13 13 13 8 5 3
1250 800 500 1250 800 800 800 800 800 800 800 800 500 315 200 125 80 50 32 20 13 13 13 8 5 3
1250 800 2000 1250 1250 1250 1250 1250 1250 1250 1250 800 500 315 200 125 80 50 32 20 13 13 13 8 5 3
1250 800 2000 2000 2000 2000 2000 2000 2000 2000 1250 800 500 315 200 125 80 50 32 20 13 13 13 8 5 3
"""
R_TIGHTENED_SIZES = """
2000 1250 800 500 315 200 125 80 50 32 20 13 8 5 3 8 5 3 2 2 2 2 2 2 2 2
2000 1250 800 500 315 200 125 80 50 32 20 13 8 5 3 8 5 3 3 3 3 3 3 3 3 3
2000 1250 800 500 315 200 125 80 50 32 20 13 8 5 13 8 5 5 5 5 5 5 5 5 5 3
2000 1250 800 500 315 200 125 80 50 32 20 13 8 20 13 8 8 8 8 8 8 8 8 8 5 3
2000 1250 800 500 315 200 125 80 50 32 20 13 32 20 13 13 13 13 13 13 13 13 13 8 5 3
2000 1250 800 500 315 200 125 80 50 32 20 50 32 20 20 20 20 20 20 20 13 13 13 8 5 3
2000 1250 800 500 315 200 125 80 50 32 80 50 32 32 32 32 32 32 32 20 13 13 13 8 5 3
2000 1250 800 500 315 200 125 80 50 125 80 50 50 50 50 50 50 50 32 20 13 13 13 8 5 3
2000 1250 800 500 315 200 125 80 200 125 80 80 80 80 80 80 80 50 32 20 13 13 13 8 5 3
2000 1250 800 500 315 200 125 315 200 125 125 125 125 125 125 125 80 50 32 20 13 13 13 8 5 3
2000 1250 800 500 315 200 500 315 200 200 200 200 200 200 200 125 80 50 32 20 13 13 13 8 5 3
2000 1250 800 500 315 800 500 315 315 315 315 315 315 315 200 125 80 50 32 20 13 13 13 8 5 3
2000 1250 800 500 1250 800 500 500 500 500 500 500 500 315 200 125 80 50 32 20 13 13 13 8 5 3
2000 1250 800 2000 1250 800 800 800 800 800 800 800 500 315 200 125 80 50 32 20 13 13 13 8 5 3
2000 1250 3150 2000 1250 1250 1250 1250 1250 1250 1250 800 500 315 200 125 80 50 32 20 13 13 13 8 5 3
2000 1250 3150 2000 2000 2000 2000 2000 2000 2000 1250 800 500 315 200 125 80 50 32 20 13 13 13 8 5 3
"""
# [R] acceptance numbers with the arrows followed, columns by AQL: each line is one AQL, letters A to R.
R_NORMAL_ACCEPTANCE = """
0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0
0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0
0 0 0 0 0 0 0 0 0 0 0 0 0 0 1 1
0 0 0 0 0 0 0 0 0 0 0 0 0 1 1 2
0 0 0 0 0 0 0 0 0 0 0 0 1 1 2 3
0 0 0 0 0 0 0 0 0 0 0 1 1 2 3 5
0 0 0 0 0 0 0 0 0 0 1 1 2 3 5 7
0 0 0 0 0 0 0 0 0 1 1 2 3 5 7 10
0 0 0 0 0 0 0 0 1 1 2 3 5 7 10 14
0 0 0 0 0 0 0 1 1 2 3 5 7 10 14 21
0 0 0 0 0 0 1 1 2 3 5 7 10 14 21 21
0 0 0 0 0 1 1 2 3 5 7 10 14 21 21 21
0 0 0 0 1 1 2 3 5 7 10 14 21 21 21 21
0 0 0 1 1 2 3 5 7 10 14 21 21 21 21 21
0 0 1 1 2 3 5 7 10 14 21 21 21 21 21 21
1 1 1 2 3 5 7 10 14 21 21 21 21 21 21 21
1 1 2 3 5 7 10 14 21 21 21 21 21 21 21 21
1 2 3 5 7 10 14 21 21 21 21 21 21 21 21 21
2 3 5 7 10 14 21 21 21 21 21 21 21 21 21 21
3 5 7 10 14 21 21 21 21 21 21 21 21 21 21 21
5 7 10 14 21 21 21 21 21 21 21 21 21 21 21 21
7 10 14 21 30 30 30 30 30 30 30 30 30 30 30 30
10 14 21 30 44 44 44 44 44 44 44 44 44 44 44 44
14 21 30 44 44 44 44 44 44 44 44 44 44 44 44 44
21 30 44 44 44 44 44 44 44 44 44 44 44 44 44 44
30 44 44 44 44 44 44 44 44 44 44 44 44 44 44 44
"""
R_TIGHTENED_ACCEPTANCE = """
0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0
0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0
0 0 0 0 0 0 0 0 0 0 0 0 0 0 1 1
0 0 0 0 0 0 0 0 0 0 0 0 0 1 1 1
0 0 0 0 0 0 0 0 0 0 0 0 1 1 1 2
0 0 0 0 0 0 0 0 0 0 0 1 1 1 2 3
0 0 0 0 0 0 0 0 0 0 1 1 1 2 3 5
0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 8
0 0 0 0 0 0 0 0 1 1 1 2 3 5 8 12
0 0 0 0 0 0 0 1 1 1 2 3 5 8 12 18
0 0 0 0 0 0 1 1 1 2 3 5 8 12 18 18
0 0 0 0 0 1 1 1 2 3 5 8 12 18 18 18
0 0 0 0 1 1 1 2 3 5 8 12 18 18 18 18
0 0 0 1 1 1 2 3 5 8 12 18 18 18 18 18
0 0 1 1 1 2 3 5 8 12 18 18 18 18 18 18
1 1 1 1 2 3 5 8 12 18 18 18 18 18 18 18
1 1 1 2 3 5 8 12 18 18 18 18 18 18 18 18
1 1 2 3 5 8 12 18 18 18 18 18 18 18 18 18
1 2 3 5 8 12 18 18 18 18 18 18 18 18 18 18
2 3 5 8 12 18 18 18 18 18 18 18 18 18 18 18
3 5 8 12 18 18 18 18 18 18 18 18 18 18 18 18
5 8 12 18 27 27 27 27 27 27 27 27 27 27 27 27
8 12 18 27 41 41 41 41 41 41 41 41 41 41 41 41
12 18 27 41 41 41 41 41 41 41 41 41 41 41 41 41
18 27 41 41 41 41 41 41 41 41 41 41 41 41 41 41
27 41 41 41 41 41 41 41 41 41 41 41 41 41 41 41
"""
# [G] Table 2-C with the arrows followed, rows by letter, columns by AQL: sample sizes, acceptance numbers.
G_REDUCED_SIZES = """
500 315 200 125 80 50 32 20 13 8 5 3 2 2 2 3 2 2 2 2 2 2 2 2 2 2
500 315 200 125 80 50 32 20 13 8 5 3 2 2 2 3 2 2 2 2 2 2 2 2 2 2
500 315 200 125 80 50 32 20 13 8 5 3 2 2 5 3 2 2 2 2 2 2 2 2 2 2
500 315 200 125 80 50 32 20 13 8 5 3 2 8 5 3 3 3 3 3 3 3 3 3 2 2
500 315 200 125 80 50 32 20 13 8 5 3 13 8 5 5 5 5 5 5 5 5 5 3 2 2
500 315 200 125 80 50 32 20 13 8 5 20 13 8 8 8 8 8 8 8 5 5 5 3 2 2
500 315 200 125 80 50 32 20 13 8 32 20 13 13 13 13 13 13 13 8 5 5 5 3 2 2
500 315 200 125 80 50 32 20 13 50 32 20 20 20 20 20 20 20 13 8 5 5 5 3 2 2
500 315 200 125 80 50 32 20 80 50 32 32 32 32 32 32 32 20 13 8 5 5 5 3 2 2
500 315 200 125 80 50 32 125 80 50 50 50 50 50 50 50 32 20 13 8 5 5 5 3 2 2
500 315 200 125 80 50 200 125 80 80 80 80 80 80 80 50 32 20 13 8 5 5 5 3 2 2
500 315 200 125 80 315 200 125 125 125 125 125 125 125 80 50 32 20 13 8 5 5 5 3 2 2
500 315 200 125 500 315 200 200 200 200 200 200 200 125 80 50 32 20 13 8 5 5 5 3 2 2
500 315 200 800 500 315 315 315 315 315 315 315 200 125 80 50 32 20 13 8 5 5 5 3 2 2
500 315 200 800 500 500 500 500 500 500 500 315 200 125 80 50 32 20 13 8 5 5 5 3 2 2
500 315 200 800 800 800 800 800 800 800 500 315 200 125 80 50 32 20 13 8 5 5 5 3 2 2
"""
G_REDUCED_ACCEPTANCE = """
0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 7 10 14 21 30
0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 7 10 14 21 30
0 0 0 0 0 0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 14 21 30
0 0 0 0 0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 14 21 21 30
0 0 0 0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 14 21 21 21 30
0 0 0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 10 14 21 21 21 30
0 0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 10 10 14 21 21 21 30
0 0 0 0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 10 10 10 14 21 21 21 30
0 0 0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 10 10 10 10 14 21 21 21 30
0 0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 10 10 10 10 10 14 21 21 21 30
0 0 0 0 0 0 1 1 1 2 3 5 6 8 10 10 10 10 10 10 10 14 21 21 21 30
0 0 0 0 0 1 1 1 2 3 5 6 8 10 10 10 10 10 10 10 10 14 21 21 21 30
0 0 0 0 1 1 1 2 3 5 6 8 10 10 10 10 10 10 10 10 10 14 21 21 21 30
0 0 0 1 1 1 2 3 5 6 8 10 10 10 10 10 10 10 10 10 10 14 21 21 21 30
0 0 0 1 1 2 3 5 6 8 10 10 10 10 10 10 10 10 10 10 10 14 21 21 21 30
0 0 0 1 2 3 5 6 8 10 10 10 10 10 10 10 10 10 10 10 10 14 21 21 21 30
"""


def rows(text: str) -> list[list[str]]:
    return [line.split() for line in text.strip().splitlines()]


def test_the_code_letters_are_those_of_table_1():
    low = 2
    for upper, *letters in rows(CODE_LETTERS):
        for level, letter in zip(InspectionLevel, letters, strict=True):
            assert code_letter(low, level) == letter
            assert code_letter(int(upper), level) == letter
        low = int(upper) + 1


# Two cells in which the copies disagree, each tested by itself below.
NORMAL_A_10 = (Severity.NORMAL, "A", Decimal(10))
TIGHTENED_A_10 = (Severity.TIGHTENED, "A", Decimal(10))


@pytest.mark.parametrize(("severity", "table"), [(Severity.NORMAL, NIBS_NORMAL), (Severity.TIGHTENED, NIBS_TIGHTENED)])
def test_plans_and_arrows_are_those_of_the_published_rejection_numbers(severity, table):
    checked = 0
    for letter, size, *cells in rows(table):
        for aql, cell in zip(NIBS_AQLS, cells, strict=True):
            if (severity, letter, aql) in (NORMAL_A_10, TIGHTENED_A_10):
                continue
            plan_letter, plan_size, acceptance = table_plan(letter, aql, severity)
            if cell == "v":
                assert LETTERS.index(plan_letter) > LETTERS.index(letter)
            elif cell == "^":
                assert LETTERS.index(plan_letter) < LETTERS.index(letter)
            else:
                assert (plan_letter, plan_size, acceptance + 1) == (letter, int(size), int(cell))
            checked += 1
    assert checked >= 87


def test_normal_letter_a_at_aql_10_goes_down_to_c():
    # [N] draws an arrow upwards, where there is no row; [R] and [G] have the plan of letter C, below.
    assert table_plan("A", Decimal(10), Severity.NORMAL) == ("C", 5, 1)


def test_tightened_letter_a_at_aql_10_is_the_plan_of_the_1999_edition():
    # [R] and [N] (MIL-STD-105E) have an arrow down to 8/1; [G], compared with the later standard, prints 2/0.
    assert table_plan("A", Decimal(10), Severity.TIGHTENED) == ("A", 2, 0)


@pytest.mark.parametrize(
    ("severity", "sizes"), [(Severity.NORMAL, R_NORMAL_SIZES), (Severity.TIGHTENED, R_TIGHTENED_SIZES)]
)
def test_the_sample_sizes_are_those_of_mil_std_105e_in_every_cell(severity, sizes):
    differing = [
        (letter, str(aql), table_plan(letter, aql, severity)[1], int(size))
        for letter, row in zip(LETTERS, rows(sizes), strict=True)
        for aql, size in zip(AQLS, row, strict=True)
        if table_plan(letter, aql, severity)[1] != int(size) and (severity, letter, aql) != TIGHTENED_A_10
    ]
    assert differing == []


@pytest.mark.parametrize(
    ("severity", "acceptance"),
    [(Severity.NORMAL, R_NORMAL_ACCEPTANCE), (Severity.TIGHTENED, R_TIGHTENED_ACCEPTANCE)],
)
def test_the_acceptance_numbers_are_those_of_mil_std_105e_in_every_cell(severity, acceptance):
    differing = [
        (letter, str(aql), table_plan(letter, aql, severity)[2], int(number))
        for aql, column in zip(AQLS, rows(acceptance), strict=True)
        for letter, number in zip(LETTERS, column, strict=True)
        if table_plan(letter, aql, severity)[2] != int(number) and (severity, letter, aql) != TIGHTENED_A_10
    ]
    assert differing == []


def test_the_reduced_plans_are_those_of_table_2_c_in_every_cell():
    for letter, sizes, numbers in zip(LETTERS, rows(G_REDUCED_SIZES), rows(G_REDUCED_ACCEPTANCE), strict=True):
        for aql, size, number in zip(AQLS, sizes, numbers, strict=True):
            _, plan_size, acceptance = table_plan(letter, aql, Severity.REDUCED)
            assert (plan_size, acceptance) == (int(size), int(number)), (letter, aql)


def test_reduced_plans_leave_no_gap_between_acceptance_and_rejection():
    # [C]
    plan = single_plan(2000, InspectionLevel.II, Decimal("1.0"), Severity.REDUCED)
    assert (plan.sample_size, plan.acceptance_number, plan.rejection_number) == (50, 2, 3)


def test_a_sample_as_large_as_the_lot_means_every_pack():
    # The note under the master tables, [Q]: "If sample size equals or exceeds lot or batch size, do 100
    # percent inspection."
    plan = single_plan(10, InspectionLevel.II, Decimal("0.65"))
    assert table_plan("B", Decimal("0.65"), Severity.NORMAL) == ("F", 20, 0)
    assert plan.opens_everything
    assert plan.sample_size == 10


ACCEPTED = LotResult(accepted=True, acceptance_number=1)
REFUSED = LotResult(accepted=False, acceptance_number=1)


def test_two_of_five_or_fewer_consecutive_lots_refused_bring_tightened_inspection():
    # [S] "2 of 5 or fewer consecutive batches not accepted"
    assert state_after([REFUSED, REFUSED]).severity is Severity.TIGHTENED
    assert state_after([REFUSED, ACCEPTED, ACCEPTED, ACCEPTED, REFUSED]).severity is Severity.TIGHTENED
    assert state_after([REFUSED, *[ACCEPTED] * 4, REFUSED]).severity is Severity.NORMAL


def test_five_consecutive_lots_accepted_on_tightened_bring_back_normal():
    # [S] "5 consecutive batches accepted"
    tightened = SwitchingState(Severity.TIGHTENED)
    for expected in [Severity.TIGHTENED] * 4 + [Severity.NORMAL]:
        tightened = after(tightened, ACCEPTED)
        assert tightened.severity is expected


def test_a_refused_lot_breaks_the_five():
    lots = [ACCEPTED] * 4 + [REFUSED] + [ACCEPTED] * 4
    now = SwitchingState(Severity.TIGHTENED)
    for lot in lots:
        now = after(now, lot)
    assert now.severity is Severity.TIGHTENED
    assert after(now, ACCEPTED).severity is Severity.NORMAL


def test_five_lots_refused_on_tightened_discontinue_inspection():
    # [S] "5 batches not accepted while on tightened inspection"; they need not be consecutive.
    now = SwitchingState(Severity.TIGHTENED)
    for lot in [REFUSED, ACCEPTED] * 4 + [REFUSED]:
        assert not now.discontinued
        now = after(now, lot)
    assert now.discontinued


def test_a_score_of_thirty_brings_reduced_inspection_where_supply_is_steady():
    # [S] "Switching score value is at least 30"; [G] two points a lot where the acceptance number is 0 or 1,
    # three where it is 2 or more and the lot would have been accepted at the next AQL.
    small = [ACCEPTED] * 15
    large = [LotResult(True, 3, accepted_one_step_tighter=True)] * 10
    for lots in (small, large):
        assert state_after(lots[:-1], steady=True, reduced_wanted=True).severity is Severity.NORMAL
        assert state_after(lots, steady=True, reduced_wanted=True).severity is Severity.REDUCED
        assert state_after(lots, steady=False, reduced_wanted=True).severity is Severity.NORMAL
        assert state_after(lots, steady=True, reduced_wanted=False).score == 30


def test_the_score_falls_to_zero_with_a_refused_lot_or_one_that_fails_a_step_tighter():
    # [G]
    nine_good = [LotResult(True, 3, accepted_one_step_tighter=True)] * 9
    assert state_after(nine_good).score == 27
    assert state_after([*nine_good, LotResult(True, 3, accepted_one_step_tighter=False)]).score == 0
    assert state_after([*nine_good, REFUSED]).score == 0


def test_one_lot_refused_on_reduced_inspection_brings_back_normal():
    # [S] "1 batch not accepted"
    now = after(SwitchingState(Severity.REDUCED, 30), REFUSED, steady=True, reduced_wanted=True)
    assert (now.severity, now.score) == (Severity.NORMAL, 0)


def test_one_step_tighter_is_the_next_smaller_aql_in_the_normal_table():
    # Letter K, AQL 1.0 accepts 3 of 125; AQL 0.65 accepts 2 of 125 (tables above).
    assert accepted_one_step_tighter("K", Decimal("1.0"), 125, 2)
    assert not accepted_one_step_tighter("K", Decimal("1.0"), 125, 3)
