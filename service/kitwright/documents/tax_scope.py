"""Which kinds of charges a tax of a revision is charged on, as far as its figures tell.

A revision says what each tax is charged on in all, and how much tax each line bears in all, but not
which taxes a line bears. There are few kinds, so every set of them is tried: where one alone comes
to a tax's base, that is the one.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from itertools import combinations
from typing import Final

from msgspec import Struct

from kitwright.documents.paper import Amount, PaperTax, QuotePaper
from kitwright.money import Money

_LEAST_SHOWN: Final = 3
"""Minor units of exact tax from which some amount must show, however nets were rounded before."""


class Scope(Struct, frozen=True):
    """The kinds that a tax is charged on, and those that it leaves alone; others are open."""

    taxed: frozenset[str]
    left_alone: frozenset[str]


class _Kind(Struct, frozen=True):
    """The lines of a kind, in minor units: their net in all, the largest, and if any bears tax."""

    net: int
    largest: int
    bears_tax: bool


def money(given: Amount | None) -> Money:
    """Return an amount of a revision whose tax is known, to reckon with."""
    assert given is not None
    return Money.of(Decimal(given.amount), given.currency)


def tax_scopes(paper: QuotePaper) -> tuple[Scope, ...]:
    """Return the scope of each tax, in order. Kinds that an exemption frees are in none."""
    freed = () if paper.exemption is None else paper.exemption.kinds
    kinds = {
        kind: _kind(paper, kind)
        for kind in sorted({line.tax_kind for line in paper.lines}.difference(freed))
    }
    bearing = frozenset(name for name, kind in kinds.items() if kind.bears_tax)
    # a kind that is nothing in all fits every base, so that no base tells whether it is taxed
    telling = {name: kind for name, kind in kinds.items() if kind.net}
    before: list[tuple[Scope, int]] = []
    is_only = len(paper.taxes) == 1
    certain = bearing if is_only else frozenset()
    for tax in paper.taxes:
        sets = [each for each in _sets(telling, tax) if _is_base(each, telling, tax, before)]
        if is_only:
            sets = [each for each in sets if each >= bearing & telling.keys()]
        scope = Scope(certain, frozenset())
        if len(sets) == 1:
            scope = Scope(sets[0] | certain, frozenset(telling.keys() - sets[0]))
        before.append((scope, money(tax.amount).minor))
    return tuple(scope for scope, _ in before)


def _kind(paper: QuotePaper, name: str) -> _Kind:
    lines = [line for line in paper.lines if line.tax_kind == name]
    nets = [money(line.net).minor for line in lines]
    return _Kind(
        net=sum(nets),
        largest=max(map(abs, nets)),
        bears_tax=any(money(line.tax).minor for line in lines),
    )


def _sets(kinds: dict[str, _Kind], tax: PaperTax) -> Iterator[frozenset[str]]:
    """Yield the sets of kinds that a tax may be charged on, by what its rate would show."""
    rate = Fraction(tax.rate) / 100
    possible = [
        name for name, kind in kinds.items() if kind.bears_tax or kind.largest * rate < _LEAST_SHOWN
    ]
    for count in range(len(possible) + 1):
        yield from map(frozenset, combinations(possible, count))


def _is_base(
    names: frozenset[str],
    kinds: dict[str, _Kind],
    tax: PaperTax,
    before: list[tuple[Scope, int]],
) -> bool:
    """Return whether a tax is charged on the nets of some kinds, or on these and the taxes that
    stand before it on the same kinds.
    """
    base = money(tax.base).minor
    net = sum(kinds[name].net for name in names)
    compounded = sum(amount for scope, amount in before if scope.taxed and scope.taxed <= names)
    return base in (net, net + compounded)
