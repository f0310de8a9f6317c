"""Records: the stored data of quotes, of their customers and machines, and of their orders.

Times are aware and in UTC; days are those of the shop's time zone. Numbers count from 1 and are
assigned by the store: a record that is not stored yet has 0. A `version` counts the changes of a
record.
"""

from kitwright.keeping.record.access import KeptAnswer, KeyRecord, Photo
from kitwright.keeping.record.bill import (
    BillKind,
    Handover,
    KeptBill,
    KeptStatement,
    Payment,
    StorageFee,
    bill_name,
)
from kitwright.keeping.record.clock import ClockEntry, ClockKind, Phase
from kitwright.keeping.record.customer import Billing, Customer, Machine, StorageTerms, Ticket
from kitwright.keeping.record.erasure import (
    Disposal,
    DisposalKind,
    Erasure,
    ErasureStage,
    Retention,
    RetentionWhy,
)
from kitwright.keeping.record.estimate import (
    EstimateEntry,
    EstimateKind,
    KeptCatalogue,
    OwnEstimates,
    OwnMinutes,
    OwnOdds,
)
from kitwright.keeping.record.hand import Hand, Means, Stamp
from kitwright.keeping.record.message import (
    DueDelivery,
    Event,
    EventFact,
    Hook,
    Mail,
    MailState,
    Waiting,
)
from kitwright.keeping.record.order import Allocation, KeptOrder, OrderEntry, OrderState
from kitwright.keeping.record.quote import (
    ENDED,
    SETTLED,
    Addition,
    Authorisation,
    EarlyWish,
    FromAfar,
    KeptQuote,
    QuoteState,
    Revision,
    RevisionState,
)

__all__ = [
    "ENDED",
    "SETTLED",
    "Addition",
    "Allocation",
    "Authorisation",
    "BillKind",
    "Billing",
    "ClockEntry",
    "ClockKind",
    "Customer",
    "Disposal",
    "DisposalKind",
    "DueDelivery",
    "EarlyWish",
    "Erasure",
    "ErasureStage",
    "EstimateEntry",
    "EstimateKind",
    "Event",
    "EventFact",
    "FromAfar",
    "Hand",
    "Handover",
    "Hook",
    "KeptAnswer",
    "KeptBill",
    "KeptCatalogue",
    "KeptOrder",
    "KeptQuote",
    "KeptStatement",
    "KeyRecord",
    "Machine",
    "Mail",
    "MailState",
    "Means",
    "OrderEntry",
    "OrderState",
    "OwnEstimates",
    "OwnMinutes",
    "OwnOdds",
    "Payment",
    "Phase",
    "Photo",
    "QuoteState",
    "Retention",
    "RetentionWhy",
    "Revision",
    "RevisionState",
    "Stamp",
    "StorageFee",
    "StorageTerms",
    "Ticket",
    "Waiting",
    "bill_name",
]
