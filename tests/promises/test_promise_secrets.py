"""Nothing secret reaches anybody who has no business with it: what is started, written, said and sent.

The secrets are planted as strings that stand nowhere else, in real runs of the program; then
everything that came of these runs is searched.
"""

import json
import os
import re
import stat
import subprocess
import sys
from base64 import b64encode
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import zstandard

from backupkeeper.config import Security
from backupkeeper.transfer.age import new_identity
from tests.real.daemon_stand import Daemon, DaemonStand
from tests.real.store import ACCESS, SECRET, Server
from tests.stories.test_mail import mail_section
from tests.stories.yard import rot
from tests.world.mail_server import PASSWORD, MailServer, mail_server

pytest_plugins = ["tests.real.store_fixtures"]
ROLL = "260612 Boatyard/Originals/Wide/Roll 01"

OPENER = """#!/bin/sh
tr '\\0' '\\n' < /proc/$$/cmdline > "$TOLD/arguments"
tr '\\0' '\\n' < /proc/$$/environ > "$TOLD/environ"
cp "$1" "$TOLD/page"
stat -c %a "$1" > "$TOLD/mode"
"""


def with_opener(stand: DaemonStand, monkeypatch: pytest.MonkeyPatch, script: str) -> Path:
    """``xdg-open`` is this script from now on; where it writes what it was told."""
    told, program = stand.root / "told", stand.root / "bin/xdg-open"
    told.mkdir()
    program.parent.mkdir()
    program.write_text(script)
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
    monkeypatch.setenv("TOLD", str(told))
    return told


@pytest.mark.slow
def test_a_browser_is_started_with_nothing_that_others_must_not_see(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The very arguments and environment of the process that ``page --open`` begins."""
    with DaemonStand(tmp_path, more="[page]\nenabled = true\n") as stand:
        told = with_opener(stand, monkeypatch, OPENER)
        with stand.running() as daemon:
            daemon.wait_for("Running as process")
            address = stand.typed("page").strip()
            token = address.split("/")[3]
            assert len(token) == 43
            assert stand.typed("page", "--open").strip() == address
            arguments = (told / "arguments").read_text().splitlines()
            door = Path(arguments[-1])
            assert token not in "\n".join(arguments)
            environ = (told / "environ").read_text()
            assert "PATH=" in environ
            assert not [one for one in (token, ACCESS, SECRET) if one in environ]
            assert (told / "mode").read_text().strip() == "600"
            assert stat.S_IMODE(door.parent.stat().st_mode) == 0o700
            assert f'url={address}"' in (told / "page").read_text()
            assert json.loads(stand.typed("page", "--open", "--json"))["address"] == address
        assert not door.exists()


@pytest.mark.slow
def test_a_page_that_nothing_shows_is_told_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with DaemonStand(tmp_path, more="[page]\nenabled = true\n") as stand:
        with_opener(stand, monkeypatch, "#!/bin/sh\nexit 3\n")
        with stand.running() as daemon:
            daemon.wait_for("Running as process")
            assert stand.typed("page", "--open", code=3) == ""
            monkeypatch.setenv("PATH", str(tmp_path))
            assert stand.typed("page", "--open", code=3) == ""


# -- planted, and searched for in all that came of a real run


@dataclass
class Searched:
    """A stand whose commands and daemon are watched, and all that they said."""

    stand: DaemonStand
    said: list[str] = field(default_factory=list)

    @property
    def traces(self) -> list[Path]:
        return sorted(self.stand.root.glob("trace-*"))

    def typed(self, *words: str, **environ: str) -> int:
        """A command as a person types it, all processes that it begins recorded; its exit code."""
        trace = self.stand.root / f"trace-{len(self.said)}"
        done = subprocess.run(
            [*STRACE, "-o", str(trace), sys.executable, "-m", "backupkeeper", *words],
            env={**self.stand.environ, **environ},
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        self.said.append(f"{words} {done.returncode}\n{done.stdout}\n{done.stderr}")
        return done.returncode

    @contextmanager
    def watching(self, daemon: Daemon) -> Iterator[None]:
        """Record all processes that a daemon begins from here on."""
        trace = self.stand.root / "trace-daemon"
        words = [*STRACE, "-o", str(trace), "-p", str(daemon.process.pid)]
        with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as watch:
            assert watch.stderr is not None
            assert "attached" in watch.stderr.readline()
            try:
                yield
            finally:
                # Not asked to end: it would wait for a process that itself waits for one that is stopped
                # (vfork). Each line is in its file as soon as it is whole, and who is watched goes on.
                watch.kill()

    def files(self) -> dict[str, bytes]:
        """Every file that the program made or could have written to, snapshots unpacked."""
        found = {}
        planted = {self.stand.root / name for name in ("password", "key.txt")}
        for path in self.stand.root.rglob("*"):
            if path.is_file() and path not in planted and path not in self.traces:
                data = path.read_bytes()
                packed = path.suffix == ".zst"
                found[str(path)] = unpacked(data) if packed else data
        return found


STRACE = ("strace", "-f", "-v", "-s", "65536", "-e", "trace=execve", "-e", "signal=none")


def unpacked(data: bytes) -> bytes:
    return zstandard.ZstdDecompressor().stream_reader(data).read()


def started(trace: Path) -> Iterator[tuple[str, str]]:
    """Arguments and environment of each program that was started, as strace writes them."""
    for line in trace.read_text(errors="replace").splitlines():
        if (found := EXECUTED.search(line)) is not None:
            yield found["arguments"], found["environ"]


EXECUTED = re.compile(r'execve\("[^"]*", \[(?P<arguments>.*?)\], \[(?P<environ>.*)\]\)? ')
OURS = re.compile(r'"-P", "-m", "backupkeeper\.worker"|"-m", "backupkeeper", ')
"""A worker sends to the bucket, so it is given the keys; as is the command that a person types."""


@pytest.mark.real("ext4", "xfs", "strace")
@pytest.mark.slow
def test_what_was_planted_is_found_nowhere_else(
    tmp_path: Path, strict: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = new_identity()
    (tmp_path / "key.txt").write_text(f"{key._secret}\n")
    (tmp_path / "key.txt").chmod(0o600)
    bucket = strict.new_bucket()
    sent = f'[upload]\nencrypt_to = ["{key.recipient}"]\nidentity_file = "{tmp_path}/key.txt"\n'
    old = os.umask(0)
    try:
        with mail_server(tmp_path, security=Security.TLS, login=True) as mails:
            monkeypatch.setenv("SSL_CERT_FILE", mails.certificate)
            more = f"[page]\nenabled = true\n{sent}{mail_section(mails, tmp_path)}"
            roles = ("primary", "secondary", "cloud")
            with DaemonStand(tmp_path, more=more, roles=roles) as stand:
                searched = Searched(stand)
                told = whole_run(searched, strict, bucket, mails)
                secrets = {
                    "the bucket's key": SECRET,
                    "the mail password": PASSWORD,
                    "the mail password, as it is sent": login_of(PASSWORD),
                    "the key of age": str(key._secret),
                    "the page's token": told,
                }
                search(searched, secrets, strict, bucket, mails)
                made = made_beside_the_catalog(tmp_path)
                open_to_others = [str(path) for path in made if is_open(path, tmp_path)]
                assert open_to_others == []
    finally:
        os.umask(old)


def login_of(password: str) -> str:
    """What PLAIN sends (RFC 4616), without its beginning and end, which hang on what is beside it."""
    return b64encode(f"\0me\0{password}".encode()).decode().rstrip("=")


def made_beside_the_catalog(root: Path) -> list[Path]:
    """What the program makes on the machine itself, for itself."""
    found = [one for top in root.glob("catalog.sqlite*") for one in (top, *top.rglob("*"))]
    assert len(found) > 10, found
    return found


def is_open(path: Path, root: Path) -> bool:
    """Whether others get at it: neither it nor a folder that it lies in is its owner's alone."""
    above = [path, *(one for one in path.parents if one.is_relative_to(root) and one != root)]
    return all(stat.S_IMODE(one.lstat().st_mode) & 0o077 for one in above)


def whole_run(searched: Searched, store: Server, bucket: str, mails: MailServer) -> str:
    """Commands that go well, commands that fail, and a daemon's day; the page's token."""
    stand = searched.stand
    main = stand.drive("ext4", "primary", "Main")
    stand.drive("xfs", "secondary", "Travel")
    assert searched.typed(
        "place", "add", f"s3://{bucket}/footage", "--role", "cloud", "--name", "Off site",
        "--endpoint", store.url,
    ) == 0  # fmt: skip
    assert searched.typed("keys", "--kept", f"{stand.root}/key.txt", "--where", "a drawer") == 0
    card = stand.card("ext4")
    with stand.running() as daemon:
        daemon.wait_for("Running as process")
        with searched.watching(daemon):
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
            assert searched.typed("page") == 0
            token = searched.said.pop().split("/")[3]
            assert len(token) == 43
            for words in (["status"], ["gaps"], ["report", "--json"], ["keys", "--json"]):
                searched.typed(*words)
            rot(Path(main.point) / ROLL / "DCIM/100BOATY/BOAT0001.MP4", 5_000_000, b"rot")
            main.remount()
            searched.typed("verify", "Main")
            daemon.wait_for("taken by 127.0.0.1")
            for words in (
                ["report", "--html", f"{stand.root}/report.html"],
                ["report", "--mail"],
                ["place", "list", "--json"],
                ["may-wipe", card.point, "--json"],
            ):
                searched.typed(*words)
    failing(searched, mails)
    return token


def failing(searched: Searched, mails: MailServer) -> None:
    """What goes wrong where secrets are at hand, with all that is shown on request."""
    config = searched.stand.root / "config.toml"
    mails.refuse_login = f"535 no such password: {PASSWORD}, {login_of(PASSWORD)}"
    assert searched.typed("report", "--mail", BACKUPKEEPER_TRACE="1") == 3
    wrong_key = {"AWS_SECRET_ACCESS_KEY": f"{SECRET}x", "BACKUPKEEPER_TRACE": "1"}
    assert searched.typed("verify", "Off site", "--json", **wrong_key) != 0
    searched.typed("upload", **wrong_key)
    assert searched.typed("restore", ROLL, "--to", "/dev/null/x", BACKUPKEEPER_TRACE="1") != 0
    text = config.read_text()
    for wrong in (
        f'[mail]\npassword = "{PASSWORD}"\n',
        f'[upload]\nidentity_file = "{(config.parent / "key.txt").read_text().strip()}"\n',
        f'secret_access_key = "{SECRET}"\n',
    ):
        config.write_text(wrong)
        assert searched.typed("status", "--json", BACKUPKEEPER_TRACE="1") == 2
    config.write_text(text)
    assert any("Traceback" in one for one in searched.said)


def search(
    searched: Searched, secrets: dict[str, str], store: Server, bucket: str, mails: MailServer
) -> None:
    """Everywhere."""
    where = {f"file {path}": data for path, data in searched.files().items()}
    where |= {f"said {n}": one.encode() for n, one in enumerate(searched.said)}
    where |= {f"mail {n}": data for n, data in enumerate(mails.raw)}
    for name in store.keys(bucket):
        where[f"object {name}"] = store.client.get_object(Bucket=bucket, Key=name)["Body"].read()
    begun = [one for trace in searched.traces for one in started(trace)]
    assert any("backupkeeper.worker" in arguments for arguments, _ in begun)
    assert any("poster_reader" in arguments for arguments, _ in begun)
    for n, (arguments, environ) in enumerate(begun):
        where[f"arguments {n}"] = arguments.encode()
        if OURS.search(arguments):
            assert SECRET in environ, "what is looked at is the whole environment"
        else:
            where[f"environment {n} of {arguments}"] = environ.encode()
    assert len(mails.raw) >= 2
    assert [
        one for one in where if one.endswith(".zst") and where[one].startswith(b"SQLite format 3")
    ]
    found = [
        f"{called} in {place}"
        for called, secret in secrets.items()
        for place, data in where.items()
        if secret.encode() in data
    ]
    assert found == []
