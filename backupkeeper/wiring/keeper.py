"""Real parts, joined for commands and for the daemon's workers.

Reads the environment once; everything else gets what it needs as arguments.
"""

import os
import platform
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from dataclasses import replace
from types import TracebackType
from typing import Self, TypeVar

from tzlocal import get_localzone

from backupkeeper import __version__
from backupkeeper.actions.adopt_all import adopt_all
from backupkeeper.actions.context import Context
from backupkeeper.actions.export import export_list
from backupkeeper.actions.gaps import gaps
from backupkeeper.actions.kept_aside import delete_aside, kept_aside
from backupkeeper.actions.keys import opened_by, report_keys, show_keys
from backupkeeper.actions.mirror import mirror
from backupkeeper.actions.offload import offload
from backupkeeper.actions.offload_plan import Request
from backupkeeper.actions.place_check import check_place, lifecycle_rule, set_lifecycle_rule
from backupkeeper.actions.places import QUIET, add_bucket, add_drive, report_places
from backupkeeper.actions.renaming import refresh_markers
from backupkeeper.actions.repair import repair
from backupkeeper.actions.room import look_at_room
from backupkeeper.actions.snapshots import keep_snapshots
from backupkeeper.actions.treating import Wanted
from backupkeeper.actions.upload import upload
from backupkeeper.actions.verify import verify
from backupkeeper.actions.verify_folder import is_loose_folder, verify_folder
from backupkeeper.catalog.store import open_catalog
from backupkeeper.cloud.throttle import ByTheClock, Throttle
from backupkeeper.config import Config
from backupkeeper.core.adopting import AdoptAll, AdoptWish
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError, PlaceHeldError
from backupkeeper.core.forming import Forming
from backupkeeper.core.keys import KeysReport
from backupkeeper.core.mending import KeptAside, RepairOutcome
from backupkeeper.core.model import Place, PlaceId, Role
from backupkeeper.core.outcomes import (
    GapReport,
    MirrorOutcome,
    OffloadOutcome,
    PlaceCheck,
    PlaceReport,
    UploadOutcome,
    VerifyOutcome,
)
from backupkeeper.daemon.control import ask
from backupkeeper.daemon.errand import Errand, Finished
from backupkeeper.drives.known_mounts import KnownMounts
from backupkeeper.drives.mounts_linux import LinuxMounts
from backupkeeper.ports.clock import Clock
from backupkeeper.ports.mounts import Mounts
from backupkeeper.ports.progress import Progress
from backupkeeper.system.clock import RealClock, ShiftedClock
from backupkeeper.system.entropy import RealEntropy
from backupkeeper.system.files import RealFiles
from backupkeeper.system.lock import PlaceLocks
from backupkeeper.wiring.buckets import bucket_opener
from backupkeeper.wiring.delivering import Delivering
from backupkeeper.wiring.encryption import (
    EncryptingBuckets,
    encryption_of,
    is_open,
    keys_in,
    with_identity,
)
from backupkeeper.wiring.giving_way import giving_way
from backupkeeper.wiring.judging import Judging
from backupkeeper.wiring.mailing import Mailing
from backupkeeper.wiring.merging import Merging
from backupkeeper.wiring.picturing import Picturing
from backupkeeper.wiring.restoring import Restoring, meant, wait_really, whole_path
from backupkeeper.wiring.settings import config_of, load_config
from backupkeeper.wiring.standings import Standings
from backupkeeper.wiring.uploading import LineByHand

_T = TypeVar("_T")


class Keeper(Restoring, Delivering, Mailing, Picturing, Judging, Standings, Merging):
    """Everything that the commands can ask for, on real parts. A context manager."""

    def __init__(
        self,
        config: Config,
        *,
        clock: Clock | None = None,
        ask_for: Callable[[str], bool] = lambda _name: False,
        mounts: Mounts | None = None,
        throttle: Throttle | None = None,
        pause: Callable[[float], None] | None = None,
        environ: Mapping[str, str] | None = None,
    ) -> None:
        """Join the parts.

        Args:
            config: what the person set.
            clock: one of one's own makes years pass in a test.
            ask_for: asks a running daemon to let go of a place; whether it heard.
            mounts: the mount table, where it is not simply the machine's.
            throttle: what is sent passes through it; None: one that goes by the clock.
            pause: waits for so many seconds; one of one's own waits for nothing in a test.
            environ: read for where systemd puts the mail password.
        """
        self.config = config
        self._pause = pause or wait_really
        self._ask_for = ask_for
        clock, entropy = clock or RealClock(), RealEntropy()
        # A person's own command sends by the clock; a worker as its daemon says.
        law = ByTheClock(config.upload.line, tz=get_localzone(), clock=clock)
        throttle = throttle or Throttle(law, seconds=clock.monotonic)

        catalog = open_catalog(config.catalog.path, clock=clock)
        opener = bucket_opener(config, catalog, clock, entropy, throttle)
        self._buckets = EncryptingBuckets(opener, config, clock)
        self._context = Context(
            config=config,
            catalog=catalog,
            files=RealFiles(),
            mounts=mounts or LinuxMounts(),
            clock=clock,
            entropy=entropy,
            open_bucket=self._buckets,
            # One catalog has one set of locks, by whatever name it is called.
            locks=PlaceLocks(f"{os.path.realpath(config.catalog.path)}.locks"),
            hostname=platform.node() or "unknown",
            version=__version__,
        )
        self._line = LineByHand(self._context, law, throttle)
        self._buckets.context = self._context
        self._environ = environ or {}

    @property
    def context(self) -> Context:
        """The parts, for the daemon."""
        return self._context

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._buckets.close()
        self._context.catalog.close()

    @contextmanager
    def as_daemon(self) -> Iterator[None]:
        """Be the only daemon on this catalog for the time of the block.

        Raises:
            OutOfReachError: another one runs; the sentence names its process.
            CatalogError: the lock can't be made.
        """
        with ExitStack() as stack:
            lock = self._context.locks.hold("daemon", called="this catalog", doing="running")
            try:
                stack.enter_context(lock)
            except PlaceHeldError as held:
                which = "" if held.process is None else f" (process {held.process})"
                raise OutOfReachError(
                    f"A daemon already runs on this catalog{which}.",
                    advice="It does what is to be done; commands work beside it.",
                ) from held
            yield

    def _giving_way(self, deed: Callable[[], _T]) -> _T:
        """See ``wiring.giving_way``."""
        return giving_way(deed, self._context.clock, self._ask_for)

    def _worked(self, deed: Callable[[], _T], progress: Progress, *, buckets: bool = False) -> _T:
        """Do it, and then keep a snapshot of what is known now; one that fails is told by ``gaps``."""
        came = self._giving_way(deed)
        look_at_room(self._context)
        with suppress(BackupkeeperError):
            keep_snapshots(self._context, progress, brought=True, by_hand=True, buckets=buckets)
            refresh_markers(self._context, buckets=buckets)
        return came

    def _adding(self) -> AbstractContextManager[None]:
        return self._context.locks.hold("places", called="the places", doing="adding a place")

    def add_drive(self, path: str, *, role: Role, name: str, folder: bool) -> Place:
        """See ``actions.places.add_drive``; a relative path or a link is resolved first."""
        with self._adding():
            return add_drive(self._context, whole_path(path), role=role, name=name, folder=folder)

    def add_bucket(
        self,
        location: str,
        *,
        role: Role,
        name: str,
        endpoint: str | None,
        profile: str | None,
        progress: Progress = QUIET,
    ) -> Place:
        """See ``actions.places.add_bucket``."""
        with self._adding():
            return add_bucket(
                self._context,
                location,
                role=role,
                name=name,
                endpoint=endpoint,
                profile=profile,
                progress=progress,
            )

    def check_place(self, name: str, *, progress: Progress) -> PlaceCheck:
        """See ``actions.place_check.check_place``."""
        return check_place(self._context, name, progress)

    def lifecycle_rule(self, name: str) -> Mapping[str, object]:
        """See ``actions.place_check.lifecycle_rule``."""
        return lifecycle_rule(self._context, name)

    def set_lifecycle_rule(self, name: str, *, progress: Progress) -> tuple[bool, PlaceCheck]:
        """See ``actions.place_check.set_lifecycle_rule``."""
        return set_lifecycle_rule(self._context, name, progress)

    def places(self) -> tuple[PlaceReport, ...]:
        """See ``actions.places.report_places``."""
        return report_places(self._context)

    def place_names(self) -> dict[PlaceId, str]:
        """What each place is called; asks no drive."""
        return {place.id: place.name for place in self._context.catalog.places()}

    def offload(
        self, card: str, *, shoot: str, source: str, roll: str | None, progress: Progress
    ) -> OffloadOutcome:
        """See ``actions.offload.offload``."""
        request = Request(card=whole_path(card), shoot=shoot, source=source, roll=roll)
        return self._worked(lambda: offload(self._context, request, progress), progress)

    def mirror(self, *, progress: Progress) -> MirrorOutcome:
        """See ``actions.mirror.mirror``."""
        return self._worked(lambda: mirror(self._context, progress), progress)

    def upload(self, *, now: bool = False, progress: Progress) -> tuple[UploadOutcome, ...]:
        """See ``actions.upload.upload``; ``now``: with the whole line, whatever its limit."""
        return self._line.uploading(
            lambda: self._worked(lambda: upload(self._context, progress), progress, buckets=True),
            now=now,
            progress=progress,
        )

    def verify(
        self, what: str | None, *, in_doubt: bool = False, progress: Progress
    ) -> VerifyOutcome:
        """See ``actions.verify.verify``; something that exists as a path is taken as one.

        A folder that lies in no place: see ``actions.verify_folder``.
        """
        path = meant(what)
        if path is not None and os.path.isabs(path) and is_loose_folder(self._context, path):
            return verify_folder(self._context, path, progress)
        return self._worked(
            lambda: verify(self._context, meant(what), progress, in_doubt=in_doubt), progress
        )

    def repair(
        self, what: str | None, *, dry_run: bool, edited: bool, in_doubt: bool, progress: Progress
    ) -> RepairOutcome:
        """See ``actions.repair.repair``; ``what`` as in ``verify``."""
        wanted = Wanted(dry_run=dry_run, edited=edited, in_doubt=in_doubt)
        return self._worked(lambda: repair(self._context, meant(what), wanted, progress), progress)

    def adopt(self, wish: AdoptWish, *, progress: Progress) -> AdoptAll:
        """See ``actions.adopt_all.adopt_all``; after a dry run no snapshot is kept."""
        if wish.dry_run:
            return adopt_all(self._context, wish, progress)
        return self._worked(lambda: adopt_all(self._context, wish, progress), progress)

    def kept_aside(self, name: str | None) -> tuple[KeptAside, ...]:
        """See ``actions.kept_aside.kept_aside``."""
        return kept_aside(self._context, name)

    def delete_aside(self, name: str) -> tuple[KeptAside, ...]:
        """See ``actions.kept_aside.delete_aside``."""
        return self._giving_way(lambda: delete_aside(self._context, name))

    def gaps(self) -> GapReport:
        """See ``actions.gaps.gaps``."""
        return gaps(self._context)

    def keys(self) -> KeysReport:
        """See ``actions.keys.report_keys``."""
        report = report_keys(self._context, encryption_of(self.config))
        return replace(report, is_open=is_open(report.identity_file))

    def try_keys(self, files: Sequence[str]) -> None:
        """See ``actions.keys.opened_by``; ``files`` hold the keys. Nothing is remembered."""
        opened_by(self._context, encryption_of(self.config), keys_in(files))

    def show_keys(self, files: Sequence[str], *, where: str) -> KeysReport:
        """See ``actions.keys.show_keys``; ``files`` hold the keys."""
        show_keys(self._context, encryption_of(self.config), keys_in(files), where)
        return self.keys()

    def do(
        self, deed: Deed, progress: Progress, on_forming: Callable[[Forming], None] | None = None
    ) -> Finished:
        """See ``daemon.doing.do``."""
        # Here, not above: commands need nothing of the daemon.
        from backupkeeper.daemon.doing import do  # noqa: PLC0415

        return do(
            self._context,
            deed,
            progress,
            on_forming=on_forming,
            remove_folder=RealFiles().remove_folder,
        )

    def look_at(self, point: str) -> Finished:
        """See ``daemon.sights.look_at``."""
        from backupkeeper.daemon.sights import encode_sight, look_at  # noqa: PLC0415 - as above

        sight = look_at(self._context, point, get_localzone())
        return Finished(said="", sight=encode_sight(sight))

    def pause(self, seconds: float | None, *, uploads: bool = False) -> bool:
        """Ask the daemon to begin nothing for a while (None: until it is resumed); whether it heard.

        With ``uploads`` only uploads are meant.
        """
        return ask(self._ear, "pause", seconds=seconds, uploads=uploads) is not None

    def resume(self, *, uploads: bool = False) -> bool:
        """Ask it to go on, with ``uploads`` only with these; whether it heard."""
        return ask(self._ear, "resume", uploads=uploads) is not None

    def export_list(self, roll: str) -> bytes:
        """See ``actions.export.export_list``."""
        return export_list(self._context, roll)


def run_errand(
    errand: Errand,
    environ: Mapping[str, str],
    progress: Progress,
    throttle: Throttle | None = None,
    on_forming: Callable[[Forming], None] | None = None,
) -> Finished:
    """What a worker of the daemon does: one deed, or a look at one mount.

    What it sends to a bucket passes through ``throttle``; ``on_forming`` hears how a verdict forms.

    Raises:
        BackupkeeperError: it could not be done.
    """
    # The daemon's own text: the file may be another by now, and one that can't be used.
    config = config_of(errand.config, "the daemon's configuration", environ)
    clock = ShiftedClock(errand.ahead) if errand.ahead else RealClock()
    if errand.deed is None:
        with Keeper(config, clock=clock) as keeper:
            return keeper.weekly() if errand.weekly else keeper.look_at(errand.point)
    if errand.deed.kind in {DeedKind.PROVE, DeedKind.POSTERS, DeedKind.THIN}:
        from backupkeeper.system.priority import lower_priority  # noqa: PLC0415 - as above

        lower_priority()
    mounts = KnownMounts(LinuxMounts(), errand.mounts)
    with Keeper(config, clock=clock, mounts=mounts, throttle=throttle) as keeper:
        return keeper.do(errand.deed, progress, on_forming)


def open_keeper(config_path: str | None, environ: Mapping[str, str]) -> Keeper:
    """Read the configuration, open the catalog, join the parts.

    Raises:
        ConfigError: the configuration can't be used.
        CatalogError: the catalog can't be opened.
    """
    config = with_identity(load_config(config_path, environ), environ)

    def ask_for(name: str) -> bool:
        told = ask(f"{config.catalog.path}.locks", "give way", places=[name])
        return told is not None and told.get("given") is True

    return Keeper(config, ask_for=ask_for, environ=environ)
