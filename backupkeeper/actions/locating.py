"""Where a copy is hurt: to the byte, by comparing with a good copy; for clips, to the second.

Promises:
1. Nothing is read but the blocks that are hurt, and what a clip's index needs.
2. Where no good copy is here the blocks stand as they are: no range is made smaller by guessing.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from typing import BinaryIO, Final, cast

from backupkeeper.actions.context import Context
from backupkeeper.actions.giving import givers_for
from backupkeeper.actions.one_roll import RollNow
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.cards.clips import look_into
from backupkeeper.core.clip_harm import ClipHarm
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import (
    BLOCK_DIGEST_BYTES,
    Content,
    Copy,
    CopyState,
    Fact,
    PlaceId,
    Result,
)
from backupkeeper.core.ranges import Ranges, blocks_of
from backupkeeper.transfer.mending import Mending, Patient
from backupkeeper.transfer.stream import FileStream

LOCATED: Final = frozenset(
    {Result.DAMAGED, Result.CUT_OFF, Result.UNREADABLE, Result.UNSTABLE, Result.CHANGED}
)
MOST_BLOCKS: Final = 256
"""So many hurt blocks (1 GiB) are compared; with more the blocks say enough."""


def located(
    context: Context,
    drive: OnlineDrive,
    fact: Fact,
    now: RollNow,
    drives: Mapping[PlaceId, OnlineDrive],
) -> tuple[Fact, ClipHarm | None]:
    """The fact with its damage to the byte where a good copy is here, and the seconds of a clip.

    Args:
        context: the world.
        drive: where the copy is.
        fact: what was found; others than damage come back as they are.
        now: the roll.
        drives: that may be read from, the copy's own among them.
    """
    if fact.result not in LOCATED or not fact.damage:
        return fact, None
    content = context.catalog.contents([fact.content])[fact.content]
    patient = Copy(place=fact.place, path=fact.path, content=fact.content, state=CopyState.DAMAGED)
    with suppress(BackupkeeperError):
        fact = replace(fact, damage=_narrowed(context, drive, fact, content, now, patient, drives))
    if fact.result is Result.CHANGED:
        return fact, None  # an edit: its seconds are not hurt, but other ones
    return fact, clip_harm(context, drive, fact.path, fact.damage, now, drives)


def _narrowed(
    context: Context,
    drive: OnlineDrive,
    fact: Fact,
    content: Content,
    now: RollNow,
    patient: Copy,
    drives: Mapping[PlaceId, OnlineDrive],
) -> Ranges:
    blocks = [block for block in blocks_of(fact.damage) if block < _count(content)]
    if len(blocks) > MOST_BLOCKS:
        return fact.damage
    with givers_for(context, now, content, patient=patient, drives=drives, buckets={}) as givers:
        if not givers:
            return fact.damage
        mending = Mending(
            context.files,
            Patient(path=drive.absolute(fact.path), content=content, mtime_ns=0, cold=drive.cold),
            givers,
            drive.guard,
            lambda _: None,
        )
        return mending.survey(blocks).damage or fact.damage


def _count(content: Content) -> int:
    return len(content.block_map) // BLOCK_DIGEST_BYTES


def clip_harm(
    context: Context,
    drive: OnlineDrive,
    path: str,
    damage: Ranges,
    now: RollNow,
    drives: Mapping[PlaceId, OnlineDrive],
) -> ClipHarm | None:
    """Which seconds of a clip these bytes are; None where it is no clip, or no reader is installed."""
    sources = _sources(drive, path, now, drives)
    best: ClipHarm | None = None
    for source in sources:
        is_good = source != drive.absolute(path)
        try:
            best = look_into(partial(_opened, context, source), path, damage, from_good=is_good)
        except OSError:
            continue  # that copy can't be opened: perhaps the next one
        if best is None or best.opened:
            return best
    return best


def _sources(
    drive: OnlineDrive,
    path: str,
    now: RollNow,
    drives: Mapping[PlaceId, OnlineDrive],
) -> Sequence[str]:
    """Files to read the index from: proven copies, else the hurt one."""
    content = next(
        (copy.content for group in now.copies.values() for copy in group
         if (copy.place, copy.path) == (drive.place.id, path)),
        None,
    )  # fmt: skip
    good = [
        drives[copy.place].absolute(copy.path)
        for copy in now.copies.get(content, ())
        if copy.place in drives
        and copy.state in {CopyState.PROVEN, CopyState.DUE}
        and drives[copy.place].holds(copy.path)
        and (copy.place, copy.path) != (drive.place.id, path)
    ] if content is not None else []  # fmt: skip
    return good or [drive.absolute(path)]


def _opened(context: Context, path: str) -> BinaryIO:
    return cast("BinaryIO", FileStream(context.files, path))
