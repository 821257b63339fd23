"""Reading from the medium, and saying how that is known (promise 2).

Promises:
1. ``cold`` is said only with evidence: the cached pages were dropped and shown to be gone, or the
   cache was by-passed on a file system in the kernel that is known to do so, or the mount is
   another than the one during which the copy was written. Everything else is warm, with words on
   what would make it count.
2. The file system's type decides, never whether ``O_DIRECT`` opened: on FUSE it opens and reads
   the block device's cache (SEEN section 2).
3. What can't be read is told as ranges; what was read is hashed all the same.

The caller syncs what it wrote before: unsynced pages can't be dropped, and then nothing is cold.
"""

from collections.abc import Callable, Generator
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from functools import partial

import xxhash

from backupkeeper.core.errors import MismatchError, SourceChangedError
from backupkeeper.core.model import BLOCK_BYTES, BLOCK_DIGEST_BYTES, Content, Xxh128
from backupkeeper.ports.files import Files, Handle, Stat
from backupkeeper.transfer.coldpolicy import DIRECT_TYPES, ColdKind, ColdPolicy
from backupkeeper.transfer.failures import read_failure
from backupkeeper.transfer.hashing import ReadHasher
from backupkeeper.transfer.reading import buffers_of, fill, open_direct, regular
from backupkeeper.transfer.ring import Buffers
from backupkeeper.transfer.salvage import Patience, Salvage

READ_BYTES = 8 * 1024 * 1024
"""Bytes of one read from a device."""

DROPPED = "pages dropped"
DIRECT = "by-passing the cache"
DROPPED_DIRECT = "pages dropped, by-passing the cache"
DEVICE_DROPPED = "pages and device's pages dropped"
NEW_MOUNT = "new mount"
DROPS = 3
"""So often a device's pages are dropped at once, until none is left."""
REPLUG = "unplug it, plug it in again and run verify"


@dataclass(frozen=True, kw_only=True, slots=True)
class ColdReading:
    """One file as it was read.

    ``unreadable`` are half-open byte ranges that the device could not give (zeros were hashed in
    their place); ``evidence`` is a short stable phrase, empty where the reading is warm;
    ``why_not_cold`` is a sentence, empty where it is cold.
    """

    xxh128: Xxh128
    block_map: bytes
    size: int
    mtime_ns: int
    cold: bool
    evidence: str
    why_not_cold: str
    unreadable: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Known:
    """How a handle's bytes are known to come from the medium, or why they are not."""

    evidence: str = ""
    why_not: str = ""


@dataclass(kw_only=True, slots=True)
class SoFar:
    """A reading under way, or broken off: what is left of it when an error, or a person, ends it."""

    start: int = 0
    """Byte at which it began: the beginning of a block."""
    hasher: ReadHasher = field(default_factory=ReadHasher)
    known: Known = Known()
    size: int = 0
    mtime_ns: int = 0
    unreadable: list[tuple[int, int]] = field(default_factory=list)


class ColdReader:
    """Reads several files of one mount, with nothing written to it meanwhile; for one thread.

    Args:
        files: the system.
        policy: of the mount.
        new_mount: this mount is another than the one during which the copies were written.
        buffers: to read into; made here if None.
    """

    def __init__(
        self,
        files: Files,
        policy: ColdPolicy,
        *,
        new_mount: bool = False,
        buffers: Buffers | None = None,
    ) -> None:
        self._files = files
        self._policy = policy
        self._new_mount = new_mount
        self._buffers = buffers
        self._device: Known | None = None

    def read(self, path: str, on_bytes: Callable[[int], None] | None = None) -> ColdReading:
        """Read a file whole and hash it; raises as ``read_on`` does."""
        reading = self.read_on(path, SoFar(), on_bytes or _nobody, lambda: False)
        assert reading is not None
        return reading

    def read_on(
        self,
        path: str,
        so_far: SoFar,
        on_bytes: Callable[[int], None],
        is_over: Callable[[], bool],
    ) -> ColdReading | None:
        """Read a file from a block of it on, and hash what is read.

        Args:
            path: absolute.
            so_far: where to begin; filled as it goes, so that what was read is known however it ends.
            on_bytes: told how many bytes were read, as it goes.
            is_over: asked after each buffer; None is returned where it ended the reading.

        Raises:
            ReadError: it can't be opened, is no regular file, or the device gives nothing.
            DriveGoneError: the device is gone.
            SourceChangedError: it changed while it was read.
        """
        made = so_far
        try:
            with ExitStack() as stack:
                handle, stat, made.known = self.open(stack, path)
                made.size, made.mtime_ns = stat.size, stat.mtime_ns
                salvage = self.salvage(handle, stat.size)
                made.unreadable = salvage.unreadable
                left = max(0, stat.size - made.start)
                buffers = self._buffers or Buffers(min(READ_BYTES, left + 1))
                read = partial(_read_from, salvage, made.start)
                with closing(buffers_of(path, read, left, buffers, salvage.stop)) as views:
                    for view in views:
                        made.hasher.update(view)
                        on_bytes(len(view))
                        if is_over() and made.start + made.hasher.size < stat.size:
                            return None
                self._same_after(path, handle, stat, made.start + made.hasher.size)
        except OSError as error:
            raise read_failure(path, error) from error
        return ColdReading(
            xxh128=made.hasher.xxh128,
            block_map=made.hasher.block_map,
            size=stat.size,
            mtime_ns=stat.mtime_ns,
            cold=bool(made.known.evidence),
            evidence=made.known.evidence,
            why_not_cold=made.known.why_not,
            unreadable=tuple(salvage.unreadable),
        )

    def blocks(self, path: str, size: int) -> Generator[memoryview]:
        """A file's bytes in blocks of ``BLOCK_BYTES``, cold where that can be had."""
        try:
            with ExitStack() as stack:
                handle, stat, _ = self.open(stack, path)
                if stat.size != size:
                    raise MismatchError(f"{path} has {stat.size} bytes; it must have {size}.")
                read = partial(_fill_at, self._files, handle, stat.size)
                buffers = Buffers(BLOCK_BYTES)
                yield from stack.enter_context(closing(buffers_of(path, read, stat.size, buffers)))
                self._same_after(path, handle, stat, size)
        except OSError as error:
            raise read_failure(path, error) from error

    def salvage(self, handle: Handle, size: int, *, chosen: bool = False) -> Salvage:
        """Reads of a handle around what the device can't give, for no longer than is bearable."""
        patience = Patience(self._policy.stopwatch)
        return Salvage(self._files, handle, size, patience=patience, chosen=chosen)

    def open(self, stack: ExitStack, path: str) -> tuple[Handle, Stat, Known]:
        """A handle whose reads come from the medium where that can be had, closed with the stack.

        Each byte only the first time: what was read may be in memory then. ``OSError`` leaves as it
        is.

        Raises:
            ReadError: it is no regular file.
        """
        files = self._files
        in_kernel = self._policy.kind is ColdKind.KERNEL
        direct = open_direct(files, path) if in_kernel else None
        handle = direct if direct is not None else files.open_read(path)
        stack.callback(files.close, handle)
        stat = regular(files, path, handle)
        left = _drop(files, handle, stat.size)
        if left and in_kernel:
            # What somebody wrote and nobody synced can't be dropped: sync it, and try once more.
            with suppress(OSError):
                files.sync(handle)
            left = _drop(files, handle, stat.size)
        if in_kernel:
            return handle, stat, self._kernel(left, direct=direct is not None)
        return handle, stat, self._elsewhere(left, handle)

    def _kernel(self, left: int | None, *, direct: bool) -> Known:
        if left == 0:
            return Known(evidence=DROPPED_DIRECT if direct else DROPPED)
        if direct and self._policy.fs_type in DIRECT_TYPES:
            return Known(evidence=DIRECT)
        return Known(why_not=_held(left))

    def _elsewhere(self, left: int | None, handle: Handle) -> Known:
        if self._policy.kind is ColdKind.NEVER:
            return Known(why_not=self._policy.why_never)
        if self._device is None or not self._device.evidence:  # it may go this time
            self._device = (
                self._drop_device(handle)
                if self._policy.block_device is not None
                else Known(why_not=self._policy.why_never)
            )
        if left == 0 and self._device.evidence:
            return self._device
        if self._new_mount:
            return Known(evidence=NEW_MOUNT)
        return Known(why_not=self._device.why_not or _held(left))

    def _drop_device(self, handle: Handle) -> Known:
        """Drop the block device's own pages.

        Holds for every file read afterwards, until something is written to the mount.
        """
        name = self._policy.fs_type
        assert self._policy.block_device is not None
        left = 0
        # The program behind the mount may hold back what is no byte of ours (access times).
        with suppress(OSError):
            self._files.sync(handle)
        try:
            # Somebody may just be looking at the device, for a moment: seen at 2 of 50,000 files.
            for _ in range(DROPS):
                left = self._files.drop_device_pages(self._policy.block_device)
                if not left:
                    return Known(evidence=DEVICE_DROPPED)
        except OSError as error:
            return Known(
                why_not=f"{name} reads through its device's cache, which could not be emptied "
                f"({error.strerror}); {REPLUG}, or run with the right to open the device."
            )
        return Known(
            why_not=f"{left} pages of the device stayed in the system's cache: something else "
            f"uses it; {REPLUG}."
        )

    def _same_after(self, path: str, handle: Handle, before: Stat, size: int) -> None:
        after = self._files.stat_handle(handle)
        if (after.size, after.mtime_ns) != (before.size, before.mtime_ns) or size != after.size:
            raise SourceChangedError(path)


def _nobody(_: int) -> None:
    """Is told how many bytes were read."""


def _read_from(salvage: Salvage, start: int, buffer: memoryview, offset: int) -> int:
    return salvage.read(buffer, start + offset)


def _fill_at(files: Files, handle: Handle, size: int, buffer: memoryview, offset: int) -> int:
    return fill(files, handle, buffer, offset, size)


def _drop(files: Files, handle: Handle, size: int) -> int | None:
    """Drop a file's pages; how many are left, or None where that can't be known."""
    try:
        files.drop_pages(handle)
        return files.pages_in_memory(handle, size) if size else 0
    except OSError:
        return None


def _held(left: int | None) -> str:
    if left is None:
        return f"The system does not tell whether the file is still in its memory; {REPLUG}."
    return (
        f"{left} pages of the file stayed in memory: another program holds it, or the system does "
        f"not let us look; close that program, or {REPLUG}."
    )


def read_cold(
    files: Files,
    path: str,
    policy: ColdPolicy,
    *,
    new_mount: bool = False,
    on_bytes: Callable[[int], None] | None = None,
    buffers: Buffers | None = None,
) -> ColdReading:
    """Read one file whole, from the medium where that can be had; see ``ColdReader``.

    Args:
        files: the system.
        path: absolute.
        policy: of the mount that holds it.
        new_mount: this mount is another than the one during which the copy was written.
        on_bytes: told how many bytes were read, as it goes.
        buffers: to read into; made here if None.

    Raises:
        ReadError: it can't be opened, is no regular file, or the device gives nothing.
        DriveGoneError: the device is gone.
        SourceChangedError: it changed while it was read.
    """
    reader = ColdReader(files, policy, new_mount=new_mount, buffers=buffers)
    return reader.read(path, on_bytes)


def checked_blocks(
    files: Files, path: str, content: Content, policy: ColdPolicy
) -> Generator[memoryview]:
    """A file's blocks in order, each already compared with its block map; good until the next.

    Raises:
        MismatchError: a block, or the size, is not what it must be; that block is not given out.
        ReadError: it can't be read.
        DriveGoneError: the device is gone.
    """
    reader = ColdReader(files, policy)
    with closing(reader.blocks(path, content.size)) as blocks:
        for number, block in enumerate(blocks):
            at = number * BLOCK_DIGEST_BYTES
            if xxhash.xxh3_128_digest(block) != content.block_map[at : at + BLOCK_DIGEST_BYTES]:
                raise MismatchError(
                    f"{path} holds other bytes than it must, from byte {number * BLOCK_BYTES} on; "
                    "none of them were used.",
                    advice="Run verify on it: another copy may still be good.",
                )
            yield block


def wrong_blocks(content: Content, reading: ColdReading) -> dict[int, bytes | None]:
    """Blocks of a whole reading that are not what they must be: number -> what they hashed to.

    None stands for what the device would not give, and for what is not there at all.
    """
    blocks = -(-content.size // BLOCK_BYTES)
    found: dict[int, bytes | None] = {}
    for block in range(blocks):
        at = block * BLOCK_DIGEST_BYTES
        digest = reading.block_map[at : at + BLOCK_DIGEST_BYTES]
        start, end = block * BLOCK_BYTES, (block + 1) * BLOCK_BYTES
        if any(first < end and last > start for first, last in reading.unreadable):
            found[block] = None
        elif digest != content.block_map[at : at + BLOCK_DIGEST_BYTES]:
            found[block] = digest
    return found
