"""A real daemon as a process, with real drives and cards, and its log to wait on.

Example:
    with DaemonStand(tmp_path) as stand:
        main = stand.drive("ext4", "primary", "Main")
        with stand.running() as daemon:
            daemon.wait_for("Main is here")
"""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, Self

from backupkeeper.core.model import Role
from backupkeeper.wiring import open_keeper
from tests.real.loopdev import LoopFs, loop_fs
from tests.real.store import ACCESS, SECRET, Server
from tests.stories.yard import clip

PATIENCE_S = 60.0
RECORDED_S = 1_781_258_400
"""12 June 2026, in the morning: when the clips of these cards were recorded."""
RUN = (
    "import os, sys, datetime; from backupkeeper.wiring.daemon import run_daemon; "
    "sys.exit(run_daemon(sys.argv[1], os.environ, "
    "ahead=datetime.timedelta(seconds=float(sys.argv[2]))))"
)
CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 9_000_001),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
}


@dataclass
class Daemon:
    """One run of it."""

    process: "subprocess.Popen[bytes]"
    log: Path
    begun_at: int

    def lines(self) -> list[dict[str, Any]]:
        with self.log.open("rb") as file:
            file.seek(self.begun_at)
            return [json.loads(line) for line in file if line.endswith(b"\n")]

    def said(self) -> list[str]:
        return [str(line["message"]) for line in self.lines()]

    def wait_for(self, *parts: str, patience_s: float = PATIENCE_S) -> None:
        """Until every one of these was said."""
        self.until(
            lambda: all(any(part in one for one in self.said()) for part in parts),
            f"never said: {parts}",
            patience_s=patience_s,
        )

    def until(
        self, is_so: Callable[[], bool], told: str, *, patience_s: float = PATIENCE_S
    ) -> None:
        end = time.monotonic() + patience_s
        while not is_so():
            assert self.process.poll() is None, ["it ended", *self.said()]
            assert time.monotonic() < end, [told, *self.said()]
            time.sleep(0.05)

    def end(self) -> float:
        """SIGTERM; seconds until it had ended."""
        begun = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(15) == 0, self.said()
        return time.monotonic() - begun


@dataclass
class DaemonStand:
    """Drives and cards lie below ``media``; the catalog, configuration and log below ``root``.

    No hour is quiet: what is told must not hang on the hour at which the tests are run.
    """

    root: Path
    more: str = ""
    notify: str = ""
    roles: tuple[str, ...] = ("primary", "secondary")
    stack: ExitStack = field(default_factory=ExitStack)
    ahead: timedelta = timedelta(0)
    before: str = ""
    """Python that is run first in the daemon's process."""

    def __enter__(self) -> Self:
        self.media = self.root / "media"
        self.media.mkdir()
        self.configure(self.more)
        return self

    def __exit__(self, *_error: object) -> None:
        self.stack.close()

    def configure(self, more: str) -> None:
        roles = json.dumps(list(self.roles))
        (self.root / "config.toml").write_text(
            f'[catalog]\npath = "{self.root}/catalog.sqlite"\n'
            f"[policy]\nwipe_needs = {roles}\nroles = {roles}\n"
            f'[watch]\nmedia = ["{self.media}"]\nquiet_seconds = 1\n'
            f'[log]\nfile = "{self.root}/log.jsonl"\n'
            f'[notify]\nquiet = ""\n{self.notify}\n'
            '[[sources]]\nname = "Wide"\nfolders = ["DCIM"]\nauto_offload = true\n'
            'shoot = "Boatyard"\n'
            f"{more}\n"
        )

    @property
    def environ(self) -> dict[str, str]:
        return {
            **os.environ,
            "HOME": str(self.root),
            "BACKUPKEEPER_CONFIG": str(self.root / "config.toml"),
            "AWS_ACCESS_KEY_ID": ACCESS,
            "AWS_SECRET_ACCESS_KEY": SECRET,
            "AWS_DEFAULT_REGION": "us-east-1",
        }

    def typed(self, *words: str, code: int | None = 0) -> str:
        """A command as a person types it, in a process of its own."""
        done = subprocess.run(
            [sys.executable, "-m", "backupkeeper", *words],
            env=self.environ,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert code is None or done.returncode == code, done.stdout + done.stderr
        return done.stdout

    def file_system(self, kind: str, size_mib: int = 160) -> LoopFs:
        return self.stack.enter_context(loop_fs(kind, size_mib, within=str(self.media)))

    def drive(self, kind: str, role: str, name: str, size_mib: int = 160) -> LoopFs:
        """A drive that is a place. Not typed: that would be a process for each drive of each test."""
        made = self.file_system(kind, size_mib)
        with open_keeper(str(self.root / "config.toml"), {"HOME": str(self.root)}) as keeper:
            keeper.add_drive(made.point, role=Role(role), name=name, folder=False)
        return made

    def bucket(self, server: Server) -> str:
        name = server.new_bucket()
        self.typed(
            "place", "add", f"s3://{name}/footage", "--role", "cloud", "--name", "Off site",
            "--endpoint", server.url,
        )  # fmt: skip
        return name

    def card(self, kind: str, files: dict[str, bytes] = CARD, size_mib: int = 160) -> LoopFs:
        """A card with these files, not plugged in yet."""
        made = self.file_system(kind, size_mib)
        for number, (path, data) in enumerate(files.items()):
            whole = Path(made.point) / path
            whole.parent.mkdir(parents=True, exist_ok=True)
            whole.write_bytes(data)
            os.utime(whole, (RECORDED_S + number, RECORDED_S + number))
        made.unmount()
        return made

    @contextmanager
    def running(self) -> Iterator[Daemon]:
        """A daemon, ended afterwards if the test has not done it."""
        log = self.root / "log.jsonl"
        log.touch()
        size = log.stat().st_size
        seconds = str(self.ahead.total_seconds())
        command = [sys.executable, "-c", self.before + RUN, str(self.root / "config.toml"), seconds]
        with (self.root / "errors").open("ab") as errors:
            process = subprocess.Popen(command, env=self.environ, stderr=errors)
        daemon = Daemon(process=process, log=log, begun_at=size)
        try:
            yield daemon
        finally:
            if process.poll() is None:
                daemon.end()
        assert (self.root / "errors").read_text() == ""

    def gaps(self) -> list[str]:
        """Rolls with a gap, as ``gaps --json`` tells them, with the roles."""
        told = json.loads(self.typed("gaps", "--json", code=None))
        return [f"{one['roll']}: {', '.join(one['gaps'])}" for one in told["rolls"] if one["gaps"]]


def originals(drive: LoopFs) -> dict[str, bytes]:
    """Every file of rolls on a drive, without manifests and our own."""
    root = Path(drive.point)
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_file()
        and not {"ascmhl", ".backupkeeper"} & set(path.relative_to(root).parts)
        and not path.name.startswith(".backupkeeper")
    }


def expected(files: dict[str, bytes] = CARD, roll: str = "Roll 01") -> dict[str, bytes]:
    """What a drive must hold of a card."""
    folder = f"260612 Boatyard/Originals/Wide/{roll}"
    return {f"{folder}/{path}": data for path, data in files.items()}
