"""Memory: a cache of answers, within a budget in bytes."""

from __future__ import annotations

import gc
from collections import OrderedDict
from collections.abc import Callable, Hashable
from enum import Enum
from itertools import islice
from sys import getsizeof
from threading import RLock
from types import BuiltinFunctionType, FunctionType, ModuleType
from typing import Any, Final, Generic, TypeVar, cast

T = TypeVar("T")
K = TypeVar("K", bound=Hashable)

MIB: Final = 2**20
ELSEWHERE: Final = 63 * MIB
"""The most bytes that are cached outside of a workshop's memory: shapes of covers, and fixed
numbers of needs, of lines, of covers, of what is told of them, of comparisons, and of short texts
and amounts. A test adds them up.
"""
_ENTRY: Final = 400
"""Bytes that an entry takes in the tables."""
_ALL: Final = 16
_EACH: Final = 32
"""The first 16 answers of a kind are measured, then one of 32."""
_ROUNDED_UP: Final = 8
"""The most bytes that the interpreter's allocator adds to a value when it rounds up to 16."""
_EVERYBODYS: Final = (type, ModuleType, FunctionType, BuiltinFunctionType, Enum)


class Recent(Generic[K, T]):
    """A cache of the values used most recently: of at least `most`, and at most twice as many.

    Values are not measured, so they should be small.
    """

    def __init__(self, most: int) -> None:
        self.most = most
        self._new: dict[K, T] = {}
        self._old: dict[K, T] = {}

    def get(self, key: K) -> T | None:
        """Return the value of a key, if it is there."""
        value = self._new.get(key)
        if value is None and (value := self._old.get(key)) is not None:
            self.put(key, value)
        return value

    def values(self) -> list[T]:
        """Return the values that are there."""
        return list({**self._old, **self._new}.values())

    def put(self, key: K, value: T) -> None:
        """Store a value. If there are too many, those not used for the longest time are dropped."""
        if len(self._new) >= self.most:
            self._old, self._new = self._new, {}
        self._new[key] = value


class ByIdentity(Generic[K, T]):
    """Values that follow from objects, computed once for each object, which is kept with its value
    so that no other has its identity. For objects that live as long as the catalogue.
    """

    def __init__(self, work_out: Callable[[K], T], most: int) -> None:
        self._work_out = work_out
        self._most = most
        self._known: dict[int, tuple[K, T]] = {}

    def of(self, one: K) -> T:
        """Return the value of an object. If there are too many, all others are dropped."""
        known = self._known.get(id(one))
        if known is None:
            if len(self._known) >= self._most:
                self._known.clear()
            known = self._known[id(one)] = one, self._work_out(one)
        return known[1]


class Memory:
    """A cache of answers by question, within a budget. The least recently used are dropped first.

    Measuring takes time, so of each kind of question, its first member, only the first answers and
    every 32nd after them are measured when they are stored; the others count as the mean of those.
    An answer that grows as it is used is measured again when the next growing answer is computed,
    and after 1, 2, 4, ... uses. Objects that several answers share are counted for each of them,
    so the sum is too high rather than too low. Several threads may use it at once: an answer that
    two of them compute at the same time is the first one's for both.

    Args:
        budget: the most bytes that all answers and their questions may take.
        shared: types whose instances are not counted, because they exist in any case or are counted
            elsewhere.
    """

    def __init__(self, budget: int, shared: tuple[type, ...] = ()) -> None:
        self.budget = budget
        self.held = 0
        """Bytes that all answers and their questions take."""
        self._is_shared = _Shared((*_EVERYBODYS, *shared))
        self._known: OrderedDict[Hashable, _Known] = OrderedDict()
        self._kinds: dict[Hashable, _Kind] = {}
        self._lock = RLock()
        """Held while the table is changed, but not while an answer is computed."""
        self._growing: Hashable = None
        """The question of the latest answer that grows."""

    def get(self, question: Hashable, work_out: Callable[[], T], *, grows: bool = False) -> T:
        """Return the stored answer to a question; if there is none, compute and store it.

        An answer that is larger than the budget is dropped at once.
        """
        with self._lock:
            known = self._known.get(question)
            if known is not None:
                return cast(T, self._used(question, known, grows=grows))
        answer = work_out()
        with self._lock:
            known = self._known.get(question)
            if known is not None:
                # worked out meanwhile, by another thread or on the way
                return cast(T, self._used(question, known, grows=grows))
            self._add(question, _Known(answer), grows=grows)
        return answer

    def _used(self, question: Hashable, known: _Known, *, grows: bool) -> object:
        """Return a stored answer, which is used once more."""
        self._known.move_to_end(question)
        if grows:
            known.uses += 1
            if known.uses & (known.uses - 1) == 0:
                self._weigh(question, known)
        return known.answer

    def _add(self, question: Hashable, known: _Known, *, grows: bool) -> None:
        """Store an answer that was computed just now."""
        self._known[question] = known
        kind = self._kind_of(question)
        if grows or kind.is_due():
            kind.add(self._weigh(question, known))
        else:
            self._count(known, kind.mean)
        if grows:
            before = self._known.get(self._growing)
            if before is not None:
                self._weigh(self._growing, before)
            self._growing = question

    def clear(self) -> None:
        """Drop all answers."""
        with self._lock:
            self._known.clear()
            self._growing = None
            self.held = 0

    def _weigh(self, question: Hashable, known: _Known) -> int:
        size = _ENTRY + self.size_of(question, known.answer)
        self._count(known, size)
        return size

    def _count(self, known: _Known, size: int) -> None:
        self.held += size - known.size
        known.size = size
        while self.held > self.budget:
            _, gone = self._known.popitem(last=False)
            self.held -= gone.size

    def _kind_of(self, question: Hashable) -> _Kind:
        if not isinstance(question, tuple):
            return _Kind()
        return self._kinds.setdefault(question[0], _Kind())

    def size_of(self, *values: object) -> int:
        """Return the bytes that values take, with all objects that they refer to.

        Objects of shared types are left out, except the values themselves.
        """
        size = 0
        fresh: list[Any] = list(values)
        seen = {id(value): value for value in fresh}
        while fresh:
            # level by level, so that nearly all of it is done inside the interpreter
            size += sum(map(getsizeof, fresh)) + _ROUNDED_UP * len(fresh)
            referents = gc.get_referents(*fresh)
            # the garbage collector does not see the object whose bytes an array shows
            referents += [value.base for value in fresh if _BASED[type(value)]]
            before = len(seen)
            seen.update(zip(map(id, referents), referents, strict=True))
            found = islice(seen.values(), before, None)
            fresh = [value for value in found if not self._is_shared[type(value)]]
        return size


class _Based(dict[type, bool]):
    """Type -> whether its instances may be views of another object's bytes, their `base`."""

    def __missing__(self, kind: type) -> bool:
        self[kind] = hasattr(kind, "base") and hasattr(kind, "nbytes")
        return self[kind]


_BASED: Final = _Based()


class _Shared(dict[type, bool]):
    """Type -> whether its instances are left out, determined at the first of them."""

    def __init__(self, kinds: tuple[type, ...]) -> None:
        super().__init__()
        self._kinds = kinds

    def __missing__(self, kind: type) -> bool:
        self[kind] = issubclass(kind, self._kinds)
        return self[kind]


class _Kind:
    """The answers of one kind: how many there were, how many were measured, and their bytes."""

    __slots__ = ("answers", "measured", "size")

    def __init__(self) -> None:
        self.answers = 0
        self.measured = 0
        self.size = 0

    def is_due(self) -> bool:
        """Count an answer, and return whether it is to be measured."""
        self.answers += 1
        return self.answers <= _ALL or self.answers % _EACH == 0

    def add(self, size: int) -> None:
        """Add the bytes of an answer that was measured."""
        self.measured += 1
        self.size += size

    @property
    def mean(self) -> int:
        """The mean of the bytes measured."""
        return self.size // self.measured


class _Known:
    """An answer, the bytes that it and its question take, and, if it grows, how often it was used
    since.
    """

    __slots__ = ("answer", "size", "uses")

    def __init__(self, answer: object) -> None:
        self.answer = answer
        self.size = 0
        self.uses = 0
