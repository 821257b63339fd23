"""Two trees of files held against each other: what is the same, and what is not. Pure.

Promises:
1. Nothing is called the same of which the content is not known on both sides.
2. Every file of both sides is told exactly once: alone, or in one pair.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from backupkeeper.core.model import Blake3


@dataclass(frozen=True, kw_only=True, slots=True)
class Side:
    """One of the two: what it is called, and the folder that is compared."""

    name: str
    root: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """A file of one side. ``content`` is None where nobody knows what its bytes are."""

    path: str
    size: int
    content: Blake3 | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Pair:
    """A file of the first side and one of the second."""

    one: Seen
    two: Seen


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """What came of it.

    ``same``: same name, same content: how many files, and bytes. ``other``: same name, other
    content. ``unknown``: same name and size, but the content of one is not known. ``moved``: same content
    under another name. ``only``: on the first side, on the second. ``left_out``: files of our
    own (manifests, snapshots) and what systems leave behind, not compared. ``unread``: path and why, by side.
    """

    sides: tuple[Side, Side]
    is_read: bool
    same: tuple[int, int] = (0, 0)
    other: tuple[Pair, ...] = ()
    unknown: tuple[Pair, ...] = ()
    moved: tuple[Pair, ...] = ()
    only: tuple[tuple[Seen, ...], tuple[Seen, ...]] = ((), ())
    left_out: tuple[int, int] = (0, 0)
    unread: tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...]] = ((), ())
    not_cold: str = ""
    """Why what was read may have come from this computer's memory; empty: it came from the media."""

    @property
    def is_same(self) -> bool:
        """Whether nothing differs, and nothing is left open."""
        found = (self.other, self.unknown, self.moved, *self.only, *self.unread)
        return not any(found)


def compare(
    sides: tuple[Side, Side], one: Iterable[Seen], two: Iterable[Seen], *, is_read: bool = False
) -> Compared:
    """Hold two trees against each other.

    Args:
        sides: what they are.
        one: files of the first, each path once.
        two: files of the second.
        is_read: whether contents are known from reading every byte just now.
    """
    first, second = ({file.path: file for file in files} for files in (one, two))
    files = size = 0
    other, unknown, lone = [], [], []
    for path, mine in sorted(first.items()):
        theirs = second.get(path)
        if theirs is None:
            lone.append(mine)
        elif mine.size != theirs.size:
            other.append(Pair(one=mine, two=theirs))
        elif mine.content is None or theirs.content is None:
            unknown.append(Pair(one=mine, two=theirs))
        elif mine.content != theirs.content:
            other.append(Pair(one=mine, two=theirs))
        else:
            files, size = files + 1, size + mine.size
    lone_too = [file for path, file in sorted(second.items()) if path not in first]
    moved, only = _moved(lone, lone_too, _by_content(first), _by_content(second))
    return Compared(
        sides=sides,
        is_read=is_read,
        same=(files, size),
        other=tuple(other),
        unknown=tuple(unknown),
        moved=moved,
        only=only,
    )


def _by_content(files: Mapping[str, Seen]) -> dict[Blake3, list[Seen]]:
    found: dict[Blake3, list[Seen]] = {}
    for _, file in sorted(files.items()):
        if file.content is not None:
            found.setdefault(file.content, []).append(file)
    return found


def _moved(
    lone: list[Seen],
    lone_too: list[Seen],
    first: Mapping[Blake3, list[Seen]],
    second: Mapping[Blake3, list[Seen]],
) -> tuple[tuple[Pair, ...], tuple[tuple[Seen, ...], tuple[Seen, ...]]]:
    """Pairs of one content under two names, lone files first; and what is left alone on each side."""
    waiting: dict[Blake3, list[Seen]] = {}
    for file in reversed(lone_too):
        if file.content is not None:
            waiting.setdefault(file.content, []).append(file)
    pairs, only, taken = [], [], set()
    for file in lone:
        if file.content is None or file.content not in second:
            only.append(file)
            continue
        free = waiting.get(file.content)
        mate = free.pop() if free else second[file.content][0]
        taken.add(mate.path)
        pairs.append(Pair(one=file, two=mate))
    only_too = []
    for file in lone_too:
        if file.path in taken:
            continue
        if file.content is None or file.content not in first:
            only_too.append(file)
        else:
            pairs.append(Pair(one=first[file.content][0], two=file))
    return tuple(pairs), (tuple(only), tuple(only_too))
