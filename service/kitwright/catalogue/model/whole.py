"""The head of every file, and the complete catalogue."""

from __future__ import annotations

from datetime import date

from msgspec import Struct

from kitwright.catalogue.model.diagnosis import (
    Diagnosis,
    DiagnosisRules,
)
from kitwright.catalogue.model.family import (
    Consumable,
    Family,
    Fitment,
    Flag,
    Part,
    PartSet,
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
from kitwright.catalogue.model.shop import (
    Shop,
)
from kitwright.catalogue.model.supplier import (
    Supplier,
)
from kitwright.catalogue.model.tax import (
    TaxArea,
)
from kitwright.catalogue.model.teardown import (
    Chassis,
    Layout,
    Tick,
    VisitWork,
)
from kitwright.catalogue.model.words import (
    AreaId,
    ChassisId,
    ContingencyId,
    DiagnosisCode,
    FamilyId,
    FlagId,
    HazardId,
    ItemId,
    JobId,
    LayoutId,
    OverrunId,
    PriceListId,
    Record,
    ShopId,
    SupplierId,
    TickId,
    VisitWorkId,
)


class FileHead(Record, frozen=True, kw_only=True):
    """The members that every file states about itself."""

    as_of: date
    source: str


class Catalogue(Struct, frozen=True, kw_only=True):
    """The content of all files, by id.

    `parts`, `sets` and `consumables` gather the rows of all family files and of `consumables.toml`.
    `fitments` is by family, in file order. `revision` is a SHA-256 over the files, in hexadecimal.
    """

    layouts: dict[LayoutId, Layout]
    families: dict[FamilyId, Family]
    chassis: dict[ChassisId, Chassis]
    jobs: dict[JobId, Job]
    visit_work: dict[VisitWorkId, VisitWork]
    contingencies: dict[ContingencyId, ContingencyKind]
    ticks: dict[TickId, Tick]
    hazards: dict[HazardId, Hazard]
    flags: dict[FlagId, Flag]
    rules: DiagnosisRules
    diagnoses: dict[DiagnosisCode, Diagnosis]
    price_lists: dict[PriceListId, PriceList]
    parts: dict[ItemId, Part]
    sets: dict[ItemId, PartSet]
    consumables: dict[ItemId, Consumable]
    suppliers: dict[SupplierId, Supplier]
    tax_areas: dict[AreaId, TaxArea]
    overruns: dict[OverrunId, OverrunPreset]
    shops: dict[ShopId, Shop]
    fitments: dict[FamilyId, tuple[Fitment, ...]]
    heads: dict[str, FileHead]
    revision: str
