"""A scene on real file systems, the catalog's among them, whose power can be cut.

A cut is told from a kill by what it takes along: everything that had not reached the medium. Three
kinds are drawn: at once; after the file system's log was written (names and sizes may be ahead of bytes);
after some files' bytes were (bytes may be ahead of names and sizes).
"""

import ctypes
import functools
import json
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from subprocess import CalledProcessError
from typing import Any, Final

import zstandard

from backupkeeper.core.model import Role
from backupkeeper.drives.mounts_linux import LinuxMounts, probe_with_blkid
from backupkeeper.manifests.mhl_chain import read_chain
from backupkeeper.manifests.mhl_model import CHAIN_NAME
from backupkeeper.manifests.mhl_read import read_manifest
from backupkeeper.transfer.durable import is_temp_name
from backupkeeper.wiring import Keeper
from tests.breaking.acting import Program
from tests.breaking.media import OWN
from tests.breaking.scene import DRIVES, POLICY, CalmClock, Scene
from tests.real.loopdev import LoopFs, run
from tests.stories.yard import Yard

LIBC: Final = ctypes.CDLL(None, use_errno=True)
LIBC.sync_file_range.argtypes = [ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint]
WRITE_AND_WAIT: Final = 7
"""``SYNC_FILE_RANGE_WAIT_BEFORE | _WRITE | _WAIT_AFTER`` (linux/fs.h): bytes, and nothing that leads to them."""
MEMORY: Final = "memory"
"""Where the catalog lies."""
KINDS: Final = {"Main": "ext4", "Travel": "xfs", MEMORY: "ext4"}
SIZE_MIB: Final = 160
CUTS: Final = ("at once", "log first", "bytes first")


@dataclass
class DriveScene(Scene):
    """Main, Travel and the catalog are file systems of their own. To be closed.

    Args:
        kinds: which, by the folder's name.
    """

    kinds: dict[str, str] = field(default_factory=lambda: dict(KINDS))
    systems: dict[str, LoopFs] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.stack = ExitStack()
        try:
            super().__post_init__()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Unmount all, and let go of the devices."""
        for system in self.systems.values():
            with suppress(CalledProcessError):
                system.detach()

    # As ``Scene`` has it, on devices.

    @property
    def catalog(self) -> Path:
        """The catalog's file."""
        return self.root / MEMORY / "catalog.sqlite"

    def _fresh(self) -> None:
        if not self.systems:
            for name, kind in self.kinds.items():
                folder = self.root.with_name(f"device-{name}")
                folder.mkdir()
                self.systems[name] = LoopFs(kind, str(folder))
                self.systems[name].point = str(self.root / name)
                self.systems[name].make(SIZE_MIB)
        yard = Yard(self.root, policy=POLICY, clock=CalmClock())
        config = self.root / "config.toml"
        config.write_text(
            config.read_text().replace(f"{self.root}/catalog", str(self.catalog)[:-7])
        )
        mounts = LinuxMounts(probe=functools.cache(probe_with_blkid))
        mounts.current()
        self.program = Program(yard, mounts)

    def take_in(self, name: str, role: Role) -> None:
        """A drive of that name becomes a place."""
        point = str(self.root / name)
        self.ask(lambda keeper: keeper.add_drive(point, role=role, name=name, folder=False))

    def without(self, name: str, deed: Callable[[Keeper], Any]) -> None:
        """Let the program do something while a drive is away."""
        self.systems[name].unmount()
        self.ask(deed)
        self.systems[name].mount()

    def _save(self) -> None:
        for name, system in self.systems.items():
            system.detach()
            run("cp", "--sparse=always", system.backing, str(self.root.with_name(f"saved-{name}")))
            self._attach(system)

    def _restore(self) -> None:
        for name, system in self.systems.items():
            system.detach()
            run("cp", "--sparse=always", str(self.root.with_name(f"saved-{name}")), system.backing)
            self._attach(system)

    def _attach(self, system: LoopFs) -> None:
        system.device = run("losetup", "--find", "--show", system.backing)
        system.mount()

    # Power.

    def cut(self, names: tuple[str, ...], how: str, chance: Random) -> None:
        """Take the power from some file systems, and give it back.

        Args:
            names: of which.
            how: one of ``CUTS``.
            chance: which files' bytes are written first.
        """
        for name in names:
            point = self.systems[name].point
            if how == "bytes first":
                for path in _files(Path(point)):
                    if chance.random() < 0.5:
                        _write_bytes(path)
            flush = ["-f"] if how == "log first" else []
            run("xfs_io", "-x", "-c", " ".join(["shutdown", *flush]), point)
        for name in names:
            self.systems[name].remount()
        self.program.mounts = LinuxMounts(probe=functools.cache(probe_with_blkid))

    def check_own_files(self) -> None:
        """What the program keeps on drives under a final name is whole: markers, manifests, snapshots."""
        for name in DRIVES:
            for path in _files(self.root / name):
                if not is_temp_name(path.name):
                    _check_own(path)


def _files(root: Path) -> Iterator[Path]:
    for folder, folders, names in os.walk(root):
        folders.sort()
        yield from (Path(folder, name) for name in sorted(names))


def _write_bytes(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        assert LIBC.sync_file_range(handle, 0, 0, WRITE_AND_WAIT) == 0
    finally:
        os.close(handle)


def _check_own(path: Path) -> None:
    data = path.read_bytes()
    if path.name == CHAIN_NAME:
        assert read_chain(data).faults == (), path
    elif path.suffix == ".mhl":
        assert read_manifest(data).faults == (), path
    elif path.suffix == ".json" and OWN in path.parts:
        json.loads(data)
    elif path.suffix == ".zst":
        with zstandard.ZstdDecompressor().stream_reader(data) as reader:
            assert reader.read(16) == b"SQLite format 3\0", path
            while reader.read(1 << 20):
                pass
