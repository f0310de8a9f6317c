"""Order reply: a supplier's UBL answer as the facts of an order's entry."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from kitwright.documents.ubl_answer import AnswerUnreadable, UblAnswer, UblLine, read_answer
from kitwright.keeping.order_acts import Doing
from kitwright.keeping.order_entry import Answered, AnsweredLine
from kitwright.keeping.order_progress import LineState


def fact_of_answer(document: bytes, doing: Doing) -> Answered:
    """Return what a UBL answer says of an order. What it changes otherwise than by quantity, day or
    price is disputed: a person has to look at it.

    Raises: AnswerUnreadable, also if the answer is to another order, or names lines that the order
    does not have.
    """
    answer = read_answer(document)
    if answer.order != doing.name:
        raise AnswerUnreadable(f"it answers order {answer.order[:64]!r}, not {doing.name}")
    return Answered(number=answer.number, lines=tuple(_lines(answer, doing)))


def _lines(answer: UblAnswer, doing: Doing) -> Iterator[AnsweredLine]:
    if answer.is_rejected:
        for line in doing.now.lines:
            if line.due:
                yield AnsweredLine(line=line.line, refused=line.due)
        return
    by_place = {str(line.line): line for line in doing.now.lines}
    seen = set[str]()
    for said in answer.lines:
        if said.line not in by_place or said.line in seen:
            raise AnswerUnreadable(
                f"line {said.line[:20]!r} is named twice, or the order has no such line"
            )
        seen.add(said.line)
        line = by_place[said.line]
        if line.due:
            yield _line(line, said)


def _line(line: LineState, said: UblLine) -> AnsweredLine:
    if said.status == "cancelled":
        return AnsweredLine(line=line.line, refused=line.due)
    packs = line.due if said.quantity is None else said.quantity
    is_other = (
        said.sku not in (None, line.placed.sku)
        or said.currency not in (None, line.placed.net.currency)
        or (said.unit_cost is not None and said.unit_cost < 0)
    )
    is_odd = packs != int(packs) or not 0 <= packs <= line.due
    return AnsweredLine(
        line=line.line,
        refused=0 if is_odd or is_other else line.due - int(packs),
        promised=said.promised,
        is_back_order=bool(said.back_ordered),
        is_disputed=said.status in ("disputed", "added") or is_other or is_odd,
        unit_cost=None if is_other else _cost(said.unit_cost),
    )


def _cost(cost: Decimal | None) -> str | None:
    return None if cost is None else f"{cost.normalize():f}"
