"""Installing the daemon as a service: files and ``systemctl``."""

import os
import shlex
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from backupkeeper.core.environ import without_keys
from backupkeeper.core.errors import ReadError, UsageError, WriteError
from backupkeeper.daemon.service import (
    Form,
    Service,
    agent_bytes,
    commands_to_start,
    commands_to_stop,
    is_ours,
    path_of,
    unit_text,
)
from backupkeeper.wiring.homes import config_home, home_of

SYSTEMD_RUNS: Final = "/run/systemd/system"
SECONDS: Final = 60
_MOST_BYTES: Final = 1 << 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What came of it: sentences, and commands that the person has to type."""

    sentences: tuple[str, ...]
    to_type: tuple[str, ...] = ()
    done: bool = True


class Services:
    """Of this machine.

    Args:
        environ: HOME, XDG_CONFIG_HOME and PATH are looked at.
        platform: as ``sys.platform``.
        systemd_runs: a folder that is there where systemd does.
    """

    def __init__(
        self,
        environ: Mapping[str, str],
        *,
        platform: str = sys.platform,
        systemd_runs: str = SYSTEMD_RUNS,
    ) -> None:
        self._environ = environ
        self._platform = platform
        self._systemd_runs = systemd_runs

    def form(self, *, system: bool) -> Form:
        """Which kind of service this machine has."""
        if self._platform == "darwin":
            return Form.AGENT
        return Form.SYSTEM if system else Form.USER

    def path(self, form: Form) -> str:
        """Where its file belongs."""
        return path_of(form, home=home_of(self._environ), config_home=config_home(self._environ))

    def install(self, *, system: bool, user: str, config: str | None, start: bool) -> Told:
        """Write the service's file, and start the service.

        Raises:
            UsageError: another file stands there, or a name can't be used.
            WriteError: it can't be written.
        """
        form = self.form(system=system)
        words = [sys.executable, "-P", "-m", "backupkeeper"]
        if config is not None:
            words += ["--config", os.path.abspath(config)]
        service = Service(form=form, command=(*words, "run"), user=user)
        path = self.path(form)
        there = _read(path)
        if there is not None and not is_ours(there, form):
            raise UsageError(
                f"{path} was not made by this program; it was left as it is.",
                advice="Move it away, then repeat the command.",
            )
        data = agent_bytes(service) if form is Form.AGENT else unit_text(service).encode()
        if there != data:
            _write(path, data)
        told = [f"{path} stands as it should." if there == data else f"Wrote {path}."]
        if form is Form.AGENT:
            told.append("It was never tried on this system: see whether it runs.")
        commands = commands_to_start(form, path)
        return self._run(
            told, commands, done="It runs, and starts with the computer.", wanted=start
        )

    def remove(self, *, system: bool) -> Told:
        """Stop the service and take its file away.

        Raises:
            UsageError: what stands there was not made by this program.
            WriteError: it can't be taken away.
        """
        form = self.form(system=system)
        path = self.path(form)
        there = _read(path)
        if there is None:
            return Told(sentences=(f"There is no service at {path}.",))
        if not is_ours(there, form):
            raise UsageError(f"{path} was not made by this program; it was left as it is.")
        told = self._run([], commands_to_stop(form, path), done="It was stopped.", wanted=True)
        try:
            os.unlink(path)
        except OSError as error:
            raise WriteError(path, error.errno or 0) from error
        return Told(
            sentences=(*told.sentences, f"Took {path} away. Nothing else was touched."),
            to_type=told.to_type,
            done=told.done,
        )

    def state(self, *, system: bool) -> Told:
        """Whether it is installed, and what the system says of it."""
        form = self.form(system=system)
        path = self.path(form)
        there = _read(path)
        if there is None:
            return Told(sentences=(f"No service is installed ({path}).",), done=False)
        sentences = [f"Installed: {path}."]
        if not is_ours(there, form):
            sentences.append("That file was not made by this program.")
        if form is Form.AGENT or not os.path.isdir(self._systemd_runs):
            return Told(sentences=tuple(sentences), done=False)
        scope = ["--user"] if form is Form.USER else []
        said = _output(["systemctl", *scope, "is-active", os.path.basename(path)], self._environ)
        sentences.append(f"The system says: {said or 'nothing'}.")
        return Told(sentences=tuple(sentences), done=said == "active")

    def _run(
        self, told: list[str], commands: Sequence[Sequence[str]], *, done: str, wanted: bool
    ) -> Told:
        can = self._platform == "darwin" or os.path.isdir(self._systemd_runs)
        if not wanted or not can:
            why = [] if can else ["systemd does not run here (or not as the first process)."]
            return Told(
                sentences=(*told, *why),
                to_type=tuple(shlex.join(command) for command in commands),
                done=not wanted,
            )
        for number, command in enumerate(commands):
            failed = _failed(command, self._environ)
            if failed:
                left = tuple(shlex.join(one) for one in commands[number:])
                return Told(sentences=(*told, failed), to_type=left, done=False)
        return Told(sentences=(*told, done))


def _failed(command: Sequence[str], environ: Mapping[str, str]) -> str:
    """Run it; a sentence where it failed."""
    try:
        done = subprocess.run(  # noqa: S603 - systemctl or launchctl, by the person's own PATH
            list(command),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            env=without_keys(environ),
            timeout=SECONDS,
            check=False,
        )
    except (OSError, subprocess.SubprocessError) as error:
        return f"{command[0]} could not be run ({error})."
    said = " ".join(done.stderr.split())
    return "" if done.returncode == 0 else f"{shlex.join(command)} failed: {said or 'no word'}"


def _output(command: Sequence[str], environ: Mapping[str, str]) -> str:
    try:
        done = subprocess.run(  # noqa: S603 - as above
            list(command),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            env=without_keys(environ),
            timeout=SECONDS,
            check=False,
        )
    except (OSError, subprocess.SubprocessError):
        return ""
    return done.stdout.strip()


def _read(path: str) -> bytes | None:
    try:
        with open(path, "rb") as file:
            return file.read(_MOST_BYTES)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ReadError(path, error.errno or 0) from error


def _write(path: str, data: bytes) -> None:
    """The whole file or the old one."""
    beside = f"{path}.new"
    try:
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(beside, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except OSError as error:
        raise WriteError(path, error.errno or 0) from error
