"""Check: the rules that the records of a catalogue must obey, checked without running the flow."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitwright.catalogue.checks.areas import check_areas
from kitwright.catalogue.checks.diagnoses import check_diagnoses
from kitwright.catalogue.checks.figures import check_currencies, check_figures
from kitwright.catalogue.checks.fitments import check_fitments
from kitwright.catalogue.checks.gates import check_gates
from kitwright.catalogue.checks.graphs import check_graphs
from kitwright.catalogue.checks.items import check_items
from kitwright.catalogue.checks.jobs import check_job_references, check_jobs
from kitwright.catalogue.checks.overruns import check_overruns
from kitwright.catalogue.checks.records import problem
from kitwright.catalogue.checks.references import check_references
from kitwright.catalogue.checks.shops import check_shops
from kitwright.catalogue.checks.steps import check_steps
from kitwright.catalogue.checks.suppliers import check_suppliers
from kitwright.catalogue.checks.work import check_work

if TYPE_CHECKING:
    from collections.abc import Iterator

    from kitwright.catalogue.model import Catalogue
    from kitwright.catalogue.problems import Problem


def check_catalogue(catalogue: Catalogue) -> tuple[Problem, ...]:
    """Return every error of a catalogue that was read, without repeats, in the order of the checks.

    If there are none, every id resolves, graphs can be walked and values make sense. Every role
    that work can replace has one part, and each shop can buy and sell. If the references of a file
    are broken, only these are reported: no graph is made of it.
    """
    broken = (*check_references(catalogue), *check_job_references(catalogue))
    unsound = frozenset(one.file for one in broken)
    problems = (
        *_unsourced(catalogue),
        *broken,
        *check_graphs(catalogue, unsound),
        *check_items(catalogue),
        *check_fitments(catalogue, unsound),
        *check_jobs(catalogue, unsound),
        *check_work(catalogue),
        *check_steps(catalogue, unsound),
        *check_diagnoses(catalogue.rules),
        *check_gates(catalogue),
        *check_suppliers(catalogue),
        *check_areas(catalogue),
        *check_overruns(catalogue),
        *check_shops(catalogue),
        *check_currencies(catalogue),
        *check_figures(catalogue),
    )
    return tuple(dict.fromkeys(problems))


def _unsourced(catalogue: Catalogue) -> Iterator[Problem]:
    for file, head in catalogue.heads.items():
        if not head.source.strip():
            yield problem(
                file, "", "source-missing", "source is empty: say where the values come from"
            )
