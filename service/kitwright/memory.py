"""Memory: what is remembered between questions, within a budget in bytes."""

from __future__ import annotations

import gc
from collections import OrderedDict
from collections.abc import Callable, Hashable
from enum import Enum
from itertools import islice
from sys import getsizeof
from types import BuiltinFunctionType, FunctionType, ModuleType
from typing import Any, Final, TypeVar, cast

T = TypeVar("T")

MIB: Final = 2**20
ELSEWHERE: Final = 32 * MIB
"""What is remembered apart from any workshop, at most: shapes of covers, and small fixed counts of
short texts and amounts. A test adds it up.
"""
_ENTRY: Final = 400
"""Bytes that an entry takes of the tables."""
_ROUNDED_UP: Final = 8
"""Bytes that the interpreter's allocator adds to a value at most, as it rounds up to 16."""
_EVERYBODYS: Final = (type, ModuleType, FunctionType, BuiltinFunctionType, Enum)


class Memory:
    """Answers by question, within a budget: the least recently used are forgotten first.

    What an answer takes is measured when it is remembered. One that grows as it is used is measured
    anew when the next of these is worked out, and when it has been used once, twice, four times and
    so on. What several answers share is counted for each: the sum is rather too high than too low.
    Not for several threads at once.

    Args:
        budget: bytes that all answers with their questions may take.
        shared: types whose instances are there in any case, or are counted by themselves.
    """

    def __init__(self, budget: int, shared: tuple[type, ...] = ()) -> None:
        self.budget = budget
        self.held = 0
        """Bytes that all answers with their questions take."""
        self._is_shared = _Shared((*_EVERYBODYS, *shared))
        self._known: OrderedDict[Hashable, _Known] = OrderedDict()
        self._growing: Hashable = None
        """The question whose answer was the last that grows."""

    def get(self, question: Hashable, work_out: Callable[[], T], *, grows: bool = False) -> T:
        """Return the known answer to a question, or the one worked out now.

        An answer that is larger than the budget is forgotten at once.
        """
        known = self._known.get(question)
        if known is None:
            known = self._known[question] = _Known(work_out())
            self._weigh(question, known)
            if grows:
                before = self._known.get(self._growing)
                if before is not None:
                    self._weigh(self._growing, before)
                self._growing = question
        else:
            self._known.move_to_end(question)
            if grows:
                known.uses += 1
                if known.uses & (known.uses - 1) == 0:
                    self._weigh(question, known)
        return cast(T, known.answer)

    def clear(self) -> None:
        """Forget everything."""
        self._known.clear()
        self.held = 0

    def _weigh(self, question: Hashable, known: _Known) -> None:
        self.held -= known.size
        known.size = _ENTRY + self.size_of(question, known.answer)
        self.held += known.size
        while self.held > self.budget:
            _, gone = self._known.popitem(last=False)
            self.held -= gone.size

    def size_of(self, *values: object) -> int:
        """Return the bytes that values take with all they lead to, what is shared left out.

        The values themselves are never left out.
        """
        size = 0
        fresh: list[Any] = list(values)
        seen = {id(value): value for value in fresh}
        while fresh:
            # level by level, so that nearly all of it is done inside the interpreter
            size += sum(map(getsizeof, fresh)) + _ROUNDED_UP * len(fresh)
            referents = gc.get_referents(*fresh)
            # the collector does not see whose bytes an array shows
            referents += [value.base for value in fresh if _BASED[type(value)]]
            before = len(seen)
            seen.update(zip(map(id, referents), referents, strict=True))
            found = islice(seen.values(), before, None)
            fresh = [value for value in found if not self._is_shared[type(value)]]
        return size


class _Based(dict[type, bool]):
    """Type -> whether its instances may show bytes of another, their `base`."""

    def __missing__(self, kind: type) -> bool:
        self[kind] = hasattr(kind, "base") and hasattr(kind, "nbytes")
        return self[kind]


_BASED: Final = _Based()


class _Shared(dict[type, bool]):
    """Type -> whether its instances are left out, found out on the first of them."""

    def __init__(self, kinds: tuple[type, ...]) -> None:
        super().__init__()
        self._kinds = kinds

    def __missing__(self, kind: type) -> bool:
        self[kind] = issubclass(kind, self._kinds)
        return self[kind]


class _Known:
    """An answer, the bytes that it and its question take, and how often it was used since, where
    it grows.
    """

    __slots__ = ("answer", "size", "uses")

    def __init__(self, answer: object) -> None:
        self.answer = answer
        self.size = 0
        self.uses = 0
