"""Real file systems on loop devices, for any test that wants one; nothing is left behind.

Example:
    with loop_fs("ext4", 64) as drive:
        ...write below drive.point...
        drive.remount()
"""

import os
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

MAKERS = {
    "ext4": ["mkfs.ext4", "-q", "-F"],
    "xfs": ["mkfs.xfs", "-q", "-f"],
    "exfat": ["mkfs.exfat"],
}
LEAST_MIB = {"ext4": 16, "xfs": 300, "exfat": 16}
"""Their tools refuse, or make odd, file systems that are smaller."""
FS_TYPES = {"ext4": "ext4", "xfs": "xfs", "exfat": "fuseblk"}
"""What the mount table says: exFAT is mounted through FUSE here."""
BUSY_S = 10.0
ENVIRONMENT = {**os.environ, "PATH": os.environ.get("PATH", "") + ":/usr/sbin:/sbin"}


def run(*command: str) -> str:
    """Run a tool; its output, or ``CalledProcessError``."""
    done = subprocess.run(command, check=True, capture_output=True, env=ENVIRONMENT, timeout=60)
    return os.fsdecode(done.stdout).strip()


class LoopFs:
    """A mounted file system: ``point`` is its folder, ``device`` its node, ``backing`` its bytes."""

    def __init__(self, kind: str, folder: str) -> None:
        self.kind = kind
        self.fs_type = FS_TYPES[kind]
        self.backing = os.path.join(folder, "image")
        self.point = os.path.join(folder, "mounted")
        self.device = ""
        self._is_mounted = False

    def make(self, size_mib: int) -> None:
        """Make the file system and mount it."""
        with open(self.backing, "xb") as image:
            image.truncate(max(size_mib, LEAST_MIB[self.kind]) << 20)
        run(*MAKERS[self.kind], self.backing)
        os.mkdir(self.point)
        self.device = run("losetup", "--find", "--show", self.backing)
        self.mount()

    def mount(self, *, options: str = "rw") -> None:
        """Mount it (again)."""
        maker = ["mount.exfat-fuse"] if self.kind == "exfat" else ["mount", "-t", self.kind]
        run(*maker, "-o", options, self.device, self.point)
        self._is_mounted = True

    def unmount(self) -> None:
        """Unmount it; the device stays.

        The daemon of another test may be looking what this mount is: a person would try again too.
        """
        end = time.monotonic() + BUSY_S
        while True:
            try:
                run("umount", self.point)
                break
            except subprocess.CalledProcessError as error:
                if b"busy" not in error.stderr or time.monotonic() > end:
                    raise
                time.sleep(0.1)
        self._is_mounted = False

    def remount(self, *, options: str = "rw") -> None:
        """Unmount it and mount it anew: another mount, with nothing cached."""
        self.unmount()
        self.mount(options=options)

    def replug(self) -> None:
        """Unplug it and plug it in again: another disk to the system, with nothing cached."""
        self.detach()
        self.device = run("losetup", "--find", "--show", self.backing)
        self.mount()

    def power_cut(self) -> None:
        """Forget all that is not on the medium, and mount anew (ext4 and XFS; not through FUSE)."""
        run("xfs_io", "-x", "-c", "shutdown", self.point)
        self.remount()

    def pull(self) -> None:
        """Tear it off while in use: the folder stays, and is on another file system then."""
        run("umount", "--lazy", self.point)
        self._is_mounted = False

    def detach(self) -> None:
        """Unmount and give the device back. Twice is fine."""
        if self._is_mounted:
            self.unmount()
        if self.device:
            device, self.device = self.device, ""
            run("losetup", "--detach", device)

    def spoil(self, old: bytes, new: bytes) -> int:
        """Change bytes on the medium, behind every cache above it; where they stood.

        ``old`` must stand in the image exactly once.
        """
        assert len(old) == len(new)
        with open(self.backing, "r+b") as image:
            # The device's own write-back must not come later than this.
            os.fsync(image.fileno())
            data = image.read()
            assert data.count(old) == 1
            at = data.index(old)
            image.seek(at)
            image.write(new)
            image.flush()
            os.fsync(image.fileno())
        return at


@contextmanager
def loop_fs(kind: str, size_mib: int = 64, *, within: str | None = None) -> Iterator[LoopFs]:
    """A fresh file system (``ext4``, ``xfs``, ``exfat``), mounted; gone afterwards.

    ``within`` is the folder below which it is mounted (else a temporary one of the system's).
    """
    with tempfile.TemporaryDirectory(prefix="loop", dir=within) as folder:
        made = LoopFs(kind, folder)
        try:
            made.make(size_mib)
            yield made
        finally:
            try:
                made.detach()
            except subprocess.CalledProcessError:
                # Still in use by a failing test: let it go all the same.
                with suppress(subprocess.CalledProcessError):
                    run("umount", "--lazy", made.point)
                if made.device:
                    run("losetup", "--detach", made.device)
