"""What a crash must not undo: every acknowledged write, told apart from those still under way."""

from dataclasses import dataclass, field
from typing import Any


@dataclass
class Call:
    """A call that was sent: enough to send it again, to the byte."""

    method: str
    path: str
    body: dict[str, Any] | None
    headers: dict[str, str]


@dataclass
class Quote:
    """A quote as its writer knows it from acknowledged answers."""

    id: str
    etag: str
    state: str
    revision: int
    offered: int | None
    agreed: int | None
    changes: int = 1
    """How many changes were acknowledged; its creation is the first."""
    gross: str = ""
    """Of the revision that the quote shows."""
    is_drafted: bool = True


@dataclass
class Writer:
    """One client: its quotes, and the call that it has no answer to yet."""

    name: str
    quotes: list[Quote] = field(default_factory=list)
    under_way: tuple[Call, Quote | None] | None = None
    sent: int = 0
    received: int = 0
    """Pieces that this client put on the shelf, acknowledged."""
    acknowledged: int = 0

    def call(
        self, path: str, body: dict[str, Any] | None, quote: Quote | None, *, guarded: bool = True
    ) -> Call:
        """Return a new call with a key of its own."""
        self.sent += 1
        headers = {"Idempotency-Key": f'"{self.name}-{self.sent}"'}
        if quote is not None and guarded:
            headers["If-Match"] = quote.etag
        return Call("POST", path, body, headers)

    def learn(self, call: Call, quote: Quote | None, etag: str, told: dict[str, Any]) -> None:
        """Note the acknowledged answer to a call."""
        self.acknowledged += 1
        self.under_way = None
        if call.path.startswith("/v1/shelf/"):
            self.received += int(call.body["quantity"]) if call.body else 0
            return
        if quote is None:
            quote = Quote(told["id"], etag, "draft", 1, None, None, changes=0)
            self.quotes.append(quote)
        quote.etag = etag
        quote.changes += 1
        for member in ("state", "revision", "offered", "agreed"):
            setattr(quote, member, told[member])
        act = call.path.rpartition("/")[2]
        # the answer to `revise` is the draft; the quote shows what is offered or agreed on
        if act != "revise" or (quote.offered is None and quote.agreed is None):
            quote.gross = told["gross"]["amount"]
        quote.is_drafted = act in ("quotes", "revise") or (
            quote.is_drafted and act not in ("issue", "withdraw")
        )
