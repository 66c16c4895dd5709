"""Linear and integer programs by HiGHS: one thread, a fixed seed, work counted and not timed."""

from dataclasses import dataclass

import highspy
import numpy as np
from highspy._core import _Highs
from scipy import sparse

from fleet.calc.arrays import FloatArray

SEED = 20_240_501  # any number, the same for ever: the same task then gives the same plan
NO_LIMIT = 1e30
Matrix = sparse.csr_matrix | sparse.csc_matrix
Basis = highspy.HighsBasis


@dataclass(frozen=True)
class Solved:
    """What was found.

    Parameters
    ----------
    value
        Of the objective.
    x : (j,)
        Share, or number, of each column.
    price : (q,)
        What one more of each row would save, never below 0; empty for an integer program.
    bound
        Below which no solution lies; ``value`` for a linear program.
    basis
        Of a linear program: where another with these rows, and more columns, may begin.
    """

    value: float
    x: FloatArray
    price: FloatArray
    bound: float
    basis: Basis | None = None


def version() -> str:
    """Name and version of the solver."""
    return f"HiGHS {_solver().version()}"


def linear(
    cost: FloatArray,
    matrix: Matrix,
    upper: FloatArray,
    lower: FloatArray | None = None,
    begin: Basis | None = None,
) -> Solved:
    """
    Least cost of shares x ≥ 0 with lower ≤ matrix · x ≤ upper.

    Parameters
    ----------
    begin
        Where a program ended that had these rows and the first of these columns.

    Raises
    ------
    ArithmeticError
        The solver found no optimum.
    """
    solver = _solver()
    solver.passModel(_model(cost, matrix, upper, lower, whole=False))
    if begin is not None:
        solver.setBasis(_with_columns(begin, len(cost)))
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        raise ArithmeticError(f"no optimum: {solver.modelStatusToString(solver.getModelStatus())}")
    found = solver.getSolution()
    value = float(solver.getInfo().objective_function_value)
    price = np.maximum(0.0, -np.array(found.row_dual, dtype=np.float64))
    x = np.array(found.col_value, dtype=np.float64)
    return Solved(value, x, price, value, solver.getBasis())


def _with_columns(begin: Basis, columns: int) -> Basis:
    """Begin with so many columns: what is new is not chosen."""
    basis = Basis()
    known = list(begin.col_status)
    basis.col_status = known + [highspy.HighsBasisStatus.kLower] * (columns - len(known))
    basis.row_status = list(begin.row_status)
    basis.valid = True
    return basis


def integer(
    cost: FloatArray,
    matrix: Matrix,
    upper: FloatArray,
    start: FloatArray | None = None,
    *,
    nodes: int = 1_000_000,
    seconds: float = NO_LIMIT,
    gap: float = 0.0,
) -> Solved | None:
    """
    Least cost of choosing columns, each once or not at all, with matrix · x ≤ upper.

    Parameters
    ----------
    start : (j,)
        A choice that may be made, to begin with.
    nodes
        How many nodes of the search at most.
    seconds
        A safety clock [s]: when it ends a search, the same task may give another choice.
    gap
        Share of the cost at which to stop.

    Returns
    -------
    Solved or None
        None where no choice was found within the nodes.
    """
    solver = _solver()
    solver.setOptionValue("mip_max_nodes", nodes)
    solver.setOptionValue("time_limit", seconds)
    solver.setOptionValue("mip_rel_gap", gap)
    solver.passModel(_model(cost, matrix, upper, None, whole=True))
    if start is not None:
        begin = highspy.HighsSolution()
        begin.col_value = start.tolist()
        solver.setSolution(begin)
    solver.run()
    info = solver.getInfo()
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        return None
    x = np.rint(np.array(solver.getSolution().col_value, dtype=np.float64))
    return Solved(float(cost @ x), x, np.zeros(0), float(info.mip_dual_bound))


def _solver() -> _Highs:
    solver = _Highs()  # the class above it greets on standard output before it can be silenced
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("random_seed", SEED % 2_147_483_647)
    return solver


def _model(
    cost: FloatArray,
    matrix: Matrix,
    upper: FloatArray,
    lower: FloatArray | None,
    *,
    whole: bool,
) -> highspy.HighsLp:
    by_column = sparse.csc_matrix(matrix)
    count = len(cost)
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = count, len(upper)
    model.col_cost_ = np.asarray(cost, np.float64)
    model.col_lower_ = np.zeros(count)
    # a row holds each share below 1; a bound would take part of its price
    model.col_upper_ = np.full(count, 1.0 if whole else NO_LIMIT)
    model.row_lower_ = np.full(len(upper), -NO_LIMIT) if lower is None else lower
    model.row_upper_ = np.asarray(upper, np.float64)
    model.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    model.a_matrix_.start_ = by_column.indptr
    model.a_matrix_.index_ = by_column.indices
    model.a_matrix_.value_ = by_column.data
    if whole:
        model.integrality_ = [highspy.HighsVarType.kInteger] * count
    return model
