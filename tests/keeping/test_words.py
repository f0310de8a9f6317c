"""Words as a search knows them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.keeping.words import sought, words_of


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Müller & Söhne", ("muller", "sohne")),
        ("Mu\u0308ller", ("muller",)),
        ("O'Brien-Walsh", ("o", "brien", "walsh")),
        ("Straße 12b", ("strasse", "12b")),
        ("İzmir ﬁne", ("izmir", "fine")),
        ("Ёлкин 漢字", ("елкин", "漢字")),
        ("a\x00b", ("a", "b")),
        ('"*" -- 🙂 ™', ("tm",)),
        ("", ()),
    ],
)
def test_words_of_are_plain(text: str, words: tuple[str, ...]) -> None:
    assert words_of(text) == words


@given(st.text())
def test_words_of_plain_words_are_the_same(text: str) -> None:
    words = words_of(text)

    assert words_of(" ".join(words)) == words
    assert all(word.isalnum() for word in words)


def test_sought_leaves_out_what_has_no_word() -> None:
    assert sought(["ada", "*", "o'b", "Ada"]) == (("ada",), ("o", "b"))
