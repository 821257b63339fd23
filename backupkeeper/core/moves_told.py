"""Moves by hand as they are told: what changed places as one, many like each other as one, the last word only.

Promises:
1. Pure. Every file is told of once: sums of files and bytes stay what they are.
2. What was moved on since, or back, is told as it is now.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from backupkeeper.core.moving import MOST_TOLD, Moved

MANY: Final = 4
"""So many moves out of one folder into one other are told as one."""


class How(StrEnum):
    """How files came to lie elsewhere."""

    MOVED = "moved"
    SWAPPED = "changed places"
    """Two folders, or two files: each lies where the other was."""
    ONE_BY_ONE = "one by one"
    """Several things that lay in one folder; ``was`` and ``now`` are the folders (a place's root: "")."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """Moves that are told as one; the fields are those of ``Moved``."""

    how: How
    place: str
    was: str
    now: str
    files: int
    size_bytes: int
    not_cold: int


def as_told(moved: Sequence[Moved]) -> list[Told]:
    """What is to be said of moves, in their order."""
    by_step = {(one.place, one.was, one.now): one for one in moved}
    groups: dict[tuple[str, str, str], list[Moved]] = {}
    for one in moved:
        if (one.place, one.now, one.was) not in by_step:
            groups.setdefault(_folders(one), []).append(one)
    told: dict[tuple[How, str, str, str], Told] = {}
    for one in moved:
        back = by_step.get((one.place, one.now, one.was))
        group = groups.get(_folders(one), [])
        how, at, files = How.MOVED, one, [one]
        if back is not None:
            files = sorted((one, back), key=lambda each: each.was)
            how, at = How.SWAPPED, files[0]
        elif len(group) >= MANY:
            _, was, now = _folders(one)
            how, at, files = How.ONE_BY_ONE, replace(one, was=was, now=now), group
        told[how, at.place, at.was, at.now] = _as_one(how, at, files)
    return list(told.values())


def _folders(one: Moved) -> tuple[str, str, str]:
    return one.place, one.was.rpartition("/")[0], one.now.rpartition("/")[0]


def _as_one(how: How, at: Moved, group: Sequence[Moved]) -> Told:
    return Told(
        how=how,
        place=at.place,
        was=at.was,
        now=at.now,
        files=sum(one.files for one in group),
        size_bytes=sum(one.size_bytes for one in group),
        not_cold=sum(one.not_cold for one in group),
    )


def lately(runs: Iterable[Sequence[Moved]]) -> list[Moved]:
    """Where things lie now, of all that moved: what was moved on is told with its last place.

    What was moved back to where it was is not told, nor an earlier move out of which something was moved on.

    Args:
        runs: what was found moved together, the newest first.
    """
    kept: list[Moved] = []
    for run in runs:
        starts = {(one.place, one.was, one.files): number for number, one in enumerate(kept)}
        before = tuple(kept)
        for one in run:
            on = starts.get((one.place, one.now, one.files))
            if on is not None:
                kept[on] = replace(kept[on], was=one.was)
            elif not any(new.place == one.place and _is_in(one.now, new.was) for new in before):
                kept.append(one)
    return [one for one in kept if one.was != one.now]


def _is_in(path: str, folder: str) -> bool:
    return path == folder or path.startswith(f"{folder}/")


def moved_notes(moved: Sequence[Moved]) -> list[str]:
    """Sentences for a report: what was moved lately, newest first."""
    all_of_it = as_told(moved)
    told = [
        f"{one.place}: {in_words(one)}, by hand, and known there by its bytes."
        for one in all_of_it[:MOST_TOLD]
    ]
    left = len(all_of_it) - len(told)
    return [*told, f"There were {left} more moves like that."] if left else told


def in_words(one: Told) -> str:
    """What happened, as a sentence without its end; the place is said before it."""
    if one.how is How.SWAPPED:
        return f"{one.was} and {one.now} changed places ({_files(one.files)})"
    if one.how is How.ONE_BY_ONE:
        was, now = (folder or "its top folder" for folder in (one.was, one.now))
        return f"{_files(one.files)} of {was} were moved or renamed one by one, to {now}"
    return f"{one.was} is now at {one.now} ({_files(one.files)})"


def _files(number: int) -> str:
    return "1 file" if number == 1 else f"{number:,} files"
