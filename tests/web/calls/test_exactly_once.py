"""A call that is sent again is done once."""

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, TypeVar

import pytest
from tests.desks import client_of
from tests.web.calls.conftest import Staff

from kitwright.app import make_app
from kitwright.desk_opening import open_desk
from kitwright.keeping.store import Records
from kitwright.settings import Settings, built_in_catalog
from kitwright.store.engine import SqliteStore
from kitwright.web.calls.service import Service

T = TypeVar("T")

ASKED = {"family": "QM-H27", "serial": 2140077, "jobs": [{"job": "J-LASH", "cylinder": 1}]}


def post(staff: Staff, key: str | None, body: Any = ASKED, path: str = "/v1/quotes") -> Any:
    headers = {} if key is None else {"Idempotency-Key": key}
    return staff.client.post(path, json=body, headers=headers)


def test_same_key_gives_the_same_answer(staff: Staff) -> None:
    first = post(staff, '"one"')
    staff.act(first.json()["id"], "issue")

    again = post(staff, "one")

    assert (again.status_code, again.content) == (201, first.content)
    for name in ("ETag", "Location"):
        assert again.headers[name] == first.headers[name]
    assert len(staff.get("/v1/quotes")["items"]) == 1


def test_same_key_for_something_else_is_refused(staff: Staff) -> None:
    post(staff, '"one"')

    other = post(staff, '"one"', {**ASKED, "diagnostic_done": True})

    assert (other.status_code, other.json()["code"]) == (422, "idempotency-key-reused")


@pytest.mark.parametrize(
    ("key", "code"),
    [
        (None, "idempotency-key-missing"),
        ('""', "idempotency-key-malformed"),
        ("two words", "idempotency-key-malformed"),
        ('"' + "k" * 256 + '"', "idempotency-key-malformed"),
    ],
)
def test_call_without_a_sound_key_is_refused(staff: Staff, key: str | None, code: str) -> None:
    answer = post(staff, key)

    assert (answer.status_code, answer.json()["code"]) == (400, code)
    assert staff.get("/v1/quotes")["items"] == []


def test_refused_call_may_be_mended_under_its_key(staff: Staff) -> None:
    refused = post(staff, '"one"', {**ASKED, "family": "QM-H72"})
    mended = post(staff, '"one"')

    assert (refused.status_code, mended.status_code) == (422, 201)


def test_answer_is_given_again_for_a_day(staff: Staff) -> None:
    first = post(staff, '"one"')
    staff.counter.clock.now = staff.counter.clock.now.replace(day=2, hour=11, minute=59)
    assert post(staff, '"one"').content == first.content

    staff.counter.clock.now = staff.counter.clock.now.replace(hour=12, minute=1)

    assert post(staff, '"one"').json()["id"] != first.json()["id"]


def test_call_that_is_being_answered_is_not_begun_again(staff: Staff) -> None:
    desk = staff.counter.desk
    key = staff.counter.key.split("_")[1]
    desk.in_flight.add((key, "one"))

    answer = post(staff, '"one"')

    assert (answer.status_code, answer.json()["code"]) == (409, "call-in-progress")
    desk.in_flight.clear()
    assert post(staff, '"one"').status_code == 201


def test_nobody_sees_the_answers_of_another_key(staff: Staff) -> None:
    first = post(staff, '"one"')
    made = staff.done("/v1/keys", {"name": "other", "scopes": ["quote", "read"]}).json()
    headers = {"Idempotency-Key": '"one"', "Authorization": f"Bearer {made['key']}"}

    other = staff.client.post("/v1/quotes", json=ASKED, headers=headers)

    assert other.status_code == 201
    assert other.json()["id"] != first.json()["id"]


@pytest.mark.parametrize("act", ["issue", "withdraw", "revise", "links", "start", "finish"])
def test_change_needs_the_version_that_was_seen(staff: Staff, act: str) -> None:
    id = staff.quote()  # noqa: A001
    body = {"revise": ASKED, "links": {}}.get(act)
    seen = staff.tag(id)

    missing = staff.refused(f"/v1/quotes/{id}/{act}", body)
    stale = staff.refused(f"/v1/quotes/{id}/{act}", body, '"0123456789abcdef0123456789abcdef"')
    weak = staff.refused(f"/v1/quotes/{id}/{act}", body, f"W/{seen}")
    broken = staff.refused(f"/v1/quotes/{id}/{act}", body, "no tag")

    assert [one["status"] for one in (missing, stale, weak, broken)] == [428, 412, 412, 400]
    assert staff.tag(id) == seen


class Overtaken:
    """A store that another process of the same data folder overtakes before its first write."""

    def __init__(self, store: SqliteStore, before: Callable[[], object]) -> None:
        self._store = store
        self._before: Callable[[], object] | None = before

    def read(self, work: Callable[[Records], T]) -> T:
        return self._store.read(work)

    async def write(self, work: Callable[[Records], T]) -> T:
        before, self._before = self._before, None
        if before is not None:
            before()
        return await self._store.write(work)


@pytest.mark.parametrize("is_same", [True, False])
def test_call_that_was_answered_while_it_was_prepared_is_not_done_again(
    service: Service, staff: Staff, tmp_path: Path, is_same: bool
) -> None:
    settings = Settings(catalog=built_in_catalog(), data=tmp_path)
    first: list[Any] = []
    with closing(SqliteStore.open(tmp_path)) as store:
        desk, other = open_desk(service, settings, now=staff.counter.clock)
        other.close()
        body = ASKED if is_same else {**ASKED, "diagnostic_done": True}
        # nothing was kept when the call looked for an answer first
        desk.store = Overtaken(store, lambda: first.append(post(staff, '"one"', body)))
        with client_of(make_app(desk), staff.counter.key) as client:
            again = client.post("/v1/quotes", json=ASKED, headers={"Idempotency-Key": '"one"'})

    assert first[0].status_code == 201
    if is_same:
        assert (again.status_code, again.content) == (201, first[0].content)
    else:
        assert (again.status_code, again.json()["code"]) == (422, "idempotency-key-reused")
    assert [one["id"] for one in staff.get("/v1/quotes")["items"]] == [first[0].json()["id"]]
