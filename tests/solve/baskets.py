"""Baskets like those of a shop: needs of many quotes, few sellers, some sets, all rules."""

from __future__ import annotations

import random
from collections.abc import Iterator

from kitwright.solve.buying import Charge, Need, Offer, Price


def basket(
    chance: random.Random, *, lines: int, sellers: int
) -> tuple[
    list[Need[str, str]],
    list[Offer[str, str, str]],
    dict[str, list[Charge]],
]:
    """Return needs, offers and charges. About two needs share a part; parts come in two
    qualities, from a third to all sellers, and one in three is in a set as well.
    """
    parts = max(1, lines // 2)
    cost = {part: int(10 ** chance.uniform(2.3, 4.1)) for part in range(parts)}
    names = [f"s{number}" for number in range(sellers)]
    # the first one has the makers' part of everything, soon
    day = {name: chance.randint(1, 7) if name != "s0" else 2 for name in names}
    needs = []
    for number in range(lines):
        part = chance.randrange(parts)
        maker = frozenset({f"p{part}-maker"})
        needs.append(
            Need(
                id=f"n{number:03}",
                count=chance.choice([1, 1, 1, 2, 2, 4]),
                kinds=maker if chance.random() < 0.4 else maker | {f"p{part}-other"},
                by=chance.choice([None, None, None, 3, 5, 7]),
            )
        )
    offers: list[Offer[str, str, str]] = []
    for part in range(parts):
        offers += [
            _offer(chance, part, name, day[name], cost[part])
            for name in chance.sample(names, chance.randint(max(1, sellers // 3), sellers))
        ]
        offers.append(
            Offer(
                id=f"p{part}-s0-maker",
                seller="s0",
                holds={f"p{part}-maker": 1},
                prices=(Price(each=cost[part] * 11 // 10),),
                day=day["s0"],
                causes=frozenset({"freight", "small"}),
            )
        )
        if chance.random() < 0.15:
            offers.append(
                Offer(
                    id=f"p{part}-shelf",
                    seller=None,
                    holds={f"p{part}-maker": 1},
                    prices=(Price(each=cost[part] * 9 // 10),),
                    most=chance.randint(1, 3),
                )
            )
    offers += _sets(chance, parts, names, day, cost)
    charges = {
        name: [
            Charge("freight", chance.randint(700, 2_000), chance.randint(10, 45) * 1_000),
            Charge("small", chance.choice([0, 500, 1_500]), chance.choice([2_500, 8_000])),
            Charge("special", chance.choice([0, 1_200])),
        ]
        for name in names
    }
    return needs, offers, charges


def _offer(
    chance: random.Random, part: int, name: str, day: int, cost: int
) -> Offer[str, str, str]:
    is_maker = chance.random() < 0.65
    kind = f"p{part}-{'maker' if is_maker else 'other'}"
    each = max(1, cost * chance.randint(75, 125) // (100 if is_maker else 160))
    pack = chance.choice([1, 1, 1, 1, 2, 5]) if each < 1_500 else 1
    prices = [Price(each=each * pack, least=chance.choice([1, 1, 1, 2]) if each < 800 else 1)]
    if chance.random() < 0.25:
        prices.append(Price(each=each * pack * 92 // 100, least=chance.choice([3, 5])))
    causes = {"freight", "small"}
    is_bulky = cost > 9_000 and chance.random() < 0.5
    if is_bulky:
        causes -= {"freight"}
    if chance.random() < 0.05:
        causes |= {"special"}
    return Offer(
        id=f"p{part}-{name}",
        seller=name,
        holds={kind: pack},
        prices=tuple(prices),
        multiple=chance.choice([1, 1, 1, 1, 2]) if each < 800 else 1,
        most=chance.choice([None, None, None, 6, 20]),
        extra=2_500 if is_bulky else 0,
        day=day,
        causes=frozenset(causes),
    )


def _sets(
    chance: random.Random, parts: int, names: list[str], day: dict[str, int], cost: dict[int, int]
) -> Iterator[Offer[str, str, str]]:
    for number in range(parts // 12):
        held = [part for part in range(number * 12, number * 12 + 6) if chance.random() < 0.7]
        if not held:
            continue
        for name in chance.sample(names, min(2, len(names))):
            price = sum(cost[part] for part in held) * chance.randint(55, 95) // 100
            yield Offer(
                id=f"set{number}-{name}",
                seller=name,
                holds={f"p{part}-maker": 1 for part in held},
                prices=(Price(each=price),),
                day=day[name],
                causes=frozenset({"freight", "small"}),
            )
