"""Integer programs, solved by HiGHS. Floats exist here alone; whole numbers go in and come out."""

from __future__ import annotations

from operator import mul
from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.errors import KitwrightError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import highspy

import os

_SLACK = float(os.environ.get("SLACK", "0"))
TOL = float(os.environ.get("TOL", "1e-9"))
_LARGEST: Final = 10**12
"""Sums up to here stay well within the whole numbers that a float tells apart."""


class SolverFailed(KitwrightError):
    """The integer-program solver gave no answer, or one that whole numbers do not bear out."""

    code = "solver-failed"

    def __init__(self, reason: str) -> None:
        super().__init__(f"the integer program was not solved: {reason}")
        self.reason = reason


class Row(NamedTuple):
    """A sum of columns, each with its factor, that must not leave a range."""

    terms: Mapping[int, int]
    least: int | None = None
    most: int | None = None


def least_values(
    costs: Sequence[int], limits: Sequence[int], rows: Sequence[Row]
) -> list[int] | None:
    """Return whole values of the columns with the least sum of costs, None where there are none.

    Args:
        costs: of one of each column, of any sign.
        limits: the highest value of each column; the lowest is zero.
        rows: what the values must obey.

    Raises: SolverFailed.
    """
    largest = sum(map(mul, map(abs, costs), limits))
    if largest > _LARGEST:
        raise SolverFailed(f"the costs add up to more than {_LARGEST}")
    # Loading it takes a sixth of a second, and most processes never need it.
    from highspy import HighsModelStatus

    solver = _silent_solver()
    solver.passModel(_model(costs, limits, rows))
    solver.run()
    status = solver.getModelStatus()
    if status == HighsModelStatus.kInfeasible:
        return None
    if status != HighsModelStatus.kOptimal:
        raise SolverFailed(solver.modelStatusToString(status))
    values = [round(value) for value in solver.getSolution().col_value]
    if not _obey(values, limits, rows):
        raise SolverFailed("its answer breaks a row or a limit")
    cost = sum(map(mul, costs, values))
    # Of whole numbers none fits between; a hair is left for the floats of the bound.
    if cost - solver.getInfo().mip_dual_bound > 0.999:
        raise SolverFailed(f"its answer of {cost} is not proven to be the least")
    return values


def _silent_solver() -> highspy.Highs:
    import highspy

    class Silent(highspy.Highs):
        def enableCallbacks(self) -> None:  # noqa: N802 - the solver's name
            """Leave callbacks off: turning them on prints a banner before output can be off."""

    solver = Silent()
    solver.silent()
    for option, value in _OPTIONS.items():
        solver.setOptionValue(option, value)
    return solver


_OPTIONS: Final[Mapping[str, int | float]] = {
    "threads": 1,
    "random_seed": 0,
    "mip_rel_gap": 0.0,
    # Costs are whole numbers: less than one apart is not apart.
    "mip_abs_gap": 0.5,
    # At the default of 1e-6 a value of 0.999999 passes for one, which dear columns feel.
    "mip_feasibility_tolerance": TOL,
    "primal_feasibility_tolerance": TOL,
    "dual_feasibility_tolerance": TOL,
}


def _model(costs: Sequence[int], limits: Sequence[int], rows: Sequence[Row]) -> highspy.HighsLp:
    import highspy

    model = highspy.HighsLp()
    model.num_col_ = len(costs)
    model.num_row_ = len(rows)
    model.col_cost_ = [float(cost) for cost in costs]
    model.col_lower_ = [0.0] * len(costs)
    model.col_upper_ = [float(limit) for limit in limits]
    model.row_lower_ = [
        -highspy.kHighsInf if r.least is None else float(r.least) - _SLACK for r in rows
    ]
    model.row_upper_ = [
        highspy.kHighsInf if r.most is None else float(r.most) + _SLACK for r in rows
    ]
    model.integrality_ = [highspy.HighsVarType.kInteger] * len(costs)
    starts: list[int] = [0]
    index: list[int] = []
    value: list[float] = []
    for row in rows:
        index += row.terms.keys()
        value += map(float, row.terms.values())
        starts.append(len(index))
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.num_col_ = len(costs)
    model.a_matrix_.num_row_ = len(rows)
    model.a_matrix_.start_ = starts
    model.a_matrix_.index_ = index
    model.a_matrix_.value_ = value
    return model


def _obey(values: Sequence[int], limits: Sequence[int], rows: Sequence[Row]) -> bool:
    sums = [sum(f * values[column] for column, f in row.terms.items()) for row in rows]
    return all(0 <= value <= limit for value, limit in zip(values, limits, strict=True)) and all(
        (row.least is None or row.least <= total) and (row.most is None or total <= row.most)
        for row, total in zip(rows, sums, strict=True)
    )
