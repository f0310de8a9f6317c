"""Notices: the page that tells a customer of a problem."""

from __future__ import annotations

from typing import Final

from kitwright.documents.notice_page import Notice

_NOTICES: Final = {
    "not-found": Notice.link_unknown,
    "unknown-record": Notice.link_unknown,
    "method-not-allowed": Notice.link_unknown,
    "path-too-long": Notice.link_unknown,
    "link-expired": Notice.link_expired,
    "too-many-calls": Notice.too_many,
}
"""Problem code -> the page that explains it."""


def notice_of(code: str) -> Notice:
    """Return the page that tells of a problem; most tell only that there is one."""
    return _NOTICES.get(code, Notice.unavailable)
