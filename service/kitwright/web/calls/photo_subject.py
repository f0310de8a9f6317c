"""Photo subject: checks what a photograph of a quote shows, by the catalogue."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from kitwright.catalogue.model import Catalogue, Family, FamilyId
from kitwright.keeping import life
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.shapes import Cylinder, Id, Wire


class PhotoQuery(Wire, frozen=True, kw_only=True):
    """What a photograph shows: a finding or reading (`finding`), or a component that is removed
    (`step`), by its id in the catalogue, with its cylinder if it belongs to one.
    """

    subject: Annotated[
        Literal["finding", "step"],
        Meta(
            description="The id of the finding, reading or component that it shows.",
            examples=["finding"],
        ),
    ]
    code: Annotated[Id, Meta(examples=["plug_oil"])]
    cylinder: Cylinder | None = None


def check_subject(
    records: Records, catalogue: Catalogue, quote: KeptQuote, asked: PhotoQuery
) -> None:
    """Raise if a photograph can't show the stated subject. Raises: Refusal: query-invalid."""
    if asked.subject == "finding":
        rules = catalogue.rules
        known = {one.id for one in rules.finding} | {one.id for one in rules.reading}
        noun = "finding or reading"
    else:
        known = set(_steps(records, catalogue, quote))
        noun = "component of this engine"
    if asked.code not in known:
        close = get_close_matches(asked.code, sorted(known), n=3)
        hint = f"; did you mean {' or '.join(close)}?" if close else ""
        raise Refusal(
            "query-invalid", f"code: unknown {noun} {asked.code!r} in the catalogue{hint}"
        )
    family = _family(catalogue, quote)
    if family is not None and asked.cylinder is not None and asked.cylinder > family.cylinders:
        raise Refusal(
            "query-invalid",
            f"cylinder: {asked.cylinder}, but family {family.id} has {family.cylinders}",
        )


def _family(catalogue: Catalogue, quote: KeptQuote) -> Family | None:
    # None: the catalogue may no longer have the quote's family
    return catalogue.families.get(FamilyId(quote.family))


class _Asked(Struct, frozen=True):
    """The members that are read from a revision's request."""

    chassis: str | None = None


def _steps(records: Records, catalogue: Catalogue, quote: KeptQuote) -> Iterable[str]:
    """Yield the components that can be removed from a quote's engine and machine."""
    family = _family(catalogue, quote)
    if family is not None:
        for component in catalogue.layouts[family.layout].component:
            yield component.id
    request = life.revision_of(records, quote, quote.shown).request
    named = msgspec.json.decode(request, type=_Asked).chassis
    for chassis in catalogue.chassis.values():
        # if no chassis is named, it may be any that carries the engine
        carries = family is not None and family.layout in chassis.layouts
        if chassis.id == named or (named is None and carries):
            for component in chassis.component:
                yield component.id
