"""Images of file systems, mounted through loop devices, and nothing left behind."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

MAKE = {
    "ext4": (16 << 20, ["mkfs.ext4", "-q", "-F", "-L", "MY CARD"]),
    "xfs": (300 << 20, ["mkfs.xfs", "-q", "-f", "-L", "MY CARD"]),
    "exfat": (16 << 20, ["mkfs.exfat", "-L", "MY CARD"]),
}
SYSTEM_PATH = {**os.environ, "PATH": os.environ.get("PATH", "") + ":/usr/sbin:/sbin"}


def run(*command: str | os.PathLike[str]) -> str:
    done = subprocess.run(command, check=True, capture_output=True, env=SYSTEM_PATH, timeout=60)
    return os.fsdecode(done.stdout).strip()


def image(path: Path, fs: str) -> Path:
    """A new file system in a sparse file."""
    size, command = MAKE[fs]
    with path.open("xb") as file:
        file.truncate(size)
    run(*command, path)
    return path


@contextmanager
def mounted(
    picture: Path, fs: str, point: Path, *, read_only: bool = False, options: str = ""
) -> Iterator[None]:
    """The image mounted at the point; unmounted, and its loop device free, afterwards.

    Read-only also means that the loop device itself refuses writes.
    """
    device = run("losetup", "--find", "--show", *(["--read-only"] if read_only else []), picture)
    try:
        words = ",".join(filter(None, ["ro" if read_only else "rw", options]))
        maker = ["mount.exfat-fuse"] if fs == "exfat" else ["mount", "-t", fs]
        run(*maker, "-o", words, device, point)
        try:
            yield
        finally:
            run("umount", point)
    finally:
        run("losetup", "--detach", device)


def loop_of(point: Path) -> str:
    """The device that the kernel names for a mount point."""
    number = point.stat().st_dev
    return f"/dev/loop{os.minor(number)}"
