"""A stored revision as a page for its customer, who can accept or decline it there."""

from __future__ import annotations

from msgspec import Struct

from kitwright.documents.balance_view import bears_tax, exemption_told, is_owed
from kitwright.documents.basis_words import basis_told
from kitwright.documents.contingency_view import contingencies_of, sums_of
from kitwright.documents.leakage_svg import leakage_svg, leakage_told
from kitwright.documents.letterhead import Letterhead
from kitwright.documents.page_actions import PageActions, PageField, PageState
from kitwright.documents.quote_view import (
    extras_together,
    lines_of,
    machines_of,
    questioned,
)
from kitwright.documents.totals_view import summary_of, totals_of
from kitwright.documents.web_page import isolated, page
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Envelope, Quote, RankedFault


class ViewDiagnosis(Struct, frozen=True, kw_only=True):
    """A fault as its customer reads of it."""

    name: str
    grade: str
    sureness: str
    plain: str
    is_certain: bool
    reasons: tuple[str, ...]
    to_check: tuple[str, ...]


def quote_page(
    paper: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    shop: Letterhead,
    actions: PageActions | None = None,
) -> str:
    """Return a revision as an HTML document without scripts, to be sent with `page_policy()`.

    Without `actions` it is for reading only. Texts of the revision are marked as in its language,
    if that is another than the scribe's. Errors beside fields are told at the top as well.
    """
    assessment = paper.assessment
    leakage = () if assessment is None else assessment.leakage
    faults = () if assessment is None else assessment.diagnoses

    def money(amount: Amount) -> str:
        return scribe.money(amount.amount, amount.currency)

    return page(
        "quote.html",
        scribe,
        paper=paper,
        envelope=envelope,
        shop=shop,
        actions=actions,
        fields=PageField,
        told=_told(actions, scribe, shop),
        machine=envelope.machine_name or paper.engine.chassis_name or paper.engine.name,
        picture="" if assessment is None else leakage_svg(assessment, scribe),
        readings=[(leakage_told(one, scribe), one.words or "") for one in leakage],
        tested=basis_told(paper, scribe),
        diagnoses=[_diagnosis(one, scribe) for one in faults if one.grade],
        groups=lines_of(paper, scribe),
        totals=totals_of(paper, scribe, is_owed=is_owed(envelope)),
        summary=summary_of(paper, scribe, is_owed=is_owed(envelope)),
        contingencies=contingencies_of(paper, scribe),
        sums=sums_of(paper, scribe),
        extras_total=extras_together(paper, scribe) if paper.extras else "",
        questions=[(questioned(paper, one, scribe), one) for one in paper.part_questions],
        machines=machines_of(paper.chassis_question),
        mail=shop.written_to(
            scribe.say(
                "Quote {quote}, revision {revision}",
                quote=envelope.quote_id,
                revision=envelope.revision,
            )
        ),
        exempt="" if paper.exemption is None else exemption_told(paper.exemption, scribe),
        amounts=_amounts(paper, scribe),
        alone=_alone(paper, scribe),
        money=money,
        hours=scribe.hours,
        number=scribe.number,
        on_cylinder=scribe.on_cylinder,
        on_cylinders=scribe.on_cylinders,
    )


def _amounts(paper: Quote, scribe: Scribe) -> str:
    """Return whether tax is in the amounts of the lines; empty if no tax is charged."""
    if paper.shop.prices_include_tax:
        return scribe.say("amounts including tax")
    is_known = paper.totals.gross is not None
    return "" if is_known and not bears_tax(paper) else scribe.say("amounts before tax")


def _alone(paper: Quote, scribe: Scribe) -> str:
    """Return what the prices of further work are: each for one item, and whether with tax."""
    if paper.totals.gross is None and not paper.shop.prices_include_tax:
        return scribe.say("Each item alone, before tax")
    return (
        scribe.say("Each item alone, including tax")
        if bears_tax(paper)
        else scribe.say("Each item alone")
    )


def _diagnosis(one: RankedFault, scribe: Scribe) -> ViewDiagnosis:
    grade = one.grade.value if one.grade else ""
    return ViewDiagnosis(
        name=scribe.on_cylinder(one.name, one.cylinder),
        grade=grade,
        sureness=_sureness(grade, scribe),
        plain=one.plain,
        is_certain=grade == "confirmed",
        reasons=tuple(evidence.why.text for evidence in one.speaks_for),
        to_check=tuple(check.plain for check in one.to_check),
    )


def _sureness(grade: str, scribe: Scribe) -> str:
    """Return how certain a grade is, in words."""
    say = scribe.say
    return {
        "confirmed": say("Confirmed: a test shows it directly."),
        "probable": say("Probable: most of what we found points to it."),
        "possible": say("Possible: it would explain what we found, but so would other causes."),
    }.get(grade, scribe.thing(grade))


def _told(actions: PageActions | None, scribe: Scribe, shop: Letterhead) -> str:
    """Return what became of the revision, in a sentence; empty while it is open."""
    if actions is None:
        return ""
    if actions.state in (PageState.accepted, PageState.declined):
        return _decided(actions, scribe, shop)
    return {
        PageState.expired: scribe.say("This quote has expired. Please ask us for a new one."),
        PageState.withdrawn: scribe.say(
            "We have withdrawn this quote. Please contact us about the next step."
        ),
        PageState.superseded: scribe.say("A newer revision has replaced this one."),
    }.get(actions.state, "")


def _decided(actions: PageActions, scribe: Scribe, shop: Letterhead) -> str:
    is_yes = actions.state is PageState.accepted
    if actions.decided_at is None:
        return (
            scribe.say("This quote is accepted.")
            if is_yes
            else scribe.say("You declined this quote.")
        )
    at = scribe.moment(actions.decided_at, shop.time_zone)
    if actions.decided_by is None:
        accepted = scribe.say("Accepted on {moment}.", moment=at)
        return accepted if is_yes else scribe.say("Declined on {moment}.", moment=at)
    facts = {"moment": at, "who": isolated(actions.decided_by)}
    if is_yes:
        return scribe.say("Accepted on {moment} by {who}.", **facts)
    return scribe.say("Declined on {moment} by {who}.", **facts)
