"""Service: quotes and assesses for one shop with its catalogue."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import date
from functools import cached_property
from types import MappingProxyType
from typing import Final, NoReturn

from msgspec import structs

from kitwright import quote as wire
from kitwright.catalogue.frozen import freeze
from kitwright.catalogue.model import Catalogue, OverrunPreset
from kitwright.contingencies import Foresight
from kitwright.courses import quote_courses
from kitwright.errors import KitwrightError
from kitwright.flow import assess, quote_repair
from kitwright.language.render import Speaker, UnknownLanguage
from kitwright.memory import ELSEWHERE, MIB
from kitwright.quote import Quote
from kitwright.stages.finding import Assessment
from kitwright.stages.outcome import Outcome, Worth
from kitwright.stages.request import Asked, RequestRefused, read_request
from kitwright.stages.supply import Stock, opening_stock
from kitwright.stages.work import CATALOGUE, Estimates
from kitwright.telling import tell_assessment, tell_plan, tell_quote
from kitwright.web.calls.amounts import read_amount_or_none
from kitwright.web.calls.wire import AssessmentIn, PreviewIn, WorthIn
from kitwright.workshop import Workshop

_BESIDE: Final = ELSEWHERE + 32 * MIB
"""The budget of a workshop that works beside another one."""
EstimatesOn = Callable[[date], Estimates]
"""Returns a shop's own estimates for quotes of a day."""


def _of_catalogue(_: date) -> Estimates:
    return CATALOGUE


class Service:
    """Quotes and assesses for one shop.

    Args:
        workshop: the catalogue and the shop.
        today: returns the current day in the shop's time zone.
        forms: media type -> function that renders an assessment.
        files: the catalogue as its files have it, without the prices of the price book; None if the
            workshop's is that.
        prices: the revision of the prices in force, None if there are none.
    """

    def __init__(
        self,
        workshop: Workshop,
        today: Callable[[], date],
        forms: Mapping[str, Callable[[Assessment, Speaker], str]] = MappingProxyType({}),
        *,
        files: Catalogue | None = None,
        prices: int | None = None,
    ) -> None:
        self.workshop = workshop
        self.files = workshop.catalogue if files is None else files
        self.prices = prices
        self.revision = workshop.catalogue.revision
        self._today = today
        self._forms = forms
        self._speakers: dict[str, Speaker] = {}
        # without the languages of the shop and its bench, nothing could be answered
        self.speaker(None)
        self.speaker(workshop.shop.bench_language)
        self._foresight = Foresight(workshop)
        self._opening = opening_stock(workshop.shop)

    @property
    def overrun(self) -> OverrunPreset | None:
        """The overrun preset that the shop's owner chose, None for none."""
        chosen = self.workshop.shop.overrun
        return None if chosen is None else self.workshop.catalogue.overruns[chosen]

    def speaker(self, language: str | None) -> Speaker:
        """Return the speaker of a language, of the shop's if none is given.

        Raises: UnknownLanguage.
        """
        named = language or self.workshop.shop.language
        if named not in self._speakers:
            self._speakers[named] = Speaker(self.workshop.catalogue, named)
        return self._speakers[named]

    @cached_property
    def beside(self) -> Service:
        """The same service with a memory of its own, to be used by one other thread."""
        shop = self.workshop.shop
        return Service(
            Workshop(self.workshop.catalogue, shop, _BESIDE),
            self._today,
            self._forms,
            files=self.files,
            prices=self.prices,
        )

    @cached_property
    def frozen(self) -> bytes:
        """The catalogue with its prices, to be kept with offers that are made with it."""
        return freeze(self.workshop.catalogue)

    def with_catalogue(self, catalogue: Catalogue) -> Service:
        """Return the service of the same shop with another catalogue, for work beside this one.

        Raises: KeyError, if the catalogue lacks the shop.
        """
        shop = catalogue.shops[self.workshop.shop.id]
        return Service(Workshop(catalogue, shop, _BESIDE), self._today, self._forms)

    def work_out(
        self,
        asked: PreviewIn,
        stock: Stock | None = None,
        estimates: EstimatesOn = _of_catalogue,
    ) -> Outcome:
        """Return the core's result for a request, with some stock (None: as the shop's file has
        it) and by the shop's own estimates for its day.

        Raises: RequestRefused, and the errors of the stages.
        """
        plain = asked.asked(self._today())
        faults = [*asked.faults(), *self.unspoken(asked.language)]
        if faults:
            self._refuse(asked, plain, faults)
        self.workshop.market.stock = self._opening if stock is None else stock
        self.workshop.estimates = own = estimates(plain.on)
        if asked.courses:
            outcome = quote_courses(self.workshop, plain, asked.courses, self._worth(asked))
        else:
            outcome = quote_repair(self.workshop, plain)
        outcome = structs.replace(outcome, estimates=own.revision)
        return self._look_ahead(outcome) if asked.contingencies else outcome

    def _look_ahead(self, outcome: Outcome) -> Outcome:
        """Return a quote with its contingencies, and those of each of its courses."""
        ahead = self._foresight.look_ahead
        courses = tuple(structs.replace(one, outcome=ahead(one.outcome)) for one in outcome.courses)
        return structs.replace(ahead(outcome), courses=courses)

    def _worth(self, asked: PreviewIn) -> Worth:
        """Return what is known of a machine's worth. Raises: RequestRefused."""
        given, currency = asked.worth or WorthIn(), self.workshop.shop.currency
        return Worth(
            value=read_amount_or_none(given.value, currency, "worth", "value"),
            age_years=given.age_years,
            hours=given.hours,
            replacement_price=read_amount_or_none(
                given.replacement_price, currency, "worth", "replacement_price"
            ),
        )

    def quote(
        self,
        asked: PreviewIn,
        stock: Stock | None = None,
        estimates: EstimatesOn = _of_catalogue,
    ) -> Quote:
        """Return the quote for a request, as `work_out` does.

        Raises: RequestRefused, and the errors of the stages.
        """
        return self.tell(self.work_out(asked, stock, estimates), asked)

    def tell(self, outcome: Outcome, asked: PreviewIn) -> Quote:
        """Return a quote in the language of its request."""
        speaker = self.speaker(asked.language)
        bench = self.speaker(self.workshop.shop.bench_language)
        catalogue = self.workshop.catalogue
        return tell_quote(
            outcome,
            speaker,
            catalogue=catalogue,
            plan=tell_plan(outcome, bench, catalogue, self.workshop.told_plan),
            complaint=asked.complaint,
        )

    def unspoken(self, language: str | None) -> Iterator[KitwrightError]:
        """Yield the error of a request's language, if the service does not have it."""
        try:
            self.speaker(language)
        except UnknownLanguage as error:
            yield error.at("language")

    def _refuse(self, asked: PreviewIn, plain: Asked, faults: list[KitwrightError]) -> NoReturn:
        """Raise RequestRefused with the given errors and all that the core finds in addition."""
        try:
            read_request(self.workshop.catalogue, self.workshop.shop, plain)
        except RequestRefused as more:
            faults += map(asked.place, more.faults)
        raise RequestRefused(faults)

    def assessment(self, asked: AssessmentIn) -> Assessment:
        """Return the assessment of findings. Raises: RequestRefused."""
        faults = list(self.unspoken(asked.language))
        try:
            found = assess(self.workshop, asked.asked())
        except RequestRefused as error:
            raise RequestRefused([*faults, *error.faults]) from None
        if faults:
            raise RequestRefused(faults)
        return found

    def assess(self, asked: AssessmentIn) -> wire.Assessment:
        """Return the assessment of findings, written in a language. Raises: RequestRefused."""
        found = self.assessment(asked)
        return tell_assessment(found, self.workshop.catalogue, self.speaker(asked.language))

    def assessed(self, asked: AssessmentIn, form: str) -> str:
        """Return the answer to an assessment request as one of the `forms`."""
        return self._forms[form](self.assessment(asked), self.speaker(asked.language))
