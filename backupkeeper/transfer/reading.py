"""Reading one file whole, buffer by buffer, with the next buffer on its way meanwhile.

Promises:
1. Every buffer but the last is full; with ``O_DIRECT`` every read starts on a page.
2. No thread and no handle is left behind when the reading ends, however it ends; but for a thread that its
   device gives no answer: it keeps its buffers.

What the device can't give is read around by ``transfer.salvage``.
"""

import errno
import queue
import threading
from collections.abc import Callable, Generator, Iterator
from contextlib import closing, contextmanager

from backupkeeper.core.errors import ReadError
from backupkeeper.ports.files import EntryKind, Files, Handle, Stat
from backupkeeper.transfer.failures import NOT_DIRECT, read_failure
from backupkeeper.transfer.ring import PAGE_BYTES, Buffers

PATIENCE_S = 5.0
"""So long a reading that ends waits for its last read (as the pipeline does)."""
DEPTH = 3
"""Buffers of one reading: one is worked on, one is full, one is being read into."""


@contextmanager
def opened(files: Files, path: str, *, direct: bool = False) -> Iterator[Handle]:
    """A handle for reading, closed in the end. ``OSError`` leaves as it is."""
    handle = files.open_read(path, direct=direct)
    try:
        yield handle
    finally:
        files.close(handle)


def open_direct(files: Files, path: str) -> Handle | None:
    """A handle that by-passes the page cache, or None where the file system has no such thing."""
    try:
        return files.open_read(path, direct=True)
    except OSError as error:
        if error.errno in NOT_DIRECT:
            return None
        raise


def regular(files: Files, path: str, handle: Handle) -> Stat:
    """What the handle says of its file.

    Raises:
        ReadError: it is no regular file.
    """
    stat = files.stat_handle(handle)
    if stat.kind is not EntryKind.FILE:
        raise ReadError(path, errno.EINVAL, advice=f"It is no file but a {stat.kind}.")
    return stat


def fill(files: Files, handle: Handle, buffer: memoryview, offset: int, size: int) -> int:
    """Read until the buffer is full or the file ends.

    Args:
        files: the system.
        handle: open for reading.
        buffer: to be filled.
        offset: where in the file.
        size: of the file, as far as known: a short read that reaches it is the end.

    Returns:
        How many bytes were read.
    """
    done = 0
    while done < len(buffer):
        # A direct read that came back short starts again on a page.
        start = done - done % PAGE_BYTES
        got = files.read_into(handle, buffer[start:], offset + start)
        if start + got <= done:
            break
        done = start + got
        if offset + done == size:
            break
    return done


ReadAt = Callable[[memoryview, int], int]


def buffers_of(
    path: str,
    read: ReadAt,
    size: int,
    buffers: Buffers,
    leave: Callable[[], None] = lambda: None,
) -> Generator[memoryview]:
    """The file's bytes in order; each view is good until the next is asked for.

    Args:
        path: for the error's sentence.
        read: fills a buffer from an offset (``fill``, or ``Salvage.read``).
        size: of the file as listed; a file that fits into one buffer needs no thread.
        buffers: where buffers come from.
        leave: called when nobody wants more, before the read under way is waited for
            (``Salvage.stop``).

    Raises:
        ReadError: the bytes can't be read.
        DriveGoneError: the device is gone.
    """
    try:
        if size < buffers.size:
            yield from _one_buffer(read, buffers, size)
        else:
            with closing(_ahead(read, buffers, leave)) as ahead:
                yield from ahead
    except OSError as error:
        raise read_failure(path, error) from error


def _one_buffer(read: ReadAt, buffers: Buffers, size: int) -> Generator[memoryview]:
    buffer = buffers.take()
    # One byte more than the file has, in whole pages: a short read then shows the end.
    window = buffer[: -(-(size + 1) // PAGE_BYTES) * PAGE_BYTES]
    try:
        offset = 0
        while got := read(window, offset):
            yield window[:got]
            offset += got
            if got < len(window):
                return
    finally:
        buffers.give(buffer)


_Full = queue.SimpleQueue[tuple[memoryview, int] | BaseException]
_Empty = queue.SimpleQueue[memoryview | None]


def _ahead(read: ReadAt, buffers: Buffers, leave: Callable[[], None]) -> Generator[memoryview]:
    empty: _Empty = queue.SimpleQueue()
    full: _Full = queue.SimpleQueue()
    mine = [buffers.take() for _ in range(DEPTH)]
    for buffer in mine:
        empty.put(buffer)
    thread = threading.Thread(target=_run_ahead, args=(read, empty, full), daemon=True)
    thread.start()
    try:
        while True:
            came = full.get()
            if isinstance(came, BaseException):
                raise came
            buffer, got = came
            if got:
                yield buffer[:got]
            if got < len(buffer):
                return
            empty.put(buffer)
    finally:
        empty.put(None)
        leave()
        thread.join(PATIENCE_S)
        if not thread.is_alive():
            for buffer in mine:
                buffers.give(buffer)


def _run_ahead(read: ReadAt, empty: _Empty, full: _Full) -> None:
    offset = 0
    try:
        while (buffer := empty.get()) is not None:
            got = read(buffer, offset)
            offset += got
            full.put((buffer, got))
            if got < len(buffer):
                return
    except BaseException as error:  # noqa: BLE001 - handed to the thread that waits for it
        full.put(error)
