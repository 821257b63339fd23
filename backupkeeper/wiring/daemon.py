"""The daemon on real parts: put together, run, given another configuration, ended."""

import os
import queue
import signal
import sys
import warnings
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta, tzinfo
from types import FrameType
from typing import Final

from tzlocal import get_localzone

from backupkeeper.actions.context import Context
from backupkeeper.actions.posters import NO_LIBRARY
from backupkeeper.actions.survey import Surveyor
from backupkeeper.cards.clips import is_installed
from backupkeeper.config import Config
from backupkeeper.core.deeds import Plan, View
from backupkeeper.core.errors import BackupkeeperError, ConfigError
from backupkeeper.core.quiet import Quiet
from backupkeeper.daemon.answers import Answers
from backupkeeper.daemon.control import Ear
from backupkeeper.daemon.crew import Processes
from backupkeeper.daemon.heralds import CommandHerald, DesktopHerald
from backupkeeper.daemon.line_watch import LineWatch
from backupkeeper.daemon.loop import Letter, Loop, Order
from backupkeeper.daemon.memory import Memory
from backupkeeper.daemon.messages import Messages
from backupkeeper.daemon.metered import MeteredWatch, system_bus
from backupkeeper.daemon.notes import Log, sink_for
from backupkeeper.daemon.page_door import PageDoor
from backupkeeper.daemon.posting import Postman
from backupkeeper.daemon.sd_notify import Supervisor
from backupkeeper.daemon.seeing import Seeing, Seen
from backupkeeper.daemon.shares import Shares
from backupkeeper.daemon.surroundings import Surroundings
from backupkeeper.daemon.telling import Teller
from backupkeeper.daemon.timetable import Timetable
from backupkeeper.daemon.tree_watch import DogTreeWatch
from backupkeeper.daemon.workbench import Workbench
from backupkeeper.drives.watching import mount_watch_for
from backupkeeper.ports.telling import Herald
from backupkeeper.report.status import status_json
from backupkeeper.system.clock import RealClock, ShiftedClock
from backupkeeper.system.waiting import waiting
from backupkeeper.wiring.keeper import Keeper
from backupkeeper.wiring.page import Server, page_server
from backupkeeper.wiring.posting import mailbox_of, password_of, postman_of
from backupkeeper.wiring.settings import config_of, read_config

CHANGED_ELSEWHERE: Final = "The catalog can't be another one while the daemon runs: restart it."


@dataclass(kw_only=True)
class _Parts:
    """What one configuration comes to; made anew when it is read anew."""

    config: Config
    teller: Teller
    timetable: Timetable
    postman: Postman | None
    page: Server | None = None
    """The live page, where it is wanted and can be served."""

    def start(self) -> None:
        """Begin all of it."""
        self.teller.start()
        self.timetable.start()
        if self.postman is not None:
            self.postman.start()
        if self.page is not None:
            self.page.start()

    def stop(self) -> None:
        """End all of it."""
        if self.page is not None:
            self.page.stop()
        self.timetable.stop()
        self.teller.stop()
        if self.postman is not None:
            self.postman.stop()


def run_daemon(
    config_path: str | None, environ: Mapping[str, str], *, ahead: timedelta = timedelta(0)
) -> int:
    """Run the daemon until it is told to end; 0.

    Args:
        config_path: the configuration that was named, if one was.
        environ: read for the configuration's place, the desktop, systemd.
        ahead: how far the clock is ahead of the machine's; for tests of long times.

    Raises:
        ConfigError: the configuration can't be used.
        OutOfReachError: a daemon runs on this catalog already.
        CatalogError: the catalog can't be used.
    """
    # watchdog warns, at length, when a folder is made while it takes it in: that is no news.
    warnings.filterwarnings("ignore", category=RuntimeWarning, module=r"watchdog\.")
    file, text = read_config(config_path, environ)
    config = config_of(text, file, environ)
    clock = ShiftedClock(ahead) if ahead else RealClock()
    supervisor = Supervisor(environ, process=os.getpid(), seconds=clock.monotonic)
    with Keeper(config, clock=clock) as keeper, keeper.as_daemon():
        daemon = _Daemon(
            keeper.context, config_path, environ, text, ahead=ahead, supervisor=supervisor
        )
        with daemon.running() as loop:
            loop.run()
            supervisor.stopping()
    return 0


class _Daemon:
    """One daemon's real parts."""

    def __init__(
        self,
        context: Context,
        config_path: str | None,
        environ: Mapping[str, str],
        text: str,
        *,
        ahead: timedelta,
        supervisor: Supervisor,
    ) -> None:
        self._text = text
        self._environ = environ
        self._config_path = config_path
        self._supervisor = supervisor
        self._tz: tzinfo = get_localzone()
        self._inbox: queue.SimpleQueue[Letter] = queue.SimpleQueue()
        settings = context.config.log
        self._log = Log(
            sink_for(
                environ,
                file=settings.file,
                size_mb=settings.size_mb,
                keep=settings.keep,
                clock=context.clock,
            )
        )
        self._metered = MeteredWatch(system_bus(environ), self._wake)
        self._parts = self._made(context, context.config)
        self.loop = self._put_together(context, ahead)

    def _wake(self) -> None:
        self._inbox.put(Order.LOOK)

    def _send_to_look(self, key: str, point: str) -> None:
        self.loop.send_to_look(key, point)

    def _make_weekly(self) -> None:
        self.loop.make_weekly()

    def _end_parts(self) -> None:
        self._parts.stop()

    def _line_came_up(self) -> None:
        if self._parts.postman is not None:
            self._parts.postman.hurry()

    def _posted(self) -> None:
        if self._parts.postman is not None:
            self._parts.postman.look()

    def _page_at(self) -> tuple[str, str]:
        page = self._parts.page
        return (page.url, page.door) if page is not None else ("", "")

    def _page(self, context: Context, config: Config) -> Server | None:
        """The live page; what keeps it from being served is told, and harms nothing else."""
        PageDoor(f"{config.catalog.path}.locks").close()  # one that a dead daemon left
        if not config.page.enabled:
            return None
        try:
            return page_server(
                config,
                context.clock,
                self._tz,
                self._inbox.put,
                lambda said: self._log.note(said, urgent=True),
            )
        except BackupkeeperError as error:
            self._log.note(f"{error.message} {error.advice}".strip(), urgent=True)
            return None

    def _put_together(self, context: Context, ahead: timedelta) -> Loop:
        crew = Processes(self._inbox.put, seconds=context.clock.monotonic, waiting=waiting)
        memory = Memory(context.catalog, context.clock, context.entropy.new_id())
        surroundings = Surroundings(
            self._send_to_look,
            crew.stop,
            context.clock.monotonic,
        )
        workbench = Workbench(crew, config=self._text, ahead=ahead)
        seeing = Seeing(
            context=context,
            memory=memory,
            surroundings=surroundings,
            workbench=workbench,
            surveyor=Surveyor(context),
            shares=Shares(context, self._tz),
            seen=Seen(quiet=Quiet(context.config.watch.quiet_s)),
            tz=self._tz,
            is_metered=self._metered.is_metered,
            can_picture=is_installed(),
        )
        messages = Messages(
            context=context,
            memory=memory,
            surroundings=surroundings,
            teller=self._parts.teller,
            timetable=self._parts.timetable,
            log=self._log,
            tz=self._tz,
            make_weekly=self._make_weekly,
            mailbox=mailbox_of(context),
            on_posted=self._posted,
        )
        return Loop(
            seeing=seeing,
            memory=memory,
            surroundings=surroundings,
            workbench=workbench,
            crew=crew,
            tree_watch=DogTreeWatch(lambda said: self._log.note(said, urgent=True)),
            messages=messages,
            answers=Answers(
                seeing=seeing,
                since=context.clock.now(),
                encode=status_json,
                page_at=self._page_at,
            ),
            log=self._log,
            inbox=self._inbox,
            ahead=ahead,
            on_plan=self._on_plan,
            reload=self._reload,
        )

    def _made(self, context: Context, config: Config) -> _Parts:
        teller = Teller(
            list(self._heralds(config)),
            self._inbox.put,
            seconds=context.clock.monotonic,
        )
        upload = [one.window for one in config.upload.windows]
        windows = [*upload, config.proofs.window, config.notify.quiet]
        timetable = Timetable(
            weekly=config.report.weekly,
            windows=tuple(window for window in windows if window is not None),
            tz=self._tz,
            wake=self._wake,
        )
        password = password_of(context, self._environ, self._config_path)
        postman = postman_of(context, password, self._log)
        page = self._page(context, config)
        return _Parts(config=config, teller=teller, timetable=timetable, postman=postman, page=page)

    def _heralds(self, config: Config) -> Iterator[Herald]:
        bus = self._environ.get("DBUS_SESSION_BUS_ADDRESS", "")
        if config.notify.desktop and bus:
            yield DesktopHerald(bus)
        if config.notify.command:
            yield CommandHerald(config.notify.command, self._environ)

    @contextmanager
    def running(self) -> Iterator[Loop]:
        """Begin all that wakes the loop; end it all afterwards."""
        context = self.loop.seeing.context
        watch = mount_watch_for(sys.platform, context.config.watch.media)
        ear = Ear(f"{context.config.catalog.path}.locks", self._inbox.put)
        with ExitStack() as stack:
            stack.callback(self._end_parts)
            self._parts.start()
            ear.start()
            stack.callback(ear.stop)
            watch.start(self._wake)
            stack.callback(watch.stop)
            self._metered.start()
            stack.callback(self._metered.stop)
            line = LineWatch(self._line_came_up)
            line.start()
            stack.callback(line.stop)
            stack.callback(self.loop.tree_watch.stop)
            stack.enter_context(self._signals())
            self._log.note(f"Running as process {os.getpid()}.", process=os.getpid())
            if context.config.report.posters and not self.loop.seeing.can_picture:
                self._log.note(NO_LIBRARY)
            self._supervisor.ready()
            try:
                yield self.loop
            finally:
                self._log.note("Ended.")

    @contextmanager
    def _signals(self) -> Iterator[None]:
        def ended(_number: int, _frame: FrameType | None) -> None:
            self._inbox.put(Order.STOP)

        def again(_number: int, _frame: FrameType | None) -> None:
            self._inbox.put(Order.RELOAD)

        before = {
            number: signal.signal(number, handler)
            for number, handler in (
                (signal.SIGTERM, ended),
                (signal.SIGINT, ended),
                (signal.SIGHUP, again),
            )
        }
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _on_plan(self, view: View, made: Plan) -> None:
        self._supervisor.alive()
        running, waiting = len(view.running) + len(made.start), len(made.waiting)
        self._supervisor.status(f"{running} under way, {waiting} waiting")

    def _reload(self) -> None:
        """Read the configuration anew; one that can't be used changes nothing."""
        self._supervisor.reloading()
        try:
            file, text = read_config(self._config_path, self._environ)
            self._change(config_of(text, file, self._environ))
            self.loop.workbench.config = text
        except ConfigError as error:
            self._log.note(f"The configuration stays as it was. {error}", urgent=True)
        except BackupkeeperError as error:
            self._log.note(f"The configuration stays as it was. {error}", urgent=True)
        else:
            self._log.note("The configuration was read anew.")
        self._supervisor.ready()

    def _change(self, config: Config) -> None:
        seeing, messages = self.loop.seeing, self.loop.messages
        if config.catalog.path != seeing.context.config.catalog.path:
            raise BackupkeeperError(CHANGED_ELSEWHERE)
        context = replace(seeing.context, config=config)
        self._end_parts()  # first: the page's port may stay the same
        self._parts = parts = self._made(context, config)
        parts.start()
        seeing.context = messages.context = context
        seeing.surveyor, seeing.shares = Surveyor(context), Shares(context, self._tz)
        messages.teller, messages.timetable = parts.teller, parts.timetable
        messages.mailbox = mailbox_of(context)
        messages.mailed.clear()
