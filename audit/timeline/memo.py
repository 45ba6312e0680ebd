"""Values that several rules ask for, computed once though they ask at the same time."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from threading import Lock
from typing import Any, TypeVar

Value = TypeVar("Value")


class Memo:
    """Remembers the value computed for each key; whoever asks while it is being computed waits for it."""

    def __init__(self) -> None:
        self._gate = Lock()
        self._locks: dict[Hashable, Lock] = {}
        self._values: dict[Hashable, Any] = {}

    def get(self, key: Hashable, compute: Callable[[], Value]) -> Value:
        """The value of a key: computed the first time, later the same."""
        with self._gate:
            lock = self._locks.setdefault(key, Lock())
        with lock:
            if key not in self._values:
                self._values[key] = compute()
        value: Value = self._values[key]
        return value

    def known(self, key: Hashable) -> bool:
        """Whether the value of a key is computed already."""
        return key in self._values
