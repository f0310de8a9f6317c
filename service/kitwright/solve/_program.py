"""Integer programs, solved by HiGHS. Floats exist here alone: whole numbers go in and come out."""

from __future__ import annotations

from operator import mul
from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.errors import KitwrightError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import highspy

_TOLERANCES: Final = (1e-9, 1e-8, 1e-7)
"""How far the solver may be off in a value that ought to be whole, strictest first.

At the solver's own 1e-6 a value of 0.999999 passes for one, which dear columns feel; at 1e-9 rows
with large factors drown in the noise of floats, and the solver may see no solution where there
is one. So each stands in where the one before it fails.
"""


class SolverFailed(KitwrightError):
    """The integer-program solver gave no answer, or one that whole numbers do not bear out."""

    code = "solver-failed"

    def __init__(self, reason: str) -> None:
        super().__init__(f"an integer program was not solved: {reason}")
        self.reason = reason


class Row(NamedTuple):
    """A sum of columns, each times its factor, and the range it must keep to."""

    factors: Mapping[int, int]
    least: int | None = None
    most: int | None = None


def least_values(
    costs: Sequence[int], limits: Sequence[int], rows: Sequence[Row]
) -> list[int] | None:
    """Return whole values of the columns at the least sum of costs, None where there are none.

    Args:
        costs: for one of each column, of any sign.
        limits: the highest value of each column; the lowest is zero.
        rows: what the values must obey.

    Raises: SolverFailed.
    """
    failures = []
    for tolerance in _TOLERANCES:
        try:
            values = _solved(costs, limits, rows, tolerance)
        except SolverFailed as failure:
            failures.append(failure)
        else:
            if values is not None:
                return values
    if failures:
        raise failures[0]
    return None


def _solved(
    costs: Sequence[int], limits: Sequence[int], rows: Sequence[Row], tolerance: float
) -> list[int] | None:
    # Loading it takes a sixth of a second, and most processes never need it.
    from highspy import HighsModelStatus

    solver = _silent_solver(tolerance)
    solver.passModel(_model(costs, limits, rows))
    solver.run()
    status = solver.getModelStatus()
    if status == HighsModelStatus.kInfeasible:
        return None
    if status != HighsModelStatus.kOptimal:
        raise SolverFailed(solver.modelStatusToString(status))
    values = [round(value) for value in solver.getSolution().col_value]
    if not _obey(values, limits, rows):
        raise SolverFailed("an answer breaks a row or a limit")
    cost = sum(map(mul, costs, values))
    if abs(cost) * tolerance > 0.4:
        raise SolverFailed(f"a cost of {cost} is too large to be sure of its last digit")
    if cost - solver.getInfo().mip_dual_bound > 0.9:
        raise SolverFailed(f"a cost of {cost} is not proven to be the least")
    return values


def _silent_solver(tolerance: float) -> highspy.Highs:
    import highspy

    class Silent(highspy.Highs):
        def enableCallbacks(self) -> None:  # noqa: N802 - the solver's name
            """Leave callbacks off: turning them on prints a banner before output can be off."""

        def __init__(self) -> None:
            super().__init__()  # type: ignore[no-untyped-call]

    solver = Silent()
    solver.silent()
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("random_seed", 0)
    solver.setOptionValue("mip_rel_gap", 0.0)
    # Costs are whole: two that are less than one apart are the same.
    solver.setOptionValue("mip_abs_gap", 0.5)
    solver.setOptionValue("mip_feasibility_tolerance", tolerance)
    solver.setOptionValue("primal_feasibility_tolerance", tolerance)
    solver.setOptionValue("dual_feasibility_tolerance", tolerance)
    return solver


def _model(costs: Sequence[int], limits: Sequence[int], rows: Sequence[Row]) -> highspy.HighsLp:
    import highspy

    infinity = highspy.kHighsInf
    model = highspy.HighsLp()
    model.num_col_ = len(costs)
    model.num_row_ = len(rows)
    model.col_cost_ = [float(cost) for cost in costs]
    model.col_lower_ = [0.0] * len(costs)
    model.col_upper_ = [float(limit) for limit in limits]
    model.integrality_ = [highspy.HighsVarType.kInteger] * len(costs)
    model.row_lower_ = [-infinity if row.least is None else float(row.least) for row in rows]
    model.row_upper_ = [infinity if row.most is None else float(row.most) for row in rows]
    starts = [0]
    columns: list[int] = []
    factors: list[float] = []
    for row in rows:
        columns += row.factors
        factors += map(float, row.factors.values())
        starts.append(len(columns))
    matrix = model.a_matrix_
    matrix.format_ = highspy.MatrixFormat.kRowwise
    matrix.num_col_ = len(costs)
    matrix.num_row_ = len(rows)
    matrix.start_ = starts
    matrix.index_ = columns
    matrix.value_ = factors
    return model


def _obey(values: Sequence[int], limits: Sequence[int], rows: Sequence[Row]) -> bool:
    if any(not 0 <= value <= limit for value, limit in zip(values, limits, strict=True)):
        return False
    for row in rows:
        total = sum(factor * values[column] for column, factor in row.factors.items())
        if row.least is not None and total < row.least:
            return False
        if row.most is not None and total > row.most:
            return False
    return True
