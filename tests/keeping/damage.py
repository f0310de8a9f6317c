"""Damage: what happens to a secret text on its way, by accident or on purpose."""

from collections.abc import Callable
from random import Random

Change = Callable[[Random, str], str]


def _at(random: Random, text: str) -> int:
    return random.randrange(len(text))


def flipped(random: Random, text: str) -> str:
    """Flip a bit of one to three characters, all of which stay in ASCII."""
    raw = bytearray(text.encode())
    for _ in range(random.randint(1, 3)):
        raw[_at(random, text)] ^= 1 << random.randrange(7)
    return raw.decode()


def replaced(random: Random, text: str) -> str:
    """Put another character of the text's own kind in a place."""
    at = _at(random, text)
    return text[:at] + random.choice(text) + text[at + 1 :]


def cut(random: Random, text: str) -> str:
    at = _at(random, text)
    return text[at:] if random.random() < 0.3 else text[:at]


def swapped(random: Random, text: str) -> str:
    one, two = _at(random, text), _at(random, text)
    letters = list(text)
    letters[one], letters[two] = letters[two], letters[one]
    return "".join(letters)


def neighbours_swapped(random: Random, text: str) -> str:
    at = random.randrange(len(text) - 1)
    return text[:at] + text[at + 1] + text[at] + text[at + 2 :]


def appended(random: Random, text: str) -> str:
    return text + "".join(random.choices("A_-=\n .~0" + text, k=random.randint(1, 4)))


def left_out(random: Random, text: str) -> str:
    at = _at(random, text)
    return text[:at] + text[at + random.randint(1, 4) :]


def doubled(random: Random, text: str) -> str:
    at = _at(random, text)
    return text[:at] + text[at] + text[at:]


def recased(random: Random, text: str) -> str:
    if random.random() < 0.2:
        return random.choice((text.upper(), text.lower(), text.swapcase()))
    at = _at(random, text)
    return text[:at] + text[at].swapcase() + text[at + 1 :]


def padded(random: Random, text: str) -> str:
    return text + "=" * random.randint(1, 3)


def respelled(random: Random, text: str) -> str:
    """Put another last character, which may differ in bits that nobody reads."""
    return text[:-1] + chr(ord(text[-1]) + random.choice((-3, -2, -1, 1, 2, 3)))


def grafted(random: Random, text: str, other: str) -> str:
    """Put the end of another text behind the beginning of this one."""
    at = random.randrange(8, len(text) - 8)
    return text[:at] + other[at:]


CHANGES: tuple[Change, ...] = (
    flipped,
    replaced,
    cut,
    swapped,
    neighbours_swapped,
    appended,
    left_out,
    doubled,
    recased,
    padded,
    respelled,
)


def damaged(random: Random, text: str, other: str) -> str:
    """Return a text changed in one way, and never the text or the other one themselves.

    Args:
        other: a text of the same kind.
    """
    while True:
        kind = random.randint(0, len(CHANGES))
        is_graft = kind == len(CHANGES)
        changed = grafted(random, text, other) if is_graft else CHANGES[kind](random, text)
        if changed not in (text, other):
            return changed
