"""Snapshots of the catalog: their names, which are due, which may go. Pure.

A snapshot is the whole catalog as a SQLite file, compressed (Zstandard, RFC 8878). Each lies under a
name of its own, so that two machines never overwrite each other's and none is ever changed.

Rules:
1. A place is due where its last snapshot says something else than the catalog does now, and a pause
   has passed since: ``pause`` on drives and in buckets; in a bucket at least a day for a catalog of
   more than ``SMALL_BYTES``. Right after something was brought to the place (not after looks and
   proofs) there is no pause for a catalog that is no larger; on drives, after what a person typed, for
   one up to ``BY_HAND_BYTES``: no later deed may come before the machine is gone.
2. On a drive the newest ``KEPT_ON_DRIVES`` of each catalog stay, in a bucket the newest
   ``KEPT_IN_BUCKETS`` and, of the older ones, the newest of every month.
3. What another catalog put there is never touched.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from backupkeeper.core.model import Blake3

FOLDER: Final = ".backupkeeper/catalog"
"""Where snapshots lie, below the root of a drive and the prefix of a bucket."""
SMALL_BYTES: Final = 32 * 1024 * 1024
"""A catalog up to this size is compressed, written and read back within about a second."""
BY_HAND_BYTES: Final = 512 * 1024 * 1024
"""Of some 400,000 files; what a person typed has taken longer then."""
KEPT_ON_DRIVES: Final = 2
KEPT_IN_BUCKETS: Final = 30
DAY: Final = timedelta(days=1)
OLD_AFTER: Final = timedelta(days=2)
"""A place whose snapshot lacks something for so long is worth a quiet word."""

_NAME: Final = re.compile(r"(\d{8}T\d{12}Z)-([0-9a-f]{32})-([0-9a-f]{64})\.sqlite\.zst", re.ASCII)
_TIME: Final = "%Y%m%dT%H%M%S%fZ"


@dataclass(frozen=True, kw_only=True, slots=True, order=True)
class SnapshotName:
    """What a snapshot's name says; names sort by time. ``blake3`` is that of the compressed bytes."""

    taken_at: datetime
    catalog: str
    blake3: Blake3

    @property
    def text(self) -> str:
        """The name itself, without a folder."""
        when = self.taken_at.astimezone(UTC).strftime(_TIME)
        return f"{when}-{self.catalog}-{self.blake3}.sqlite.zst"

    @property
    def path(self) -> str:
        """Where it lies at a place."""
        return f"{FOLDER}/{self.text}"


def snapshot_name(text: str) -> SnapshotName | None:
    """What a file's name (without its folder) says; None where it is no snapshot's."""
    match = _NAME.fullmatch(text)
    if match is None:
        return None
    try:
        taken_at = datetime.strptime(match[1], _TIME).replace(tzinfo=UTC)
    except ValueError:
        return None
    name = SnapshotName(taken_at=taken_at, catalog=match[2], blake3=Blake3(match[3]))
    return name if name.text == text else None


@dataclass(frozen=True, kw_only=True, slots=True)
class Kept:
    """The last snapshot that a place got. ``mark``: what the catalog said then (see ``SnapshotMark``)."""

    at: datetime
    mark: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SnapshotMark:
    """The catalog as it is now. Size in bytes.

    ``text`` is another one whenever a fact was added; where old ones were let go it stays.
    """

    text: str
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class SnapshotNote:
    """How a place stands: when its last snapshot was taken, and whether the catalog says more now."""

    place: str
    at: datetime | None
    is_current: bool
    is_old: bool = False
    """Worth a word: there is none, or it has lacked something for long."""


def due_at(
    kept: Kept | None,
    mark: SnapshotMark,
    pause: timedelta,
    *,
    in_bucket: bool,
    brought: bool,
    by_hand: bool = False,
) -> datetime | None:
    """From when on a place should get a snapshot; None: it has what there is.

    Args:
        kept: the last one that it got.
        mark: the catalog as it is now.
        pause: what the person set.
        in_bucket: whether the place is a bucket.
        brought: whether something was brought there just now.
        by_hand: whether that was by a command, not by the daemon, which comes again.
    """
    if kept is None:
        return datetime.min.replace(tzinfo=UTC)
    if kept.mark == mark.text:
        return None
    is_small = mark.size_bytes <= SMALL_BYTES
    bound = BY_HAND_BYTES if by_hand and not in_bucket else SMALL_BYTES
    if brought and mark.size_bytes <= bound:
        return kept.at
    return kept.at + (pause if is_small or not in_bucket else max(pause, DAY))


def is_due(at: datetime | None, now: datetime, kept: Kept | None) -> bool:
    """Whether the time has come; a last one from the future was dated by a wrong clock."""
    return at is not None and (at <= now or (kept is not None and kept.at > now))


def note_on(place: str, kept: Kept | None, mark: SnapshotMark, now: datetime) -> SnapshotNote:
    """How a place stands, for a person."""
    if kept is None:
        return SnapshotNote(place=place, at=None, is_current=False, is_old=True)
    is_current = kept.mark == mark.text
    is_old = not is_current and now - kept.at > OLD_AFTER
    return SnapshotNote(place=place, at=kept.at, is_current=is_current, is_old=is_old)


def superseded(names: Iterable[SnapshotName], catalog: str, *, in_bucket: bool) -> list[str]:
    """Names (without folder) of this catalog's snapshots that need not stay."""
    mine = sorted((name for name in names if name.catalog == catalog), reverse=True)
    if not in_bucket:
        return [name.text for name in mine[KEPT_ON_DRIVES:]]
    gone, month = [], ""
    for name in mine[KEPT_IN_BUCKETS:]:
        its_month = name.text[:6]
        if its_month == month:
            gone.append(name.text)
        month = its_month
    return gone


def newest_first(names: Iterable[SnapshotName]) -> dict[str, list[SnapshotName]]:
    """Snapshots by catalog, the newest first."""
    found: dict[str, list[SnapshotName]] = {}
    for name in sorted(set(names), reverse=True):
        found.setdefault(name.catalog, []).append(name)
    return found
