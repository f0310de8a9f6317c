"""Link in a path: reads a customer's link, and checks that it leads to what it was made for."""

from __future__ import annotations

from collections.abc import Callable

from kitwright.keeping.link import (
    Link,
    LinkExpired,
    LinkForged,
    LinkOutdated,
    LinksHeld,
    check_link,
    read_token,
)
from kitwright.keeping.store import Records
from kitwright.web.calls.call import Call
from kitwright.web.edge.problems import Refusal


def link_in(call: Call, opens: Callable[[Link], bool] = lambda _: False) -> Link:
    """Return the link whose token is in a call's path. `opens` says whether one that has expired
    still opens.

    Raises: Refusal: unknown-record, link-expired.
    """
    desk = call.desk
    try:
        return read_token(desk.secret, call.variable("token"), desk.now().timestamp())
    except LinkForged as error:
        raise Refusal("unknown-record", str(error)) from None
    except LinkExpired as error:
        if opens(error.link):
            return error.link
        raise Refusal("link-expired", str(error)) from None


def check_standing(records: Records, link: Link, sha256: str | None) -> None:
    """Raise if a link does not lead to what it was made for, whose SHA-256 is given.

    Raises: Refusal: link-expired, records-held.
    """
    try:
        check_link(link, records.generations.every(), sha256)
    except LinkOutdated as error:
        raise Refusal("link-expired", str(error)) from None
    except LinksHeld as error:
        raise Refusal("records-held", str(error)) from None
