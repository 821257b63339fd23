"""What goes to a bucket first: the order of rolls, and of files within a roll. Pure.

Rules:
1. Rolls with the fewest proven copies first; among them those of the newest shoot.
2. Within a roll its small files before its large ones: sidecars, sound and what a card says of itself
   are off site soon. The manifest of a roll follows all its files, for it speaks of all of them.
3. Among equals the order that they have by name: equal facts give equal orders, and files of a card
   are read as they lie on the drive.
"""

from collections.abc import Callable, Iterable
from functools import total_ordering
from typing import Final, TypeVar

from backupkeeper.core.parts import MEBIBYTE

_T = TypeVar("_T")

SMALL_BYTES: Final = 4 * MEBIBYTE
"""A file of no more than one block is small."""


@total_ordering
class NewestFirst:
    """A shoot's name, ordered so that the newest (``YYMMDD``, the largest) comes first."""

    def __init__(self, shoot: str) -> None:
        self._shoot = shoot

    def __eq__(self, other: object) -> bool:
        return isinstance(other, NewestFirst) and self._shoot == other._shoot

    def __hash__(self) -> int:
        return hash(self._shoot)

    def __lt__(self, other: "NewestFirst") -> bool:
        return self._shoot > other._shoot


Rank = tuple[int, NewestFirst, str]


def rank(fewest: int, shoot: str, name: str) -> Rank:
    """A roll's place in the order: the smaller the sooner.

    Args:
        fewest: the smallest number of roles that any of its files is proven in.
        shoot: the shoot's name.
        name: something that no other roll has.
    """
    return fewest, NewestFirst(shoot), name


def files_in_order(files: Iterable[_T], size_of: Callable[[_T], int]) -> list[_T]:
    """Files of one roll, the small ones first; else as they were."""
    return sorted(files, key=lambda file: size_of(file) > SMALL_BYTES)
