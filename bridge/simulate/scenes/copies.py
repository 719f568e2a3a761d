"""Copies a trial, so that one run up to a fault serves every fault that strikes then.

A copy is made from a pickle of the original. It shares with the original what never changes: the values of
frozen dataclasses, such as plans and readings, and whatever the caller names. A trial consists mostly of such
values, so a copy takes under a millisecond. A fork of the process takes some eight: the interpreter counts
references to its code, too, and the system copies each page of memory in which a count changes.
"""

import io
import pickle
from typing import Generic, TypeVar

Original = TypeVar("Original")


class Copies(Generic[Original]):
    """Makes equal copies of an object as it is now.

    Args:
        original: The object. A function in it must be one of a module, a bound method or a partial of these.
        shared: Other objects that every copy shares.
    """

    def __init__(self, original: Original, *shared: object) -> None:
        data = io.BytesIO()
        pickler = _Pickler(data, {id(one) for one in shared})
        pickler.dump(original)
        self._data = data.getvalue()
        self._shared = pickler.found

    def one(self) -> Original:
        """Return a new copy."""
        copy: Original = _Unpickler(self._data, self._shared).load()
        return copy


class _Pickler(pickle.Pickler):
    def __init__(self, data: io.BytesIO, shared: set[int]) -> None:
        super().__init__(data, pickle.HIGHEST_PROTOCOL)
        self._wanted = shared
        self.found: list[object] = []

    def persistent_id(self, one: object) -> int | None:
        """Return the place of a shared object in the list, or None for an object that is copied."""
        settings = getattr(type(one), "__dataclass_params__", None)
        if (settings is None or not settings.frozen) and id(one) not in self._wanted:
            return None
        self.found.append(one)
        return len(self.found) - 1


class _Unpickler(pickle.Unpickler):
    def __init__(self, data: bytes, shared: list[object]) -> None:
        super().__init__(io.BytesIO(data))
        self._shared = shared

    def persistent_load(self, place: int) -> object:
        """Return the shared object at this place in the list."""
        return self._shared[place]
