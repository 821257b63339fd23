"""Which files of a card are new, and which were taken off it before.

Promises:
1. A guess (``likely_home``) only ever saves writing: what it names is read whole and compared by
   content before it counts as known.
2. Two cards that share a few small files (sidecars, indexes) stay two rolls: a card is an earlier
   roll's card only when at least half of that roll's bytes are on it (``is_carried``).
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from backupkeeper.core.model import Blake3, CardEntry, RollFile

TIME_SLACK_NS = 2_000_000_000
"""exFAT and FAT32 keep times to 2 s (Microsoft's specifications, STANDARDS section 8.4)."""
ZONE_STEP_NS = 15 * 60 * 1_000_000_000
"""exFAT gives its UTC offset in steps of 15 minutes; a wrong zone shifts times by whole steps."""
ZONE_MOST_NS = 26 * 3600 * 1_000_000_000
"""Zones reach from -12 to +14 hours: two readings of one time differ by 26 hours at the most."""


def same_time(one_ns: int, other_ns: int) -> bool:
    """Whether two modification times may be the same, seen through file systems without zones."""
    apart = abs(one_ns - other_ns)
    off = apart % ZONE_STEP_NS
    return apart <= ZONE_MOST_NS + TIME_SLACK_NS and min(off, ZONE_STEP_NS - off) <= TIME_SLACK_NS


@dataclass(frozen=True, kw_only=True, slots=True)
class KnownRoll:
    """A roll of the same source that was taken before: sealed, or begun and not finished."""

    folder: str
    sealed: bool
    files: Mapping[str, RollFile]


def likely_home(
    entry: CardEntry,
    rolls: Iterable[KnownRoll],
    starts_alike: Callable[[CardEntry, RollFile], bool],
) -> KnownRoll | None:
    """The roll that already holds this file, by all appearances.

    Args:
        entry: the file on the card.
        rolls: rolls of the same source, those to prefer first.
        starts_alike: asked only where the size agrees and the time does not: whether the file's
            first block hashes to the recorded one.
    """
    for roll in rolls:
        known = roll.files.get(entry.path)
        if known is None or known.size != entry.size:
            continue
        if same_time(known.mtime_ns, entry.mtime_ns) or starts_alike(entry, known):
            return roll
    return None


def is_carried(roll: KnownRoll, found: Mapping[str, Blake3]) -> bool:
    """Whether the card with these contents (path to content) is the one that the roll came from."""
    if not roll.sealed:
        return True
    total = sum(file.size for file in roll.files.values())
    here = [file for path, file in roll.files.items() if found.get(path) == file.content]
    if total == 0:
        return len(here) == len(roll.files)
    return 2 * sum(file.size for file in here) >= total


def fits_card(
    files: Sequence[RollFile],
    entries: Mapping[str, CardEntry],
    starts_alike: Callable[[CardEntry, RollFile], bool],
) -> bool:
    """Whether an unfinished roll may have come from this card: each of its files is there still.

    Names and sizes agree on every card of some recorders, so the time or the first block must too.
    """
    return all(
        file.path in entries
        and entries[file.path].size == file.size
        and (
            same_time(file.mtime_ns, entries[file.path].mtime_ns)
            or starts_alike(entries[file.path], file)
        )
        for file in files
    )
