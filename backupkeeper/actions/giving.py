"""Other copies of a damaged file, as givers of single blocks.

Promises:
1. A copy that can't be read, or a bucket that does not answer, gives nothing; why is told once.
2. From a bucket only the blocks that are asked for travel.
3. What a giver gives is compared by whoever asks: nothing is believed here.
4. No object is blamed for one reading: what came wrong over the line is asked for once more.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import datetime
from typing import Final

import xxhash

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting_bucket import EncryptedEntry
from backupkeeper.actions.fetching import ASKED_AGAIN
from backupkeeper.actions.one_roll import RollNow
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.ours import known_version, look_at_ours
from backupkeeper.core.errors import (
    BackupkeeperError,
    CiphertextError,
    DriveGoneError,
    MismatchError,
)
from backupkeeper.core.model import (
    BLOCK_BYTES,
    BLOCK_DIGEST_BYTES,
    Blake3,
    Content,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Way,
)
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.policy import best_first
from backupkeeper.core.ranges import Ranges
from backupkeeper.ports.bucket import Bucket, ObjectEntry
from backupkeeper.transfer.blocks import Blocks, opened_blocks

THERE: Final = frozenset({CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN, CopyState.DAMAGED})
"""States of a copy that may have a block right, whatever is wrong with the rest of it."""


class DriveGiver:
    """A copy on a drive that is here."""

    def __init__(
        self, context: Context, drive: OnlineDrive, copy: Copy, content: Content, stack: ExitStack
    ) -> None:
        self.name = drive.place.name
        self.copy = copy
        self._context = context
        self._drive = drive
        self._content = content
        self._stack = stack
        self._blocks: Blocks | None = None
        self.trouble: BackupkeeperError | None = None

    def block(self, number: int) -> memoryview | None:
        """A block's bytes, unchecked; None where the device does not give all of it."""
        data = self.part(number)
        whole = data is not None and self._blocks is not None and self._blocks.gives(number)
        return data if whole else None

    def part(self, number: int) -> memoryview | None:
        """The same with zeros for what the device does not give of it."""
        if self.trouble is not None:
            return None
        try:
            if self._blocks is None:
                path = self._drive.absolute(self.copy.path)
                opened = opened_blocks(self._context.files, path, self._drive.cold)
                self._blocks = self._stack.enter_context(opened)
            data = self._blocks.read(number)
        except BackupkeeperError as error:
            if self._blocks is None or isinstance(error, DriveGoneError):
                self.trouble = error  # of this block only, where it could be opened
            return None
        return self._wanted(data, number)

    def _wanted(self, data: memoryview, number: int) -> memoryview:
        return data[: max(0, self._content.size - number * BLOCK_BYTES)]


class BucketGiver:
    """An object."""

    def __init__(self, bucket: Bucket, place: Place, copy: Copy, content: Content) -> None:
        self.name = place.name
        self.copy = copy
        self.fetched = 0
        self._bucket = bucket
        self._content = content
        self._entry: ObjectEntry | None = None
        self.trouble: BackupkeeperError | None = None
        self._is_there = True
        self._asked_again = 0

    def block(self, number: int) -> memoryview | None:
        """A block's bytes, unchecked, fetched by themselves; some of those that are wrong twice."""
        if self.trouble is not None or not self._is_there:
            return None
        data = self._fetched(number)
        if self._asked_again < ASKED_AGAIN and self._may_be_spoiled(data, number):
            self._asked_again += 1
            if data is None:
                self.trouble = self._entry = None
            data = self._fetched(number)
        return data

    def _may_be_spoiled(self, data: memoryview | None, number: int) -> bool:
        """Whether the line may be why this is no good; what could be decrypted came as it stands."""
        if data is None:
            return isinstance(self.trouble, MismatchError | CiphertextError)
        if isinstance(self._entry, EncryptedEntry):
            return False
        at = number * BLOCK_DIGEST_BYTES
        wanted = self._content.block_map[at : at + BLOCK_DIGEST_BYTES]
        return xxhash.xxh3_128_digest(data) != wanted

    def _fetched(self, number: int) -> memoryview | None:
        start = number * BLOCK_BYTES
        try:
            if self._entry is None:
                known = known_version(self.copy)
                self._entry = look_at_ours(self._bucket, self.copy.path, known).entry
                self._is_there = self._entry is not None
            if self._entry is None or self._entry.size <= start:
                return None
            end = min(start + BLOCK_BYTES, self._content.size, self._entry.size)
            data = bytearray()
            for piece in self._bucket.fetch_range(self.copy.path, self._entry, start, end):
                data += piece
        except BackupkeeperError as error:
            self.trouble = error
            return None
        self.fetched += len(data)
        return memoryview(data)

    def part(self, number: int) -> memoryview | None:
        """As ``block``: a store gives all or nothing."""
        return self.block(number)

    def found(self, at: datetime, damage: Ranges) -> Fact:
        """What is known of the object after blocks of it were wrong, or not there."""
        if self._entry is None:
            return Fact(
                at=at,
                place=self.copy.place,
                path=self.copy.path,
                content=self._content.blake3,
                way=Way.LOOKED,
                result=Result.MISSING,
                evidence="looked at",
            )
        return Fact(
            at=at,
            place=self.copy.place,
            path=self.copy.path,
            content=self._content.blake3,
            way=Way.DOWNLOADED,
            result=Result.DAMAGED,
            evidence="parts of it fetched",
            version=self._entry.mark,
            damage=damage,
        )


AnyGiver = DriveGiver | BucketGiver


@contextmanager
def givers_for(
    context: Context,
    now: RollNow,
    content: Content,
    *,
    patient: Copy,
    drives: Mapping[PlaceId, OnlineDrive],
    buckets: Mapping[PlaceId, Bucket],
) -> Iterator[Sequence[AnyGiver]]:
    """All other copies that can be reached, the likeliest and nearest first.

    Args:
        context: the world.
        now: the roll.
        content: what the file must be.
        patient: the copy that is to be mended: it gives to nobody here.
        drives: that may be read from.
        buckets: that may be fetched from.
    """
    with ExitStack() as stack:
        near: list[AnyGiver] = []
        far: list[AnyGiver] = []
        for copy in best_first(now.copies.get(content.blake3, ()), now.places):
            if copy.state not in THERE or (copy.place, copy.path) == (patient.place, patient.path):
                continue
            drive = drives.get(copy.place)
            if drive is not None and drive.holds(copy.path):
                near.append(DriveGiver(context, drive, copy, content, stack))
            elif copy.place in buckets:
                place = now.places[copy.place]
                far.append(BucketGiver(buckets[copy.place], place, copy, content))
        yield [*near, *far]


def out_of_reach(
    now: RollNow, content: Blake3, patient: Copy, reached: Iterable[AnyGiver]
) -> list[str]:
    """Names of the places with a copy that could not be asked: away, or not answering."""
    asked = {one.copy.place for one in reached if one.trouble is None}
    return sorted(
        {
            now.places[copy.place].name
            for copy in now.copies.get(content, ())
            if copy.state in THERE
            and copy.place not in asked
            and (copy.place, copy.path) != (patient.place, patient.path)
        }
    )


def troubles_of(reached: Iterable[AnyGiver]) -> list[Trouble]:
    """Why those that gave nothing did not."""
    return [
        Trouble(place=one.name, path=one.copy.path, message=str(one.trouble))
        for one in reached
        if one.trouble is not None
    ]


def open_buckets(context: Context, places: Iterable[Place]) -> dict[PlaceId, Bucket]:
    """Every bucket among these places; nothing is asked of the network yet."""
    return {
        place.id: context.open_bucket(place) for place in places if place.kind is PlaceKind.BUCKET
    }
