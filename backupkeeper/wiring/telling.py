"""What the daemon is at, or what is so without it, told with as few parts as that takes."""

import os
import platform
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Final, NoReturn

from backupkeeper import __version__
from backupkeeper.config import Config
from backupkeeper.core.errors import BackupkeeperError, ListingError, OutOfReachError
from backupkeeper.core.model import Place
from backupkeeper.core.status import Status
from backupkeeper.daemon.control import ask
from backupkeeper.ports.locks import Locks
from backupkeeper.report.status import status_from_json
from backupkeeper.system.lock import PlaceLocks
from backupkeeper.wiring.settings import load_config

if TYPE_CHECKING:
    from backupkeeper.actions.context import Context

OTHER_DAEMON: Final = "A daemon of another version of backupkeeper runs, so what it is at is not known. Start it anew."
SILENT_DAEMON: Final = (
    "A daemon runs, but did not say in time what it is at. Ask again in a minute."
)


def ear_of(config: Config) -> str:
    """The folder in which a daemon of this catalog listens."""
    return f"{config.catalog.path}.locks"


def heard(config: Config, locks: Locks) -> tuple[Status | None, str]:
    """What the daemon is at; None: none runs, or the sentence says why it is not known."""
    told = ask(ear_of(config), "status")
    if told is not None and "status" in told:
        with suppress(ListingError):
            return status_from_json(told["status"]), ""
        return None, OTHER_DAEMON
    with suppress(BackupkeeperError):  # a lock that can't be looked at stops no report
        if locks.holder("daemon") is not None:
            return None, SILENT_DAEMON
    return None, ""


@contextmanager
def status_teller(path: str | None, environ: Mapping[str, str]) -> Iterator[Callable[[], Status]]:
    """Gives what tells how everything is, each time anew.

    Args:
        path: of the configuration, where it is named.
        environ: the environment.

    Raises:
        ConfigError: the configuration can't be used.
        CatalogError: no daemon runs, and the catalog can't be opened.
    """
    config = load_config(path, environ)
    locks = PlaceLocks(f"{os.path.realpath(config.catalog.path)}.locks")
    opened: list[Context] = []
    with ExitStack() as stack:

        def status() -> Status:
            found, unheard = heard(config, locks)
            if found is not None:
                return found
            if not opened:
                opened.append(_open(config, locks, stack))
            return replace(_without_daemon(opened[0]), unheard=unheard)

        yield status


def _without_daemon(context: "Context") -> Status:
    from tzlocal import get_localzone  # noqa: PLC0415 - a running daemon tells all that takes these

    from backupkeeper.daemon.without import status_without_daemon  # noqa: PLC0415 - as above

    return status_without_daemon(context, get_localzone())


def _open(config: Config, locks: Locks, stack: ExitStack) -> "Context":
    """The catalog and the drives; no bucket is asked for a status."""
    from backupkeeper.actions.context import Context  # noqa: PLC0415 - as above
    from backupkeeper.catalog.store import open_catalog  # noqa: PLC0415 - as above
    from backupkeeper.drives.mounts_linux import LinuxMounts  # noqa: PLC0415 - as above
    from backupkeeper.system.clock import RealClock  # noqa: PLC0415 - as above
    from backupkeeper.system.entropy import RealEntropy  # noqa: PLC0415 - as above
    from backupkeeper.system.files import RealFiles  # noqa: PLC0415 - as above

    clock = RealClock()
    catalog = open_catalog(config.catalog.path, clock=clock)
    stack.callback(catalog.close)
    return Context(
        config=config,
        catalog=catalog,
        files=RealFiles(),
        mounts=LinuxMounts(),
        clock=clock,
        entropy=RealEntropy(),
        open_bucket=no_bucket,
        locks=locks,
        hostname=platform.node() or "unknown",
        version=__version__,
    )


def no_bucket(place: Place, *, hurried: bool = False) -> NoReturn:  # noqa: ARG001 - the port's own
    """Opens none.

    Raises:
        OutOfReachError: always.
    """
    raise OutOfReachError(
        f"{place.name} is not asked for a status.",
        advice="This is a mistake in this program: please report it.",
    )
