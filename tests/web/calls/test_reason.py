"""The customer's reason for a no is shown to the shop, and in no event."""

from typing import Any

from litestar.testing import TestClient
from tests.store.small import a_mail
from tests.web.calls.shop import LEAKING_VALVE, act, add

from kitwright.web.calls.dossier import letter_out

LETTER = b"""Subject: Quote\nContent-Type: multipart/alternative; boundary=cut

--cut
Content-Type: text/plain; charset=utf-8
Content-Transfer-Encoding: 8bit

Come on Tuesday.
--cut
Content-Type: text/html

<p>Come on Tuesday.</p>
--cut--
"""


def test_reason_for_a_no_is_shown_with_its_revision(client: TestClient[Any]) -> None:
    quote = add(client, "/v1/quotes", LEAKING_VALVE).id
    act(client, quote, "issue")
    act(client, quote, "decline", {"revision": 1, "reason": "too dear, says Tarragon"})

    shown = client.get(f"/v1/quotes/{quote}/revisions/1").json()
    history = client.get(f"/v1/quotes/{quote}/history").text

    assert (shown["state"], shown["reason"]) == ("declined", "too dear, says Tarragon")
    assert "Tarragon" not in history


def test_exported_letter_has_its_text_until_it_is_erased() -> None:
    assert letter_out(a_mail(1, body=LETTER)).text == "Come on Tuesday."
    assert letter_out(a_mail(1, body=b"")).text is None
