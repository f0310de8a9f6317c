"""Worth: about what a find would add to a repair, to tell dear finds from cheap ones.

It is no price: it knows neither the serial number nor what any supplier asks.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Final

from kitwright.catalogue.expansion import expand_job
from kitwright.catalogue.graph import expand_role, job_fits
from kitwright.catalogue.model import (
    Catalogue,
    Contingency,
    Family,
    ItemId,
    Job,
    Per,
    RoleId,
    Shop,
)
from kitwright.units import exact

AddedJob = tuple[Job, int | None]
"""A job that a find adds, with its cylinder."""

_HOUR: Final = 60


def jobs_added(
    catalogue: Catalogue, family: Family, row: Contingency, cylinder: int | None
) -> Iterator[AddedJob]:
    """Yield the jobs that a find of a job on a cylinder adds, as far as this kind of engine has the
    parts for them.
    """
    for one in row.add:
        if one.job is not None and job_fits(catalogue, family, catalogue.jobs[one.job]):
            count = family.cylinders
            yield from expand_job(catalogue, one.job, one.cylinders, cylinder, count)


def worth_of(
    catalogue: Catalogue, shop: Shop, family: Family, row: Contingency, cylinder: int | None
) -> Fraction:
    """Return about what a find of a job on a cylinder would add, in units of the shop's currency.

    Counted are the added jobs' own work at the shop's rates, sublet work at its cost, and parts at
    the highest list price of what fits any engine of the family. Work on the way in is left out: it
    depends on what is off already.
    """
    worth = Fraction(0)
    roles = [one.role for one in row.add if one.role is not None]
    for role in roles:
        worth += _price_of_role(catalogue, shop, family, role, cylinder)
    for job, on in jobs_added(catalogue, family, row, cylinder):
        worth += _own_work(shop, family, job, on)
        for role in job.replaces:
            worth += _price_of_role(catalogue, shop, family, role, on)
    return worth


def _own_work(shop: Shop, family: Family, job: Job, cylinder: int | None) -> Fraction:
    worth = Fraction(0) if job.sublet is None else exact(shop.sublet[job.sublet].cost)
    for work in job.work:
        is_of_each = work.per is Per.cylinder and cylinder is None
        times = family.cylinders if is_of_each else 1
        rate = exact(shop.labour.rates[work.labour_class])
        worth += rate * work.minutes * times / _HOUR
    return worth


def _price_of_role(
    catalogue: Catalogue, shop: Shop, family: Family, role: str, cylinder: int | None
) -> Fraction:
    """Return the list price of what fills a role in all its places, the dearest for each."""
    return sum(
        (
            _dearest(catalogue, shop, family, name, place)
            for name, place in expand_role(role, cylinder, family.cylinders)
        ),
        Fraction(0),
    )


def _dearest(
    catalogue: Catalogue, shop: Shop, family: Family, role: RoleId, cylinder: int | None
) -> Fraction:
    found = (
        exact(row.quantity) * _list_price(catalogue, shop, row.part)
        for row in catalogue.fitments.get(family.id, ())
        if row.role == role and (not row.cylinders or cylinder in row.cylinders)
    )
    return max(found, default=Fraction(0))


def _list_price(catalogue: Catalogue, shop: Shop, item: ItemId) -> Fraction:
    record = catalogue.parts.get(item)
    price = None if record is None else record.list_price.get(shop.price_list)
    return Fraction(0) if price is None else exact(price)
