"""Kit: the needs, packs and parts orders of a quote."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date

from kitwright import quote as wire
from kitwright.catalogue.model import ItemId
from kitwright.quote import amount_of
from kitwright.stages.kit import Bought, FromStock, Kit
from kitwright.stages.ordering import PartsOrder, Use
from kitwright.stages.price import CUSTOMER, STOCK
from kitwright.stages.why import Why
from kitwright.telling.teller import Teller, covers_of
from kitwright.units import REC20, decimal_text


def tell_kit(kit: Kit, teller: Teller) -> wire.Kit:
    """Return the needs, and the packs that cover them."""
    brought = [
        wire.Pack(
            item=each.item,
            packs=str(each.quantity),
            source=CUSTOMER,
            covers=covers_of(each.covers),
        )
        for each in kit.brought
    ]
    return wire.Kit(
        needs=tuple(teller.once(need, teller.need) for need in kit.needs),
        packs=(
            *brought,
            *(teller.once(each, _stocked) for each in kit.from_stock),
            *(teller.once(each, _bought) for each in kit.bought),
        ),
        left_over=tuple(
            wire.LeftOver(
                item=left.item,
                name=teller.speaker.item(left.item),
                quantity=decimal_text(left.quantity),
                unit=REC20[left.unit],
                measure=left.unit,
                quality=left.quality.value,
            )
            for left in kit.left_over
        ),
        from_stock=tuple(
            wire.FromStock(
                item=taken.item,
                name=teller.speaker.item(taken.item),
                quantity=decimal_text(taken.quantity),
                unit=REC20[taken.unit],
                measure=taken.unit,
                bin=taken.bin,
                quality=taken.quality.value,
            )
            for taken in kit.from_stock
        ),
        is_least=kit.is_least,
    )


def _stocked(taken: FromStock) -> wire.Pack:
    return wire.Pack(
        item=taken.item,
        packs=decimal_text(taken.packs),
        source=STOCK,
        covers=covers_of(taken.covers),
    )


def _bought(bought: Bought) -> wire.Pack:
    return wire.Pack(
        item=bought.source.item,
        packs=str(bought.packs),
        source=bought.source.supplier.id,
        covers=covers_of(bought.covers),
    )


def tell_order(order: PartsOrder, on: date, name: Callable[[ItemId], str]) -> wire.Order:
    """Return a parts order, with the day on which it is ordered; `name` translates an item's id
    into its name.
    """
    return wire.Order(
        supplier=order.supplier.id,
        name=order.supplier.name,
        order_by=order.supplier.cutoff,
        time_zone=order.supplier.time_zone,
        ordered_on=on,
        lines=tuple(
            wire.OrderLine(
                sku=line.source.sku,
                item=line.source.item,
                name=name(line.source.item),
                brand=line.source.brand,
                packs=line.packs,
                pack_size=line.source.pack,
                unit_cost=f"{line.unit_cost:f}",
                net=amount_of(line.net),
                stock={None: "unknown", 0: "back_order"}.get(line.source.stock, "known"),
                lead_days=line.source.lead_days,
                promised=line.promised,
                covers=tell_covers(line.covers),
            )
            for line in order.lines
        ),
        goods=amount_of(order.goods),
        fees=tuple(
            wire.OrderFee(code=fee.code, amount=amount_of(fee.amount)) for fee in order.fees
        ),
        freight=amount_of(order.freight),
        net=amount_of(order.net),
        promised=order.promised,
    )


def tell_covers(uses: Iterable[Use]) -> tuple[wire.Cover, ...]:
    """Return what the packs of a line are for."""
    return tuple(
        wire.Cover(
            role=use.role,
            cylinder=use.cylinder,
            part=use.item,
            quantity=decimal_text(use.quantity),
            fitted=use.number,
        )
        for use in uses
    )


def tell_unfilled(kit: Kit, teller: Teller) -> tuple[wire.Unfilled, ...]:
    """Return the parts of needs that no source can fill, with the reasons."""
    return tuple(
        wire.Unfilled(
            need=wire.Cover(
                role=each.need.role,
                cylinder=each.need.cylinder,
                part=each.item,
                quantity=decimal_text(each.quantity),
                fitted=None,
            ),
            name=teller.speaker.item(each.item),
            unit=REC20[each.need.unit],
            measure=each.need.unit,
            why=teller.whys((Why("no-source", {"item": each.item}),)),
        )
        for each in kit.unfilled
    )
