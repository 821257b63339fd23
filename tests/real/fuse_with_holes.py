"""Mounts on which chosen bytes can't be read (``EIO``), for any test that wants one.

Example:
    with holey(folder) as mount:
        ...write below mount.point...
        mount.set({"Roll 01/C0001.bin": [(4096, 4608)]})

The holes belong to the file, not to its name, as with bad sectors: a new file that takes the name
has none. What is written over a hole still can't be read.
"""

import errno
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from tests.real.loopdev import LoopFs, loop_fs, run

SERVER = os.path.join(os.path.dirname(__file__), "fuse_with_holes_server.py")
Spans = Sequence[tuple[int, int]]


@dataclass(frozen=True, kw_only=True)
class Asked:
    """One read that reached the file system."""

    offset: int
    size: int
    failed: bool


class Holey:
    """A mounted mirror of ``backing`` at ``point``, of the type ``fuse.holey``."""

    def __init__(self, backing: str, point: str, *, direct_io: bool) -> None:
        self.backing = backing
        self.point = point
        how = "direct" if direct_io else "cached"
        self._server = subprocess.Popen(
            [sys.executable, "-I", SERVER, backing, point, how],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        if self._answer() is not True:
            self._server.kill()
            self._server.wait()
            raise RuntimeError("could not mount")

    def set(
        self,
        holes: Mapping[str, Spans],
        *,
        delay_s: float = 0.0,
        number: int = errno.EIO,
        waits: bool = False,
    ) -> None:
        """Let reads that touch these ranges (by path below the mount) fail; no other does any more.

        Args:
            holes: half-open byte ranges.
            delay_s: how long each such read takes to fail.
            number: what it fails with.
            waits: it fails no sooner than holes are set again; until then nothing of the mount answers.
        """
        named = {path: [list(span) for span in spans] for path, spans in holes.items()}
        self._command({"holes": named, "delay_s": delay_s, "number": number, "waits": waits})

    def asked(self) -> list[Asked]:
        """The reads of files with holes that came through since the last ``set``, in order."""
        return [
            Asked(offset=offset, size=size, failed=failed)
            for _, offset, size, failed in self._command({})
        ]

    def close(self) -> None:
        """Unmount, whatever still uses it, and let the server end."""
        with suppress(subprocess.CalledProcessError):
            run("umount", "--lazy", self.point)
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.close()
        try:
            self._server.wait(20)
        except subprocess.TimeoutExpired:
            self._server.kill()
            self._server.wait()
            raise
        finally:
            self._server.stdout.close()

    def _command(self, asked: object) -> Any:
        assert self._server.stdin is not None
        self._server.stdin.write(json.dumps(asked) + "\n")
        self._server.stdin.flush()
        return self._answer()

    def _answer(self) -> Any:
        assert self._server.stdout is not None
        line = self._server.stdout.readline()
        return json.loads(line) if line else None


@contextmanager
def holey(
    folder: str, holes: Mapping[str, Spans] | None = None, *, direct_io: bool = False
) -> Iterator[Holey]:
    """A mount with holes; its bytes lie in ``folder/backing``, it stands at ``folder/mounted``.

    Args:
        folder: exists; both are made if they are not there.
        holes: see ``Holey.set``; the files must be there.
        direct_io: reads come as they are asked for, to the byte; else through the page cache, in
            pages.
    """
    backing, point = os.path.join(folder, "backing"), os.path.join(folder, "mounted")
    os.makedirs(backing, exist_ok=True)
    os.makedirs(point, exist_ok=True)
    mount = Holey(backing, point, direct_io=direct_io)
    try:
        if holes:
            mount.set(holes)
        yield mount
    finally:
        mount.close()


def extents(path: str) -> list[tuple[int, int, int]]:
    """Where a file lies as e2fsprogs' own tool tells it: byte of the file, of the device, length."""
    told = run("filefrag", "-v", path)
    match = re.search(r"blocks? of (\d+) bytes", told)
    assert match is not None
    unit = int(match[1])
    rows = re.findall(r"^ *\d+: *(\d+)\.\. *\d+: *(\d+)\.\. *\d+: *(\d+):", told, re.MULTILINE)
    return [(int(one) * unit, int(two) * unit, int(three) * unit) for one, two, three in rows]


class BadDrive:
    """A file system in the kernel, on a block device some of whose sectors can't be read."""

    def __init__(self, mount: Holey, drive: LoopFs) -> None:
        self.drive = drive
        self.point = drive.point
        self._mount = mount
        self._image = os.path.relpath(drive.backing, mount.point)

    def set(self, spans: Spans, *, waits: bool = False) -> None:
        """Let the device fail where these bytes of it are read; no others do any more.

        Args:
            spans: half-open byte ranges of the device.
            waits: it gives no answer at all, to nobody, until it is set again.
        """
        self._mount.set({self._image: spans}, waits=waits)

    def hurt(self, path: str, spans: Spans, *, waits: bool = False) -> None:
        """Let the sectors fail in which these bytes of a synced file lie; no others do any more.

        ``waits`` as in ``set``.
        """
        self.set(
            [
                (max(start, at) - at + on_device, min(end, at + length) - at + on_device)
                for at, on_device, length in extents(path)
                for start, end in spans
                if max(start, at) < min(end, at + length)
            ],
            waits=waits,
        )

    def asked(self) -> list[Asked]:
        """The reads that reached the device since."""
        return self._mount.asked()


@contextmanager
def bad_drive(folder: str, kind: str, size_mib: int = 64) -> Iterator[BadDrive]:
    """A drive (``ext4``, ``xfs``) whose image lies on a mount with holes; nothing is left behind."""
    with (
        holey(folder, direct_io=True) as mount,
        loop_fs(kind, size_mib, within=mount.point) as drive,
    ):
        yield BadDrive(mount, drive)
