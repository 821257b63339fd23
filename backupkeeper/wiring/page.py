"""The live page on real parts: what it shows comes from the daemon and from a catalog of its own."""

import secrets
from collections.abc import Callable, Mapping
from concurrent.futures import CancelledError
from datetime import tzinfo
from typing import Any, Final, Protocol

from backupkeeper.actions.posters import posters_of
from backupkeeper.config import Config
from backupkeeper.core.errors import ListingError, OutOfReachError
from backupkeeper.core.status import Status
from backupkeeper.daemon.control import ANSWER_S, Request
from backupkeeper.ports.clock import Clock
from backupkeeper.report.page import page
from backupkeeper.report.status import status_from_json
from backupkeeper.wiring.keeper import Keeper

TOKEN_BYTES: Final = 32
NOT_INSTALLED: Final = (
    "The live page needs two libraries that are not installed here: pip install '.[page]'"
)


class Server(Protocol):
    """A server that can be started, and ended for good."""

    @property
    def url(self) -> str:
        """Where it is."""
        ...

    @property
    def door(self) -> str:
        """The file that leads a browser there; '': there is none."""
        ...

    def start(self) -> None:
        """Begin."""
        ...

    def stop(self) -> None:
        """End."""
        ...


def page_server(
    config: Config,
    clock: Clock,
    zone: tzinfo,
    hand_over: Callable[[Request], None],
    on_trouble: Callable[[str], None],
) -> Server:
    """A server of the live page, bound and not started.

    Args:
        config: what the person set.
        clock: for the report's time.
        zone: where the person is.
        hand_over: gives a request to the daemon's loop; returns at once.
        on_trouble: told of what should not happen.

    Raises:
        OutOfReachError: the port is taken, or what it needs is not installed.
    """
    try:  # an extra: who does without the page does without these
        from backupkeeper.daemon.page_desk import Desk  # noqa: PLC0415 - an extra
        from backupkeeper.daemon.page_door import PageDoor  # noqa: PLC0415 - an extra
        from backupkeeper.daemon.page_server import PageServer  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise OutOfReachError(NOT_INSTALLED) from error
    desk = Desk(FromDaemon(config, clock, zone, hand_over), zone, clock.monotonic, on_trouble)
    settings = config.page
    return PageServer(
        desk,
        address=settings.address,
        port=settings.port,
        token=secrets.token_urlsafe(TOKEN_BYTES),
        door=PageDoor(f"{config.catalog.path}.locks"),
    )


class FromDaemon:
    """The desk's ``Sources``. Its catalog is opened, used and closed by the desk's own thread."""

    def __init__(
        self, config: Config, clock: Clock, zone: tzinfo, hand_over: Callable[[Request], None]
    ) -> None:
        self._config = config
        self._clock = clock
        self._zone = zone
        self._hand_over = hand_over
        self._opened: Keeper | None = None

    @property
    def _keeper(self) -> Keeper:
        if self._opened is None:
            self._opened = Keeper(self._config, clock=self._clock)
        return self._opened

    def status(self) -> Status | None:
        """What the daemon is at; None: it does not answer, or not in time."""
        told = self.ask("status")
        if told is None or "status" not in told:
            return None
        try:
            return status_from_json(told["status"])
        except ListingError:
            return None

    def page(self) -> str:
        """The report as it is now."""
        found = self._keeper.overview()
        shown = {one.content for clips in found.clips.values() for one in clips}
        pictures = posters_of(self._keeper.context, shown)
        return page(found, posters=pictures, zone=self._zone, live=True)

    def mark(self) -> object:
        """The catalog's mark of changes."""
        return self._keeper.context.catalog.change_mark()

    def ask(self, what: str, **values: object) -> Mapping[str, Any] | None:
        """Hand a request to the loop, and wait for its answer; None: none came in time."""
        request = Request(what=what, values=dict(values))
        self._hand_over(request)
        try:
            return request.future.result(ANSWER_S)
        except (TimeoutError, CancelledError):
            return None

    def close(self) -> None:
        """Close the catalog."""
        if self._opened is not None:
            self._opened.__exit__(None, None, None)
            self._opened = None
