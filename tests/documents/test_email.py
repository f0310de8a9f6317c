"""The letter that brings a quote, read back by two parsers and by hand."""

import email
import email.policy
import re
from datetime import UTC, datetime
from email.message import EmailMessage
from email.message import Message as AnyMessage
from email.utils import parseaddr
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, strategies
from msgspec import structs

from kitwright.documents.email import compose
from kitwright.documents.mail_head import MOST_SUBJECT, TextInvalid
from kitwright.documents.mail_link import Message
from kitwright.keeping.mail import AddressInvalid
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote, read_quote

CASES = Path(__file__).parents[1] / "cases"
QUOTE = read_quote((CASES / "h27-generator-exhaust-valve.answer.json").read_bytes())
AT = datetime(2027, 3, 1, 12, 30, tzinfo=UTC)
LINK = "https://quotes.shop.example/v1/links/" + "aB_-9" * 24
ENVELOPE = Envelope(
    quote_id="Q12",
    revision=2,
    state="issued",
    issued_at=AT,
    sha256=None,
    customer_name="Zoë Müller",
    machine_name="the old generator",
)
MESSAGE = Message(
    sender="quotes@shop.example",
    to="zoe@example.org",
    message_id="<q12.2.00ff@shop.example>",
    at=AT,
    link=LINK,
)
PDF = b"%PDF-1.7\n" + bytes(range(256)) * 300
SCRIBE = Scribe("en")

HOSTILE = (
    'O\'Brien, "Bob" <bob@evil.example>',
    "=?utf-8?q?Eve=0D=0ABcc:_all@evil.example?=",
    "=?utf-8?b?RXZl?=",
    "حديقة \u202egpj.exe",
    "👩\u200d🔧 Engines 🛠️",
    'back\\slash \\" (comment; group: a@b.example;)',
    "x" * 10_000,
    "é" * 10_000,
    "<script>alert(1)</script> & co",
    "tab\there\x85next\u2028line",
)


def named(shop: str, quote: Quote = QUOTE) -> Quote:
    return structs.replace(quote, shop=structs.replace(quote.shop, name=shop))


def composed(*, shop: str | None = None, customer: str | None = "Zoë Müller", **said: Any) -> bytes:
    quote = QUOTE if shop is None else named(shop)
    envelope = structs.replace(ENVELOPE, customer_name=customer)
    return compose(quote, envelope, SCRIBE, structs.replace(MESSAGE, **said))


def parsed(raw: bytes) -> EmailMessage:
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert isinstance(message, EmailMessage)
    return message


def text_of(raw: bytes, kind: str = "plain") -> str:
    part = parsed(raw).get_body((kind,))
    assert part is not None
    told = part.get_content()
    assert isinstance(told, str)
    return told.replace("\r\n", "\n")


HEADERS = {
    "from",
    "to",
    "reply-to",
    "subject",
    "date",
    "message-id",
    "content-language",
    "content-type",
    "mime-version",
}
_FIELD = re.compile(rb"[!-9;-~]+: [ -~]*\S|[ \t][ -~]*\S")
_WORD = re.compile(rb"=\?[^?]*\?[QqBb]\?[^? ]*\?=")


def check_wire(raw: bytes) -> None:
    """Check a message as RFC 5322 and 2047 spell it, octet by octet."""
    assert raw.isascii()
    assert b"\0" not in raw
    assert raw.count(b"\r") == raw.count(b"\n") == raw.count(b"\r\n")
    assert raw.endswith(b"\r\n")
    assert max(map(len, raw.split(b"\r\n"))) <= 998
    head = raw.partition(b"\r\n\r\n")[0].split(b"\r\n")
    assert all(_FIELD.fullmatch(line) for line in head)
    names = [line.partition(b":")[0].decode().lower() for line in head if line[:1] not in b" \t"]
    assert sorted(names) == sorted(HEADERS)
    assert max(map(len, head)) <= 340  # an address alone may be of 254
    words = [word for line in head for word in _WORD.findall(line)]
    assert all(len(word) <= 75 for word in words)
    # by the other parser, with its other rules
    plain = email.message_from_bytes(raw, policy=email.policy.compat32)
    assert {name.lower() for name in plain} == HEADERS
    defects = [defect for part in _parts(plain) for defect in part.defects]
    assert defects == []


def _parts(message: AnyMessage) -> list[AnyMessage]:
    return list(message.walk())


def test_compose_is_a_letter_in_two_forms() -> None:
    raw = composed(note="Until Friday.\nThe shop is closed on Monday.")

    check_wire(raw)
    message = parsed(raw)
    assert message.get_content_type() == "multipart/alternative"
    assert [part.get_content_type() for part in message.iter_parts()] == [
        "text/plain",
        "text/html",
    ]
    assert message["From"].addresses[0].display_name == QUOTE.shop.name
    assert message["From"].addresses[0].addr_spec == "quotes@shop.example"
    assert message["Reply-To"].addresses[0].addr_spec == "quotes@shop.example"
    assert [one.addr_spec for one in message["To"].addresses] == ["zoe@example.org"]
    assert message["Subject"] == f"Quote Q12 from {QUOTE.shop.name}"
    assert message["Date"].datetime == AT
    assert message["Message-ID"] == MESSAGE.message_id
    assert message["Content-Language"] == "en"
    assert "Bcc" not in message
    assert "Auto-Submitted" not in message


@pytest.mark.parametrize("customer", ["Zoë Müller", None])
@pytest.mark.parametrize("state", ["issued", "accepted"])
def test_letter_begins_as_its_language_does(customer: str | None, state: str) -> None:
    # common practice: after a salutation and its comma, English goes on with a capital letter,
    # German with a small one
    envelope = structs.replace(ENVELOPE, customer_name=customer, state=state)

    def begun(language: str) -> str:
        told = text_of(compose(QUOTE, envelope, Scribe(language), MESSAGE))
        salutation, opening = told.split("\n\n")[:2]
        assert salutation.endswith(",")
        return opening

    assert begun("en").startswith("Here is ")
    assert begun("de").startswith("hier ist ")


def test_answers_go_where_they_are_asked_to() -> None:
    raw = composed(reply_to="bench@workshop.example")

    check_wire(raw)
    message = parsed(raw)
    assert message["Reply-To"].addresses[0].addr_spec == "bench@workshop.example"
    assert message["From"].addresses[0].addr_spec == "quotes@shop.example"


def test_text_is_complete_by_itself() -> None:
    told = text_of(composed(note="Until Friday.\nClosed on Monday."))

    payable = QUOTE.totals.payable
    assert payable is not None
    assert told.startswith("Dear Zoë Müller,\n\n")
    assert LINK in told.splitlines()
    assert "Until Friday.\nClosed on Monday." in told
    assert SCRIBE.money(payable.amount, payable.currency) in told
    assert SCRIBE.day(QUOTE.valid_until) in told
    assert "revision 2" in told
    assert "the old generator" in told
    assert all(job.name in told for job in QUOTE.jobs)
    assert told.rstrip().endswith(QUOTE.shop.name)


class Page(HTMLParser):
    """What a page holds."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.said = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.said += data


@pytest.mark.parametrize("words", HOSTILE)
def test_page_says_the_same_and_fetches_nothing(words: str) -> None:
    raw = composed(customer=words, note=words, shop=words)

    page = Page(text_of(raw, "html"))
    assert {tag for tag, _ in page.tags} <= {
        "html",
        "head",
        "meta",
        "title",
        "body",
        "p",
        "br",
        "a",
    }
    links = [given["href"] for tag, given in page.tags if tag == "a"]
    assert links == [LINK, LINK]
    assert not [given for _, given in page.tags if {"src", "srcset", "background"} & given.keys()]
    assert "url(" not in text_of(raw, "html")
    assert LINK in page.said
    for line in text_of(raw).splitlines():
        assert line in page.said


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_names_come_back_as_they_were(words: str) -> None:
    raw = composed(shop=words, customer=words, note=words)

    check_wire(raw)
    message = parsed(raw)
    (sender,) = message["From"].addresses
    assert sender.addr_spec == "quotes@shop.example"
    seen = " ".join(re.sub("[\x85\u2028\t]", " ", words.replace("\u202e", "")).split())
    cut = seen if len(seen) <= 80 else seen[:79] + "…"
    # read by the older parser, which takes no display name apart
    plain = email.message_from_bytes(raw, policy=email.policy.compat32)
    raw_name, address = parseaddr(str(plain["From"]))
    assert address == "quotes@shop.example"
    assert str(email.header.make_header(email.header.decode_header(raw_name))) == cut
    subject = str(email.header.make_header(email.header.decode_header(plain["Subject"])))
    assert len(subject) <= MOST_SUBJECT
    assert subject.startswith(f"Quote Q12 from {seen[:80]}")
    assert f"Dear {seen}," in text_of(raw)


@pytest.mark.parametrize("sign", ["\r", "\n", "\0", "\r\nBcc: all@evil.example"])
@pytest.mark.parametrize(
    "member", ["shop", "customer", "machine", "sender", "to", "reply_to", "message_id", "link"]
)
def test_line_breaks_are_refused(member: str, sign: str) -> None:
    quote, envelope, message = QUOTE, ENVELOPE, MESSAGE
    if member == "shop":
        quote = named(f"Yard{sign}")
    elif member in ("customer", "machine"):
        envelope = structs.replace(envelope, **{f"{member}_name": f"Zoë{sign}Müller"})
    else:
        plain = getattr(message, member) or message.sender
        message = structs.replace(message, **{member: plain + sign})

    with pytest.raises((TextInvalid, AddressInvalid)):
        compose(quote, envelope, SCRIBE, message)


@pytest.mark.parametrize("note", ["one\r\ntwo", "nul\0", "half \ud83d"])
def test_note_has_line_feeds_and_no_other_break(note: str) -> None:
    with pytest.raises(TextInvalid):
        composed(note=note)


def test_line_that_is_a_dot_or_from_stays_a_line() -> None:
    note = "first\n.\n..\nFrom here on\n--=_x\nBcc: all@evil.example\n\nlast"

    raw = composed(note=note)

    check_wire(raw)
    assert note in text_of(raw)


def test_pdf_is_attached_byte_for_byte() -> None:
    raw = composed(pdf=PDF)

    check_wire(raw)
    message = parsed(raw)
    assert message.get_content_type() == "multipart/mixed"
    first, attached = message.iter_parts()
    assert first.get_content_type() == "multipart/alternative"
    assert attached.get_content_type() == "application/pdf"
    assert attached.get_content_disposition() == "attachment"
    assert attached.get_filename() == "Quote-Q12-2.pdf"
    assert attached.get_content() == PDF


class Elsewhere(Scribe):
    """Says all in another script."""

    def say(self, text: str, /, **facts: object) -> str:
        return super().say(text.replace("Quote", "Költségajánlat"), **facts)


def test_file_name_is_encoded() -> None:
    raw = compose(QUOTE, ENVELOPE, Elsewhere("en"), structs.replace(MESSAGE, pdf=PDF))

    check_wire(raw)
    assert b"filename*=utf-8''K%C3%B6lts" in raw
    (attached,) = parsed(raw).iter_attachments()
    assert attached.get_filename() == "Költségajánlat-Q12-2.pdf"
    assert parsed(raw)["Subject"].startswith("Költségajánlat Q12")


def test_compose_gives_the_same_bytes_again() -> None:
    assert composed(pdf=PDF) == composed(pdf=PDF)


@pytest.mark.parametrize("words", ["It smokes.\nAnd hunts.", *HOSTILE])
def test_letter_tells_what_was_reported(words: str) -> None:
    raw = compose(structs.replace(QUOTE, complaint=words), ENVELOPE, SCRIBE, MESSAGE)

    check_wire(raw)
    assert f"You reported:\n{words[:3]}" in text_of(raw)
    assert "You reported" not in text_of(composed())


def test_letter_tells_what_may_turn_up_up_to_the_worst() -> None:
    quote = read_quote((CASES / "v68-zero-turn-exempt.answer.json").read_bytes())
    found = quote.contingencies
    assert found is not None
    assert quote.range is not None
    sure = structs.replace(quote.range, p90=found.as_quoted)
    nothing = structs.replace(found, each=())
    likely, worst = (SCRIBE.about(one) for one in (quote.range.p90, found.worst))

    def told(quote: Quote, state: str = "issued") -> str:
        envelope = structs.replace(ENVELOPE, state=state)
        return text_of(compose(quote, envelope, SCRIBE, MESSAGE))

    dearest = f"The dearest combination of these items comes to about {worst}."
    told_once = " ".join(told(quote).split())
    assert (
        f"In 9 of 10 such repairs the total stays below about {likely}. {dearest} That is not a "
        "limit: " in told_once
    )
    plain = told(structs.replace(quote, range=sure))
    assert f"would add to the price. {dearest}" in " ".join(plain.split())
    assert likely not in plain
    for other in (
        told(structs.replace(quote, contingencies=nothing)),
        told(structs.replace(quote, contingencies=None)),
        told(quote, "accepted"),
    ):
        assert "we may find" not in other


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("v68-zero-turn-stem-seals-tax-unknown", "before tax"),
        ("v68-zero-turn-warped-heads", "including tax"),
    ],
)
def test_ceiling_says_whether_tax_is_in_it(case: str, words: str) -> None:
    quote = read_quote((CASES / f"{case}.answer.json").read_bytes())
    assert quote.may_turn_up

    told = " ".join(text_of(compose(quote, ENVELOPE, SCRIBE, MESSAGE)).split())

    (sentence,) = re.findall(r"The dearest combination [^:]+?\. That is not a limit", told)
    assert words in sentence


def test_agreed_revision_is_not_offered_again() -> None:
    agreed = structs.replace(ENVELOPE, state="accepted")

    told = text_of(compose(QUOTE, agreed, SCRIBE, MESSAGE))

    assert "as you accepted it" in told
    assert "decline" not in told
    assert "valid until" not in told


@pytest.mark.parametrize("path", sorted(CASES.glob("*.answer.json")), ids=lambda path: path.stem)
def test_every_case_becomes_a_letter(path: Path) -> None:
    quote = read_quote(path.read_bytes())

    raw = compose(quote, ENVELOPE, SCRIBE, MESSAGE)

    check_wire(raw)
    assert "{" not in text_of(raw)


@given(strategies.text(), strategies.text(), strategies.text())
def test_any_words_are_composed_or_refused(shop: str, customer: str, note: str) -> None:
    try:
        raw = composed(shop=shop, customer=customer, note=note)
    except TextInvalid:
        assert {"\r", "\n", "\0"} & {*shop, *customer} or {"\r", "\0"} & {*note}
        return

    check_wire(raw)
    assert [one.addr_spec for one in parsed(raw)["To"].addresses] == ["zoe@example.org"]
