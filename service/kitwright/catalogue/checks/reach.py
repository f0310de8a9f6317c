"""Reach: checks how a shop or a supplier is reached, and in which language."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from kitwright.catalogue.checks.records import problem

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from kitwright.catalogue.model import Contact
    from kitwright.catalogue.problems import Problem

_LANGUAGE: Final = re.compile(r"[a-z]{2,3}(?:-[A-Z][a-z]{3})?(?:-(?:[A-Z]{2}|[0-9]{3}))?", re.ASCII)
"""Language, script, region: the BCP 47 subtags in common use."""

_TELEPHONE: Final = re.compile(r"\+[0-9](?:[ -]?[0-9]){5,18}", re.ASCII)
"""With the country code, digits in groups: a number that can be dialled from anywhere."""

_E_MAIL: Final = re.compile(r"[A-Za-z0-9._+-]{1,64}@[A-Za-z0-9-]+(?:\.[A-Za-z0-9-]+)+", re.ASCII)
"""Narrower than the standard allows, so that it never needs quoting."""


def check_language(file: str, name: str, language: str | None) -> Iterator[Problem]:
    """Yield the error of a language tag."""
    if language is not None and not _LANGUAGE.fullmatch(language):
        message = f"{name} {language!r} is not a tag such as en or de-AT"
        yield problem(file, "", "language-malformed", message)


def check_contact(file: str, contact: Contact | None) -> Iterator[Problem]:
    """Yield errors of an address, a telephone number and an e-mail address."""
    if contact is None:
        return
    label, code = "contact", "contact-malformed"
    if not is_address(contact.address):
        yield problem(file, label, code, "address has an empty line, or a line break in a line")
    if contact.telephone is not None and not _TELEPHONE.fullmatch(contact.telephone):
        message = f"telephone {contact.telephone!r} is not a number such as +1 202-555-0100"
        yield problem(file, label, code, message)
    if contact.email is not None and not _E_MAIL.fullmatch(contact.email):
        message = f"email {contact.email!r} is not an address such as bench@shop.example"
        yield problem(file, label, code, message)


def is_address(lines: Iterable[str]) -> bool:
    """Return whether each line of an address is one line with some text."""
    return all(line.strip() and len(line.splitlines()) == 1 for line in lines)
