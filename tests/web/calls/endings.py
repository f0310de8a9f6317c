"""Visits that end in every way, each with the link of its customer."""

from collections.abc import Callable

from tests.web.calls.conftest import Staff

UNBOOKED = {"unbooked": "Counted at the bench."}


def offered(staff: Staff, language: str) -> tuple[str, str]:
    id = staff.issued(language=language, diagnostic_done=True)  # noqa: A001
    return id, staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]


def agreed(staff: Staff, language: str) -> tuple[str, str]:
    id, path = offered(staff, language)  # noqa: A001
    yes: dict[str, object] = {"who": "M. Ferrier"}
    if staff.get(path)["withdrawal"] is not None:
        yes["start_early"] = True
    json = {"Accept": "application/json"}
    answer = staff.client.post(f"{path}/accept", json=yes, headers=json)
    assert answer.is_success, answer.text
    return id, path


def begun(staff: Staff, language: str) -> tuple[str, str]:
    id, path = agreed(staff, language)  # noqa: A001
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})
    staff.act(id, "start")
    return id, path


def finished(staff: Staff, language: str) -> str:
    id, path = begun(staff, language)  # noqa: A001
    staff.act(id, "finish", UNBOOKED)
    return path


def collected(staff: Staff, language: str) -> str:
    id, path = begun(staff, language)  # noqa: A001
    staff.act(id, "finish", UNBOOKED)
    gross = staff.get(f"/v1/quotes/{id}")["gross"]["amount"]
    staff.act(id, "payments", {"amount": gross, "means": "card", "by": "Till"})
    staff.act(id, "collected", {"collector": "A. Customer", "old_parts": True, "by": "Sam"})
    return path


def stopped(staff: Staff, language: str, machine: str = "boxes") -> str:
    id, path = begun(staff, language)  # noqa: A001
    steps = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["work_plan"]["steps"]
    staff.act(id, "stop", {"step": steps[-1]["step"], "machine": machine, **UNBOOKED})
    return path


def put_together(staff: Staff, language: str) -> str:
    return stopped(staff, language, "put_together")


def declined(staff: Staff, language: str) -> str:
    _, path = offered(staff, language)
    staff.done(f"{path}/decline", {})
    return path


def expired(staff: Staff, language: str) -> str:
    _, path = offered(staff, language)
    staff.counter.clock.pass_days(staff.counter.desk.service.workshop.shop.quote.valid_days + 1)
    return path


def taken_back(staff: Staff, language: str) -> str:
    id, path = offered(staff, language)  # noqa: A001
    staff.act(id, "withdraw")
    return path


def replaced(staff: Staff, language: str) -> str:
    id, path = offered(staff, language)  # noqa: A001
    jobs = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}], "language": language}
    staff.act(id, "revise", jobs)
    staff.act(id, "issue")
    return path


def withdrawn_from(staff: Staff, language: str) -> str:
    _, path = agreed(staff, language)
    staff.client.post(f"{path}/withdraw", json={"who": "M. Ferrier"})
    return path


def gone(staff: Staff, language: str) -> str:
    path = expired(staff, language)
    staff.counter.clock.pass_days(400)
    return path


ENDS: dict[str, Callable[[Staff, str], str]] = {
    one.__name__: one
    for one in (
        finished,
        collected,
        stopped,
        put_together,
        declined,
        expired,
        taken_back,
        replaced,
        withdrawn_from,
        gone,
    )
}
"""Name of an end -> makes one, of a quote in a language, and returns the path of the link."""
