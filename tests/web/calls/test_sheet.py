"""Encoded drafts: an answer put together from what its draft has is the one made from nothing."""

from pathlib import Path
from random import Random

import msgspec
import pytest
from msgspec import structs
from tests.stages.drawn import draw_terms, draw_work
from tests.stages.drawn_shops import draw_workshop

from kitwright.flow import quote_repair
from kitwright.language.render import Speaker
from kitwright.web.calls.answer import answer
from kitwright.web.calls.service import Service
from kitwright.web.calls.sheet import fill_sheet, make_sheet
from kitwright.web.calls.wire import DiscountIn, PreviewIn
from kitwright.web.edge.body import decode

EXAMPLES = Path(__file__).resolve().parents[3] / "openapi" / "examples"


@pytest.mark.parametrize("seed", range(10))
def test_fill_sheet_is_byte_by_byte_what_answer_comes_to(seed: int) -> None:
    random = Random(seed)
    workshop = draw_workshop(random)
    catalogue, language = workshop.catalogue, workshop.shop.language
    speaker = Speaker(catalogue, language)
    of_draft = 0
    for _ in range(3):
        work = draw_work(random, workshop)
        for _ in range(5):
            quote = quote_repair(workshop, draw_terms(random, workshop, work))
            if not quote.is_of_draft:
                continue
            of_draft += 1
            sheet = make_sheet(quote, speaker, catalogue=catalogue, language=language)

            filled = fill_sheet(sheet, quote, speaker, catalogue=catalogue, language=language)

            whole = answer(quote, speaker, catalogue=catalogue, language=language)
            assert filled == msgspec.json.encode(whole)
    assert of_draft


@pytest.mark.parametrize("example", sorted(EXAMPLES.glob("previewQuote.*.json")), ids=str)
def test_preview_json_is_byte_by_byte_what_preview_comes_to(
    service: Service, example: Path
) -> None:
    given = decode(example.read_bytes(), PreviewIn)
    others = [
        structs.replace(given, serial=0),
        structs.replace(given, prepaid="20.00"),
        structs.replace(given, contingencies=True),
        structs.replace(given, complaint="It smokes.\nBlue."),
        structs.replace(given, complaint='"Quoted" \u202e', machines=2, prepaid="1"),
        structs.replace(given, discounts=(DiscountIn(reason="r", by="b", percent="7"),)),
    ]

    for asked in (given, *others, given):
        assert service.preview_json(asked) == msgspec.json.encode(service.preview(asked))
