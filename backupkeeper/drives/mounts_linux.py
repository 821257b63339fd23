"""What is mounted on Linux, and what lies under it.

Promises:
1. Which mount holds a path is the kernel's answer (``mnt_id`` of an ``O_PATH`` descriptor in
   ``/proc/self/fdinfo``), never a guess from how paths begin; nothing is opened for reading.
2. A mount's token names this mount and this attachment of its device: mount ids and device
   numbers are given again after an unmount, the kernel's disk sequence number is not.
3. What is not known is ``None``. Reading about a medium never raises; ``blkid`` gets ten seconds.
4. A medium without a block device gets an identity too: ``memory``, ``zfs:POOL``,
   ``net:TYPE:SOURCE``, or ``fs:TYPE:NUMBER``, which lasts only as long as the mount.
"""

import errno
import os
import re
import subprocess
from collections.abc import Callable
from typing import Final

from backupkeeper.core.errors import DriveGoneError, MountChangedError, ReadError
from backupkeeper.drives.identity import BlockDevices
from backupkeeper.drives.mount_table import MountLine, parse_mountinfo
from backupkeeper.ports.mounts import DeviceInfo, Mount

BLKID_PLACES: Final = ("/usr/sbin/blkid", "/sbin/blkid", "/usr/bin/blkid", "/bin/blkid")
BLKID_SECONDS: Final = 10

_GONE: Final = frozenset(
    [errno.ENOENT, errno.ENOTDIR, errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE]
)
_MEMORY: Final = frozenset(["devtmpfs", "ramfs", "tmpfs"])
_HEX_ESCAPE: Final = re.compile(rb"\\x([0-9a-fA-F]{2})")
_SHELL_ESCAPE: Final = re.compile(r"\\(.)", re.DOTALL)
_MNT_ID: Final = re.compile(rb"^mnt_id:\s*([0-9]+)$", re.MULTILINE)


def probe_with_blkid(device: str) -> bytes:
    """What ``blkid`` reads from the device itself; nothing where it can't."""
    program = next((place for place in BLKID_PLACES if os.access(place, os.X_OK)), None)
    if program is None:
        return b""
    try:
        done = subprocess.run(  # noqa: S603 - a fixed program, its one operand after "--"
            [program, "-p", "-o", "export", "--", device],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={"LC_ALL": "C"},
            timeout=BLKID_SECONDS,
            check=False,
        )
    except (OSError, subprocess.SubprocessError):
        return b""
    return done.stdout if done.returncode == 0 else b""


class LinuxMounts:
    """``ports.mounts.Mounts`` on Linux.

    Args:
        root: where ``proc``, ``sys``, ``dev`` and ``run`` are looked up (tests make their own).
        probe: asks the device itself for its file system's UUID and label, as ``blkid -p -o
            export`` prints them; called only where udev left nothing.
    """

    def __init__(
        self, *, root: str = "/", probe: Callable[[str], bytes] = probe_with_blkid
    ) -> None:
        self._root = root
        self._probe = probe
        self._blocks = BlockDevices(root)

    def current(self) -> tuple[Mount, ...]:
        """All mounts, in the order of the system; a later one hides an earlier one at its point.

        Raises:
            ReadError: the mount table can't be read.
        """
        lines, boot = self._table()
        return tuple(self._mount(line, boot) for line in lines)

    def under(self, path: str) -> Mount:
        """The mount that holds ``path``, decided by the system.

        Raises:
            DriveGoneError: there is nothing at ``path``.
            ReadError: it can't be reached.
            MountChangedError: the mount went away while it was looked at.
        """
        try:
            # "/." makes an automounter mount what it only promises; O_PATH alone would not.
            wanted_path = f"{path}/." if os.path.isdir(path) else path
            handle = os.open(wanted_path, os.O_PATH | os.O_CLOEXEC)
        except ValueError as error:
            raise DriveGoneError("The folder", path) from error
        except OSError as error:
            if error.errno in _GONE:
                raise DriveGoneError("The folder", path) from error
            raise ReadError(path, error.errno or 0) from error
        try:
            # Looked up while the descriptor holds the mount: its id can't be given to another.
            match = _MNT_ID.search(_bytes(f"/proc/self/fdinfo/{handle}"))
            lines, boot = self._table()
        except OSError as error:
            raise ReadError(path, error.errno or 0) from error
        finally:
            os.close(handle)
        for line in lines:
            if match is not None and line.mount_id == int(match[1]):
                return self._mount(line, boot)
        raise MountChangedError(path)

    def inspect(self, mount: Mount) -> DeviceInfo:
        """Identity and facts of the medium under a mount."""
        number = self._block_number(mount.device_number, mount.source)
        folder = None if number is None else self._blocks.folder(number)
        if number is None or folder is None:
            return DeviceInfo(
                mount=mount,
                fs_uuid=None,
                label=None,
                size_bytes=self._size(mount),
                device=_without_disk(mount),
                spins=None,
                block_device=None,
            )
        disk = self._blocks.disk(folder)
        node = "/dev/" + os.path.basename(folder).replace("!", "/")
        uuid, label = self._uuid_and_label(number, node)
        return DeviceInfo(
            mount=mount,
            fs_uuid=uuid,
            label=label,
            size_bytes=self._size(mount),
            device=disk.identity,
            spins=disk.spins,
            block_device=node,
        )

    def _at(self, path: str) -> str:
        return os.path.join(self._root, path.lstrip("/"))

    def _table(self) -> tuple[tuple[MountLine, ...], str]:
        table = self._at("proc/self/mountinfo")
        try:
            boot = _bytes(self._at("proc/sys/kernel/random/boot_id"))
            return parse_mountinfo(_bytes(table)), boot.decode("ascii", "replace").strip()
        except OSError as error:
            raise ReadError(table, error.errno or 0) from error

    def _mount(self, line: MountLine, boot: str) -> Mount:
        number = self._block_number(line.device_number, line.source)
        folder = None if number is None else self._blocks.folder(number)
        sequence = "" if folder is None else self._blocks.sequence(folder)
        major, minor = line.device_number
        return Mount(
            mount_id=line.mount_id,
            point=line.point,
            root=line.root,
            fs_type=line.fs_type,
            source=line.source,
            device_number=line.device_number,
            read_only=line.read_only,
            token=f"{boot}:{line.mount_id}:{major}:{minor}:{sequence}",
        )

    def _block_number(self, number: tuple[int, int], source: str) -> tuple[int, int] | None:
        """Of the block device: the mount's own, or, where that is made up (major 0), the source's."""
        if number[0] != 0:
            return number
        if not source.startswith("/dev/"):
            return None
        return self._blocks.number_of(os.path.basename(os.path.realpath(self._at(source))))

    def _size(self, mount: Mount) -> int | None:
        try:
            room = os.statvfs(self._at(mount.point))
        except (OSError, ValueError):
            return None
        return room.f_blocks * room.f_frsize

    def _uuid_and_label(self, number: tuple[int, int], node: str) -> tuple[str | None, str | None]:
        # udev's own record first: of two clones only one gets the link.
        told = self._from_udev(number)
        uuid, label = told.get("ID_FS_UUID"), told.get("ID_FS_LABEL_ENC")
        if not uuid:
            uuid, label = self._linked("by-uuid", node), self._linked("by-label", node)
        if not uuid:
            told = self._from_probe(node)
            uuid, label = told.get("UUID"), told.get("LABEL") or label
        return uuid or None, label or None

    def _linked(self, kind: str, node: str) -> str | None:
        """The name of the link that leads to the node, as udev makes them."""
        folder, wanted = self._at(f"dev/disk/{kind}"), os.path.realpath(self._at(node))
        try:
            names = sorted(os.listdir(folder))
        except OSError:
            return None
        found = (n for n in names if os.path.realpath(os.path.join(folder, n)) == wanted)
        return next(map(_unhexed, found), None)

    def _from_udev(self, number: tuple[int, int]) -> dict[str, str]:
        try:
            data = _bytes(self._at(f"run/udev/data/b{number[0]}:{number[1]}"))
        except OSError:
            return {}
        lines = (os.fsdecode(line) for line in data.split(b"\n") if line.startswith(b"E:"))
        pairs = (line[2:].partition("=") for line in lines)
        return {key: _unhexed(value) for key, _, value in pairs}

    def _from_probe(self, node: str) -> dict[str, str]:
        lines = (os.fsdecode(line) for line in self._probe(self._at(node)).split(b"\n"))
        pairs = (line.partition("=") for line in lines)
        return {key: _SHELL_ESCAPE.sub(r"\1", value) for key, _, value in pairs}


def _bytes(path: str) -> bytes:
    with open(path, "rb") as file:
        return file.read()


def _unhexed(name: str) -> str:
    plain = _HEX_ESCAPE.sub(
        lambda match: bytes.fromhex(match[1].decode("ascii")), os.fsencode(name)
    )
    return os.fsdecode(plain)


def _without_disk(mount: Mount) -> str:
    """Words that name one medium, as far as that can be told; where it can't, rather too few."""
    if mount.fs_type in _MEMORY:
        return "memory"
    if mount.fs_type == "zfs":
        return f"zfs:{mount.source.partition('/')[0]}"
    if ":" in mount.source or mount.source.startswith("//"):
        return f"net:{mount.fs_type}:{mount.source}"
    major, minor = mount.device_number
    return f"fs:{mount.fs_type}:{major}:{minor}"
