"""Service: what every resource needs, put together by the composition root."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import date
from types import MappingProxyType
from typing import NoReturn

import msgspec

from kitwright.contingencies import Foresight
from kitwright.errors import KitwrightError
from kitwright.flow import assess, quote_repair
from kitwright.language.render import Speaker, UnknownLanguage
from kitwright.stages.finding import Assessment
from kitwright.stages.quote import Quote
from kitwright.stages.request import Asked, RequestRefused, read_request
from kitwright.web.calls.answer import answer
from kitwright.web.calls.assessments import AssessmentOut, assessment_out
from kitwright.web.calls.findings import AssessmentIn
from kitwright.web.calls.quote_out import QuoteOut
from kitwright.web.calls.sheet import encode_prospect, fill_sheet, make_sheet
from kitwright.web.calls.wire import PreviewIn
from kitwright.workshop import Workshop


class Service:
    """One shop's catalogue at work.

    Args:
        workshop: the catalogue and the shop.
        today: the day in the shop's time zone.
        text: renders a quote as plain text, with what the customer reported.
        forms: media type -> renders an assessment in it.
    """

    def __init__(
        self,
        workshop: Workshop,
        today: Callable[[], date],
        text: Callable[[Quote, Speaker, str | None], str],
        forms: Mapping[str, Callable[[Assessment, Speaker], str]] = MappingProxyType({}),
    ) -> None:
        self.workshop = workshop
        self.revision = workshop.catalogue.revision
        self._today = today
        self._text = text
        self._forms = forms
        self._speakers: dict[str, Speaker] = {}
        # a shop whose language nobody speaks could not answer anything
        self.speaker(None)
        self._foresight = Foresight(workshop)

    def speaker(self, language: str | None) -> tuple[str, Speaker]:
        """Return the language of an answer, the shop's where none is asked for, and its speaker.

        Raises: UnknownLanguage.
        """
        named = language or self.workshop.shop.language
        if named not in self._speakers:
            self._speakers[named] = Speaker(self.workshop.catalogue, named)
        return named, self._speakers[named]

    def quote(self, asked: PreviewIn) -> Quote:
        """Return the quote for a request. Raises: RequestRefused, and the errors of the stages."""
        plain = asked.asked(self._today())
        faults = [*asked.faults(), *self._unspoken(asked.language)]
        if faults:
            self._refuse(asked, plain, faults)
        quote = quote_repair(self.workshop, plain)
        return self._foresight.look_ahead(quote) if asked.contingencies else quote

    def _unspoken(self, language: str | None) -> Iterator[KitwrightError]:
        try:
            self.speaker(language)
        except UnknownLanguage as error:
            yield error.at("language")

    def _refuse(self, asked: PreviewIn, plain: Asked, faults: list[KitwrightError]) -> NoReturn:
        """Raise RequestRefused with some faults and all that the core finds besides."""
        try:
            read_request(self.workshop.catalogue, self.workshop.shop, plain)
        except RequestRefused as more:
            faults += map(asked.place, more.faults)
        raise RequestRefused(faults)

    def preview(self, asked: PreviewIn) -> QuoteOut:
        """Return the answer to a preview request."""
        return self._whole(self.quote(asked), asked)

    def _whole(self, quote: Quote, asked: PreviewIn) -> QuoteOut:
        language, speaker = self.speaker(asked.language)
        return answer(
            quote,
            speaker,
            catalogue=self.workshop.catalogue,
            language=language,
            complaint=asked.complaint,
        )

    def preview_json(self, asked: PreviewIn) -> bytes:
        """Return the answer to a preview request, encoded."""
        return self.answered(asked)[1]

    def answered(self, asked: PreviewIn) -> tuple[Quote, bytes]:
        """Return the quote for a request, and the same as an encoded answer.

        What quotes of the same draft share is encoded once a language.
        """
        quote = self.quote(asked)
        language, speaker = self.speaker(asked.language)
        catalogue = self.workshop.catalogue
        if not quote.is_of_draft:
            return quote, msgspec.json.encode(self._whole(quote, asked))
        memory = self.workshop.memory
        sheet = memory.get(
            ("sheet", quote.draft, language),
            lambda: make_sheet(quote, speaker, catalogue=catalogue, language=language),
        )
        found = quote.contingencies
        body = fill_sheet(
            sheet,
            quote,
            speaker,
            catalogue=catalogue,
            language=language,
            complaint=asked.complaint,
            prospect=None
            if found is None
            else memory.get(
                ("told", found.prospect, language),
                lambda: encode_prospect(found.prospect, speaker),
            ),
        )
        return quote, body

    def assessment(self, asked: AssessmentIn) -> Assessment:
        """Return what findings come to. Raises: RequestRefused."""
        faults = list(self._unspoken(asked.language))
        try:
            found = assess(self.workshop, asked.asked())
        except RequestRefused as error:
            raise RequestRefused([*faults, *error.faults]) from None
        if faults:
            raise RequestRefused(faults)
        return found

    def assess(self, asked: AssessmentIn) -> AssessmentOut:
        """Return the answer to an assessment request."""
        found = self.assessment(asked)
        language, speaker = self.speaker(asked.language)
        return assessment_out(found, self.workshop.catalogue, speaker, language=language)

    def assessed(self, asked: AssessmentIn, form: str) -> str:
        """Return the answer to an assessment request as one of the `forms`."""
        found = self.assessment(asked)
        _, speaker = self.speaker(asked.language)
        return self._forms[form](found, speaker)

    def preview_text(self, asked: PreviewIn) -> str:
        """Return the answer to a preview request as plain text."""
        quote = self.quote(asked)
        _, speaker = self.speaker(asked.language)
        return self._text(quote, speaker, asked.complaint)
