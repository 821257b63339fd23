"""The real program on real folders: left alone, killed somewhere, or on a drive that writes wrong."""

import functools
import os
import signal
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, cast

from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.drives.mounts_linux import LinuxMounts, probe_with_blkid
from backupkeeper.ports.files import Files, Handle
from backupkeeper.system.files import RealFiles
from backupkeeper.wiring import Keeper, load_config
from tests.breaking.tally import TALLY
from tests.stories.yard import Yard
from tests.world.killing import Faults

Deed = Callable[[Keeper], Any]
MOUNTS: Final = LinuxMounts(probe=functools.cache(probe_with_blkid))
"""The machine's own, that ask each device once who it is."""


class CountedIds:
    """``ports.clock.Entropy`` that gives the same ids in every replay."""

    def __init__(self) -> None:
        self.given = 0

    def new_id(self) -> str:
        """A UUID in form."""
        self.given += 1
        return f"00000000-0000-4000-8000-{self.given:012x}"


@dataclass(frozen=True)
class Fate:
    """What befalls the program while it is at work.

    Args:
        what: ``killed``, or ``miswritten``: a drive writes wrong bytes and says that all is well.
        at: at which system call on files, or at which write.
    """

    what: str
    at: int


Entry = tuple[int, int, int]
"""Inode, size and time of a file."""


def entry_of(found: os.stat_result) -> Entry:
    """How a file is known again."""
    return found.st_ino, found.st_size, found.st_mtime_ns


@dataclass
class PageCache:
    """Bytes that the system still has in memory, while the medium holds others by now."""

    of_entries: dict[Entry, bytes] = field(default_factory=dict)
    of_handles: dict[int, bytes] = field(default_factory=dict)


class Drives(RealFiles):
    """Real files, on drives that rot behind the page cache and may write wrong.

    They wait for no disk: a kill loses nothing that was not synced, unlike a power cut. (What is synced,
    and when, ``tests/promises`` holds, with power cuts.)

    Args:
        cache: what is in memory.
        spoils: which write is to go wrong; 0: none.
    """

    def __init__(self, cache: PageCache, spoils: int = 0) -> None:
        self._cache = cache
        self._spoils = spoils
        self._writes = 0
        self._lock = threading.Lock()

    def sync_tree(self, path: str) -> None:
        """Nothing."""

    def sync_folder(self, path: str) -> None:
        """Nothing."""

    def open_read(self, path: str, *, direct: bool = False) -> Handle:
        """Reads come from memory where there is something, unless the cache is by-passed."""
        handle = super().open_read(path, direct=direct)
        remembered = self._cache.of_entries.get(entry_of(os.fstat(handle)))
        if remembered is not None and not direct:
            self._cache.of_handles[handle] = remembered
        return handle

    def read_into(self, handle: Handle, buffer: memoryview, offset: int) -> int:
        """From memory, or from the medium."""
        remembered = self._cache.of_handles.get(handle)
        if remembered is None:
            return super().read_into(handle, buffer, offset)
        piece = remembered[offset : offset + len(buffer)]
        buffer[: len(piece)] = piece
        return len(piece)

    def drop_pages(self, handle: Handle) -> None:
        """What is dropped is read from the medium next."""
        self._cache.of_handles.pop(handle, None)
        super().drop_pages(handle)

    def close(self, handle: Handle) -> None:
        """The number may be another file's next."""
        self._cache.of_handles.pop(handle, None)
        super().close(handle)

    def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
        """The one that is to go wrong does so without a word."""
        with self._lock:
            self._writes += 1
            goes_wrong = self._writes == self._spoils
        if goes_wrong:
            TALLY["writes that went wrong"] += 1
            spoilt = bytearray(data)
            spoilt[len(spoilt) // 2] ^= 0x10
            data = memoryview(spoilt)
        return super().write_at(handle, data, offset)


class Deadly(Faults[Files]):
    """Kills this very process, as kill -9 does, at the nth system call on files."""

    def __getattr__(self, name: str) -> Callable[..., Any]:
        call = super().__getattr__(name)

        def deadly(*args: Any, **named: Any) -> Any:
            try:
                return call(*args, **named)
            except BaseException:
                if self._dead:
                    os.kill(os.getpid(), signal.SIGKILL)
                raise

        return deadly


@dataclass(frozen=True)
class Came:
    """How it ended: an answer, an error of ours, or neither (killed, or in a process of its own)."""

    answer: Any = None
    error: BackupkeeperError | None = None


class Program:
    """One catalog and its places; every deed opens it anew, so nothing but facts survives.

    Args:
        yard: where all of it lies.
        mounts: what is asked which drives are here.
    """

    def __init__(self, yard: Yard, mounts: LinuxMounts = MOUNTS) -> None:
        self.yard = yard
        self.mounts = mounts
        self.cache = PageCache()
        self._ids = CountedIds()

    @contextmanager
    def opened(self, files: Files | None = None) -> Iterator[Keeper]:
        """The program, with ids that can be foretold."""
        config = load_config(f"{self.yard.root}/config.toml", {"HOME": str(self.yard.root)})
        with Keeper(config, clock=self.yard.clock, mounts=self.mounts) as keeper:
            parts = files or cast("Files", Drives(self.cache))
            keeper._context = replace(keeper.context, entropy=self._ids, files=parts)
            keeper._buckets.context = keeper._context
            yield keeper

    def do(self, deed: Deed, *, spoils: int = 0) -> Came:
        """Do it to its end. Any error but the program's own is a bug and passes through.

        Args:
            deed: what.
            spoils: which write goes wrong on the way; 0: none.
        """
        try:
            with self.opened(cast("Files", Drives(self.cache, spoils))) as keeper:
                return Came(answer=deed(keeper))
        except BackupkeeperError as error:
            return Came(error=error)

    def killed(self, deed: Deed, at: int) -> bool:
        """Do it in a process of its own that dies at the nth call; whether it died."""
        self._ids.given += 1000  # whoever dies takes the ids that it gave with it
        report = Path(self.yard.root) / "child.txt"
        child = os.fork()
        if child == 0:
            self._in_child(deed, at, report)
        _, status = os.waitpid(child, 0)
        if os.WIFSIGNALED(status):
            assert os.WTERMSIG(status) == signal.SIGKILL
            return True
        assert os.waitstatus_to_exitcode(status) == 0, report.read_text()
        return False

    def _in_child(self, deed: Deed, at: int, report: Path) -> None:
        try:
            files = Deadly.around(cast("Files", Drives(self.cache)), at=at).port
            with self.opened(files) as keeper:
                deed(keeper)
        except BackupkeeperError:
            os._exit(0)
        except BaseException:  # noqa: BLE001 - the child must end here, whatever it met
            report.write_text(traceback.format_exc())
            os._exit(1)
        os._exit(0)
