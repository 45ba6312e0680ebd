"""What is worked out once, though several rules ask for it at the same time."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from threading import Lock
from typing import Any, TypeVar

Made = TypeVar("Made")


class Once:
    """Remembers what was made for each key; whoever asks while it is being made waits for it."""

    def __init__(self) -> None:
        self._gate = Lock()
        self._locks: dict[Hashable, Lock] = {}
        self._made: dict[Hashable, Any] = {}

    def get(self, key: Hashable, make: Callable[[], Made]) -> Made:
        """What `make` gives, the first time; later the same."""
        with self._gate:
            lock = self._locks.setdefault(key, Lock())
        with lock:
            if key not in self._made:
                self._made[key] = make()
        made: Made = self._made[key]
        return made
