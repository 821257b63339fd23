"""Kinds of trouble told apart: what readings of a copy show, and when a whole drive is in doubt.

Promises:
1. Rot is said only where size and time stand as they were; an edit only where one of them does not.
2. A block that came right once, cold, is right on the medium: what came before is the cable's, the
   port's or the memory's, and is told as that.
3. A block that was never right and never the same twice is blamed on nothing yet (``unstable``).
4. A drive is in doubt where many copies in a row are bad: nothing is mended there until a person
   has looked, for a wrong cable or a dying controller makes every copy look bad.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from backupkeeper.core.model import BLOCK_BYTES, BLOCK_DIGEST_BYTES, Fact, Result, Way
from backupkeeper.core.ranges import Ranges, blocks_of, merged, ranges_of
from backupkeeper.core.taking import same_time

SECOND_NS: Final = 1_000_000_000
KEEPS_UTC: Final = frozenset(
    {"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "zfs", "tmpfs", "overlay", "apfs", "hfsplus"}
)
SUDDEN_FILES: Final = 5
"""So many bad copies, and at least half of what was read: the drive, not its files."""
SUDDEN_WITHIN: Final = timedelta(hours=24)
ROTTEN: Final = frozenset({Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE, Result.UNSTABLE})
"""What a drive does by itself; edits and deletions are people's."""
MENDABLE: Final = frozenset({Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE})
"""What is mended without asking. An edit is somebody's work, and what is unstable may be whole."""
CAME_RIGHT: Final = (
    "The first reading was wrong and a later one right: suspect the cable, the port or the memory "
    "before the drive."
)
NO_RIGHT: Final = "This account may not read it: that says nothing of its bytes, nor of the drive."
NEVER_THE_SAME: Final = (
    "Read three times, parts of it were never the same: suspect the cable, the port, the memory or "
    "the controller, and read it again through another."
)
SOME_NEVER_THE_SAME: Final = "Other parts were never read the same twice: suspect the cable too."


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """What all readings of one copy come to."""

    result: Result
    damage: Ranges = ()
    unreadable: Ranges = ()
    """Those bytes among the damage that the device would not give."""
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """The copy's entry: bytes, time, and the file system's type (which says how times compare)."""

    size: int
    mtime_ns: int
    fs_type: str


def is_same_time(there: Standing, mtime_ns: int) -> bool:
    """Whether the copy's time may be the one that it was given."""
    if there.fs_type in KEEPS_UTC:  # to the nanosecond, or with small inodes to the second
        return there.mtime_ns in {mtime_ns, mtime_ns // SECOND_NS * SECOND_NS}
    return same_time(there.mtime_ns, mtime_ns)


def found(
    block_map: bytes,
    size: int,
    mtime_ns: int,
    there: Standing,
    readings: Mapping[int, Sequence[bytes | None]],
    unreadable: Ranges = (),
) -> Found:
    """What the readings of a copy come to.

    Args:
        block_map: what its blocks must hash to.
        size: what it must have, in bytes.
        mtime_ns: the time that it was given.
        there: what stands there.
        readings: for each block that was not right at first: what it hashed to each time, first
            reading first; None where the device would not give all of it. Blocks beyond the end of
            either are among them, with no digest that could be right.
        unreadable: the bytes that the device would not give.
    """
    wrong: dict[int, Sequence[bytes | None]] = {}
    for block, read in readings.items():
        at = block * BLOCK_DIGEST_BYTES
        if block_map[at : at + BLOCK_DIGEST_BYTES] not in read or _is_short(block, there, size):
            wrong[block] = read
    if not wrong and there.size == size:
        return Found(result=Result.MATCHES, note=CAME_RIGHT if readings else "")
    ends_at = max(size, there.size)
    damage = ranges_of(wrong, ends_at)
    if there.size != size:
        damage = merged([*damage, (min(size, there.size), ends_at)])
    lost = {block for block, read in wrong.items() if read and read[-1] is None}
    shaky = {block for block in wrong.keys() - lost if _is_unstable(wrong[block])}
    if lost:
        held = merged(
            (max(first, start), min(last, end))
            for first, last in unreadable
            for start, end in ranges_of(lost, ends_at)
        )
        return Found(result=Result.UNREADABLE, damage=damage, unreadable=held)
    result = _kind(size, mtime_ns, there, damage)
    if result is Result.DAMAGED and shaky == wrong.keys():
        return Found(result=Result.UNSTABLE, damage=damage, note=NEVER_THE_SAME)
    return Found(result=result, damage=damage, note=SOME_NEVER_THE_SAME if shaky else "")


def _is_short(block: int, there: Standing, size: int) -> bool:
    """Whether not all bytes of a block are there that must be."""
    return there.size < min((block + 1) * BLOCK_BYTES, size)


def _is_unstable(read: Sequence[bytes | None]) -> bool:
    return len(read) > 1 and len(set(read)) == len(read)


def _kind(size: int, mtime_ns: int, there: Standing, damage: Ranges) -> Result:
    is_same = is_same_time(there, mtime_ns)
    whole_blocks = there.size // BLOCK_BYTES * BLOCK_BYTES
    if there.size < size and damage[0][0] >= whole_blocks and (is_same or whole_blocks):
        return Result.CUT_OFF
    if there.size != size or not is_same:
        return Result.CHANGED
    return Result.DAMAGED


def is_rot(fact: Fact) -> bool:
    """Whether a fact speaks against the drive: not where only the right to read was lacking."""
    return fact.result in ROTTEN and fact.note != NO_RIGHT


def is_mendable(fact: Fact) -> bool:
    """Whether what a fact says is mended without asking."""
    return fact.result in MENDABLE and fact.note != NO_RIGHT


def last_harm(facts: Iterable[Fact], now: datetime) -> datetime | None:
    """When a drive last gave bad bytes, as its facts say; what is dated far ahead is passed over."""
    found = (fact.at for fact in facts if is_rot(fact) and fact.at - now <= SUDDEN_WITHIN)
    return max(found, default=None)


def in_doubt(facts: Iterable[Fact], now: datetime, last: datetime | None = None) -> str:
    """Whether a drive as a whole is in doubt, as a sentence; empty where it is not.

    It stays so until its copies are read again, and are right: no night passes over it.

    Args:
        facts: of one place, the newest of each copy or more.
        now: the present time.
        last: when it last gave bad bytes (``last_harm``); now, if that is not said.
    """
    since = (last or now) - SUDDEN_WITHIN
    newest: dict[str, Fact] = {}
    for fact in facts:
        told = fact.way is Way.REHASH or (fact.way is Way.READBACK and fact.is_proof)
        # A little ahead: the clock was set back. Far ahead it was wrong: that would hold for years.
        if told and since <= fact.at <= now + SUDDEN_WITHIN:
            known = newest.get(fact.path)
            if known is None or known.at <= fact.at:
                newest[fact.path] = fact
    # What was only read back right after writing says nothing of reading later.
    read = [fact for fact in newest.values() if fact.way is Way.REHASH]
    bad = sum(map(is_rot, read))
    if bad < SUDDEN_FILES or 2 * bad < len(read):
        return ""
    return (
        f"{bad} of {len(read)} copies read there lately were bad. So much at once is the cable, the "
        "port, the controller or the whole drive, not single files: nothing is mended there. Try "
        "another cable and port, then verify it again."
    )


def is_in_doubt_already(results: Sequence[Result]) -> bool:
    """Whether a reading under way should stop: so many bad copies, and at least half of all."""
    bad = sum(result in ROTTEN for result in results)
    return bad >= SUDDEN_FILES and 2 * bad >= len(results)


def rot_found_at(ordered: Sequence[Fact], now: datetime) -> datetime | None:
    """When rot was last newly found, till now: found again before it is mended it is no news.

    News are further blocks. What a wrong clock dated into the future must not hide what was found
    since. Where a fact does not say what is hurt, all of it is.
    """
    found: datetime | None = None
    known: frozenset[int] | None = frozenset()
    for fact in ordered:
        if is_rot(fact) and fact.at <= now:
            hurt = frozenset(blocks_of(fact.damage)) if fact.damage else None
            if known is not None and (hurt is None or not hurt <= known):
                found, known = fact.at, None if hurt is None else known | hurt
        elif fact.is_proof:
            known = frozenset()
    return found
