"""Conditions: RFC 9110's own examples, its grammar to the letter, and nothing else."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.web.edge.conditions import match, none_match, read_tags
from kitwright.web.edge.problems import Refusal

OPAQUE = st.text(
    [chr(code) for code in (0x21, *range(0x23, 0x7F), *range(0x80, 0x100))], max_size=6
)


def tag(opaque: str, is_weak: bool = False) -> str:
    return f'{"W/" * is_weak}"{opaque}"'


TAGS = st.lists(st.builds(tag, OPAQUE, st.booleans()), max_size=5)


# RFC 9110, 8.8.3.2: two tags, then whether they are equal by strong and by weak comparison
COMPARED = [
    ('W/"1"', 'W/"1"', False, True),
    ('W/"1"', 'W/"2"', False, False),
    ('W/"1"', '"1"', False, True),
    ('"1"', '"1"', True, True),
]


@pytest.mark.parametrize(("one", "other", "strong", "weak"), COMPARED)
def test_comparison_is_that_of_the_standard_s_table(
    one: str, other: str, strong: bool, weak: bool
) -> None:
    for header, etag in ((one, other), (other, one)):
        assert match(header, etag) is strong
        assert none_match(header, etag) is not weak


# RFC 9110, 13.1.1 and 13.1.2
@pytest.mark.parametrize(
    ("header", "tags"),
    [
        ('"xyzzy"', (tag("xyzzy"),)),
        ('"xyzzy", "r2d2xxxx", "c3piozzzz"', (tag("xyzzy"), tag("r2d2xxxx"), tag("c3piozzzz"))),
        ('W/"xyzzy"', (tag("xyzzy", is_weak=True),)),
        (
            'W/"xyzzy", W/"r2d2xxxx", W/"c3piozzzz"',
            (
                tag("xyzzy", is_weak=True),
                tag("r2d2xxxx", is_weak=True),
                tag("c3piozzzz", is_weak=True),
            ),
        ),
        ('""', (tag(""),)),
        ('"a,b", "c"', (tag("a,b"), tag("c"))),
        ('"a, W/",W/"b"', None),
        ('"a\\"', (tag("a\\"),)),
        ('"\xe9\x80\xff"', (tag("\xe9\x80\xff"),)),
        ('"W/",W/"*"', (tag("W/"), tag("*", is_weak=True))),
        (' \t"1"\t ,\t"2" ', (tag("1"), tag("2"))),
        ('"1",,"2"', (tag("1"), tag("2"))),
        (', ,"1", ,', (tag("1"),)),
        ("", ()),
        (" , ", ()),
    ],
)
def test_read_tags_reads_lists(header: str, tags: tuple[str, ...] | None) -> None:
    if tags is None:
        # a space is no character of a tag
        with pytest.raises(Refusal):
            read_tags(header)
    else:
        assert read_tags(header) == tags


@pytest.mark.parametrize("header", ["*", " * ", "\t*"])
def test_star_is_any_tag_but_not_none(header: str) -> None:
    assert match(header, '"1"')
    assert match(header, 'W/"1"')
    assert not match(header, None)
    assert not none_match(header, '"1"')
    assert none_match(header, None)


@pytest.mark.parametrize("header", ['"1"', 'W/"1"', ""])
def test_tags_match_nothing_where_there_is_nothing_yet(header: str) -> None:
    assert not match(header, None)
    assert none_match(header, None)


def test_empty_header_matches_nothing() -> None:
    assert not match("", '"1"')
    assert none_match("", '"1"')


@pytest.mark.parametrize(
    ("header", "character"),
    [
        ("1", 1),
        ('"1', 1),
        ('1"', 1),
        ("'1'", 1),
        ('w/"1"', 1),
        ('W"1"', 1),
        ('W/ "1"', 1),
        ("W/1", 1),
        ('"1" "2"', 1),
        ('"1""2"', 1),
        ('"1"; "2"', 1),
        ('"1" x', 1),
        ('"a b"', 1),
        ('"a\tb"', 1),
        ('"a\x7f"', 1),
        ('"a\u0100"', 1),
        ('"1"\n', 1),
        ('"1", x', 5),
        ('"1","', 5),
        ("*, *", 1),
        ('*, "1"', 1),
        ('"1", *', 5),
        ("**", 1),
        ("*\n", 1),
        ("\v*", 1),
        ("W/*", 1),
    ],
)
def test_malformed_condition_is_refused_with_its_place(header: str, character: int) -> None:
    for holds in (match, none_match):
        for etag in ('"1"', None):
            with pytest.raises(Refusal, match=f"^character {character} of") as refused:
                holds(header, etag)

            assert refused.value.code == "condition-malformed"


@given(TAGS, st.sampled_from([",", ", ", " ,\t", ",,", ", ,"]))
def test_read_tags_gives_back_whatever_was_written(tags: list[str], between: str) -> None:
    assert read_tags(between.join(tags)) == tuple(tags)


@given(TAGS, OPAQUE, st.booleans())
def test_conditions_hold_as_the_two_comparisons_are_worded(
    tags: list[str], opaque: str, is_weak: bool
) -> None:
    header = ", ".join(tags)
    current = tag(opaque, is_weak)

    assert match(header, current) is (not is_weak and tag(opaque) in tags)
    assert none_match(header, current) is not bool({tag(opaque), tag(opaque, True)} & {*tags})


@given(st.text('W/"*, \t1', max_size=12))
def test_any_text_is_read_or_refused_and_writes_back_the_same(header: str) -> None:
    try:
        tags = read_tags(header)
    except Refusal:
        return
    assert tags is None or read_tags(",".join(tags)) == tags


@pytest.mark.parametrize("unit", [" ", "\t", ",", '"', 'W/"', '"1" ', " ,", "W/"])
def test_long_header_takes_one_pass(unit: str) -> None:
    """A second pass for each character would take minutes."""
    assert read_tags(f'{"," * 300_000}"1"{" " * 300_000}') == (tag("1"),)
    with pytest.raises(Refusal):
        read_tags(unit * 300_000 + "x")
