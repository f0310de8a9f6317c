"""Paper: a kept revision as documents read it, from the very JSON that was answered.

Every figure and sentence of a document comes from here, so that a document of a revision stays
the same whatever becomes of the catalogue. Amounts are decimal texts with their currency, as they
went over the wire; what a document does not need is passed over.
"""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

import msgspec
from msgspec import UNSET, Struct, UnsetType, field


class Amount(Struct, frozen=True):
    """An amount with all digits of its currency."""

    amount: str
    currency: str


def less(amount: Amount) -> Amount:
    """Return an amount with its sign turned: what is taken off."""
    return Amount(amount=str(-Decimal(amount.amount)), currency=amount.currency)


class Reason(Struct, frozen=True):
    """Why something is there: a code, a sentence, and the facts in it."""

    code: str
    text: str
    facts: dict[str, object] = {}


class PaperShop(Struct, frozen=True):
    """The shop as the revision names it."""

    id: str
    name: str
    currency: str
    prices_include_tax: bool


class PaperEngine(Struct, frozen=True):
    """The engine and its machine."""

    family: str
    name: str
    serial: int | None
    build_code: str | None
    chassis: str | None
    chassis_name: str | None


class PaperJob(Struct, frozen=True):
    """A job; minutes are billed ones, of all machines."""

    job: str
    name: str
    cylinder: int | None
    minutes_here: int
    why: tuple[Reason, ...]


class PaperStep(Struct, frozen=True):
    """A component to take off."""

    component: str
    cylinder: int | None
    minutes: int
    why: tuple[Reason, ...]


class PaperRefit(Struct, frozen=True):
    """A component to put back, with the bench work that its refit carries."""

    component: str
    cylinder: int | None
    minutes: int
    work_minutes: int


class PaperAccess(Struct, frozen=True):
    """Everything that comes off, in order, and goes back on."""

    remove: tuple[PaperStep, ...]
    refit: tuple[PaperRefit, ...]
    minutes: int
    engine_out: bool


class PaperNeed(Struct, frozen=True):
    """A role with the item that it needs, and why."""

    role: str
    cylinder: int | None
    part: str
    name: str
    quantity: str
    unit: str
    kind: str
    why: tuple[Reason, ...]


class PaperCover(Struct, frozen=True):
    """A role that a pack serves; `fitted` is the number that fills it, None in old revisions."""

    role: str
    cylinder: int | None
    part: str
    quantity: str
    fitted: str | None = None


class PaperPack(Struct, frozen=True):
    """Packs of one item from one source; `stock` are the shelves."""

    item: str
    source: str
    covers: tuple[PaperCover, ...]


class PaperStock(Struct, frozen=True):
    """What is taken from the shelves."""

    item: str
    quantity: str
    unit: str
    bin: str | None


class PaperKit(Struct, frozen=True):
    """What the job needs, and what of it lies on the shelves."""

    needs: tuple[PaperNeed, ...]
    from_stock: tuple[PaperStock, ...]
    packs: tuple[PaperPack, ...] = ()


class PaperMake(Struct, frozen=True):
    """How many pieces are of one make; None where it was not known."""

    make: str | None
    quantity: str


class PaperLine(Struct, frozen=True):
    """A line of the price; units are UN/ECE Recommendation 20 codes."""

    kind: str
    code: str
    cylinder: int | None
    description: str
    quantity: str
    unit: str
    unit_price: str
    base_quantity: str
    amount: Amount
    net: Amount | None
    tax: Amount | None
    gross: Amount | None
    tax_kind: str
    labour_class: str | None
    why: tuple[Reason, ...]
    makes: tuple[PaperMake, ...] = ()

    @property
    def is_added(self) -> bool:
        """Whether it was added after the revision was agreed to."""
        return any(one.code == "added-since" for one in self.why)


class PaperTax(Struct, frozen=True):
    """One tax; the rate in per cent."""

    component: str
    name: str
    rate: str
    base: Amount
    amount: Amount


class PaperTotals(Struct, frozen=True):
    """Sums of the lines."""

    lines: Amount
    discount: Amount
    net: Amount | None
    tax: Amount | None
    gross: Amount | None
    deposit: Amount
    prepaid: Amount
    cash_rounding: Amount
    payable: Amount | None


class PaperOrderLine(Struct, frozen=True):
    """A line of a parts order, in whole packs, without tax."""

    sku: str
    item: str
    name: str
    brand: str
    packs: int
    pack_size: int
    unit_cost: str
    net: Amount
    stock: str
    promised: date
    covers: tuple[PaperCover, ...] = ()


class PaperFee(Struct, frozen=True):
    """A fee of a supplier."""

    code: str
    amount: Amount


class PaperOrder(Struct, frozen=True):
    """What one supplier is asked to send."""

    supplier: str
    name: str
    order_by: str
    lines: tuple[PaperOrderLine, ...]
    goods: Amount
    fees: tuple[PaperFee, ...]
    freight: Amount
    net: Amount
    promised: date
    time_zone: str | None = None


class PaperExtra(Struct, frozen=True):
    """A job worth doing while the engine is apart, at its true extra price."""

    job: str
    name: str
    cylinders: tuple[int, ...]
    price: Amount
    minutes: int
    default: str
    why: tuple[Reason, ...]


class PaperContingency(Struct, frozen=True):
    """Something that teardown may show, at what the whole visit costs and takes more with it.

    `after` (on `after_cylinder`) has to turn up before it, and its price is on top of that one's.
    Revisions of old, which name no cylinder, have every price by itself.
    """

    name: str
    cylinder: int | None
    plain: str
    likely: bool
    jobs: tuple[PaperScopeJob, ...]
    price: Amount
    minutes: int
    contingency: str = ""
    after: str | None = None
    after_cylinder: int | UnsetType | None = UNSET

    @property
    def place(self) -> tuple[str, int | None]:
        """What tells it from others of the list."""
        return self.contingency, self.cylinder

    @property
    def under(self) -> tuple[str, int | None] | None:
        """The place of what it is told under, None where it stands by itself."""
        if self.after is None or self.after_cylinder is UNSET:
            return None
        return self.after, self.after_cylinder


class PaperContingencies(Struct, frozen=True):
    """What may turn up, the most probable first, and what the quote comes to with it."""

    each: tuple[PaperContingency, ...]
    as_quoted: Amount
    likely: Amount
    worst: Amount


class PaperOption(Struct, frozen=True):
    """What a question may be answered with."""

    id: str
    name: str


class PaperQuestion(Struct, frozen=True):
    """A part that the serial number would decide, or, of the role `chassis`, the machine that the
    engine is in; the dearest is priced.
    """

    role: str
    cylinder: int | None
    parts: tuple[str, ...]
    priced: str
    options: tuple[PaperOption, ...] = ()


class PaperCaution(Struct, frozen=True):
    """A caution, and the steps that it is about."""

    code: str
    title: str
    text: str
    steps: tuple[str, ...]


class PaperExemption(Struct, frozen=True):
    """The exemption that was shown, the charge kinds it frees, and the taxes that it spares."""

    certificate_number: str
    valid_until: date
    kinds: tuple[str, ...] = ()
    spares: tuple[PaperTax, ...] = ()


class PaperEvidence(Struct, frozen=True):
    """A finding, and how far it speaks for a fault."""

    why: Reason


class PaperCheck(Struct, frozen=True):
    """What is still looked at before a diagnosis is certain, in a customer's words."""

    plain: str


class PaperDiagnosis(Struct, frozen=True):
    """A ranked fault, with what speaks for it; `grade` is None for what is merely in play."""

    code: str
    name: str
    cylinder: int | None
    probability: str
    grade: str | None
    plain: str
    say_not: str
    speaks_for: tuple[PaperEvidence, ...] = field(default=(), name="for")
    to_check: tuple[PaperCheck, ...] = ()


class PaperLeakage(Struct, frozen=True):
    """What leaks from a cylinder: the loss in per cent as it is printed, and its band in words.

    `standing` is `counts`, `indicative` or `void`.
    """

    cylinder: int
    whole_percent: str | None
    words: str | None = None
    standing: str = "counts"


class PaperBand(Struct, frozen=True):
    """A band of leakage: its upper limit in per cent, None for the last, and its verdict."""

    upper_percent: str | None
    verdict: str


class PaperAssessment(Struct, frozen=True):
    """What the findings come to."""

    diagnoses: tuple[PaperDiagnosis, ...] = ()
    leakage: tuple[PaperLeakage, ...] = ()
    leakage_bands: tuple[PaperBand, ...] = ()


class PaperFault(Struct, frozen=True):
    """A fault by name."""

    name: str
    cylinder: int | None


class PaperScopeJob(Struct, frozen=True):
    """A job by name."""

    name: str
    cylinder: int | None


class PaperInPlay(Struct, frozen=True):
    """What a repair would come to, should a test find these faults."""

    faults: tuple[PaperFault, ...]
    jobs: tuple[PaperScopeJob, ...]
    price: Amount


class QuotePaper(Struct, frozen=True, kw_only=True):
    """A revision's answer, as documents read it.

    `basis` is `asked`, `repair` or, where findings call for a test before any repair, `test`; then
    `in_play` says what may follow.
    """

    on: date
    valid_until: date
    parts_by: date | None
    language: str
    catalogue_revision: str = ""
    provisional: bool
    basis: str = "asked"
    in_play: tuple[PaperInPlay, ...] = ()
    shop: PaperShop
    engine: PaperEngine
    complaint: str | None = None
    assessment: PaperAssessment | None = None
    jobs: tuple[PaperJob, ...]
    access: PaperAccess
    kit: PaperKit
    lines: tuple[PaperLine, ...]
    taxes: tuple[PaperTax, ...]
    tax_state: str
    exemption: PaperExemption | None
    totals: PaperTotals
    orders: tuple[PaperOrder, ...]
    extras: tuple[PaperExtra, ...]
    questions: tuple[PaperQuestion, ...]
    cautions: tuple[PaperCaution, ...]
    notes: tuple[Reason, ...] = ()
    contingencies: PaperContingencies | None = None

    @property
    def chassis_question(self) -> PaperQuestion | None:
        """The question about the machine that the engine is in, None where it is known."""
        return next((one for one in self.questions if one.role == "chassis"), None)

    @property
    def part_questions(self) -> tuple[PaperQuestion, ...]:
        """The questions about parts."""
        return tuple(one for one in self.questions if one.role != "chassis")

    @property
    def taken_off(self) -> tuple[PaperTax, ...]:
        """The taxes in the lines' prices that an exemption takes off."""
        if self.exemption is None or not self.shop.prices_include_tax:
            return ()
        return self.exemption.spares

    @property
    def is_added_to(self) -> bool:
        """Whether there are lines that were added after the revision was agreed to."""
        return any(line.is_added for line in self.lines)

    @property
    def may_turn_up(self) -> tuple[PaperContingency, ...]:
        """What may turn up; nothing where nobody asked for it."""
        return () if self.contingencies is None else self.contingencies.each


class Envelope(Struct, frozen=True, kw_only=True):
    """What surrounds a revision on paper: whose it is, and where it stands.

    `letter` is the quote's id (Q12). `machine_hours` is written as the revision's language does.
    `agreed_at` is when this revision was accepted.
    """

    letter: str
    revision: int
    state: str
    issued_at: datetime | None
    sha256: str | None
    customer_name: str | None = None
    customer_address: str | None = None
    customer_e_mail: str | None = None
    machine_name: str | None = None
    machine_hours: str | None = None
    agreed_at: datetime | None = None


def read_paper(answer: bytes) -> QuotePaper:
    """Return a revision's answer as documents read it."""
    return msgspec.json.decode(answer, type=QuotePaper)
