"""Owner: actions for the shop's owner only: API keys and webhooks."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import structs

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import add_event, add_record, change_record
from kitwright.keeping.key import NewKey, Scope
from kitwright.keeping.record import Event, Hook, KeyRecord, Stamp
from kitwright.keeping.store import Records


class LastOwnerKey(ActRefused):
    """The last key with the scope `owner` can't be revoked: then no key could create another."""

    code = "last-owner-key"

    def __init__(self, key: str) -> None:
        super().__init__(f"{key} is the last key with the scope owner: create another one first")
        self.key = key


class HookIsOff(ActRefused):
    """A webhook that is switched off can't be tested."""

    code = "webhook-is-off"

    def __init__(self, number: int) -> None:
        super().__init__("this webhook is not active: set is_active first")
        self.number = number


def add_key(
    records: Records, stamp: Stamp, new: NewKey, *, name: str, scopes: Iterable[Scope]
) -> KeyRecord:
    """Return the stored record of a new key: everything except the key itself."""
    key = KeyRecord(
        id=new.id,
        name=name,
        scopes=frozenset(scopes),
        hash=new.hash,
        made_at=stamp.at,
        last_used_on=None,
        revoked_at=None,
    )
    records.keys.add(key)
    granted = " ".join(sorted(key.scopes))
    add_event(records, stamp, "key.created", f"key:{key.id}", {"scopes": granted})
    return key


def revoke_key(records: Records, stamp: Stamp, key: KeyRecord) -> KeyRecord:
    """Return a revoked key, which no longer gives access. Revoking again changes nothing.

    Raises: LastOwnerKey.
    """
    if key.revoked_at is not None:
        return key
    others = (one for one in records.keys.every() if one.id != key.id and one.revoked_at is None)
    if Scope.OWNER in key.scopes and not any(Scope.OWNER in one.scopes for one in others):
        raise LastOwnerKey(key.id)
    revoked = structs.replace(key, revoked_at=stamp.at)
    records.keys.put(revoked)
    add_event(records, stamp, "key.revoked", f"key:{key.id}")
    return revoked


def add_hook(records: Records, stamp: Stamp, hook: Hook) -> Hook:
    """Return a new hook with its number. Its creation is the first event that it may receive."""
    return add_record(records, stamp, "webhook.created", records.hooks, hook)


def change_hook(
    records: Records,
    stamp: Stamp,
    before: Hook,
    *,
    url: str,
    kinds: tuple[str, ...],
    is_active: bool,
) -> Hook:
    """Return a changed hook. Events that wait for it stay. Its last failure is cleared if its URL
    changes or it is switched on again.
    """
    is_fresh = url != before.url or (is_active and not before.is_active)
    after = structs.replace(
        before,
        url=url,
        kinds=kinds,
        is_active=is_active,
        failure=None if is_fresh else before.failure,
    )
    facts = {"is_active": int(is_active)}
    return change_record(records, stamp, "webhook.changed", records.hooks, before, after, facts)


def drop_hook(records: Records, stamp: Stamp, hook: Hook) -> None:
    """Delete a hook and the deliveries that wait for it."""
    records.hooks.drop(hook.number)
    add_event(records, stamp, "webhook.deleted", f"webhook:{hook.number}")


def try_hook(records: Records, stamp: Stamp, hook: Hook) -> Event:
    """Return a new event for this hook alone, whichever kinds it takes.

    Raises: HookIsOff.
    """
    if not hook.is_active:
        raise HookIsOff(hook.number)
    return add_event(records, stamp, "webhook.test", f"webhook:{hook.number}", only=hook.number)
