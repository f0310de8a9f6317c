"""Quote page: a stored revision as a page for its customer, who can accept or decline it there."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup
from msgspec import structs

from kitwright.catalogue.model import Contact, Shop
from kitwright.documents.after_words import after_no, after_withdrawal, owed_told, progress_told
from kitwright.documents.balance_view import (
    bears_tax,
    exemption_told,
    has_withdrawn,
    is_owed,
    is_undecided,
    total_told,
)
from kitwright.documents.basis_words import basis_told
from kitwright.documents.change_view import change_rows, found_of, still_holds
from kitwright.documents.contingency_view import contingencies_of, sums_of
from kitwright.documents.courses_view import advice_of, courses_of
from kitwright.documents.difference_words import difference_told
from kitwright.documents.fleet_words import fleet_told
from kitwright.documents.line_rows import rows_of, showing_of
from kitwright.documents.line_words import sum_of
from kitwright.documents.offer_view import is_unsettled, offer_view, owed_without, warranty_of
from kitwright.documents.page_actions import Choices, PageActions, PageField, PageState
from kitwright.documents.page_words import field_told
from kitwright.documents.question_words import machines_of, priced_part
from kitwright.documents.range_svg import range_svg
from kitwright.documents.reading_strips import GRAINS, readings_of
from kitwright.documents.ready_words import ready_told
from kitwright.documents.totals_view import totals_of
from kitwright.documents.web_page import isolated, page
from kitwright.documents.withdrawal_words import withdrawal_told
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote


def quote_page(
    quote: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    shop: Shop,
    actions: PageActions | None = None,
) -> str:
    """Return a revision as an HTML document without scripts, to be sent with `page_policy()`.

    Without `actions` it is read-only. Texts of the revision are marked with its language if the
    scribe's language is another one. Errors next to fields are also listed at the top.
    """
    choices = None if actions is None else actions.choices
    if choices is not None and not quote.courses:
        # a choice is priced alone; what is told of its course is that of the offer
        quote = structs.replace(quote, courses=choices.courses)
    picture = range_svg(quote, scribe)
    limit = None if actions is None or not actions.is_open else actions.usual_limit
    return page(
        "quote.html",
        scribe,
        quote=quote,
        envelope=envelope,
        shop=shop,
        actions=actions,
        fields=PageField,
        place_of=_place_of,
        field_told=field_told,
        total_told=total_told(quote, scribe),
        told_no=_told_no(quote, envelope, scribe),
        no_means=_no_means(quote, envelope, scribe),
        outcome=_outcome(actions, envelope, scribe, shop),
        aftermath=tuple(_aftermath(quote, envelope, actions, scribe, shop)),
        ready=ready_told(
            quote,
            scribe,
            change=envelope.change,
            is_open=is_undecided(envelope),
            right=envelope.withdrawal,
        ),
        is_owed=is_owed(envelope),
        can_be_agreed=is_undecided(envelope),
        has_withdrawn=has_withdrawn(envelope),
        offer=offer_view(quote, envelope, scribe, warranty=warranty_of(shop), limit=limit),
        left_out=tuple(tick.name for tick in choices.jobs if not (tick.is_ticked or tick.reason))
        if choices is not None
        else (),
        grains=GRAINS,
        readings=readings_of(quote.assessment, scribe),
        sureness=_sureness(scribe),
        tested=basis_told(quote, scribe),
        groups=rows_of(quote, scribe, showing_of(shop)),
        sum_of=sum_of,
        courses=courses_of(quote, scribe, envelope.withdrawal),
        advice=advice_of(quote, scribe),
        found=found_of(quote, scribe),
        change=change_rows(quote, scribe, is_agreed=envelope.limit is not None),
        choices=choices,
        totals=totals_of(quote, scribe, is_owed=is_owed(envelope)),
        contingencies=contingencies_of(quote, scribe),
        sums=sums_of(quote, scribe),
        range="" if picture is None else Markup(picture.svg),
        priced_part=priced_part,
        machines=machines_of(quote.chassis_question),
        exemption_told=exemption_told,
        difference_told=difference_told,
        withdrawal=withdrawal_told(envelope, quote.shop, shop.contact or Contact(), scribe),
        fleet=fleet_told(envelope, scribe),
        tax_in_lines=_tax_in_lines(quote, scribe),
        tax_in_item=_tax_in_item(quote, scribe),
    )


def _place_of(field: PageField, choices: Choices | None) -> str:
    """Return the id of the element that the error of a field is about."""
    if field in (PageField.who, PageField.limit, PageField.reason):
        return field.value
    there = {}
    if choices is not None:
        there = {
            PageField.amount: "amount-wrong" if choices.amount is not None else "answer",
            PageField.course: "course" if len(choices.courses) > 1 else "answer",
            PageField.keep: "keep",
            PageField.extra: "extra-work" if choices.extras else "answer",
        }
    return there.get(field, "answer")


def _tax_in_lines(quote: Quote, scribe: Scribe) -> str:
    """Return whether the amounts of the lines include tax; empty if no tax is charged."""
    if quote.shop.prices_include_tax:
        return scribe.say("amounts including tax")
    is_known = quote.totals.gross is not None
    return "" if is_known and not bears_tax(quote) else scribe.say("amounts before tax")


def _tax_in_item(quote: Quote, scribe: Scribe) -> str:
    """Return that each price of further work is for one item, and whether it includes tax."""
    if quote.totals.gross is None and not quote.shop.prices_include_tax:
        return scribe.say("Each item alone, before tax")
    if bears_tax(quote):
        return scribe.say("Each item alone, including tax")
    return scribe.say("Each item alone")


def _sureness(scribe: Scribe) -> dict[str, str]:
    """Return how certain each grade of a diagnosis is, in words."""
    say = scribe.say
    return {
        "confirmed": say("Confirmed: a test shows it directly."),
        "probable": say("Probable: most of what we found points to it."),
        "possible": say("Possible: it would explain what we found, but so would other causes."),
    }


def _outcome(actions: PageActions | None, envelope: Envelope, scribe: Scribe, shop: Shop) -> str:
    """Return the outcome of the offer in a sentence; empty while it is open."""
    if actions is None:
        return ""
    say = scribe.say
    right = envelope.withdrawal
    if right is not None and right.withdrawn_at is not None:
        moment = scribe.moment(right.withdrawn_at, shop.time_zone)
        return say("You withdrew from the contract on {moment}.", moment=moment)
    if actions.state in (PageState.accepted, PageState.declined):
        return _decision(actions, scribe, shop)
    return {
        PageState.expired: say("This quote has expired. Please ask us for a new one."),
        PageState.withdrawn: say(
            "We have withdrawn this quote. Please contact us about the next step."
        ),
        PageState.superseded: say("A newer revision has replaced this one."),
    }.get(actions.state, "")


def _aftermath(
    quote: Quote,
    envelope: Envelope,
    actions: PageActions | None,
    scribe: Scribe,
    shop: Shop,
) -> Iterator[str]:
    """Yield how far the work is after a yes; after a no, what is owed and what becomes of the
    machine.
    """
    if actions is None:
        return
    if has_withdrawn(envelope) and actions.state is PageState.accepted:
        yield from after_withdrawal(quote, envelope, scribe, shop)
    elif actions.state is PageState.accepted:
        yield from progress_told(actions.visit, scribe)
    elif actions.state is PageState.declined:
        yield from after_no(quote, envelope, scribe, shop)


def _no_means(quote: Quote, envelope: Envelope, scribe: Scribe) -> str:
    """Return what follows a no."""
    if envelope.change is None or envelope.holds is None:
        return owed_told(quote, scribe)
    return still_holds(envelope.holds, scribe)


def _told_no(quote: Quote, envelope: Envelope, scribe: Scribe) -> str:
    """Return the words of the button that says no, with what is owed."""
    owed = owed_without(quote)
    if envelope.change is not None:
        return scribe.say("No, not this")
    if owed is None:
        return scribe.say("No, nothing owed")
    if is_unsettled(quote):
        return scribe.say("No")
    return scribe.say("No, {amount} owed", amount=scribe.amount(owed))


def _decision(actions: PageActions, scribe: Scribe, shop: Shop) -> str:
    """Return that the offer was accepted or declined, and when and by whom if that is known."""
    say, is_yes = scribe.say, actions.state is PageState.accepted
    if actions.decided_at is None:
        return say("This quote is accepted.") if is_yes else say("You declined this quote.")
    moment = scribe.moment(actions.decided_at, shop.time_zone)
    if actions.decided_by is None:
        accepted = say("Accepted on {moment}.", moment=moment)
        return accepted if is_yes else say("Declined on {moment}.", moment=moment)
    facts = {"moment": moment, "who": isolated(actions.decided_by)}
    if is_yes:
        return say("Accepted on {moment} by {who}.", **facts)
    return say("Declined on {moment} by {who}.", **facts)
