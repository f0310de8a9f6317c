"""Quotes for pages: the cases, one made of findings, one for a test, and one that is very long."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from msgspec import structs
from tests.cases.counter import REPOSITORY, Json, answer

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Shop
from kitwright.documents.page_actions import PageActions, PageField, PageState
from kitwright.documents.quote_page import quote_page
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Envelope, Quote, read_quote

CASES = Path(__file__).parents[1] / "cases"
NAMES = sorted(path.name.removesuffix(".answer.json") for path in CASES.glob("*.answer.json"))
FINDINGS = REPOSITORY / "demo/requests/hire-yard/findings/0-zero-turn-oil-on-one-plug.json"
BEFORE_A_REPAIR = REPOSITORY / "openapi/examples/previewQuote.findings-before-a-repair.json"

FREE = {"description", "name", "plain", "text", "title", "words", "certificate_number", "role"}
FREE |= {"chassis_name", "complaint", "code", "make", "parts", "priced", "reason"}
KEPT_CODES = {"while-apart", "customer-brings"}
"""Members of an answer that hold texts of people or of the catalogue."""

ENVELOPE = Envelope(
    quote_id="Q12",
    revision=2,
    state="issued",
    issued_at=None,
    sha256=None,
    customer_name="Mira Example",
    customer_address="4 Lower Field\nTollimoor",
    machine_name="Mower with the blue seat",
    machine_hours="412",
)
OPEN = PageActions(
    state=PageState.issued,
    accept_url="/q/token/accept",
    decline_url="/q/token/decline",
    consent="Quote Q12, revision 2, with tax.",
    usual_limit=Amount("1000.00", "USD"),
)


def case(name: str) -> Json:
    """Return the answer of a case."""
    kept: Json = json.loads((CASES / f"{name}.answer.json").read_text(encoding="utf-8"))
    return kept


@cache
def _asked(path: Path, is_wrapped: bool) -> str:
    asked = json.loads(path.read_text(encoding="utf-8"))
    if is_wrapped:
        findings = {name: asked[name] for name in ("background", "engine", "cylinders")}
        asked = {"family": asked["family"], "findings": findings, "diagnostic_done": True}
        asked |= {"serial": 3_120_416, "chassis": "SK-ZT52", "on": "2027-03-01"}
        asked |= {"contingencies": True, "complaint": "Smokes blue at full throttle.\nOil gone."}
    return json.dumps(answer("hire-yard", asked))


def of_findings() -> Json:
    """Return an answer with readings and faults of several grades."""
    made: Json = json.loads(_asked(FINDINGS, is_wrapped=True))
    return made


def for_a_test() -> Json:
    """Return an answer that quotes a test, since no repair is sure enough."""
    made: Json = json.loads(_asked(BEFORE_A_REPAIR, is_wrapped=False))
    return made


def long() -> Json:
    """Return an answer with forty lines, some of them with a long name or one that never breaks."""
    made = case("v68-tractor-both-heads-thorough")
    lines = [dict(made["lines"][at % len(made["lines"])]) for at in range(40)]
    for at, line in enumerate(lines):
        if at % 3 == 0:
            line["description"] += ", hand-lapped and of the second series, " * 5
        if at % 7 == 0:
            line["description"] = "Zylinderkopfdichtungssatz" * 8
    return made | {"lines": lines}


def read_back(made: Json) -> Quote:
    """Return an answer as documents read it."""
    return read_quote(json.dumps(made).encode())


@cache
def shops() -> dict[str, Shop]:
    """Return the starter's shops by id."""
    found = load_catalogue(REPOSITORY / "catalog").shops
    return {str(name): shop for name, shop in found.items()}


def shown(
    made: Json,
    actions: PageActions | None = OPEN,
    *,
    envelope: Envelope = ENVELOPE,
    scribe: Scribe | None = None,
) -> str:
    """Return the page of an answer."""
    return quote_page(
        read_back(made),
        envelope,
        scribe or Scribe("en"),
        shop=shops()[made["shop"]["id"]],
        actions=actions,
    )


def told(state: PageState, **facts: object) -> PageActions:
    """Return what a page offers in another state."""
    return structs.replace(OPEN, state=state, **facts)


def replaced(value: Any, free: str, key: str = "", path: str = "") -> Any:
    """Return an answer with a text in the place of every free one."""
    if isinstance(value, dict):
        if value.get("code") in KEPT_CODES:
            return value | {"text": free}
        # a hazard's or a part's code is free, a reason's tells which reason it is
        keep = {"code"} if path.endswith(("why", "diagnoses")) else set()
        return {
            name: one if name in keep else replaced(one, free, name, f"{path}.{name}")
            for name, one in value.items()
        }
    if isinstance(value, list):
        return [replaced(one, free, key, path) for one in value]
    return free if isinstance(value, str) and key in FREE else value


def whole_of_everything() -> Json:
    """Return an answer in which every part of a page has something to say."""
    made = of_findings()
    one = case("v68-zero-turn-one-head-no-serial")
    made |= {"provisional": True, "questions": one["questions"], "basis": "test"}
    made |= {"in_play": for_a_test()["in_play"]}
    made |= {"exemption": case("v68-zero-turn-exempt")["exemption"]}
    made["lines"] = [*made["lines"], *case("v68-zero-turn-customer-parts")["lines"]]
    return made


def everything(free: str) -> str:
    """Return a page on which all that is free says the same."""
    free_envelope = structs.replace(
        ENVELOPE,
        customer_name=free,
        customer_address=free,
        machine_name=free,
    )
    actions = structs.replace(
        OPEN,
        consent=free,
        notice=free,
        entered=dict.fromkeys(PageField, free),
        wrong=dict.fromkeys(PageField, free),
    )
    # JSON holds no half of a pair, but a form may
    kept = free.encode(errors="replace").decode()
    return shown(replaced(whole_of_everything(), kept), actions, envelope=free_envelope)
