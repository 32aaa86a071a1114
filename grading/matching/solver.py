"""The set-packing model handed to the HiGHS solver: each piece in at most one set, the greatest worth.

HiGHS (J. A. J. Hall and others, MIT licence) is the solver inside SciPy; its own package is used because it keeps
the linear programme between additions of sets and cuts, takes a bound to beat, counts nodes and reports its
progress, none of which ``scipy.optimize.milp`` offers. One thread and a fixed seed: the answer does not depend on
the number of processors.

Packing            the linear programme, growing by sets and by cuts
pack_whole(...)    the same with whole sets, to a bound to beat
choose_whole(...)  a good choice of whole sets by the solver alone
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from typing import Any, NamedTuple

import highspy
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .catalogue import Members
from .field import Floats, Ints

INFINITY = float(highspy.kHighsInf)
INTERIOR = "ipx"


class Cut(NamedTuple):
    """sum over sets of floor(sum of ``weights`` of the set's ``pieces`` / divisor) <= floor(total / divisor)."""

    pieces: tuple[int, ...]
    weights: tuple[int, ...]
    divisor: int

    @property
    def limit(self) -> int:
        return sum(self.weights) // self.divisor

    def coefficients(self, members: Members, pieces: int) -> Ints:
        """The cut's coefficient in each of these sets."""
        weight = np.zeros(pieces, dtype=np.int64)
        weight[list(self.pieces)] = self.weights
        result: Ints = weight[members].sum(axis=1) // self.divisor
        return result


class Ended(Enum):
    """How a solver came to its end; the value completes "the linear programme ..."."""

    OPTIMAL = "was solved"
    TIME = "was cut short by the clock"
    NODES = "reached its limit of nodes"
    UNSURE = "was given up by the solver, which could not vouch for its answer"


class Relaxed(NamedTuple):
    """The linear programme's answer: value, share of each set, price of each piece, price of each cut, how it ended.

    ``value`` is what the shares are worth, which an interior point leaves a little below the optimum: it bounds
    nothing. A bound comes from the prices, by weak duality, once it is seen which sets undercut them; that needs no
    word of the solver's, so the prices of an unsure answer serve as well as any.
    """

    value: float
    shares: Floats
    prices: Floats
    cut_prices: Floats
    ended: Ended = Ended.OPTIMAL


ENDS = {
    highspy.HighsModelStatus.kOptimal: Ended.OPTIMAL,
    highspy.HighsModelStatus.kTimeLimit: Ended.TIME,
    highspy.HighsModelStatus.kInterrupt: Ended.TIME,
    highspy.HighsModelStatus.kSolutionLimit: Ended.NODES,
    highspy.HighsModelStatus.kIterationLimit: Ended.NODES,
}


class Whole(NamedTuple):
    """The integer programme's answer: a proven bound; the sets chosen, if any were found; whether it is proven
    that nothing reaches the target; how it ended."""

    bound: float
    chosen: Ints | None
    nothing: bool
    ended: Ended


def new_solver(seed: int) -> Any:
    solver = highspy.Highs()  # type: ignore[no-untyped-call]
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("random_seed", seed)
    return solver


class SetPacking:
    """Linear programme: greatest worth, each piece used at most once, and the cuts.

    ``limits`` lets a row be used otherwise than once: rows beyond the pieces stand for whatever else is limited.
    ``interior`` asks for the interior-point method without crossover: prices from the middle of the optimal face,
    which suit column generation, in a fraction of the time the simplex method takes on a crowded pool.
    """

    def __init__(self, pieces: int, seed: int = 0, interior: bool = False, limits: Floats | None = None) -> None:
        self.pieces = pieces
        self.cuts: list[Cut] = []
        self.members: Members = np.empty((0, 0), dtype=np.int32)
        self.worth: Floats = np.empty(0)
        self.solver = new_solver(seed)
        self.interior = interior
        if interior:
            self.solver.setOptionValue("solver", INTERIOR)
            self.solver.setOptionValue("run_crossover", "off")
            # Presolve leaves out sets that others dominate, and without crossover its undoing may give them prices
            # far from feasible: the solver then calls its own answer unknown.
            self.solver.setOptionValue("presolve", "off")
        none = np.empty(0, dtype=np.int32)
        self.solver.addRows(
            pieces,
            np.full(pieces, -INFINITY),
            np.ones(pieces) if limits is None else limits,
            0,
            np.zeros(pieces, dtype=np.int32),
            none,
            np.empty(0),
        )

    def add_sets(self, members: Members, worth: Floats) -> None:
        count = len(members)
        if not count:
            return
        size = members.shape[1]
        columns: sparse.csc_array = sparse.csc_array(
            (np.ones(members.size), members.ravel(), np.arange(0, members.size + 1, size)), shape=(self.pieces, count)
        )
        columns.sum_duplicates()
        if self.cuts:
            extra = np.array([cut.coefficients(members, self.pieces) for cut in self.cuts], dtype=float)
            columns = sparse.csc_array(sparse.vstack([columns, sparse.csc_array(extra)]))
        self.solver.addCols(
            count,
            -worth,
            np.zeros(count),
            np.full(count, INFINITY),
            columns.nnz,
            columns.indptr[:-1].astype(np.int32),
            columns.indices.astype(np.int32),
            columns.data,
        )
        self.members = np.concatenate([self.members, members]) if len(self.members) else members
        self.worth = np.concatenate([self.worth, worth])

    def add_cuts(self, cuts: Sequence[Cut]) -> None:
        for cut in cuts:
            coefficients = cut.coefficients(self.members, self.pieces)
            used = np.flatnonzero(coefficients)
            self.solver.addRow(
                -INFINITY, float(cut.limit), len(used), used.astype(np.int32), coefficients[used].astype(float)
            )
            self.cuts.append(cut)

    def limit(self, row: int, most: float) -> None:
        """Let a row be used this often."""
        self.solver.changeRowBounds(row, -INFINITY, most)

    def drop_idle_cuts(self) -> None:
        """Forget the cuts that do not bind."""
        used = np.array(self.solver.getSolution().row_value)[self.pieces :]
        limits = np.array([cut.limit for cut in self.cuts], dtype=float)
        idle = np.flatnonzero(used < limits - 1e-6)
        if len(idle):
            self.solver.deleteRows(len(idle), (idle + self.pieces).astype(np.int32))
            gone = set(idle.tolist())
            self.cuts = [cut for place, cut in enumerate(self.cuts) if place not in gone]

    def solve(self, seconds: float) -> Relaxed:
        """The optimum; what there is of it when time ran out or the solver is unsure, which the answer says."""
        if not len(self.worth):  # the solver has no word for the optimum of an empty programme
            return Relaxed(0.0, np.empty(0), np.zeros(self.pieces), np.zeros(len(self.cuts)))
        began = time.monotonic()
        ended = self.run(seconds)
        if ended is Ended.UNSURE and self.interior:
            # The simplex method is slower here, and sure.
            self.solver.setOptionValue("solver", "simplex")
            ended = self.run(seconds - (time.monotonic() - began))
            self.solver.setOptionValue("solver", INTERIOR)
        solution = self.solver.getSolution()
        shares, duals = np.array(solution.col_value), np.array(solution.row_dual)
        if len(shares) != len(self.worth) or not np.isfinite(shares).all():
            shares = np.zeros(len(self.worth))
        prices = np.zeros(self.pieces + len(self.cuts))
        if len(duals) == len(prices) and np.isfinite(duals).all():
            prices = np.maximum(-duals, 0.0)
        return Relaxed(float(shares @ self.worth), shares, prices[: self.pieces], prices[self.pieces :], ended)

    def run(self, seconds: float) -> Ended:
        """Once, by the method that is set; how it ended."""
        if seconds <= 0:
            return Ended.TIME
        self.solver.setOptionValue("time_limit", self.solver.getRunTime() + seconds)
        self.solver.run()
        return ENDS.get(self.solver.getModelStatus(), Ended.UNSURE)


def pass_model(
    solver: Any,
    members: Members,
    worth: Floats,
    extra: Floats,
    lower: Floats,
    upper: Floats,
    whole: NDArray[np.bool_],
    limits: Floats | None = None,
    often: Floats | None = None,
) -> None:
    """Each piece once (or as ``limits`` has it), each set once at most (or as ``often``), further rows
    ``lower <= extra @ sets <= upper``, greatest worth."""
    count = len(members)
    rows, which = np.unique(members, return_inverse=True)
    body: sparse.csc_array = sparse.csc_array(
        (np.ones(members.size), which.ravel(), np.arange(0, members.size + 1, members.shape[1])),
        shape=(len(rows), count),
    )
    body.sum_duplicates()
    matrix = sparse.csc_array(sparse.vstack([body, sparse.csr_array(extra)])) if len(extra) else body
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = count, matrix.shape[0]
    model.col_cost_, model.col_lower_, model.col_upper_ = (
        -worth,
        np.zeros(count),
        np.ones(count) if often is None else often,
    )
    model.row_lower_ = np.concatenate([np.full(len(rows), -INFINITY), lower])
    model.row_upper_ = np.concatenate([np.ones(len(rows)) if limits is None else limits[rows], upper])
    model.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    model.a_matrix_.start_ = matrix.indptr.astype(np.int32)
    model.a_matrix_.index_ = matrix.indices.astype(np.int32)
    model.a_matrix_.value_ = matrix.data
    kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
    model.integrality_ = [kinds[int(flag)] for flag in whole]
    solver.passModel(model)


def run(solver: Any, options: Mapping[str, Any], interrupted: Callable[[], bool]) -> None:
    """Run with these options; RuntimeError when the solver does not know one."""
    for name, setting in options.items():
        if solver.setOptionValue(name, setting) != highspy.HighsStatus.kOk:
            raise RuntimeError(f"the solver does not know the option {name}")

    def ask(event: Any) -> None:
        if interrupted():
            event.interrupt()

    solver.cbMipInterrupt += ask
    solver.run()


def choose_whole(
    members: Members,
    worth: Floats,
    *,
    nodes: int,
    seconds: float,
    seed: int,
    interrupted: Callable[[], bool],
    limits: Floats | None = None,
) -> Ints:
    """A good choice of disjoint sets by the solver alone; the best found within the limits."""
    answer = best_whole(members, worth, nodes=nodes, seconds=seconds, seed=seed, interrupted=interrupted, limits=limits)
    return np.empty(0, dtype=np.int64) if answer.chosen is None else answer.chosen


def best_whole(
    members: Members,
    worth: Floats,
    *,
    nodes: int,
    seconds: float,
    seed: int,
    interrupted: Callable[[], bool],
    limits: Floats | None = None,
    often: Floats | None = None,
) -> Whole:
    """The best choice among these sets by the solver alone, and its bound on any choice among them. A set taken more
    than once, where ``often`` lets it be, is named as often."""
    if not len(members):
        return Whole(0.0, np.empty(0, dtype=np.int64), False, Ended.OPTIMAL)
    solver = new_solver(seed)
    none = np.empty(0)
    extra, whole = np.empty((0, len(members))), np.ones(len(members), dtype=bool)
    pass_model(solver, members, worth, extra, none, none, whole, limits, often)
    most = float(worth.sum() if often is None else worth @ often)
    options = {"mip_max_nodes": nodes, "time_limit": max(seconds, 0.01), "mip_rel_gap": 0.0, "mip_abs_gap": 1e-6}
    run(solver, options, interrupted)
    info = solver.getInfo()
    bound = -float(info.mip_dual_bound) if np.isfinite(info.mip_dual_bound) else most
    chosen = None
    if info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible:
        times = np.rint(np.array(solver.getSolution().col_value)).astype(np.int64)
        chosen = np.repeat(np.arange(len(members)), times)
    return Whole(bound, chosen, False, ENDS.get(solver.getModelStatus(), Ended.UNSURE))


def pack_whole(
    members: Members,
    worth: Floats,
    pieces: int,
    cuts: Sequence[Cut],
    whole: NDArray[np.bool_],
    target: float,
    ceiling: float,
    start: Ints | None,
    *,
    nodes: int,
    seconds: float,
    seed: int,
    interrupted: Callable[[], bool],
) -> Whole:
    """Search for disjoint sets worth ``target`` or more, only the sets marked ``whole`` held to whole numbers.

    ``ceiling`` is a bound already proven; the bound that comes back is no worse. With a ``start``, the best choice so
    far, the solver has only to beat that; without one the target is a row of the model, which slows it down. The
    solver's own searches for solutions are off: local search does that better on these models, and here only the
    bound is wanted.
    """
    solver = new_solver(seed)
    extra = [cut.coefficients(members, pieces).astype(float) for cut in cuts]
    lower, upper = [-INFINITY] * len(cuts), [float(cut.limit) for cut in cuts]
    if start is None:
        extra, lower, upper = [*extra, worth], [*lower, target], [*upper, INFINITY]
    rows = np.array(extra).reshape(len(extra), len(members))
    pass_model(solver, members, worth, rows, np.array(lower), np.array(upper), whole)
    if start is not None:
        solution = highspy.HighsSolution()
        solution.col_value = np.isin(np.arange(len(members)), start).astype(float).tolist()
        solver.setSolution(solution)
    options: dict[str, Any] = {
        "mip_heuristic_effort": 0.0,
        "mip_heuristic_run_rins": False,
        "mip_heuristic_run_rens": False,
        "mip_heuristic_run_root_reduced_cost": False,
        "mip_heuristic_run_feasibility_jump": False,
        "mip_rel_gap": 0.0,
        "mip_abs_gap": 1e-6,
        "mip_max_nodes": nodes,
        "time_limit": max(seconds, 0.01),
    }
    run(solver, options, interrupted)
    status = solver.getModelStatus()
    if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
        return Whole(min(ceiling, target), None, True, Ended.OPTIMAL)
    info = solver.getInfo()
    bound = min(ceiling, -float(info.mip_dual_bound)) if np.isfinite(info.mip_dual_bound) else ceiling
    chosen = None
    if info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible and whole.all():
        chosen = np.flatnonzero(np.array(solver.getSolution().col_value) > 0.5)
    return Whole(bound, chosen, False, ENDS.get(status, Ended.UNSURE))
