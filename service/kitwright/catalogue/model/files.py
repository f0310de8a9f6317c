"""Files: the structure of the files that hold many records; the others hold one record each."""

from __future__ import annotations

from kitwright.catalogue.model.family import (
    Consumable,
    Flag,
    PriceList,
)
from kitwright.catalogue.model.job import (
    ContingencyKind,
    Hazard,
    Job,
)
from kitwright.catalogue.model.overrun import (
    OverrunPreset,
)
from kitwright.catalogue.model.teardown import (
    Tick,
    VisitWork,
)
from kitwright.catalogue.model.words import (
    Record,
)


class JobsFile(Record, frozen=True, kw_only=True):
    """`jobs.toml`: the jobs for sale, the visit work that they ask for, the kinds of contingencies,
    and the unbilled steps.
    """

    job: tuple[Job, ...]
    contingency: tuple[ContingencyKind, ...] = ()
    visit_work: tuple[VisitWork, ...] = ()
    tick: tuple[Tick, ...] = ()


class HazardsFile(Record, frozen=True, kw_only=True):
    """`hazards.toml`."""

    hazard: tuple[Hazard, ...]


class FlagsFile(Record, frozen=True, kw_only=True):
    """`flags.toml`."""

    flag: tuple[Flag, ...] = ()


class ConsumablesFile(Record, frozen=True, kw_only=True):
    """`consumables.toml`."""

    consumable: tuple[Consumable, ...] = ()


class PriceListsFile(Record, frozen=True, kw_only=True):
    """`price-lists.toml`."""

    price_list: tuple[PriceList, ...]


class OverrunsFile(Record, frozen=True, kw_only=True):
    """`overruns.toml`."""

    overrun: tuple[OverrunPreset, ...] = ()
