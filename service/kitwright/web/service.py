"""Service: what every resource needs, put together by the composition root."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from kitwright.flow import Workshop, quote_repair
from kitwright.language.render import Speaker, UnknownLanguage
from kitwright.stages.quote import Quote
from kitwright.stages.refusal import RequestRefused
from kitwright.web.answer import answer
from kitwright.web.out import QuoteOut
from kitwright.web.wire import PreviewIn


class Service:
    """One shop's catalogue at work.

    Args:
        workshop: the catalogue and the shop.
        today: the day in the shop's time zone.
        text: renders a quote as plain text.
    """

    def __init__(
        self,
        workshop: Workshop,
        today: Callable[[], date],
        text: Callable[[Quote, Speaker], str],
    ) -> None:
        self.workshop = workshop
        self.revision = workshop.catalogue.revision
        self._today = today
        self._text = text
        self._speakers: dict[str, Speaker] = {}

    def speaker(self, language: str | None) -> tuple[str, Speaker]:
        """Return the language of an answer, the shop's where none is asked for, and its speaker.

        Raises: RequestRefused, for an unknown language.
        """
        named = language or self.workshop.shop.language
        if named not in self._speakers:
            try:
                self._speakers[named] = Speaker(self.workshop.catalogue, named)
            except UnknownLanguage as error:
                raise RequestRefused([error.at("language")]) from None
        return named, self._speakers[named]

    def quote(self, asked: PreviewIn) -> Quote:
        """Return the quote for a request. Raises: RequestRefused, and the errors of the stages."""
        return quote_repair(self.workshop, asked.asked(self._today()))

    def preview(self, asked: PreviewIn) -> QuoteOut:
        """Return the answer to a preview request."""
        language, speaker = self.speaker(asked.language)
        return answer(self.quote(asked), speaker, language=language, revision=self.revision)

    def preview_text(self, asked: PreviewIn) -> str:
        """Return the answer to a preview request as plain text."""
        _, speaker = self.speaker(asked.language)
        return self._text(self.quote(asked), speaker)
