"""Files that are not where they were, and files that nobody knows: which may be the same, moved by hand.

Promises:
1. Pure. Nothing here is a proof: what is worth reading is said here, and only bytes that were read tell.
2. A file that was moved as it is (its time kept, or its name) is always among what is worth reading.
3. What moved together is told as one: from the folder that it was in to the folder that it is in.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from backupkeeper.core.model import Blake3, Fact, Result, Roll
from backupkeeper.core.taking import TIME_SLACK_NS, ZONE_STEP_NS, same_time

_SLOTS: Final = ZONE_STEP_NS // TIME_SLACK_NS
"""Times that may be the same (``same_time``) lie in one of these, or in two that are neighbours."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Gone:
    """A file that is not where it was. ``path``: where, relative to the place's root."""

    path: str
    content: Blake3
    size: int
    mtime_ns: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """A file at a path of which nothing is known. ``path``: relative to the place's root."""

    path: str
    size: int
    mtime_ns: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Moved:
    """What was moved together at a place: from ``was`` to ``now``, both relative to its root.

    Two folders, or (renamed itself) two files. ``place``: its name. ``not_cold``: files that were not read
    from the medium, so that they are there and not proven.
    """

    place: str
    was: str
    now: str
    files: int
    size_bytes: int
    not_cold: int = 0


class _Times:
    """Sizes and times of files that are gone, with their paths."""

    def __init__(self) -> None:
        self._known: dict[tuple[int, int], dict[int, set[str]]] = {}

    def add(self, lost: Gone) -> None:
        times = self._known.setdefault((lost.size, _slot(lost.mtime_ns)), {})
        times.setdefault(lost.mtime_ns, set()).add(lost.path)

    def has(self, one: Found) -> bool:
        """Whether one at another path had this size, and perhaps this time."""
        slot = _slot(one.mtime_ns)
        return any(
            same_time(one.mtime_ns, time) and (len(paths) > 1 or one.path not in paths)
            for step in (-1, 0, 1)
            for time, paths in self._known.get((one.size, (slot + step) % _SLOTS), {}).items()
        )


def worth_reading(gone: Iterable[Gone], found: Iterable[Found]) -> list[Found]:
    """Found files that may be one of those that are gone, the likeliest first.

    That is one of the same size with the same time or the same name (empty files: the name).
    """
    sizes: set[int] = set()
    names: set[tuple[int, str]] = set()
    times = _Times()
    for lost in gone:
        sizes.add(lost.size)
        names.add((lost.size, _name(lost.path)))
        times.add(lost)
    ranked = []
    for one in found:
        if one.size not in sizes:
            continue
        timed, named = times.has(one), (one.size, _name(one.path)) in names
        if named or (timed and one.size > 0):
            ranked.append(((not (timed and named), not timed, one.path), one))
    return [one for _, one in sorted(ranked, key=lambda pair: pair[0])]


def same_entry(gone: Iterable[Gone], found: Iterable[Found]) -> list[Found]:
    """Found files with size and time of one of these that was at another path; an empty one is like none."""
    times = _Times()
    for lost in gone:
        times.add(lost)
    return [one for one in found if one.size > 0 and times.has(one)]


OTHER_LIES_THERE: Final = "Another file of the footage lies there: "
"""Begins the note of a fact that a file is missing where one that is known was read."""


MOVED_AWAY: Final = "moved: "
"""Begins the note of a fact that a file is missing where it was, because it was found elsewhere."""


def is_moved_away(fact: Fact) -> bool:
    """Whether a fact says that nothing of a copy is where it was, because a person moved it."""
    return is_displaced(fact) or (
        fact.result is Result.MISSING and fact.note.startswith(MOVED_AWAY)
    )


def is_displaced(fact: Fact) -> bool:
    """Whether a fact says that a file is missing because another one that is known lies in its place."""
    return fact.result is Result.MISSING and fact.note.startswith(OTHER_LIES_THERE)


def whose(found: Found, gone: Sequence[Gone]) -> Gone:
    """Which of several files that are gone, all of this very content, a found one is.

    The one whose path ends most like its own; two files of a roll may be alike, and two rolls share one.
    """
    return min(gone, key=lambda one: (-_alike(one.path, found.path), one.path))


def step(was: str, now: str) -> tuple[str, str]:
    """The move that a file took part in: both paths without what they end in alike."""
    old, new = was.split("/"), now.split("/")
    while len(old) > 1 and len(new) > 1 and old[-1] == new[-1]:
        old.pop()
        new.pop()
    return "/".join(old), "/".join(new)


def together(
    moved: Iterable[Moved], keeps: Callable[[str], bool] = lambda _path: False
) -> tuple[Moved, ...]:
    """Moves of single files at one place, put together to moves of folders.

    Args:
        moved: of one file each.
        keeps: whether a folder has something yet that it had: then it was not moved as a whole, but what
            was in it.
    """
    groups: dict[tuple[str, str], list[Moved]] = {}
    for one in moved:
        groups.setdefault(step(one.was, one.now), []).append(one)
    found = []
    while groups:
        (was, now), group = groups.popitem()
        if any(one.was == was for one in group) or not keeps(was):
            found.append(_as_one(was, now, group))
            continue
        for one in group:
            part = one.was.removeprefix(f"{was}/").partition("/")[0]
            groups.setdefault((f"{was}/{part}", f"{now}/{part}"), []).append(one)
    return tuple(sorted(found, key=lambda one: (one.was, one.now)))


def _as_one(was: str, now: str, group: Sequence[Moved]) -> Moved:
    return Moved(
        place=group[0].place,
        was=was,
        now=now,
        files=sum(one.files for one in group),
        size_bytes=sum(one.size_bytes for one in group),
        not_cold=sum(one.not_cold for one in group),
    )


MOST_TOLD: Final = 20
"""So many moves of one run are remembered, those of the most files; so many are told of all."""


def to_detail(moved: Moved) -> str:
    """An event's text of a move; its place is the event's subject."""
    return json.dumps(
        {"was": moved.was, "now": moved.now, "files": moved.files, "bytes": moved.size_bytes}
    )


def from_detail(place: str, detail: str) -> Moved | None:
    """What an event tells of a place of this name; None: it can't be understood."""
    try:
        told = json.loads(detail)
        was, now, files, size = (told[key] for key in ("was", "now", "files", "bytes"))
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
    if not (isinstance(was, str) and isinstance(now, str)):
        return None
    if not (isinstance(files, int) and isinstance(size, int)):
        return None
    return Moved(place=place, was=was, now=now, files=files, size_bytes=size)


def most_telling(moved: Iterable[Moved]) -> list[Moved]:
    """The moves that are remembered of all of one run."""
    return sorted(moved, key=lambda one: (-one.files, one.was, one.now))[:MOST_TOLD]


def _name(path: str) -> str:
    return path.rpartition("/")[2].casefold()


def _slot(mtime_ns: int) -> int:
    return mtime_ns % ZONE_STEP_NS // TIME_SLACK_NS


def _alike(one: str, other: str) -> int:
    """How many parts of two paths are the same, from their ends."""
    pairs = zip(reversed(one.split("/")), reversed(other.split("/")), strict=False)
    return _leading(a == b for a, b in pairs)


def _leading(same: Iterable[bool]) -> int:
    count = 0
    for one in same:
        if not one:
            break
        count += 1
    return count


def homes_of_moved(roll: Roll, paths: Iterable[str]) -> tuple[str, ...]:
    """Folders in which most of a roll lies in its own shape, other than its own folder.

    Args:
        roll: sealed, of two files at least (one alone is no shape).
        paths: of a drive, where known copies lie.
    """
    files = {file.path for file in roll.files}
    found: Counter[str] = Counter()
    for path in paths:
        cut = path.find("/")
        while cut > 0:
            if path[cut + 1 :] in files:
                found[path[:cut]] += 1
            cut = path.find("/", cut + 1)
    return tuple(
        folder
        for folder, count in found.items()
        if count > 1 and 2 * count > len(files) and folder != roll.head.folder
    )
