"""The price of a kept revision arranged for reading: lines in groups, totals in their order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final

from msgspec import Struct

from kitwright.documents.balance_view import balance_of, left_row, sum_told
from kitwright.documents.line_words import kind_of, makes_of, reason_of
from kitwright.documents.web_page import isolated
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Line, Question, Quote, Tax

_GROUPS: Final = (
    ("part", "set", "customer_part", "consumable"),
    ("labour", "sublet"),
    ("fee", "freight", "core"),
    ("discount",),
)
"""Kinds of line that stand together; an unknown kind stands with the fees."""

_NUMBERED: Final = frozenset({"part", "set", "customer_part"})
"""Kinds whose code is a part's number, which its reader may want to look up."""

_TOLD: Final = frozenset(
    {
        "added-since",
        "bench-minimum",
        "core-deposit",
        "customer-brings",
        "diagnostic-credited",
        "diagnostic-done",
        "set-for-pieces",
        "sublet-of-job",
        "used-up",
    }
)
"""Reasons that customers are told: none that names what the shop pays, where it buys, or what
somebody of the shop wrote for the shop.
"""


class ViewLine(Struct, frozen=True, kw_only=True):
    """A line as it is read: what, how much of it, and what is to be said of it."""

    what: str
    how: str
    amount: str
    notes: tuple[str, ...]


class ViewGroup(Struct, frozen=True, kw_only=True):
    """Lines of a kind, and what they come to."""

    title: str
    total: str
    lines: tuple[ViewLine, ...]


class ViewTotal(Struct, frozen=True, kw_only=True):
    """A row under the lines. `weight` is `total`, `plain` or `within` (part of the row above)."""

    label: str
    amount: str
    weight: str = "plain"


def lines_of(paper: Quote, scribe: Scribe) -> tuple[ViewGroup, ...]:
    """Return the lines in groups that are not empty, in the order in which they were priced; what
    was added since the revision was agreed to comes last.
    """
    known = {kind for kinds in _GROUPS for kind in kinds}
    titles = (
        scribe.say("Parts and materials"),
        scribe.say("Work"),
        scribe.say("Fees and freight"),
        scribe.say("Discounts"),
    )
    agreed = [line for line in paper.lines if not line.is_added]
    grouped = [
        (
            title,
            [
                line
                for line in agreed
                if (kind := kind_of(line)) in kinds or (kind not in known and "fee" in kinds)
            ],
        )
        for title, kinds in zip(titles, _GROUPS, strict=True)
    ]
    grouped.append(
        (scribe.say("Added since it was agreed to"), [one for one in paper.lines if one.is_added])
    )
    groups = []
    for title, rows in grouped:
        if rows:
            groups.append(
                ViewGroup(
                    title=title,
                    total=_together([row.amount for row in rows], scribe),
                    lines=tuple(_line(row, scribe) for row in rows),
                )
            )
    return tuple(groups)


def totals_of(paper: Quote, scribe: Scribe, *, is_owed: bool = True) -> tuple[ViewTotal, ...]:
    """Return the rows from the sum of the lines to what is to pay."""
    totals = paper.totals
    rows = []
    if _is_some(totals.discount):
        rows.append(_total(scribe.say("All lines"), totals.lines, scribe))
        rows.append(_total(scribe.say("Taken off"), totals.discount, scribe))
    if paper.taken_off and not rows:
        rows.append(_total(scribe.say("All lines"), totals.lines, scribe))
    rows += [_spared(tax, scribe) for tax in paper.taken_off]
    if totals.gross is None or totals.payable is None:
        if totals.net is not None:
            rows.append(_total(scribe.say("Without tax"), totals.net, scribe))
        elif not rows:
            rows.append(_total(scribe.say("All lines"), totals.lines, scribe))
        return tuple(rows)
    includes = paper.shop.prices_include_tax
    net = totals.net or totals.gross
    taxes = [_tax(tax, paper, scribe) for tax in paper.taxes]
    if not includes:
        rows += [_total(scribe.say("Without tax"), net, scribe), *taxes]
    found = balance_of(totals)
    # nothing is paid and nothing rounded: one row says what it comes to and what is left
    is_last = not (is_owed and (_is_some(totals.prepaid) or _is_some(totals.cash_rounding)))
    weight = "total" if is_last else "plain"
    label = scribe.say("Total, tax included")
    if is_last and is_owed:
        label = scribe.say("To pay, tax included")
    rows.append(_total(label, totals.gross, scribe, weight))
    if includes:
        rows += [*taxes, _total(scribe.say("Without tax"), net, scribe, "within")]
    if _is_some(totals.prepaid):
        rows.append(_total(scribe.say("Paid already"), -totals.prepaid, scribe))
    if not is_owed:
        return tuple(rows)
    if _is_some(totals.cash_rounding):
        rows.append(_total(scribe.say("Rounded to coins"), totals.cash_rounding, scribe))
    if found is not None and not is_last:
        label, left = left_row(found, scribe)
        rows.append(ViewTotal(label=label, amount=left, weight="total"))
    if found is not None and found.advance.minor:
        label = scribe.say("Of it in advance, before parts are ordered")
        rows.append(ViewTotal(label=label, amount=sum_told(found.advance, scribe), weight="within"))
    return tuple(rows)


def summary_of(paper: Quote, scribe: Scribe, *, is_owed: bool = True) -> tuple[ViewTotal, ...]:
    """Return what a page says at its top: what it comes to, and where some of that is paid, how
    much, and what is left; nothing where the tax is not known, or nothing is owed any more.
    """
    found = balance_of(paper.totals)
    if found is None or not is_owed:
        return ()
    label, left = left_row(found, scribe)
    if not found.paid.minor:
        return (ViewTotal(label=scribe.say("To pay, tax included"), amount=left),)
    return (
        ViewTotal(label=scribe.say("Total, tax included"), amount=sum_told(found.comes_to, scribe)),
        ViewTotal(label=scribe.say("Paid already"), amount=sum_told(found.paid, scribe)),
        ViewTotal(label=label, amount=left),
    )


def extras_together(paper: Quote, scribe: Scribe) -> str:
    """Return the extra prices added up."""
    return _together([one.price for one in paper.extras], scribe)


def machines_of(question: Question | None) -> tuple[str, tuple[str, ...]]:
    """Return the machine that is priced where nobody named it, and all that it may be; nothing
    where it is known.
    """
    if question is None:
        return "", ()
    names = {one.id: one.name for one in question.options}
    return names[question.priced], tuple(names.values())


def questioned(paper: Quote, question: Question, scribe: Scribe) -> str:
    """Return the name of the part that was priced for a role, with its cylinder."""
    for need in paper.kit.needs:
        if (need.role, need.cylinder, need.part) == (
            question.role,
            question.cylinder,
            question.priced,
        ):
            return scribe.on_cylinder(need.name, question.cylinder)
    return scribe.thing(question.role, question.cylinder)


def _line(line: Line, scribe: Scribe) -> ViewLine:
    return ViewLine(
        what=line.description,
        how=", ".join(_how(line, scribe)),
        amount=scribe.money(line.amount.amount, line.amount.currency),
        notes=tuple(dict.fromkeys(filter(None, _notes(line, scribe)))),
    )


def _notes(line: Line, scribe: Scribe) -> Iterator[str]:
    yield reason_of(line, scribe)
    yield from (why.text for why in line.why if why.code in _TOLD)


def _how(line: Line, scribe: Scribe) -> Iterator[str]:
    """Yield the part's number and make, and quantity and price where they say more than the
    amount.
    """
    if line.kind in _NUMBERED and not line.is_added:
        yield isolated(line.code)
    if makes := makes_of(line, scribe):
        yield isolated(makes)
    price = scribe.money(line.unit_price, line.amount.currency)
    quantity, unit = scribe.number(line.quantity), scribe.unit(line.measure, line.quantity)
    base = Decimal(line.base_quantity)
    if line.unit == "MIN" and base == 60:
        yield scribe.say("{quantity} min at {price} an hour", quantity=quantity, price=price)
    elif base != 1:
        yield scribe.say(
            "{quantity} {unit} at {price} for {base} {base_unit}",
            quantity=quantity,
            unit=unit,
            price=price,
            base=scribe.number(line.base_quantity),
            base_unit=scribe.unit(line.measure, line.base_quantity),
        )
    elif Decimal(line.quantity) != 1:
        yield scribe.say("{quantity} {unit} at {price}", quantity=quantity, unit=unit, price=price)


def _tax(tax: Tax, paper: Quote, scribe: Scribe) -> ViewTotal:
    facts = _facts(tax, scribe)
    if paper.shop.prices_include_tax:
        label = scribe.say("In it {tax}, {rate} of {base}", **facts)
        return _total(label, tax.amount, scribe, "within")
    return _total(scribe.say("{tax}, {rate} of {base}", **facts), tax.amount, scribe)


def _spared(tax: Tax, scribe: Scribe) -> ViewTotal:
    label = scribe.say("{tax}, {rate} of {base}: not charged", **_facts(tax, scribe))
    return _total(label, -tax.amount, scribe)


def _facts(tax: Tax, scribe: Scribe) -> dict[str, str]:
    return {
        "tax": tax.name,
        "rate": scribe.percent(tax.rate),
        "base": scribe.money(tax.base.amount, tax.base.currency),
    }


def _total(label: str, amount: Amount, scribe: Scribe, weight: str = "plain") -> ViewTotal:
    money = scribe.money(amount.amount, amount.currency)
    return ViewTotal(label=label, amount=money, weight=weight)


def _together(amounts: Sequence[Amount], scribe: Scribe) -> str:
    total = sum((Decimal(one.amount) for one in amounts), Decimal(0))
    return scribe.money(str(total), amounts[0].currency)


def _is_some(amount: Amount) -> bool:
    return Decimal(amount.amount) != 0
