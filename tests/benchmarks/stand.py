"""What the benchmarks stand on: a card and two drives, cold caches, a clock, a table.

As root each of the three is an ext4 file system of its own on a loop device that goes past the
page cache of the file below it (so a cold read is cold all the way); otherwise they are folders on
one file system, and the table says so. What the program does and what a person would type work on
the same devices in the same run, so only the ratios mean anything.
"""

import contextlib
import hashlib
import os
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

MIB = 1024 * 1024
CHECKOUT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
_SBIN = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
_FOLDERS = ("card", "main", "second")


@dataclass(frozen=True, kw_only=True, slots=True)
class Took:
    """What one command cost."""

    seconds: float
    peak_bytes: int
    """Largest resident size of the process (``ru_maxrss``), without its children."""
    output: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Stand:
    """A card and two drives below ``root``; ``loops`` are their devices, empty for folders."""

    root: str
    loops: dict[str, str] = field(default_factory=dict)

    @property
    def what(self) -> str:
        """What the figures were measured on."""
        if self.loops:
            return "ext4 on loop devices over one disk"
        return "folders on one file system (not root)"

    def path(self, *parts: str) -> str:
        """A path below the stand."""
        return os.path.join(self.root, *parts)

    def keeper(self, *words: str, may_exit: Sequence[int] = (0,)) -> Took:
        """Run the program as a person does.

        Args:
            words: Arguments of ``backupkeeper``.
            may_exit: Exit codes that are no failure of the benchmark.
        """
        home = self.path("home")
        environment = {
            "HOME": home,
            "XDG_CONFIG_HOME": os.path.join(home, "config"),
            "XDG_DATA_HOME": os.path.join(home, "data"),
            "XDG_STATE_HOME": os.path.join(home, "state"),
            "BACKUPKEEPER_CONFIG": self.path("config.toml"),
            "LC_ALL": "C.UTF-8",
            "PATH": _SBIN,
            "PYTHONPATH": CHECKOUT,
        } | {name: value for name, value in os.environ.items() if name.startswith("AWS_")}
        command = [sys.executable, "-m", "backupkeeper", *words]
        with open(self.path("output"), "w+b") as output:
            begun = time.perf_counter()
            child = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=output,
                env=environment,
                cwd=self.root,
            )
            _, status, usage = os.wait4(child.pid, 0)
            seconds = time.perf_counter() - begun
            child.returncode = os.waitstatus_to_exitcode(status)
            output.seek(0)
            told = output.read().decode("utf-8", "replace")
        assert child.returncode in may_exit, f"{shlex.join(words)}: {child.returncode}\n{told}"
        return Took(seconds=seconds, peak_bytes=usage.ru_maxrss * 1024, output=told)

    def add_drives(self) -> None:
        """Tell the program of both drives."""
        for name, role in (("main", "primary"), ("second", "secondary")):
            extra = () if self.loops else ("--folder",)
            self.keeper("place", "add", self.path(name), "--role", role, "--name", name, *extra)

    def offload(self) -> Took:
        """Offload the card to both drives, cold."""
        cool(self.root)
        return self.keeper(
            "offload", self.path("card"), "--shoot", "260612 Boatyard", "--source", "Wide"
        )

    def sectors_read(self, name: str) -> int:
        """How many bytes were read from the device of ``name`` since it was made."""
        device = os.path.basename(self.loops[name])
        with open(f"/sys/block/{device}/stat", encoding="ascii") as file:
            return int(file.read().split()[2]) * 512


CONFIG = """\
[policy]
distinct_devices = false
wipe_needs = ["primary", "secondary"]
[report]
posters = false
"""


@contextlib.contextmanager
def stand(root: str, *, gib: int, loops: bool) -> Iterator[Stand]:
    """Make a stand, hand it out, take it down.

    Args:
        root: An empty folder.
        gib: Size of each loop device; the backing files are sparse.
        loops: Whether to use loop devices; needs root.
    """
    os.makedirs(os.path.join(root, "home"))
    with open(os.path.join(root, "config.toml"), "w", encoding="ascii") as file:
        file.write(CONFIG)
    for name in _FOLDERS:
        os.makedirs(os.path.join(root, name))
    with contextlib.ExitStack() as taken_down:
        devices = {}
        for name in _FOLDERS if loops else ():
            backing = os.path.join(root, f"{name}.img")
            with open(backing, "wb") as file:
                file.truncate(gib * 1024 * MIB)
            run("mkfs.ext4", "-q", "-F", "-m", "0", "-N", "250000", backing)
            device = run("losetup", "--find", "--show", "--direct-io=on", backing).strip()
            taken_down.callback(run, "losetup", "--detach", device)
            run("mount", device, os.path.join(root, name))
            taken_down.callback(run, "umount", os.path.join(root, name))
            devices[name] = device
        yield Stand(root=root, loops=devices)
    shutil.rmtree(root)


def run(*command: str) -> str:
    """Run a tool of the system; what it printed."""
    program = shutil.which(command[0], path=_SBIN)
    assert program is not None, f"{command[0]} is not installed"
    done = subprocess.run([program, *command[1:]], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{shlex.join(command)}: {done.stderr}"
    return done.stdout


def shell(line: str) -> float:
    """Seconds that a line takes which a person would type."""
    begun = time.perf_counter()
    subprocess.run(
        ["/bin/sh", "-ec", line], check=True, stdout=subprocess.DEVNULL, env={"PATH": _SBIN}
    )
    return time.perf_counter() - begun


def cool(root: str) -> None:
    """Write out what is dirty and empty the caches: all of them as root, else file by file."""
    os.sync()
    if os.geteuid() == 0:
        with open("/proc/sys/vm/drop_caches", "w", encoding="ascii") as file:
            file.write("3")
        return
    for folder, _, names in os.walk(root):
        for name in names:
            handle = os.open(os.path.join(folder, name), os.O_RDONLY)
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
            os.close(handle)


def fill(folder: str, *, files: int, size: int, per_folder: int = 1000) -> int:
    """Write files of noise, ``per_folder`` to a folder as cameras do.

    Returns:
        How many bytes were written.
    """
    pad = hashlib.shake_128(b"bench").digest(MIB)
    for number in range(files):
        inside = os.path.join(folder, "DCIM", f"{100 + number // per_folder:03}BOATY")
        if number % per_folder == 0:
            os.makedirs(inside)
        path = os.path.join(inside, f"BOAT{number % per_folder + 1:04}.MP4")
        with open(path, "wb") as file:
            for at in range(0, size, MIB):
                head = hashlib.blake2b(b"%d %d" % (number, at)).digest()
                file.write((head + pad[len(head) :])[: size - at])
    return files * size


def checksum_tool() -> str:
    """The fastest checksum tool that is installed: the hardest to beat."""
    for tool in ("xxh128sum", "b3sum", "sha256sum"):
        if shutil.which(tool):
            return tool
    return "cksum"


def by_hand(at: Stand) -> tuple[float, str]:
    """What a careful person types to have a card on two drives and know it.

    Returns:
        Seconds, and the commands. Emptying the caches is not counted; the sync is.
    """
    card, main, second = (shlex.quote(at.path(name)) for name in _FOLDERS)
    cool(at.root)
    copied = shell(f"cp -a {card}/. {main}/hand; cp -a {card}/. {second}/hand; sync")
    cool(at.root)
    tool = checksum_tool()
    checked = shell(
        f"find {card} {main}/hand {second}/hand -type f -print0 | xargs -0 {tool} --"
        if tool != "xxh128sum"
        else f"find {card} {main}/hand {second}/hand -type f -print0 | xargs -0 {tool}"
    )
    return copied + checked, f"cp -a to each; sync; {tool} card and copies, cold"
