"""What one run of the program carries along: who opens the Keeper, the environment, the choices."""

import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from time import perf_counter
from typing import TYPE_CHECKING, Any

import click

from backupkeeper.cli.failing import fail
from backupkeeper.cli.output import as_text, has_colours, look_of, write_out
from backupkeeper.cli.patience import Patience, patient
from backupkeeper.cli.progress import telling
from backupkeeper.core.age import IDENTITY_VARIABLE
from backupkeeper.core.errors import NoAnswerError
from backupkeeper.ports.progress import Progress
from backupkeeper.ports.waiting import Wait, Waiting
from backupkeeper.report.lines import Line, Look

if TYPE_CHECKING:  # what every deed tells: loading that takes longer than many an answer
    from backupkeeper.cli.keeper import Keeper, OpenKeeper, RunDaemon, TellStatus
    from backupkeeper.core.status import Status

Json = Mapping[str, object]


def _nobody_waits(_process: int) -> Mapping[int, Wait]:
    return {}


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """Handed to every command as click's ``obj``; tests hand in their own."""

    open_keeper: "OpenKeeper"
    run_daemon: "RunDaemon"
    environ: Mapping[str, str]
    config: str | None = None
    tell_status: "TellStatus | None" = None
    """Tells how everything is with fewer parts than the Keeper has; None: the Keeper does."""
    seconds: Callable[[], float] = perf_counter
    """A stopwatch: how far it is, and how long a device gives no answer."""
    waiting: Waiting = _nobody_waits
    """Tells which threads of a process wait for a device."""
    leave: Callable[[int], None] = sys.exit
    """Ends the process from any thread, whatever its others wait for."""

    def with_config(self, config: str | None, identity: str | None = None) -> "Session":
        """The same with a configuration, and the file with a key, named."""
        environ = {**self.environ, IDENTITY_VARIABLE: identity} if identity else self.environ
        return replace(self, config=config, environ=environ)

    def keeper(self) -> "AbstractContextManager[Keeper]":
        """Open the Keeper; to be closed."""
        return self.open_keeper(self.config, self.environ)

    @contextmanager
    def status(self) -> "Iterator[Callable[[], Status]]":
        """Gives what tells how everything is, each time anew."""
        if self.tell_status is not None:
            with self.tell_status(self.config, self.environ) as tell:
                yield tell
        else:
            with self.keeper() as keeper:
                yield keeper.status

    @contextmanager
    def progress(self, *, as_json: bool) -> Iterator[Progress]:
        """How far a long deed is, told on standard error; and that a device gives no answer."""
        with telling(self.environ, self.seconds, as_json=as_json) as progress:

            def give_up(error: NoAnswerError) -> None:
                progress.end()
                self.leave(fail(error, self.environ, as_json=as_json))

            patience = Patience(self.waiting, self.seconds, progress.note, give_up)
            with patient(patience):
                yield progress

    def look(self, *, all_paths: bool = False) -> Look:
        """How reports look on standard output."""
        return look_of(sys.stdout, self.environ, all_paths=all_paths)

    def tell(
        self,
        code: int,
        *,
        as_json: bool,
        lines: Callable[[Look], list[Line]],
        told: Callable[[], Json],
        all_paths: bool = False,
    ) -> int:
        """Write an answer to standard output, for a person or for a program; return the exit code.

        Raises:
            WriteError: it could not be written.
        """
        if as_json:
            from backupkeeper.report import objects  # noqa: PLC0415 - only here is it needed

            write_out(objects.as_text(told()))
        else:
            look = self.look(all_paths=all_paths)
            text = as_text(lines(look), colours=has_colours(sys.stdout, self.environ))
            write_out(text, ascii_only=not look.unicode)
        return code


def real_session(environ: Mapping[str, str]) -> Session:
    """A session on real parts, which are loaded only when they are used."""

    def open_real(
        config: str | None, environ: Mapping[str, str]
    ) -> "AbstractContextManager[Keeper]":
        # Here, not above: loading all parts takes longer than showing a help text may.
        from backupkeeper.wiring import open_keeper  # noqa: PLC0415

        return open_keeper(config, environ)

    def run_real(config: str | None, environ: Mapping[str, str]) -> int:
        from backupkeeper.wiring.daemon import run_daemon  # noqa: PLC0415 - as above

        return run_daemon(config, environ)

    def tell_real(
        config: str | None, environ: Mapping[str, str]
    ) -> "AbstractContextManager[Callable[[], Status]]":
        from backupkeeper.wiring.telling import status_teller  # noqa: PLC0415 - as above

        return status_teller(config, environ)

    def waiting_real(process: int) -> Mapping[int, Wait]:
        from backupkeeper.wiring import waiting  # noqa: PLC0415 - as above

        return waiting(process)

    def leave_real(code: int) -> None:
        from backupkeeper.wiring import let_go_of_locks  # noqa: PLC0415 - as above

        let_go_of_locks()
        os._exit(code)

    return Session(
        open_keeper=open_real,
        run_daemon=run_real,
        tell_status=tell_real,
        environ=environ,
        waiting=waiting_real,
        leave=leave_real,
    )


Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

json_option: Decorator = click.option(
    "--json", "as_json", is_flag=True, help="One JSON object on standard output, for programs."
)
all_option: Decorator = click.option(
    "--all", "all_paths", is_flag=True, help="List every path, not the first ten of a group."
)
