"""Results of pure functions, kept in memory by the content of what they were made of.

A part of the pipeline that is dear calls its pure functions through ``call``, a :data:`Call`.
By default that is :func:`afresh`, which just calls. A process that plans the same site again and
again gives a :class:`Memory` instead: it knows a call by the function and the content of its
arguments, so that what did not change is not worked out again, and a result is the same whether
it was kept or not.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from types import FunctionType
from typing import Any, ParamSpec, Protocol, TypeVar

import numpy as np
import pandas as pd

Given = ParamSpec("Given")
Result = TypeVar("Result")
#: What is kept takes at most this much; what was used longest ago goes first.
LARGEST_BYTES = 2**30
#: What a result is reckoned to take beside its arrays and tables.
_LITTLE_BYTES = 1000


class Call(Protocol):
    """Calls a pure function, or gives what it gave before."""

    def __call__(
        self,
        function: Callable[Given, Result],
        /,
        *arguments: Given.args,
        **named: Given.kwargs,
    ) -> Result:
        """Give the function's result."""
        ...


def afresh(
    function: Callable[Given, Result], /, *arguments: Given.args, **named: Given.kwargs
) -> Result:
    """Call the function."""
    return function(*arguments, **named)


@dataclass(frozen=True)
class _Kept:
    """A result, the ids that its parts are known by, and what it takes."""

    result: Any
    ids: tuple[int, ...]
    size: int


class Memory:
    """Keeps results by the digest of the function and its arguments, up to ``largest`` bytes.

    Arguments must be what ``pickle`` takes; a function counts by its name. ``aside`` are
    arguments that no result hangs on, such as who is told of the steps. Arrays, tables and frozen
    dataclasses that came out of a kept result are known by where they came from, and not read
    again when they are arguments: nobody may change them in place. Threads may call it side by
    side.
    """

    def __init__(self, largest: int = LARGEST_BYTES, aside: Iterable[object] = ()) -> None:
        self._aside = tuple(aside)
        self._largest = largest
        self._kept: OrderedDict[bytes, _Kept] = OrderedDict()
        self._names: dict[int, bytes] = {id(one): b"aside" for one in self._aside}
        self._taken = 0
        self._lock = threading.RLock()

    def __call__(
        self,
        function: Callable[Given, Result],
        /,
        *arguments: Given.args,
        **named: Given.kwargs,
    ) -> Result:
        """Give the function's result, as it was kept where it was called so before."""
        key, seen = _digest((function, arguments, named), self._names)
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None:
                self._kept.move_to_end(key)
        if kept is None:
            made = function(*arguments, **named)
            with self._lock:  # who asked for the same side by side may have been the first
                kept = self._kept.get(key) or self._keep(key, made, seen)
        result: Result = kept.result
        return result

    def _keep(self, key: bytes, result: Any, arguments: set[int]) -> _Kept:
        ids: list[int] = []
        size = _LITTLE_BYTES
        for number, part in enumerate(_parts(result)):
            size += _size(part)
            # What was given and comes back goes by its content again: the next is another object.
            if id(part) not in self._names and id(part) not in arguments:
                ids.append(id(part))
                self._names[id(part)] = key + number.to_bytes(4, "big")
        kept = self._kept[key] = _Kept(result, tuple(ids), size)
        self._taken += size
        while self._taken > self._largest and len(self._kept) > 1:
            _, oldest = self._kept.popitem(last=False)
            self._taken -= oldest.size
            for one in oldest.ids:
                del self._names[one]
        return kept


class _Pickler(pickle.Pickler):
    """Writes what is named by its name, and each array's bytes beside the rest."""

    def __init__(self, to: io.BytesIO, names: Mapping[int, bytes]) -> None:
        self.arrays: list[pickle.PickleBuffer] = []
        super().__init__(to, protocol=5, buffer_callback=self.arrays.append)
        # Else equal texts that are one object differ from equal texts that are two.
        self.fast = True
        self._names = names
        self.seen: set[int] = set()

    def persistent_id(self, one: Any) -> bytes | None:
        name = self._names.get(id(one))
        if name is None:
            self.seen.add(id(one))
        return name

    def reducer_override(self, one: Any) -> Any:
        # A guarded function of another package is found under its name no more.
        if isinstance(one, FunctionType) and hasattr(one, "__wrapped__"):
            return str, (f"{one.__module__}.{one.__qualname__}",)
        return NotImplemented


def _digest(value: Any, names: Mapping[int, bytes]) -> tuple[bytes, set[int]]:
    """Digest of a value, and the ids of what was read for it."""
    written = io.BytesIO()
    pickler = _Pickler(written, names)
    pickler.dump(value)
    digest = hashlib.sha256(written.getbuffer())
    for array in pickler.arrays:
        with array.raw() as content:
            digest.update(content.nbytes.to_bytes(8, "big"))
            digest.update(content)
    return digest.digest(), pickler.seen


def digest_of(value: Any) -> bytes:
    """SHA-256 of a value's whole content. Raises what ``pickle`` raises."""
    return _digest(value, {})[0]


def _parts(value: Any) -> Iterator[Any]:
    """Arrays, tables and frozen dataclasses of a value, in one order."""
    if isinstance(value, np.ndarray | pd.DataFrame | pd.Series):
        yield value
    elif is_dataclass(value) and not isinstance(value, type):
        if value.__dataclass_params__.frozen:  # type: ignore[attr-defined]
            yield value
        for field in fields(value):
            yield from _parts(getattr(value, field.name))
    elif isinstance(value, Mapping):
        for one in value.values():
            yield from _parts(one)
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _parts(one)


def _size(part: Any) -> int:
    if isinstance(part, np.ndarray):
        return part.nbytes
    if isinstance(part, pd.DataFrame):
        return int(part.memory_usage().sum())
    return int(part.memory_usage()) if isinstance(part, pd.Series) else 0
