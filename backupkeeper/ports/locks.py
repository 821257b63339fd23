"""Holding a place, so that no two programs of ours work on it at once."""

from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, kw_only=True, slots=True)
class Holder:
    """Who holds a lock: process id, and what it does, in words."""

    process: int
    doing: str


class Locks(Protocol):
    """Named locks beside the catalog. They die with their holder, even after a kill."""

    def hold(self, name: str, *, called: str, doing: str) -> AbstractContextManager[None]:
        """Hold a lock for the time of the block.

        Args:
            name: a place's id, ``offload``, or ``daemon``.
            called: what a person calls it (the place's name).
            doing: what the holder does, for the sentence that another one prints.

        Raises:
            PlaceHeldError: another process holds it; the sentence says which and what it does.
            CatalogError: the lock can't be made.
        """
        ...

    def holder(self, name: str) -> Holder | None:
        """Who holds it now, if anybody."""
        ...
