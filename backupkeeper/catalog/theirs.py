"""Errors of a caller's own iterable: they pass untouched, while those of ours are put into words.

A ``ValueError`` out of somebody's generator is not a value that the catalog refused.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

_T = TypeVar("_T")


class _TheirsError(Exception):
    """Carries an error of a caller's iterable past ``faults.told``."""

    def __init__(self, error: Exception) -> None:
        super().__init__()
        self.error = error


def theirs(things: Iterable[_T]) -> Iterator[_T]:
    """The things; what their iterable raises leaves ``untouched`` as it is."""
    try:
        yield from things
    except Exception as error:
        raise _TheirsError(error) from error


@contextmanager
def untouched() -> Iterator[None]:
    """Surrounds whatever takes ``theirs``, with all that maps errors inside."""
    try:
        yield
    except _TheirsError as carried:
        raise carried.error from carried.error.__cause__
