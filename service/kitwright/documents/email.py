"""E-mail: the message (RFC 5322) that sends a quote to its customer.

It is a short text, plain and as HTML, with a link to the quote, and with the quote as a PDF if
there is one. The headers are written here, because the standard library decodes a name that looks
like an encoded word (RFC 2047), and would send a different name.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from email.header import Header
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from html import escape
from typing import Final

from msgspec import Struct

from kitwright.documents.balance_view import balance_of, left_sentence, total_told, with_tax_told
from kitwright.errors import KitwrightError
from kitwright.keeping.mail import check_address
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Contingencies, Envelope, Quote

MOST_SUBJECT: Final = 120
MOST_NAME: Final = 80
"""The most characters of a subject and of a display name; longer ones are cut."""
MOST_JOBS: Final = 20
"""The most jobs that an e-mail names; the quote has them all."""

_LINE: Final = 76
_MESSAGE_ID: Final = re.compile(r"<[A-Za-z0-9._+-]{1,100}@[A-Za-z0-9.-]{1,253}>", re.ASCII)
_LINK: Final = re.compile(r"https?://[!-~]{1,1000}", re.ASCII)
_BREAKING: Final = ("\r", "\n", "\0")
_BLANK: Final = frozenset({"Cc", "Zl", "Zp"})
_TURNING: Final = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F))
"""Characters that change the reading direction of the text after them; they are removed."""


class MailError(KitwrightError):
    """An e-mail that can't be composed."""

    code = "mail-error"


class TextInvalid(MailError):
    """A text with a line break or NUL, which could inject a header, or an unpaired surrogate."""

    code = "mail-text-invalid"

    def __init__(self, member: str, text: str) -> None:
        super().__init__(f"{member} can't go into a mail: {text[:80]!r}")
        self.member = member


class Message(Struct, frozen=True, kw_only=True):
    """The data of an e-mail apart from the quote: sender, recipient, time, and the quote's link.

    `sender`, `to` and `reply_to` (None: the sender) are plain addresses. `link` is a complete URL.
    `note` is a text by the shop, with line feeds between its lines. `pdf` is the quote as a file.
    """

    sender: str
    to: str
    message_id: str
    at: datetime
    link: str
    reply_to: str | None = None
    note: str | None = None
    pdf: bytes | None = None


def compose(quote: Quote, envelope: Envelope, scribe: Scribe, message: Message) -> bytes:
    """Return an e-mail with its headers: ASCII only, lines of at most 998 octets that end in CRLF.
    The same arguments give the same bytes.

    It has no `Auto-Submitted` header (RFC 3834), because a person requested it.

    Raises: AddressInvalid, TextInvalid.
    """
    words = _Words(quote, envelope, scribe, message)
    shop = _line("the shop's name", quote.shop.name)
    headers = (
        _mailbox("From", shop, message.sender),
        f"To: {check_address(message.to)}",
        _mailbox("Reply-To", shop, message.reply_to or message.sender),
        _unstructured("Subject", words.subject()),
        f"Date: {format_datetime(message.at.astimezone(UTC))}",
        f"Message-ID: {_fitting(_MESSAGE_ID, 'the message id', message.message_id)}",
        f"Content-Language: {scribe.language}",
    )
    content = _content(words, message)
    return "".join(f"{line}\r\n" for line in headers).encode("ascii") + content.as_bytes()


def _content(words: _Words, message: Message) -> EmailMessage:
    content = EmailMessage(SMTP)
    paragraphs = list(words.paragraphs())
    content.set_content(_text(paragraphs), cte="quoted-printable")
    page = _page(words, paragraphs, message.link)
    content.add_alternative(page, subtype="html", cte="quoted-printable")
    if message.pdf is not None:
        content.add_attachment(
            message.pdf, maintype="application", subtype="pdf", filename=words.file_name()
        )
    for number, part in enumerate(content.walk()):
        if part.is_multipart():
            # an equals sign and then a low line occur in no body that is encoded as these are
            seed = f"{number}{message.message_id}".encode()
            part.set_boundary(f"=_{hashlib.sha256(seed).hexdigest()[:32]}")
    return content


_Paragraph = tuple[str, ...]
"""The lines of a paragraph."""


class _Words:
    """The words of an e-mail, in the customer's language."""

    def __init__(self, quote: Quote, envelope: Envelope, scribe: Scribe, message: Message) -> None:
        self._quote = quote
        self._envelope = envelope
        self._scribe = scribe
        self._note = message.note
        self.link = _fitting(_LINK, "the link", message.link)
        self.language = scribe.language
        self._is_agreed = envelope.state == "accepted"

    def subject(self) -> str:
        """Return the subject."""
        told = self._scribe.say(
            "Quote {quote} from {shop}",
            quote=self._envelope.quote_id,
            shop=_line("the shop's name", self._quote.shop.name),
        )
        return _cut(told.strip(), MOST_SUBJECT)

    def file_name(self) -> str:
        """Return the name of the PDF."""
        return self._scribe.say(
            "Quote-{quote}-{revision}.pdf",
            quote=self._envelope.quote_id,
            revision=self._envelope.revision,
        )

    def button(self) -> str:
        """Return the words of the link."""
        if self._is_agreed:
            return self._scribe.say("Read the quote")
        return self._scribe.say("Read and answer the quote")

    def paragraphs(self) -> Iterator[_Paragraph]:
        """Yield the paragraphs, including the link; the text is complete without the HTML."""
        say = self._scribe.say
        yield (self._greeting(),)
        yield (self._opening(),)
        if self._quote.complaint is not None:
            yield self._scribe.say("You reported:"), *_note(self._quote.complaint)
        yield tuple(self._jobs())
        yield (self._figures(),)
        if self._quote.notes and not self._is_agreed:
            yield tuple(_line("a note", note.text) for note in self._quote.notes)
        found = self._quote.contingencies
        if found is not None and found.each and not self._is_agreed:
            yield (self._surprises(found),)
        if self._note is not None:
            yield _note(self._note)
        if self._is_agreed:
            yield say("You can read the quote in full here:"), self.link
        else:
            yield say("You can read the quote in full, and accept or decline it, here:"), self.link
            yield (
                say(
                    "Anyone who has this link can accept or decline for you, so please do not "
                    "share it."
                ),
            )
        yield (say("If you have any questions, please reply to this message."),)
        yield say("Kind regards,"), self._shop()

    def _shop(self) -> str:
        return _line("the shop's name", self._quote.shop.name)

    def _greeting(self) -> str:
        name = _line("the customer's name", self._envelope.customer_name or "")
        return self._scribe.say("Dear {name},", name=name) if name else self._scribe.say("Hello,")

    def _opening(self) -> str:
        quote, envelope = self._quote, self._envelope
        machine = _line(
            "the machine's name",
            envelope.machine_name or quote.engine.chassis_name or quote.engine.name,
        )
        facts = {"quote": envelope.quote_id, "revision": envelope.revision, "machine": machine}
        if self._is_agreed:
            return self._scribe.say(
                "Here is quote {quote}, revision {revision}, as you accepted it, for your machine: "
                "{machine}.",
                **facts,
            )
        return self._scribe.say(
            "Here is our quote {quote}, revision {revision}, for your machine: {machine}.", **facts
        )

    def _jobs(self) -> Iterator[str]:
        yield self._scribe.say("The work:")
        for job in self._quote.jobs[:MOST_JOBS]:
            name = _line("a job's name", job.name)
            yield f"- {self._scribe.on_cylinder(name, job.cylinder)}"
        more = len(self._quote.jobs) - MOST_JOBS
        if more > 0:
            yield self._scribe.say_many("- and {count} more", "- and {count} more", more)

    def _figures(self) -> str:
        say, found = self._scribe.say, balance_of(self._quote.totals)
        total = total_told(self._quote, self._scribe)
        if self._quote.is_added_to:
            told = say("With the work added since, the total is {total}.", total=total)
        elif self._is_agreed:
            told = say("The total is {total}.", total=total)
        else:
            until = self._scribe.day(self._quote.valid_until)
            told = say(
                "The total is {total}, and the quote is valid until {day}.", total=total, day=until
            )
        left = "" if found is None else left_sentence(found, self._scribe)
        return f"{told} {left}".rstrip()

    def _surprises(self, found: Contingencies) -> str:
        say = self._scribe.say
        told = [
            say(
                "The quote lists faults that we may find once the engine is apart, and what each "
                "would add to the price."
            )
        ]
        spread = self._quote.range
        if spread is not None and spread.p90.money > found.as_quoted.money:
            told.append(
                say(
                    "In 9 of 10 such repairs the total stays below about {total}.",
                    total=self._about(spread.p90),
                )
            )
        told += [
            say(
                "The dearest combination of these items comes to about {total}.",
                total=self._about(found.worst),
            ),
            say("That is not a limit: the only limit is the amount that you agree to."),
            say("We will do none of this unless you agree."),
        ]
        return " ".join(told)

    def _about(self, amount: Amount) -> str:
        return with_tax_told(self._quote, self._scribe, self._scribe.about(amount))


def _text(paragraphs: Sequence[_Paragraph]) -> str:
    return "\n\n".join("\n".join(lines) for lines in paragraphs) + "\n"


def _page(words: _Words, paragraphs: Sequence[_Paragraph], link: str) -> str:
    """Return the e-mail as HTML that fetches nothing: no picture, no style sheet, no script."""
    href = escape(link)
    parts = []
    for lines in paragraphs:
        if link in lines:
            parts.append(
                f"<p>{escape(lines[0])}</p>"
                f'<p><a href="{href}" style="display:inline-block;padding:12px 20px;'
                "background:#1c1c1c;color:#ffffff;text-decoration:none;border-radius:4px"
                f'">{escape(words.button())}</a></p>'
                f'<p><a href="{href}" style="color:#1c1c1c;word-break:break-all">{href}</a></p>'
            )
        else:
            # a note may be of another reading direction than the rest
            parts.append(f'<p dir="auto">{"<br>".join(map(escape, lines))}</p>')
    body = "\n".join(parts)
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(words.language)}">\n<head><meta charset="utf-8">\n'
        f"<title>{escape(words.subject())}</title></head>\n"
        '<body style="font-family:sans-serif;font-size:16px;line-height:1.5;color:#1c1c1c;'
        f'background:#ffffff;max-width:36em">\n{body}\n</body>\n</html>\n'
    )


def _mailbox(header: str, name: str, address: str) -> str:
    """Return a header of one address with a display name, folded."""
    name, address = _cut(name, MOST_NAME), check_address(address)
    if not name:
        return f"{header}: {address}"
    quoted = '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if _is_plain(name) and len(header) + 2 + len(quoted) <= _LINE:
        shown = quoted
    else:
        shown = _encoded(header, name)
    last = len(shown.rpartition("\r\n")[2]) + (0 if "\r\n" in shown else len(header) + 2)
    fold = " " if last + len(address) + 3 <= _LINE else "\r\n "
    return f"{header}: {shown}{fold}<{address}>"


def _unstructured(header: str, text: str) -> str:
    """Return a header of words, folded."""
    if _is_plain(text):
        told = Header(text, "us-ascii", maxlinelen=_LINE, header_name=header).encode(linesep="\r\n")
    else:
        told = _encoded(header, text)
    return f"{header}: {told}"


def _encoded(header: str, text: str) -> str:
    return Header(text, "utf-8", maxlinelen=_LINE, header_name=header).encode(linesep="\r\n")


def _is_plain(text: str) -> bool:
    # what looks like an encoded word would be taken for one
    return text.isascii() and "=?" not in text


def _line(member: str, text: str) -> str:
    """Return a text on one line, without marks of reading direction. Raises: TextInvalid."""
    if any(sign in text for sign in _BREAKING):
        raise TextInvalid(member, text)
    return " ".join(_whole(member, text).split())


def _note(text: str) -> _Paragraph:
    """Return the lines of a note. Raises: TextInvalid."""
    if "\r" in text or "\0" in text:
        raise TextInvalid("the note", text)
    return tuple(_whole("the note", line).rstrip() for line in text.strip("\n").split("\n"))


def _whole(member: str, text: str) -> str:
    blanked = "".join(" " if unicodedata.category(sign) in _BLANK else sign for sign in text)
    try:
        blanked.encode("utf-8")
    except UnicodeEncodeError:
        raise TextInvalid(member, text) from None
    return blanked.translate(_TURNING)


def _fitting(pattern: re.Pattern[str], member: str, text: str) -> str:
    if pattern.fullmatch(text) is None:
        raise TextInvalid(member, text)
    return text


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
