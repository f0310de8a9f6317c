"""Which acts a quote allows as it stands, and what is said of those that it does not."""

import pytest
from msgspec import structs
from tests.store.small import DAY, TODAY, a_quote, a_revision, an_issued_revision

from kitwright.keeping.acts import (
    NoSuchRevision,
    NothingOffered,
    NotNow,
    NotQuotable,
    OtherCustomer,
    OtherRevisionOffered,
    QuoteExpired,
    Standing,
    TaxNotKnown,
    check_act,
    possible_acts,
)
from kitwright.keeping.record import KeptQuote, QuoteState, Revision

DRAFT = a_revision(1)
OFFER = an_issued_revision(1)


def possible(
    quote: KeptQuote,
    newest: Revision,
    *,
    is_supplied: bool = False,
    is_orderable: bool = True,
    account: Standing | None = None,
) -> set[str]:
    found = possible_acts(
        quote,
        newest,
        TODAY,
        is_supplied=is_supplied,
        is_orderable=is_orderable,
        account=account or Standing(),
    )
    assert list(found) == sorted(found)
    return set(found)


def in_state(state: str, **said: object) -> KeptQuote:
    return a_quote(state=QuoteState(state), **said)


@pytest.mark.parametrize(
    ("quote", "newest", "acts"),
    [
        (in_state("draft"), DRAFT, {"issue", "revise", "withdraw"}),
        (in_state("issued", offered=1), OFFER, {"accept", "decline", "revise", "withdraw"}),
        # a later draft may be offered in its place
        (
            in_state("issued", offered=1, latest=2),
            structs.replace(DRAFT, number=2),
            {"accept", "decline", "issue", "revise", "withdraw"},
        ),
        (in_state("declined"), OFFER, {"revise"}),
        (in_state("expired"), OFFER, {"revise"}),
        (in_state("withdrawn"), OFFER, {"revise"}),
        (
            in_state("accepted", agreed=1),
            OFFER,
            {"add", "found", "order", "revise", "stop", "withdraw"},
        ),
        (
            in_state("ordered", agreed=1),
            OFFER,
            {"add", "found", "order", "revise", "stop"},
        ),
        (
            in_state("in_work", agreed=1),
            OFFER,
            {"add", "clock", "finish", "found", "order", "revise", "stop"},
        ),
        # an offer beside the work has to be answered first
        (
            in_state("in_work", agreed=1, offered=2, latest=2),
            OFFER,
            {
                "accept",
                "add",
                "clock",
                "decline",
                "found",
                "order",
                "revise",
                "withdraw",
            },
        ),
        (in_state("done", agreed=1), OFFER, set()),
    ],
)
def test_possible_acts_are_those_of_the_state_and_of_what_is_on_offer(
    quote: KeptQuote, newest: Revision, acts: set[str]
) -> None:
    assert possible(quote, newest) == acts


@pytest.mark.parametrize(
    ("said", "may_be"),
    [
        ({"valid_until": TODAY}, True),
        ({"valid_until": TODAY - DAY}, False),
        ({"gross": None}, False),
    ],
    ids=["its last day", "the day after", "tax not known"],
)
def test_possible_acts_issue_a_draft_in_time_whose_tax_is_known(
    said: dict[str, object], may_be: bool
) -> None:
    assert ("issue" in possible(in_state("draft"), structs.replace(DRAFT, **said))) is may_be


def test_possible_acts_order_only_what_can_be_ordered() -> None:
    quote = in_state("accepted", agreed=1)

    assert "order" in possible(quote, OFFER)
    assert "order" not in possible(quote, OFFER, is_orderable=False)


@pytest.mark.parametrize("state", ["accepted", "ordered"])
def test_possible_acts_start_work_once_all_parts_are_ordered(state: str) -> None:
    quote = in_state(state, agreed=1)

    assert "start" not in possible(quote, OFFER)
    assert "start" in possible(quote, OFFER, is_supplied=True, is_orderable=True)


@pytest.mark.parametrize("state", QuoteState)
def test_possible_acts_pay_only_what_can_be_paid(state: QuoteState) -> None:
    quote = in_state(state.value, offered=1 if state is QuoteState.issued else None)

    assert "pay" not in possible(quote, OFFER)
    assert "pay" in possible(quote, OFFER, account=Standing(is_payable=True))


@pytest.mark.parametrize(
    ("act", "state", "told"),
    [
        (
            "start",
            "in_work",
            "can't start this quote in state in_work: it has to be accepted or ordered",
        ),
        ("finish", "ordered", "can't finish this quote in state ordered: it has to be in_work"),
        (
            "order",
            "draft",
            "can't order for this quote in state draft: "
            "it has to be accepted or ordered or in_work",
        ),
        (
            "add",
            "issued",
            "can't add to this quote in state issued: it has to be accepted or ordered or in_work",
        ),
        ("revise", "done", "can't revise this quote in state done: nothing changes it any longer"),
    ],
)
def test_check_act_says_in_which_states_an_act_is_possible(act: str, state: str, told: str) -> None:
    with pytest.raises(NotNow) as refused:
        check_act(act, in_state(state))

    assert str(refused.value) == told
    assert (refused.value.act, refused.value.state.value) == (act, state)


def test_check_act_lets_pass_what_is_possible() -> None:
    check_act("start", in_state("accepted"))
    check_act("revise", in_state("expired"))


@pytest.mark.parametrize(
    ("refusal", "told", "facts"),
    [
        (
            NothingOffered("accept", in_state("draft", latest=3)),
            "no revision is on offer to accept: issue one first",
            {"latest": 3},
        ),
        (
            OtherRevisionOffered(1, 2),
            "revision 1 is no longer on offer; revision 2 is",
            {"revision": 1, "offered": 2},
        ),
        (
            NoSuchRevision(4, 3),
            "there is no revision 4: the newest is 3",
            {"revision": 4, "latest": 3},
        ),
        (
            QuoteExpired(2, TODAY),
            "revision 2 was valid until 2027-03-01: revise the quote, then issue it",
            {"revision": 2, "valid_until": TODAY},
        ),
        (
            TaxNotKnown(2),
            "the tax of revision 2 is not known: revise the quote with a tax_area",
            {"revision": 2},
        ),
        (
            NotQuotable(2, "no such part"),
            "the request of revision 2 can't be quoted today (no such part): revise the quote, "
            "or give the reason for keeping its prices in `keep_prices`",
            {"revision": 2},
        ),
        (
            OtherCustomer(in_state("draft", number=7)),
            "this quote was made out to another customer: make a new quote",
            {"quote": 7},
        ),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else "",
)
def test_refusals_say_what_is_wrong_and_what_to_do(
    refusal: Exception, told: str, facts: dict[str, object]
) -> None:
    assert str(refusal) == told
    assert {name: getattr(refusal, name) for name in facts} == facts
