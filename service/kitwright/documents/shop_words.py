"""Shop words: when a shop is open, what storage costs, and the shop's own texts."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import time
from itertools import pairwise
from typing import Final

from kitwright.catalogue.model import Shop
from kitwright.language.scribe import Scribe

_DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def text_of(shop: Shop, text: str, scribe: Scribe) -> str:
    """Return one of a shop's own texts in a language; as the shop's file has it if the file does
    not translate it.
    """
    return shop.translations.get(scribe.language, {}).get(text, text)


def open_told(shop: Shop, scribe: Scribe) -> str:
    """Return the days on which a shop is open, and until when."""
    days = _days_told(shop.working_days, scribe)
    if shop.closes is None:
        return scribe.say("We are open: {days}.", days=days)
    until = scribe.clock(time.fromisoformat(shop.closes))
    return scribe.say("We are open: {days}, each day until {time}.", days=days, time=until)


def _days_told(days: tuple[str, ...], scribe: Scribe) -> str:
    """Return weekdays in words, those that follow each other as a span."""
    names = [scribe.weekday(place) for place in range(7)]
    places = sorted(_DAYS.index(day) for day in days)
    spans: list[list[int]] = [[place] for place in places[:1]]
    for before, place in pairwise(places):
        if place == before + 1:
            spans[-1].append(place)
        else:
            spans.append([place])
    told = [
        scribe.say("{first} to {last}", first=names[span[0]], last=names[span[-1]])
        if len(span) > 2
        else ", ".join(names[place] for place in span)
        for span in spans
    ]
    return ", ".join(told)


def account_told(account: str | None, name: str, scribe: Scribe) -> Iterator[str]:
    """Yield the account that a shop is paid to, under a name, if its file has one."""
    if account:
        yield scribe.say("Account: {account} ({name})", account=account, name=name)


def collect_told(shop: Shop, scribe: Scribe) -> Iterator[str]:
    """Yield where and when a machine can be collected."""
    if shop.contact is not None and shop.contact.address:
        address = ", ".join(shop.contact.address)
        yield scribe.say("You can collect your machine here: {address}.", address=address)
    yield open_told(shop, scribe)


def storage_told(shop: Shop, scribe: Scribe) -> Iterator[str]:
    """Yield what keeping a machine costs, if the shop charges it."""
    storage = shop.fees.storage
    if storage is not None:
        yield scribe.say(
            "We keep the machine for {days} days without charge; after that, storage is "
            "{amount} a day.",
            days=storage.grace_days,
            amount=scribe.money(str(storage.per_day), shop.currency),
        )
