"""Integer programs, solved by HiGHS. Floats are used only here: inputs and results are integers.

With floats, a solver's answer is not certain: it takes 0.999999 for one, and it may narrowly miss
the best solution. So nothing here is a proof. The results are whole values that obey every row,
which can be checked, and prices, which give a lower bound whatever they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.errors import KitwrightError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import highspy

_COSTS: Final = 10**6
"""Costs are scaled to about this at most; the solver is unreliable with much larger numbers."""


class SolverFailed(KitwrightError):
    """The integer-program solver gave no answer, or one that whole numbers do not confirm."""

    code = "solver-failed"

    def __init__(self, reason: str) -> None:
        super().__init__(f"an integer program was not solved: {reason}")
        self.reason = reason


class Row(NamedTuple):
    """A sum of columns, each times its factor, and the range that it must be in."""

    factors: Mapping[int, int]
    least: int | None = None
    most: int | None = None


class Program(NamedTuple):
    """Columns, each with a cost and a highest value (the lowest is zero), and rows to obey."""

    costs: Sequence[int]
    limits: Sequence[int]
    rows: Sequence[Row]


def good_values(program: Program) -> list[int] | None:
    """Return whole values that obey the rows, at the least cost according to the solver.

    Return None if the solver finds that there are none.

    Raises: SolverFailed.
    """
    solver = _run(program, is_whole=True)
    if solver is None:
        return None
    values = [round(value) for value in solver.getSolution().col_value]
    if not _obey(values, program):
        raise SolverFailed("its answer breaks a row or a limit")
    return values


def row_prices(program: Program, unit: int) -> list[int]:
    """Return the cost of one more of each row if values need not be whole, in parts of `unit`.

    Raises: SolverFailed.
    """
    return relaxed(program, unit)[1]


def relaxed(program: Program, unit: int) -> tuple[list[float], list[int]]:
    """Return the values of least cost if they need not be whole, and `row_prices`.

    Raises: SolverFailed.
    """
    solver = _run(program, is_whole=False)
    if solver is None:
        raise SolverFailed("it finds no solution even in fractions")
    solution = solver.getSolution()
    scale = unit * _divisor(program)
    return list(solution.col_value), [round(price * scale) for price in solution.row_dual]


def _divisor(program: Program) -> int:
    return max(1, max(program.costs) // _COSTS)


def _run(program: Program, *, is_whole: bool) -> highspy.Highs | None:
    # Loading it takes a sixth of a second, and most processes never need it.
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
    # A limit in nodes, not in seconds, stops at the same answer on any machine.
    solver.setOptionValue("mip_max_nodes", 20_000)
    solver.passModel(_model(program, is_whole=is_whole))
    solver.run()
    status = solver.getModelStatus()
    if status == highspy.HighsModelStatus.kInfeasible:
        return None
    if solver.getInfo().primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        raise SolverFailed(solver.modelStatusToString(status))
    return solver


def _model(program: Program, *, is_whole: bool) -> highspy.HighsLp:
    import highspy

    infinity = highspy.kHighsInf
    kind = highspy.HighsVarType.kInteger if is_whole else highspy.HighsVarType.kContinuous
    divisor = _divisor(program)
    count = len(program.costs)
    model = highspy.HighsLp()
    model.num_col_ = count
    model.num_row_ = len(program.rows)
    model.col_cost_ = [cost / divisor for cost in program.costs]
    model.col_lower_ = [0.0] * count
    model.col_upper_ = [float(limit) for limit in program.limits]
    model.integrality_ = [kind] * count
    model.row_lower_ = [-infinity if r.least is None else float(r.least) for r in program.rows]
    model.row_upper_ = [infinity if r.most is None else float(r.most) for r in program.rows]
    starts = [0]
    columns: list[int] = []
    factors: list[float] = []
    for row in program.rows:
        columns += row.factors
        factors += map(float, row.factors.values())
        starts.append(len(columns))
    matrix = model.a_matrix_
    matrix.format_ = highspy.MatrixFormat.kRowwise
    matrix.num_col_ = count
    matrix.num_row_ = len(program.rows)
    matrix.start_ = starts
    matrix.index_ = columns
    matrix.value_ = factors
    return model


def _obey(values: Sequence[int], program: Program) -> bool:
    if any(not 0 <= v <= limit for v, limit in zip(values, program.limits, strict=True)):
        return False
    for row in program.rows:
        total = sum(factor * values[column] for column, factor in row.factors.items())
        if row.least is not None and total < row.least:
            return False
        if row.most is not None and total > row.most:
            return False
    return True
