"""Mail with a link: an e-mail as plain text and as HTML, with a link and perhaps a file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from email.message import EmailMessage
from email.policy import SMTP
from html import escape
from typing import Final

from msgspec import Struct

from kitwright.documents.mail_head import Head, complete, fitting

_LINK: Final = re.compile(r"https?://[!-~]{1,1000}", re.ASCII)

Paragraph = tuple[str, ...]
"""The lines of a paragraph."""


class Message(Head, frozen=True, kw_only=True):
    """The data of an e-mail apart from what it tells. `link` is a complete URL. `pdf` is what is
    told as a file.
    """

    link: str
    pdf: bytes | None = None


class Told(Struct, frozen=True, kw_only=True):
    """What an e-mail tells. The `paragraphs` are complete without the HTML: one of them has the
    link as a line of its own, which is a `button` in the HTML. `file_name` is that of the PDF.
    """

    subject: str
    language: str
    paragraphs: tuple[Paragraph, ...]
    link: str
    button: str
    file_name: str


def fitting_link(link: str) -> str:
    """Return a link that can stand in an e-mail. Raises: TextInvalid."""
    return fitting(_LINK, "the link", link)


def with_link(message: Message, shop: str, told: Told) -> bytes:
    """Return an e-mail with its headers. Raises: AddressInvalid, TextInvalid."""
    content = EmailMessage(SMTP)
    content.set_content(_text(told.paragraphs), cte="quoted-printable")
    content.add_alternative(_page(told), subtype="html", cte="quoted-printable")
    if message.pdf is not None:
        content.add_attachment(
            message.pdf, maintype="application", subtype="pdf", filename=told.file_name
        )
    return complete(message, shop, told.language, told.subject, content)


def _text(paragraphs: Sequence[Paragraph]) -> str:
    return "\n\n".join("\n".join(lines) for lines in paragraphs) + "\n"


def _page(told: Told) -> str:
    """Return the e-mail as HTML that fetches nothing: no picture, no style sheet, no script."""
    href = escape(told.link)
    parts = []
    for lines in told.paragraphs:
        if told.link in lines:
            parts.append(
                f"<p>{escape(lines[0])}</p>"
                f'<p><a href="{href}" style="display:inline-block;padding:12px 20px;'
                "background:#1c1c1c;color:#ffffff;text-decoration:none;border-radius:4px"
                f'">{escape(told.button)}</a></p>'
                f'<p><a href="{href}" style="color:#1c1c1c;word-break:break-all">{href}</a></p>'
            )
        else:
            # a note may be of another reading direction than the rest
            parts.append(f'<p dir="auto">{"<br>".join(map(escape, lines))}</p>')
    body = "\n".join(parts)
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(told.language)}">\n<head><meta charset="utf-8">\n'
        f"<title>{escape(told.subject)}</title></head>\n"
        '<body style="font-family:sans-serif;font-size:16px;line-height:1.5;color:#1c1c1c;'
        f'background:#ffffff;max-width:36em">\n{body}\n</body>\n</html>\n'
    )
