"""A stock generator makes a client of the description, and it does the preview untouched."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from tests.desks import Live

from kitwright.app import ALL_OPERATIONS
from kitwright.web.calls.photos import MEDIA as IMAGES
from kitwright.web.calls.prices import MEDIA as TABLES
from kitwright.web.edge.negotiate import PDF, XML

TESTS = Path(__file__).resolve()
KEPT = TESTS.parents[2] / "openapi" / "openapi.json"
TOOLS = Path(sys.executable).parent

USE = """
import datetime
import sys
from decimal import Decimal

from made import AuthenticatedClient
from made.api.catalogue import get_family, get_part, list_jobs
from made.api.events import list_events
from made.api.quotes import create_quote, issue_quote, list_quotes, preview_quote
from made.models import ConditionIn, DiagnosisIn, NewPreviewIn, ProblemOut, QuoteIn, Quote
from made.models import QuoteState, Rust, Scope

client = AuthenticatedClient(
    base_url=sys.argv[1], token=sys.argv[2], raise_on_unexpected_status=True
)

family = get_family.sync(id="QM-H27", client=client)
assert family.cylinders == 1
assert "PW-G5" in family.chassis
assert len(list_jobs.sync(client=client).items) > 20
assert get_part.sync(number="H27-G-102", client=client).list_price.currency == "USD"

asked = NewPreviewIn(
    family=family.id,
    serial=2140077,
    chassis="PW-G5",
    diagnoses=[DiagnosisIn(code="VALVE-EX", cylinder=1)],
    scope=Scope.RECOMMENDED,
    condition=ConditionIn(rust=Rust.LIGHT),
    on=datetime.date(2027, 3, 1),
)
quote = preview_quote.sync(client=client, body=asked)
assert isinstance(quote, Quote), quote
assert quote.on == datetime.date(2027, 3, 1)
assert quote.tax_state == "known"
nets = sum(Decimal(line.net.amount) for line in quote.lines)
assert nets == Decimal(quote.totals.net.amount)
assert nets + Decimal(quote.totals.tax.amount) == Decimal(quote.totals.gross.amount)
assert {order.supplier for order in quote.orders}
assert all(need.why for need in quote.kit.needs)

asked.diagnoses[0].cylinder = 2
refusal = preview_quote.sync_detailed(client=client, body=asked)
assert refusal.status_code == 422
assert isinstance(refusal.parsed, ProblemOut)
assert refusal.parsed.code == "request-refused"
assert refusal.parsed.errors[0].pointer == "/diagnoses/0/cylinder"

made = create_quote.sync_detailed(
    client=client,
    idempotency_key='"1"',
    body=QuoteIn(
        family="QM-H27", serial=2140077, diagnoses=[DiagnosisIn(code="VALVE-EX", cylinder=1)]
    ),
)
assert made.status_code == 201
assert made.parsed.state == QuoteState.DRAFT
path = made.headers["location"]
assert path.endswith(made.parsed.id)
given = {"client": client, "idempotency_key": '"2"', "if_match": made.headers["etag"]}
issued = issue_quote.sync(made.parsed.id, **given)
assert issued.state == QuoteState.ISSUED
assert issued.offered == 1
page = list_quotes.sync(client=client, state="issued", limit=1)
assert page.items[0].id == made.parsed.id
events = list_events.sync(client=client, after=0)
assert [event.kind for event in events.items][-2:] == ["quote.created", "quote.issued"]

document = client.get_httpx_client().get(
    f"/v1/quotes/{made.parsed.id}/sheet", headers={"Accept": "application/pdf"}
)
assert document.content.startswith(b"%PDF")

stranger = AuthenticatedClient(base_url=sys.argv[1], token="kw_none")
refused = list_quotes.sync_detailed(client=stranger)
assert refused.status_code == 401
assert refused.parsed.code == "key-refused"
print("done", quote.totals.gross.amount)
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder with the generated package `made`."""
    folder = tmp_path_factory.mktemp("client")
    # it takes no image, table or paper for bytes unless it is told so, and warns
    octets = dict.fromkeys((*IMAGES, *TABLES, PDF, XML), "application/octet-stream")
    settings = folder / "settings.json"
    settings.write_text(json.dumps({"content_type_overrides": octets}), encoding="utf-8")
    generated = subprocess.run(
        [
            TOOLS / "openapi-python-client",
            "generate",
            f"--path={KEPT}",
            f"--config={settings}",
            "--meta=none",
            f"--output-path={folder / 'made'}",
            "--fail-on-warning",
        ],
        # it tidies with ruff, which it looks for by name
        env={**os.environ, "PATH": f"{TOOLS}{os.pathsep}{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert generated.returncode == 0, generated.stdout + generated.stderr
    return folder


def test_generated_client_quotes(running: Live, made: Path) -> None:
    used = subprocess.run(
        [sys.executable, "-W", "error", "-c", USE, running.address, running.key],
        env={**os.environ, "PYTHONPATH": str(made)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )

    assert used.returncode == 0, used.stderr
    assert used.stdout.startswith("done ")


def test_every_body_can_be_sent_as_json_or_bytes() -> None:
    # generators leave out a call if they know none of the types of its body
    document = json.loads(KEPT.read_text(encoding="utf-8"))
    for methods in document["paths"].values():
        for operation in methods.values():
            forms = operation.get("requestBody", {}).get("content", {}).keys()
            known = {"application/json", "application/octet-stream"} & forms
            assert known or not forms, operation["operationId"]


def test_generated_client_has_every_operation(made: Path) -> None:
    calls = {path.stem for path in made.glob("made/api/*/*.py") if not path.stem.startswith("__")}

    assert "preview_quote" in calls
    assert len(calls) == len(ALL_OPERATIONS)
