"""What a quote offers to be done with it is done, and nothing else, in every state it can reach."""

from collections import deque
from typing import Any, NamedTuple

from httpx import Response
from tests.web.calls.conftest import Staff

LASH = {"job": "J-LASH", "cylinder": 1}
BODIES: dict[str, dict[str, Any]] = {
    "revise": {"jobs": [LASH]},
    # asks for parts that the other one does not
    "revise for more": {"jobs": [LASH, {"job": "J-PLUG", "cylinder": 1}]},
    "revise untaxed": {"jobs": [LASH], "tax_area": None},
}
CLIP = {
    "description": "Clip",
    "kind": "part",
    "quantity": "1",
    "unit": "C62",
    "unit_price": "1.00",
    "reason": "Loose.",
    "by": "R. Okafor",
}
STEPS = (
    *BODIES,
    *(
        "issue",
        "accept",
        "decline",
        "withdraw",
        "order",
        "start",
        "tear_down",
        "found",
        "stop",
        "add",
        "clock",
        "finish",
        "pay",
        "collect",
        "notice",
        "invoice",
    ),
    "wait",
)
"""What can be tried; to wait is to let the last valid day of all offers and drafts pass."""
MOST_STEPS = 9


class Seen(NamedTuple):
    """A quote as it is read."""

    tag: str
    head: dict[str, Any]
    newest: dict[str, Any]

    @property
    def acts(self) -> list[str]:
        acts: list[str] = self.head["acts"]
        return acts

    @property
    def kind(self) -> tuple[object, ...]:
        """What tells quotes apart of which not the same can be done, now or later."""
        names = ("state", "offered", "agreed", "revision")
        state, offered, agreed, latest = (self.head[name] for name in names)
        if state == "done":
            # what was offered before makes no difference any longer
            return state, tuple(self.acts)
        return (
            state,
            offered is not None,
            agreed is not None,
            latest == agreed,
            self.newest["state"],
            self.newest["gross"] is None,
            tuple(self.acts),
        )


def look(staff: Staff, id: str) -> Seen:  # noqa: A002 - the word of the wire
    answer = staff.client.get(f"/v1/quotes/{id}")
    revisions = staff.get(f"/v1/quotes/{id}/revisions")["items"]
    head = answer.json()
    return Seen(answer.headers["ETag"], head, revisions[-1])


def post(staff: Staff, id: str, step: str) -> Response:  # noqa: A002
    """Return the answer to an act, asked for as a counter would that sees the quote."""
    shown = staff.client.get(f"/v1/quotes/{id}")
    head = shown.json()
    path, body, tag = f"/v1/quotes/{id}/{step}", None, shown.headers["ETag"]
    decided = {"revision": head["offered"] or head["revision"]}
    if step in BODIES:
        path, body = f"/v1/quotes/{id}/revise", {"family": "QM-H27", **BODIES[step]}
    elif step == "accept":
        body = {**decided, "who": "A. Customer", "means": "telephone", "limit": "9000.00"}
    elif step == "decline":
        body = decided
    elif step == "issue":
        # what was delivered for it may make it cheaper
        body = {"keep_prices": "As said."}
    elif step == "add":
        path = f"/v1/quotes/{id}/additions"
        body = {"description": "a hose", "kind": "part", "net": "1.00"}
    elif step == "found":
        body = {"step": "off spark_plug@1", "what": "Loose.", "why": "It rattles.", "by": "R"}
        body |= {"free_lines": [CLIP], "trial": True}
    elif step == "stop" and head["state"] == "in_work":
        body = {"step": "off spark_plug@1", "machine": "boxes"}
    elif step == "tear_down":
        path, body = f"/v1/quotes/{id}/start", {"tear_down_first": True}
    elif step == "pay":
        path = f"/v1/quotes/{id}/payments"
        body = {"amount": "5.00", "means": "cash", "by": "Owner"}
    elif step == "collect":
        path, body = f"/v1/quotes/{id}/collected", {"collector": "A. Customer", "old_parts": True}
        body |= {"unsafe": False, "by": "Owner"}
    elif step == "notice":
        path, body = f"/v1/quotes/{id}/notices", {"way": "told", "by": "Owner"}
    elif step == "clock":
        tag, body = "", {"act": "minutes", "by": "R. Okafor", "phase": "work", "minutes": 5}
    elif step == "order":
        revision = head["agreed"] or head["revision"]
        path, tag = "/v1/orders", ""
        body = {"revisions": [{"quote": id, "revision": revision}]}
    answer: Response = staff.post(path, body, tag or None)
    if step == "order" and answer.is_success:
        for order in staff.get("/v1/orders", quote=id)["items"]:
            staff.delivered(order["id"])
    return answer


def lived(staff: Staff, path: tuple[str, ...]) -> str:
    """Return the id of a new quote with which all this was done."""
    clock = staff.counter.clock
    clock.now = clock.now.replace(day=1)
    customer = staff.done("/v1/customers", {"name": "A. Customer"}).json()["id"]
    asked = {"chassis": None, "diagnoses": [], "customer": customer, **BODIES["revise"]}
    id = staff.quote(**asked)  # noqa: A001
    for step in path:
        if step == "wait":
            clock.pass_days(15)
        else:
            answer = post(staff, id, step)
            assert answer.is_success, (path, step, answer.text)
    return id


def act_of(step: str) -> str:
    return "revise" if step in BODIES else step


def test_quote_offers_exactly_the_acts_that_are_done_in_every_state_it_reaches(
    staff: Staff,
) -> None:
    known: set[tuple[object, ...]] = set()
    offered: set[str] = set()
    waiting = deque[tuple[str, ...]]([()])
    while waiting:
        path = waiting.popleft()
        id = lived(staff, path)  # noqa: A001
        seen = look(staff, id)
        kind = seen.kind
        if kind in known:
            continue
        known.add(kind)
        offered.update(seen.acts)
        for step in STEPS:
            if step == "wait":
                goes_on = "wait" not in path
            elif goes_on := act_of(step) in seen.acts:
                pass
            else:
                answer = post(staff, id, step)
                # to decide once more what was decided is answered, and changes nothing
                assert answer.is_success or answer.json()["code"] == "act-refused", answer.text
                assert not answer.is_success or step in ("accept", "decline"), (path, step)
                assert look(staff, id) == seen, (path, step)
            if goes_on and len(path) < MOST_STEPS:
                waiting.append((*path, step))
    assert offered == {act_of(step) for step in STEPS} - {"wait"}
    assert len(known) >= 20, len(known)
    # lists say the same as the quotes themselves
    for listed in staff.get("/v1/quotes", limit=50)["items"]:
        assert listed["acts"] == look(staff, listed["id"]).acts
