"""Copies that a restore takes from: on drives block by block, from buckets in one stream.

Promises:
1. What a giver gives is compared by whoever asks: nothing is believed here.
2. The very version of an object that was proven is asked for where the bucket keeps versions: one that
   was put over it, or a deletion, hides nothing.
3. Only the bytes that are wanted travel: a stream that is not read on is given up.
"""

from collections.abc import Generator, Iterator
from contextlib import ExitStack, closing
from datetime import datetime

from backupkeeper.actions.context import Context
from backupkeeper.actions.giving import AnyGiver, BucketGiver, DriveGiver
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.core.errors import BackupkeeperError, MismatchError, OutOfReachError
from backupkeeper.core.model import BLOCK_BYTES, Content, Copy, Fact, Place, Result, Way
from backupkeeper.ports.bucket import Bucket, ObjectEntry


class StreamGiver(BucketGiver):
    """An object, read on and on: one request for many blocks. For one thread."""

    def __init__(
        self, bucket: Bucket, place: Place, copy: Copy, content: Content, stack: ExitStack
    ) -> None:
        super().__init__(bucket, place, copy, content)
        self._stack = stack
        self._stream: Iterator[memoryview] | None = None
        self._next = 0
        self._is_newest = False

    def block(self, number: int) -> memoryview | None:
        """A block's bytes, unchecked; the next one is mostly on its way already.

        What fails is tried once more: the line may have spoiled it. Then it is the store's trouble, or
        another object's, or this block can't be had (one that is encrypted, and damaged).
        """
        for trial in (1, 2):
            if self.trouble is not None or not self._is_there:
                return None
            try:
                return self._piece(number)
            except OutOfReachError as error:
                self.trouble = error
            except MismatchError as error:
                self._entry = None
                self.trouble = error if trial > 1 else None
            except BackupkeeperError:
                pass
            self._stream = None
        return None

    def _piece(self, number: int) -> memoryview | None:
        if self._stream is None or self._next != number:
            self._open(number)
        piece = next(self._stream, None) if self._stream is not None else None
        self._next = number + 1
        if piece is not None:
            self.fetched += len(piece)
        return piece

    def part(self, number: int) -> memoryview | None:
        """Fetched by itself: it was asked for before, and the stream has passed it."""
        data = super().block(number)
        if not isinstance(self.trouble, OutOfReachError | MismatchError):
            self.trouble = None  # of this block only
        return data

    def came_whole(self, at: datetime) -> Fact | None:
        """That the object is right, after all of it was fetched and compared; None where it was not."""
        if self._entry is None or self._entry.size != self._content.size or not self._is_newest:
            return None
        return Fact(
            at=at,
            place=self.copy.place,
            path=self.copy.path,
            content=self._content.blake3,
            way=Way.DOWNLOADED,
            result=Result.MATCHES,
            evidence="restored whole",
            version=self._entry.mark,
        )

    def _open(self, number: int) -> None:
        self._stack.close()
        self._stream = None
        if self._entry is None:
            self._entry = self._look()
            self._is_there = self._entry is not None
        start = number * BLOCK_BYTES
        if self._entry is None or self._entry.size <= start:
            return
        end = min(self._content.size, self._entry.size)
        stream = self._bucket.fetch_range(self.copy.path, self._entry, start, end)
        if isinstance(stream, Generator):
            self._stack.enter_context(closing(stream))
        self._stream = stream

    def _look(self) -> ObjectEntry | None:
        """The object, in the version that was proven where it is still kept."""
        entry = self._bucket.look(self.copy.path)
        self._is_newest = True
        known = self.copy.proof.version if self.copy.proof is not None else None
        if known is None or known.startswith("etag:") or (entry and entry.version == known):
            return entry
        proven = self._bucket.look(self.copy.path, version=known)
        self._is_newest = proven is None
        return proven or entry


def giver_of(
    context: Context,
    copy: Copy,
    content: Content,
    where: OnlineDrive | tuple[Place, Bucket],
    stack: ExitStack,
) -> AnyGiver:
    """A copy as a giver, for one thread and one file; closed with the stack."""
    if isinstance(where, OnlineDrive):
        return DriveGiver(context, where, copy, content, stack)
    inner = stack.enter_context(ExitStack())
    return StreamGiver(where[1], where[0], copy, content, inner)
