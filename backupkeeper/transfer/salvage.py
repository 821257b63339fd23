"""Reading past what a device can't give: every readable sector is had, the others are told.

Promises:
1. Where the device answers with an error about its medium (``MEDIA_ERRORS``), the read is tried
   again, then in pages, then in sectors; what could not be read is told as byte ranges, in order and
   merged, and zeros stand in its place. With ``O_DIRECT`` the ranges are exact to the sector; through
   a cache, to what the cache loads at once (a page).
2. All of it goes through the one handle that was handed in, so what is known about where its bytes
   come from holds for these reads too: no second handle brings a cache in.
3. It ends. A failing disk can take half a minute for each bad sector, so the time that failures cost
   is counted (``Patience``). At half of it sectors are no longer looked for in bad pages; at the end
   of it what fails counts as unreadable whole, and reading goes on with large reads, in growing steps
   where they fail one after the other; at four times that, nothing more is tried in this file.
4. A device that gives nothing at all is an error soon (but see ``chosen``).
"""

import errno
from collections.abc import Callable

from backupkeeper.core.ranges import Ranges, merged
from backupkeeper.ports.files import Files, Handle
from backupkeeper.transfer.reading import fill
from backupkeeper.transfer.ring import PAGE_BYTES

MEDIA_ERRORS = frozenset(
    {
        errno.EIO,
        errno.ENODATA,
        errno.EREMOTEIO,
        errno.EILSEQ,
        errno.ETIMEDOUT,
        errno.ENOLINK,
        errno.EBADMSG,
        errno.EUCLEAN,
    }
)
"""Some bytes could not be had; others may be fine. The page cache makes ``EIO`` of whatever the device
answers; past it, ``O_DIRECT`` hands on the block layer's own number (Linux, ``blk_errors``): a bad
sector is ``ENODATA``, a failed check ``EILSEQ``, a command or link that failed ``EREMOTEIO``,
``ETIMEDOUT`` or ``ENOLINK``. The last two are a file system's own checksums."""
SECTOR_BYTES = 512
"""The least that any device gives. A device with larger sectors refuses it (``EINVAL``)."""
DEAD_BUFFERS = 4
"""After so many whole buffers in a row without one readable byte the device counts as broken."""
DEAD_AFTER_LIFE = 12
"""As many where it gave something before: a scratch can be long, and the steps over it grow."""
LARGEST_STEP = 32
"""Buffers that are passed over at most at a time."""
QUICK_TRIES = 3
"""Large reads of one file that are repeated as they were: an error from a cable is gone by then."""
QUICK_S = 2.0
"""Only a failure that came sooner is met so; behind a later one the device has tried by itself."""
PATIENCE_S = 120.0
"""Seconds that failures of one file may cost before it is read more coarsely."""
UNTIMED_FAILURES = 20_000
"""Without a stopwatch, so many failed reads stand for that time."""
SECTORS_UPTO = 0.5
"""Share of the patience after which bad pages are not taken apart: the rest of it is for pages."""
GIVE_UP = 4.0
"""After so many times the patience nothing more is tried."""


class Patience:
    """How long a device may be asked for what it does not give. May be shared by several readings.

    Args:
        monotonic: a stopwatch; without one failures are counted.
        budget_s: seconds, more than 0.
    """

    def __init__(
        self, monotonic: Callable[[], float] | None = None, *, budget_s: float = PATIENCE_S
    ) -> None:
        self._monotonic = monotonic
        self._budget_s = budget_s
        self._lost_s = 0.0
        self._failures = 0

    def now(self) -> float:
        """The stopwatch; 0 for ever where there is none."""
        return 0.0 if self._monotonic is None else self._monotonic()

    def lose(self, since: float) -> None:
        """Count the time since then as lost."""
        self._lost_s += self.now() - since

    def fail(self) -> None:
        """Count one failed read."""
        self._failures += 1

    def spent(self, since: float | None = None) -> float:
        """How much of it is gone, as a share of the whole; may be more than 1.

        Args:
            since: time since then counts too.
        """
        if self._monotonic is None:
            return self._failures / UNTIMED_FAILURES
        running = 0.0 if since is None else self.now() - since
        return (self._lost_s + running) / self._budget_s


class Salvage:
    """Reads past what the device can't give, and remembers what that was. For one thread.

    Args:
        files: the system.
        handle: open for reading; every read starts on a sector, as ``O_DIRECT`` wants it.
        size: of the file.
        patience: counts what failures cost; a new one of its own if None.
        chosen: parts are read that somebody chose, perhaps because they are bad: that none of them
            can be read is told and is no error.
    """

    def __init__(
        self,
        files: Files,
        handle: Handle,
        size: int,
        *,
        patience: Patience | None = None,
        chosen: bool = False,
    ) -> None:
        self._files = files
        self._handle = handle
        self._size = size
        self._patience = patience or Patience()
        self._chosen = chosen
        self._sector = SECTOR_BYTES
        self._tries = QUICK_TRIES
        self._dead = 0
        self._gave = False
        self._step = 0
        self._passed_over = (0, 0)
        self._is_stopped = False
        self.untried = 0
        """Bytes that count as unreadable and were not asked for: the time was over, or they lie in
        a step over what failed."""
        self.unreadable: list[tuple[int, int]] = []
        """In order and merged; always the same list."""

    def stop(self) -> None:
        """End a read under way soon, and give nothing from now on; nothing more is noted then.

        For another thread, that waits for the reading to end.
        """
        self._is_stopped = True

    def read(self, buffer: memoryview, offset: int) -> int:
        """Like ``fill``, with zeros for what can't be read; 0 after ``stop``.

        Raises:
            OSError: another error than of the medium, or the device gives nothing.
        """
        length = max(0, min(len(buffer), self._size - offset))
        first, last = self._passed_over
        if self._is_stopped:
            return 0
        if length and (first <= offset < last or self._patience.spent() >= GIVE_UP):
            self.untried += length
            return self._lost(buffer, offset, length, [(0, length)])
        begun = self._patience.now()
        try:
            got = fill(self._files, self._handle, buffer, offset, self._size)
        except OSError as error:
            if error.errno not in MEDIA_ERRORS or not length:
                raise
            try:
                return self._go_on(buffer, offset, length, error, begun)
            finally:
                self._patience.lose(begun)
        self._lives()
        return got

    def _go_on(
        self, buffer: memoryview, offset: int, length: int, error: OSError, begun: float
    ) -> int:
        """A large read failed: try it again, or in parts."""
        self._patience.fail()
        if self._again(buffer, offset, length, begun):
            self._lives()
            return length
        if self._spent(begun) < 1:
            left = self._narrowed(buffer, offset, length, begun)
        else:
            left = ((0, length),)
        if left == ((0, length),):
            is_over = self._spent(begun) >= 1
            self._dead += 1
            if self._is_dead(is_over=is_over):
                raise error
            if is_over:
                self._step = min(max(1, 2 * self._step), LARGEST_STEP)
                end = offset + len(buffer)
                self._passed_over = (end, end + self._step * len(buffer))
        else:
            self._lives()
        return self._lost(buffer, offset, length, left)

    def _spent(self, begun: float) -> float:
        return GIVE_UP if self._is_stopped else self._patience.spent(begun)

    def _is_dead(self, *, is_over: bool) -> bool:
        if self._chosen or (is_over and self._gave):
            return False  # the time ends it
        return self._dead >= (DEAD_AFTER_LIFE if self._gave else DEAD_BUFFERS)

    def _lives(self) -> None:
        self._dead, self._step, self._gave = 0, 0, True

    def _again(self, buffer: memoryview, offset: int, length: int, begun: float) -> bool:
        patience = self._patience
        if not self._tries or patience.now() - begun >= QUICK_S or self._spent(begun) >= 1:
            return False
        self._tries -= 1
        return self._has(buffer, offset, (0, length))

    def _narrowed(self, buffer: memoryview, offset: int, length: int, begun: float) -> Ranges:
        """Read a buffer page by page, then its bad pages by sectors; what could not be read."""
        bad, later = self._pages(buffer, offset, length, begun)
        # Backwards: what lies before a readable page is likelier to be readable than what lies
        # behind a bad one.
        for start, end in reversed(later):
            for page in reversed(_parts(start, end, PAGE_BYTES)):
                over = self._spent(begun) >= 1
                if over or not self._has(buffer, offset, page):
                    bad.append(page)
        left: list[tuple[int, int]] = []
        for page in sorted(bad):
            left += self._sectors(buffer, offset, page, begun)
        return merged(left)

    def _pages(
        self, buffer: memoryview, offset: int, length: int, begun: float
    ) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
        """The bad pages, and stretches behind bad ones that were left for later.

        What is likely to be readable comes first, while there is time.
        """
        bad: list[tuple[int, int]] = []
        later: list[tuple[int, int]] = []
        start = step = 0
        while start < length:
            if self._spent(begun) >= 1:
                # No time for pages any more: all the rest at once, or not at all.
                if not self._has(buffer, offset, (start, length)):
                    bad.append((start, length))
                break
            page = (start, min(start + PAGE_BYTES, length))
            start = page[1]
            if self._has(buffer, offset, page):
                step = 0
                continue
            bad.append(page)
            end = min(start + step * PAGE_BYTES, length)
            if end > start:
                later.append((start, end))
            start, step = end, max(1, 2 * step)
        return bad, later

    def _sectors(
        self, buffer: memoryview, offset: int, page: tuple[int, int], begun: float
    ) -> list[tuple[int, int]]:
        left = []
        for sector in _parts(*page, self._sector):
            over = self._sector >= PAGE_BYTES or self._spent(begun) >= SECTORS_UPTO
            if over or not self._has(buffer, offset, sector, self._sector):
                left.append(sector)
        return left

    def _has(
        self, buffer: memoryview, offset: int, part: tuple[int, int], unit: int = PAGE_BYTES
    ) -> bool:
        """Read a part of a buffer, in whole units; whether all of it came."""
        start, end = part
        whole = min(-(-end // unit) * unit, len(buffer))
        try:
            got = fill(self._files, self._handle, buffer[start:whole], offset + start, self._size)
        except OSError as error:
            if error.errno == errno.EINVAL and unit < PAGE_BYTES:
                self._sector = PAGE_BYTES  # the device's sectors are larger
            elif error.errno not in MEDIA_ERRORS:
                raise
            self._patience.fail()
            return False
        return got >= end - start

    def _lost(
        self, buffer: memoryview, offset: int, length: int, left: list[tuple[int, int]] | Ranges
    ) -> int:
        """Zeros for what could not be read, and a note of it."""
        if self._is_stopped:
            return 0
        for start, end in left:
            buffer[start:end] = bytes(end - start)
        came = [(offset + start, offset + end) for start, end in left]
        if came:
            self.unreadable[:] = merged([*self.unreadable, *came])
        return length


def _parts(start: int, end: int, size: int) -> list[tuple[int, int]]:
    return [(at, min(at + size, end)) for at in range(start, end, size)]
