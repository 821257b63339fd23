"""Files of a roll, cut into groups of which all files are judged alike. Pure.

Promise: every file is in one group, and that holds for it what was judged of the group, if the judge is one who
judges all between two files alike where it judges those two alike.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from backupkeeper.core.sums import Group, Slot

_T = TypeVar("_T")
Judge = Callable[[Group], _T | None]


def divided(files: Iterable[Group], judge: Judge[_T]) -> list[tuple[Group, _T]] | None:
    """Groups, and what was judged of each; None: of a single file nothing could be.

    Args:
        files: of one roll, each a group of its own.
        judge: of a group, by the first and the last of each date; None: its files may differ.
    """
    alike: dict[tuple[tuple[str, int, int, int], ...], list[Group]] = {}
    for one in files:
        sign = tuple((slot.place, slot.home, slot.kind, slot.warm) for slot in one.slots)
        alike.setdefault(sign, []).append(one)
    found: list[tuple[Group, _T]] = []
    for group in alike.values():
        parts = _halved(sorted(group, key=lambda one: one.slots), judge)
        if parts is None:
            return None
        found += parts
    return found


def _halved(files: Sequence[Group], judge: Judge[_T]) -> list[tuple[Group, _T]] | None:
    whole = _joined(files)
    judged = judge(whole)
    if judged is not None:
        return [(whole, judged)]
    if len(files) == 1:
        return None
    middle = len(files) // 2
    first = _halved(files[:middle], judge)
    last = _halved(files[middle:], judge) if first is not None else None
    return [*first, *last] if first is not None and last is not None else None


def _joined(files: Sequence[Group]) -> Group:
    """Files with copies at the same places, as one group."""
    return Group(
        files=sum(one.files for one in files),
        size_bytes=sum(one.size_bytes for one in files),
        slots=tuple(_spanning(slots) for slots in zip(*(one.slots for one in files), strict=True)),
    )


def _spanning(slots: Sequence[Slot]) -> Slot:
    """The first and the last of each date."""
    return slots[0]._replace(
        base=min(one.base for one in slots),
        base_last=max(one.base_last for one in slots),
        seen=min(one.seen for one in slots),
        seen_last=max(one.seen_last for one in slots),
        fetched=min(one.fetched for one in slots),
        fetched_last=max(one.fetched_last for one in slots),
        latest=max(one.latest for one in slots),
        first=min(one.first for one in slots),
        first_last=max(one.first_last for one in slots),
    )
