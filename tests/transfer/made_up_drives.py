"""A card and two drives on one made-up disk, for tests of the pipeline."""

import errno
import os
import random
from collections.abc import Callable, Sequence
from typing import cast

from backupkeeper.core.model import Content, PlaceId
from backupkeeper.ports.files import Files, Handle
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.transfer.coldpolicy import ColdPolicy, cold_policy
from backupkeeper.transfer.pipeline import Copied, Destination, Job, copy_files
from tests.world.disk import Disk
from tests.world.killing import Faults

MAIN, SECOND = PlaceId("main"), PlaceId("second")
ROOTS = {MAIN: "/main", SECOND: "/second"}
KERNEL = cold_policy("ext4", None)


def broken(number: int) -> OSError:
    return OSError(number, os.strerror(number))


class Stand(Disk):
    """A disk whose calls can be made to fail by path: ``fail[name] = (part of path, error)``.

    ``after`` is run after every call of that name (to change things at the right moment).
    """

    def __init__(self, *, capacity: int = 1 << 30, direct: bool = True) -> None:
        super().__init__(capacity=capacity, direct=direct)
        self.fail: dict[str, tuple[str, BaseException]] = {}
        self.times: dict[str, int] = {}
        self.after: dict[str, Callable[[], None]] = {}
        self.paths: dict[int, str] = {}
        self.calls: list[tuple[str, str]] = []
        for folder in ("/card", *ROOTS.values()):
            self.make_folder(folder)
        self.sync_tree("/")

    @property
    def files(self) -> Files:
        """The port: one call at a time, watched."""
        return cast("Files", Faults.around(_Watched(self)).port)

    def put(self, path: str, data: bytes) -> str:
        handle = self.create(path)
        self.write_at(handle, memoryview(data), 0)
        self.sync(handle)
        self.close(handle)
        return path

    def job(self, name: str, data: bytes, *, expect: Content | None = None) -> Job:
        """A file on the card, wanted on both drives."""
        path = self.put(f"/card/{name}", data)
        return Job(
            source=path,
            size=len(data),
            mtime_ns=self.stat(path).mtime_ns,
            targets={place: f"{root}/Roll 01/{name}" for place, root in ROOTS.items()},
            expect=expect,
        )


class _Watched:
    """Calls of a stand, with their paths (handles are traced back to theirs)."""

    def __init__(self, stand: Stand) -> None:
        self._stand = stand

    def __getattr__(self, name: str) -> Callable[..., object]:
        call = getattr(self._stand, name)

        def watched(*args: object, **named: object) -> object:
            stand = self._stand
            first = args[0]
            path = first if isinstance(first, str) else stand.paths[cast("int", first)]
            stand.calls.append((name, path))
            part, error = stand.fail.get(name, ("", None))
            if error is not None and part in path and stand.times.get(name, 1 << 30) > 0:
                stand.times[name] = stand.times.get(name, 1 << 30) - 1
                if name == "close":
                    call(*args)  # Linux closes in any case, and then tells
                raise error
            answer = call(*args, **named)
            if name in {"create", "open_read", "open_write"}:
                stand.paths[cast("Handle", answer)] = path
            if name in stand.after:
                stand.after[name]()
            return answer

        return watched


def fine() -> None:
    """A guard that is content."""


def drives(
    *, policy: ColdPolicy = KERNEL, guards: dict[PlaceId, Callable[[], None]] | None = None
) -> list[Destination]:
    return [
        Destination(place=place, root=root, cold=policy, guard=(guards or {}).get(place, fine))
        for place, root in ROOTS.items()
    ]


def copy(
    stand: Stand,
    jobs: Sequence[Job],
    to: Sequence[Destination] | None = None,
    progress: Progress | None = None,
) -> list[Copied]:
    """Run it all; nothing may stay open."""
    to = drives() if to is None else to
    done = [
        copied
        for batch in copy_files(jobs, to, files=stand.files, progress=progress or Quiet())
        for copied in batch
    ]
    assert stand.open_handles == 0
    return done


def some(seed: int, size: int) -> bytes:
    return random.Random(seed).randbytes(size)


EIO, ENOSPC = broken(errno.EIO), broken(errno.ENOSPC)
