"""E-mail: the message (RFC 5322) that sends a quote to its customer.

It is a short text, plain and as HTML, with a link to the quote, and with the quote as a PDF if
there is one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from kitwright.documents.balance_view import balance_of, left_sentence, total_told, with_tax_told
from kitwright.documents.change_view import change_rows, found_of, still_holds
from kitwright.documents.courses_view import advice_of, courses_of
from kitwright.documents.fleet_words import fleet_told
from kitwright.documents.mail_head import MOST_SUBJECT, cut, note_lines, one_line
from kitwright.documents.mail_link import Message, Paragraph, Told, fitting_link, with_link
from kitwright.documents.offer_view import Fact, offer_view
from kitwright.documents.ready_words import ready_on, ready_told
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Contingencies, Envelope, Quote

MOST_JOBS: Final = 20
"""The most jobs that an e-mail names; the quote has them all."""


def compose(quote: Quote, envelope: Envelope, scribe: Scribe, message: Message) -> bytes:
    """Return an e-mail with its headers: ASCII only, lines of at most 998 octets that end in CRLF.
    The same arguments give the same bytes.

    It has no `Auto-Submitted` header (RFC 3834), because a person requested it.

    Raises: AddressInvalid, TextInvalid.
    """
    words = _Words(quote, envelope, scribe, message)
    told = Told(
        subject=words.subject(),
        language=words.language,
        paragraphs=tuple(words.paragraphs()),
        link=words.link,
        button=words.button(),
        file_name=words.file_name(),
    )
    return with_link(message, quote.shop.name, told)


class _Words:
    """The words of an e-mail, in the customer's language."""

    def __init__(self, quote: Quote, envelope: Envelope, scribe: Scribe, message: Message) -> None:
        self._quote = quote
        self._envelope = envelope
        self._scribe = scribe
        self._note = message.note
        self.link = fitting_link(message.link)
        self.language = scribe.language
        self._is_agreed = envelope.state == "accepted"
        self._offer = offer_view(quote, envelope, scribe, warranty=None)

    def subject(self) -> str:
        """Return the subject."""
        told = self._scribe.say(
            "Quote {quote} from {shop}",
            quote=self._envelope.quote_id,
            shop=one_line("the shop's name", self._quote.shop.name),
        )
        return cut(told.strip(), MOST_SUBJECT)

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

    def paragraphs(self) -> Iterator[Paragraph]:
        """Yield the paragraphs, including the link; the text is complete without the HTML."""
        say = self._scribe.say
        yield (self._greeting(),)
        yield (self._opening(),)
        if self._quote.change is not None:
            yield tuple(self._change())
        if self._quote.complaint is not None:
            yield self._scribe.say("You reported:"), *note_lines(self._quote.complaint)
        if not self._is_agreed:
            yield (self._line(" ".join(filter(None, (self._offer.fault, self._offer.sure)))),)
        yield tuple(self._jobs())
        if self._offer.change and self._quote.change is None:
            yield say("We have stopped to ask you."), *self._facts(self._offer.change)
        yield (self._figures(),)
        if not self._is_agreed:
            # the total is told already
            stake = [fact for fact in self._offer.stake if not fact.is_sum]
            yield tuple(self._facts((*stake, *self._offer.costs)))
            if courses_of(self._quote, self._scribe):
                yield tuple(self._courses())
        elif ready_on(self._quote) is not None:
            right = self._envelope.withdrawal
            ready = ready_told(self._quote, self._scribe, is_open=False, right=right)
            yield (f"{ready.label}: {ready.day} ({ready.condition})",)
        if self._envelope.fleet is not None:
            yield (fleet_told(self._envelope, self._scribe),)
        if self._quote.notes and not self._is_agreed:
            yield tuple(one_line("a note", note.text) for note in self._quote.notes)
        found = self._quote.contingencies
        if found is not None and found.each and not self._is_agreed:
            yield (self._surprises(found),)
        if self._note is not None:
            yield note_lines(self._note)
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
        return one_line("the shop's name", self._quote.shop.name)

    def _greeting(self) -> str:
        name = one_line("the customer's name", self._envelope.customer_name or "")
        return self._scribe.say("Dear {name},", name=name) if name else self._scribe.say("Hello,")

    def _opening(self) -> str:
        quote, envelope = self._quote, self._envelope
        machine = one_line(
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

    def _change(self) -> Iterator[str]:
        """Yield what was found since the work was agreed, and the sums before and after."""
        yield self._scribe.say("Since you agreed to the work, we have found this:")
        for one in found_of(self._quote, self._scribe):
            told = " ".join(filter(None, (one.what, one.why, one.measured)))
            yield f"- {one_line('what was found', told)}"
        for label, amount, _ in change_rows(self._quote, self._scribe, is_agreed=self._is_agreed):
            yield f"{label}: {amount}"
        envelope = self._envelope
        if envelope.change is not None and envelope.holds is not None:
            told = still_holds(envelope.holds, self._scribe)
            yield f"{self._scribe.say('If you say no:')} {told}"

    def _jobs(self) -> Iterator[str]:
        yield self._scribe.say("The work:")
        for job in self._quote.jobs[:MOST_JOBS]:
            name = one_line("a job's name", job.name)
            yield f"- {self._scribe.on_cylinder(name, job.cylinder)}"
        more = len(self._quote.jobs) - MOST_JOBS
        if more > 0:
            yield self._scribe.say_many("- and {count} more", "- and {count} more", more)

    def _facts(self, facts: Iterable[Fact]) -> Iterator[str]:
        for fact in facts:
            yield self._line(f"- {fact.label}: {fact.whole}")

    def _courses(self) -> Iterator[str]:
        """Yield the ways to repair it, each with its total, and what it leaves out."""
        yield self._scribe.say("Ways to repair it:")
        for course in courses_of(self._quote, self._scribe, self._envelope.withdrawal):
            yield self._line(f"- {course.name}: {course.total}. {' '.join(course.facts)}")
        for reason in advice_of(self._quote, self._scribe):
            yield self._line(reason)

    def _line(self, text: str) -> str:
        return one_line("the offer", text)

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
