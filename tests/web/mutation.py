"""Bodies for the preview: sound requests, changed in shape, in values and in their bytes."""

import json
from collections.abc import Callable, Sequence
from random import Random
from typing import Any

from kitwright.catalogue.model import Catalogue, Shop

Tree = Any
Place = tuple[Tree, Any]
"""A container and the key or index of one thing inside."""

WHO = {"reason": "as agreed", "by": "M. Okafor"}
ODD: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    7,
    99,
    100,
    9_999_999,
    10_000_000,
    2**31,
    2**53 + 1,
    2**63,
    -(2**64),
    10**40,
    1.0,
    0.1,
    -0.0,
    1e300,
    float("inf"),
    float("-inf"),
    float("nan"),
    "",
    " ",
    "0",
    "-0",
    "1",
    "-1",
    "1.50",
    "0.000001",
    "999999999999.999999",
    "-999999999999.999999",
    "1e5",
    "NaN",
    "Infinity",
    "١",  # noqa: RUF001
    "a",
    "A" * 64,
    "A" * 65,
    "x" * 501,
    "null",
    "\x00",
    "a\nb",
    "é😀",
    "\ud800",
    "../..",
    "' OR 1=1 --",
    "<script>",
    "{0}",
    "2027-03-01",
    "1999-12-31",
    "2000-01-01",
    "2019-12-31",
    "2199-12-31",
    "2200-01-01",
    "0001-01-01",
    "9999-12-31",
    "2027-02-29",
    "none",
    "en",
    [],
    [[]],
    [None],
    {},
    {"": 0},
)


class Maker:
    """Makes bodies from a catalogue, each from a seed of its own."""

    def __init__(self, catalogue: Catalogue, shop: Shop, examples: Sequence[Tree]) -> None:
        self._catalogue = catalogue
        self._shop = shop
        self._examples = examples
        self._items = [*catalogue.parts, *catalogue.sets, *catalogue.consumables]
        self._codes = [
            *self._items,
            *catalogue.jobs,
            "diagnostic-fee",
            "diagnostic-credit",
            "shop-supplies",
            "waste-oil",
            "freight-and-order-fees",
            "free-1",
        ]

    def body(self, dice: Random) -> bytes:
        """Return a body: sound now and then, mostly changed, seldom no JSON at all."""
        return changed(self.request(dice), dice)

    def request(self, dice: Random) -> Tree:
        """Return a request of the right shape, with ids that exist."""
        if dice.random() < 0.2:
            return json.loads(json.dumps(dice.choice(self._examples)))
        catalogue = self._catalogue
        tree: dict[str, Any] = {"family": dice.choice(list(catalogue.families))}
        members: dict[str, Callable[[], Any]] = {
            "serial": lambda: dice.choice((None, 0, 9_999_999, dice.randrange(10_000_000))),
            "build_code": lambda: f"{dice.randrange(10_000):04}",
            "chassis": lambda: dice.choice([None, "loose", *catalogue.chassis]),
            "diagnoses": lambda: self._some(dice, self._diagnosis),
            "jobs": lambda: self._some(dice, self._job),
            "add_jobs": lambda: self._some(dice, self._job),
            "leave_out": lambda: self._some(dice, self._job),
            "scope": lambda: dice.choice(("least", "recommended", "thorough")),
            "condition": lambda: {
                "rust": dice.choice(("none", "light", "heavy")),
                "debris": dice.choice(("none", "light", "heavy")),
                "previous_work": dice.random() < 0.5,
            },
            "diagnostic_done": lambda: dice.random() < 0.5,
            "on": lambda: f"{dice.randrange(2020, 2200)}-0{dice.randrange(1, 10)}-11",
            "needed_by": lambda: f"2199-12-{dice.randrange(10, 32)}",
            "tax_area": lambda: dice.choice(
                (None, self._shop.tax_area, *self._catalogue.tax_areas)
            ),
            "exemption": lambda: {"certificate_number": "1", "valid_until": "2199-01-01"},
            "discounts": lambda: self._some(dice, self._discount),
            "free_lines": lambda: self._some(dice, self._free_line),
            "overrides": lambda: self._some(dice, self._override),
            "customer_parts": lambda: self._some(dice, self._customer_part),
            "floors": lambda: self._some(dice, self._floor),
            "machines": lambda: dice.choice((1, 2, 3, 100)),
            "prepaid": lambda: self._figure(dice),
            "pays_cash": lambda: dice.random() < 0.5,
        }
        asked = dice.choice(("diagnoses", "jobs"))
        for name, value in members.items():
            if name == asked or dice.random() < 0.15:
                tree[name] = value()
        return tree

    def _some(self, dice: Random, one: Callable[[Random], Tree]) -> list[Tree]:
        return [one(dice) for _ in range(dice.choice((1, 1, 1, 2, 3)))]

    def _diagnosis(self, dice: Random) -> Tree:
        code = dice.choice(list(self._catalogue.diagnoses))
        scope = self._catalogue.diagnoses[code].scope.value
        return {"code": code, **self._cylinder(dice, scope == "cylinder")}

    def _job(self, dice: Random) -> Tree:
        job = dice.choice(list(self._catalogue.jobs))
        scope = self._catalogue.jobs[job].scope.value
        return {"job": job, **self._cylinder(dice, scope == "cylinder")}

    def _cylinder(self, dice: Random, is_wanted: bool) -> Tree:
        if dice.random() < 0.05:
            is_wanted = not is_wanted
        return {"cylinder": dice.choice((1, 1, 1, 2))} if is_wanted else {}

    def _figure(self, dice: Random) -> str:
        return dice.choice(("0", "0.01", "1", "9.99", "50", "100", "1000000", "0.000001"))

    def _line(self, dice: Random) -> Tree:
        line: dict[str, Any] = {"code": dice.choice(self._codes)}
        if dice.random() < 0.3:
            line["kind"] = dice.choice(("part", "labour", "fee", "free", "set"))
        if dice.random() < 0.3:
            line["labour_class"] = dice.choice(list(self._shop.labour.rates))
        return line

    def _discount(self, dice: Random) -> Tree:
        how = dice.choice(("percent", "amount"))
        line = {"line": self._line(dice)} if dice.random() < 0.4 else {}
        return {**WHO, how: self._figure(dice), **line}

    def _free_line(self, dice: Random) -> Tree:
        return {
            **WHO,
            "description": "by hand",
            "kind": dice.choice(("part", "consumable", "labour", "sublet", "fee", "freight")),
            "quantity": self._figure(dice),
            "unit": dice.choice(("C62", "LTR", "MIN", "HUR")),
            "unit_price": self._figure(dice),
        }

    def _override(self, dice: Random) -> Tree:
        if dice.random() < 0.5:
            return {**WHO, "line": self._line(dice), "unit_price": self._figure(dice)}
        return {**WHO, **self._job(dice), "minutes": dice.choice((0, 1, 60, 100_000))}

    def _customer_part(self, dice: Random) -> Tree:
        quantity = {"quantity": dice.choice((1, 2, 1000))} if dice.random() < 0.5 else {}
        return {"item": dice.choice(self._items), **quantity}

    def _floor(self, dice: Random) -> Tree:
        role = dice.choice([*self._shop.quality_floor, "head_gasket"])
        return {**WHO, "role": role, "quality": dice.choice(("maker", "alternate", "used"))}


def changed(tree: Tree, dice: Random) -> bytes:
    """Return a tree as bytes, after none to three changes, and maybe broken."""
    for _ in range(dice.choice((0, 0, 0, 1, 1, 1, 2, 3))):
        dice.choice(CHANGES)(tree, dice)
    text = json.dumps(tree, ensure_ascii=dice.random() < 0.5, indent=dice.choice((None, 1)))
    # members named `name#2` are written as a second `name`
    raw = text.replace('#2"', '"').encode("utf-8", "surrogatepass")
    return raw if dice.random() < 0.9 else _broken(raw, dice)


def places(tree: Tree) -> list[Place]:
    """Return every place in a tree, outermost first."""
    found: list[Place] = []
    left = [tree]
    while left:
        within = left.pop()
        if isinstance(within, dict | list):
            keys = list(within) if isinstance(within, dict) else range(len(within))
            found += ((within, key) for key in keys)
            left += (within[key] for key in keys)
    return found


def _pick(tree: Tree, dice: Random, of: type = object) -> Place | None:
    fitting = [place for place in places(tree) if isinstance(place[0], of)]
    return dice.choice(fitting) if fitting else None


def drop(tree: Tree, dice: Random) -> None:
    """Take a member or an entry away."""
    if place := _pick(tree, dice):
        del place[0][place[1]]


def rename(tree: Tree, dice: Random) -> None:
    """Misspell a member."""
    if place := _pick(tree, dice, dict):
        within, name = place
        cut = dice.randrange(len(name) + 1)
        other = dice.choice((name[:cut] + name[cut + 1 :], name.upper(), f"{name}s", f"a/{name}~"))
        within[other] = within.pop(name)


def replace(tree: Tree, dice: Random) -> None:
    """Put something else in a value's place."""
    if place := _pick(tree, dice):
        place[0][place[1]] = json.loads(json.dumps(dice.choice(ODD)))


def misspell(tree: Tree, dice: Random) -> None:
    """Change one character of a text."""
    texts = [place for place in places(tree) if isinstance(place[0][place[1]], str)]
    if texts:
        within, key = dice.choice(texts)
        text = within[key]
        at = dice.randrange(len(text) + 1)
        within[key] = text[:at] + dice.choice("xX-1 \n\x00é") + text[at + 1 :]


def repeat(tree: Tree, dice: Random) -> None:
    """Put entries of a list there again, up to beyond any limit."""
    lists = [place for place in places(tree) if isinstance(place[0][place[1]], list)]
    if lists:
        within, key = dice.choice(lists)
        within[key] = within[key] * dice.choice((2, 3, 51, 200))


def add(tree: Tree, dice: Random) -> None:
    """Add a member that is not known."""
    objects = [tree, *(place[0][place[1]] for place in places(tree))]
    within = dice.choice([each for each in objects if isinstance(each, dict)] or [{}])
    within[dice.choice(("x", "", "famly", "a/b", "~", "é", "$ref", "\ud800"))] = dice.choice(ODD)


def double(tree: Tree, dice: Random) -> None:
    """Give a member a second time."""
    if place := _pick(tree, dice, dict):
        within, name = place
        within[f"{name}#2"] = within[name]


def bury(tree: Tree, dice: Random) -> None:
    """Put a value deep inside lists or objects."""
    if place := _pick(tree, dice):
        for _ in range(dice.choice((1, 2, 60, 90))):
            value = place[0][place[1]]
            place[0][place[1]] = [value] if dice.random() < 0.5 else {"x": value}


CHANGES = (drop, rename, replace, replace, replace, misspell, repeat, add, double, bury)


def _broken(raw: bytes, dice: Random) -> bytes:
    """Return bytes that are mostly no JSON any more."""
    at = dice.randrange(len(raw) + 1)
    return dice.choice(
        (
            raw[:at],
            raw[:at] + bytes([dice.randrange(256)]) + raw[at + 1 :],
            raw[:at] + bytes([dice.randrange(256)]) + raw[at:],
            raw + raw,
            raw[:at] + b"NaN" + raw[at:],
            b"\xef\xbb\xbf" + raw,
            raw.decode("utf-8", "replace").encode("utf-16"),
            raw.ljust(300_000),
            b"",
        )
    )
