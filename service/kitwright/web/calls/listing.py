"""Listing: calls on catalogue records, which do not change while the service runs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from difflib import get_close_matches
from typing import Any, Final

from litestar import Request
from litestar.datastructures import State
from litestar.handlers import HTTPRouteHandler
from litestar.response.base import ASGIResponse
from msgspec import Struct

from kitwright.web.calls.handlers import route
from kitwright.web.calls.service import Service
from kitwright.web.calls.shown import ListOut
from kitwright.web.edge.negotiate import best_form, body_tag
from kitwright.web.edge.operation import Operation, variables_of
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply, encoded, response

_MOST_SHOWN: Final = 64


class Listing(Struct, frozen=True, kw_only=True):
    """The records of one kind: the operations that list them and return one, the name of the kind,
    the records by key, and their conversion to wire structs.
    """

    every: Operation | None = None
    one: Operation | None = None
    noun: str
    records: Callable[[Service], Mapping[Any, Any]]
    out: Callable[[Service, Any], Struct]

    def handlers(self) -> Iterator[HTTPRouteHandler]:
        """Yield the handlers of the operations."""
        if self.every is not None:
            yield fixed(self.every, self._listed)
        if self.one is not None:
            yield self._given(self.one)

    def _listed(self, state: State) -> Reply[Any]:
        service = state.desk.service
        found = self.records(service).values()
        return Reply(body=ListOut(items=tuple(self.out(service, each) for each in found)))

    def _given(self, one: Operation) -> HTTPRouteHandler:
        (variable,) = variables_of(one)

        def find(state: State, key: str) -> Reply[Any]:
            service = state.desk.service
            records = self.records(service)
            if key not in records:
                close = get_close_matches(key[:_MOST_SHOWN], records, n=1)
                hint = f"; did you mean {close[0]}?" if close else ""
                raise Refusal("unknown-record", f"no {self.noun} {key[:_MOST_SHOWN]!r}{hint}")
            return Reply(body=self.out(service, records[key]))

        return fixed(one, find, variable)


def fixed(one: Operation, find: Callable[..., Reply[Any]], *variables: str) -> HTTPRouteHandler:
    """Return the handler of an answer that does not change while the service runs.

    The answer is made once, by `find` from the application's state and the path's variables, and
    has an entity tag.
    """

    async def handler(request: Request[Any, Any, Any]) -> ASGIResponse:
        best_form(request, one.forms)
        state = request.app.state
        made: dict[tuple[str, ...], Reply[Any]] = state.made
        key = (one.id, *(request.path_params[name] for name in variables))
        if key not in made:
            reply = find(state, *key[1:])
            body = encoded(reply.body)
            made[key] = Reply(body=body, tag=body_tag(body), form=reply.form, headers=reply.headers)
        return response(request, made[key], one.status)

    return route(one, handler)
