"""Offload: a card's files onto every drive that is here, in one read of the card.

Promises:
1. The card is only read. Each file is read once; a second time only if it turned out to be other
   than it seemed, or a drive failed on it.
2. A fact is recorded only after the pipeline said that the file is durable (``transfer.pipeline``).
3. The roll is sealed when every file of the card was either taken or can't be read; what could not
   be read is part of the roll's record. Until then the same command goes on where it stopped.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from backupkeeper.actions.context import Context
from backupkeeper.actions.histories import record_arrival
from backupkeeper.actions.landings import landed_fact, settled
from backupkeeper.actions.offload_plan import Plan, Request, make_plan, settle
from backupkeeper.actions.online import OnlineDrive, holding
from backupkeeper.actions.room import room_needed
from backupkeeper.core.errors import (
    BackupkeeperError,
    NoSpaceError,
    OutOfReachError,
)
from backupkeeper.core.model import (
    Blake3,
    CardEntry,
    Content,
    CopyState,
    Fact,
    PlaceId,
    Roll,
    RollFile,
    RollHead,
)
from backupkeeper.core.naming import roll_id
from backupkeeper.core.outcomes import OffloadOutcome, Trouble
from backupkeeper.core.taking import KnownRoll, is_carried
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.durable import make_folders
from backupkeeper.transfer.pipeline import Copied, Destination, Job, copy_files

ROLL_NAMES = "offload"
"""Name of the lock under which rolls get their names: one offload at a time."""


@dataclass(kw_only=True)
class _Run:
    """What happened so far, by path on the card."""

    found: dict[str, RollFile] = field(default_factory=dict)
    home: dict[str, KnownRoll | None] = field(default_factory=dict)
    proven: dict[PlaceId, set[str]] = field(default_factory=dict)
    standing: dict[PlaceId, set[str]] = field(default_factory=dict)
    resumed: set[str] = field(default_factory=set)
    not_cold: dict[str, str] = field(default_factory=dict)
    card_errors: dict[str, BackupkeeperError] = field(default_factory=dict)
    troubles: list[Trouble] = field(default_factory=list)
    unwritten: list[str] = field(default_factory=list)
    gone: BackupkeeperError | None = None

    def tell(self, place: str, path: str, error: BackupkeeperError) -> None:
        """A trouble; one that ends a whole drive comes back for every further file: told once."""
        if not any((one.place, one.message) == (place, str(error)) for one in self.troubles):
            self.troubles.append(Trouble(place=place, path=path, message=str(error)))


def offload(context: Context, request: Request, progress: Progress) -> OffloadOutcome:
    """Bring a card's files onto every drive that is here, proven.

    Raises:
        UsageError: the card or the names can't be used; nothing was written.
        OutOfReachError: no drive is here, or the card is gone.
        NoSpaceError: no drive has room.
    """
    doing = f"offloading {request.source}"
    drives, settled_request = settle(context, request)
    with (
        context.locks.hold(ROLL_NAMES, called="another card", doing=doing),
        holding(context, drives, doing=doing),
    ):
        return _offload(context, settled_request, progress)


def _offload(context: Context, request: Request, progress: Progress) -> OffloadOutcome:
    begun = context.clock.monotonic()
    plan = make_plan(context, request, progress)
    run = _Run(home=dict(plan.homes), troubles=list(plan.sick))
    _leave_out_full_drives(context, plan, run)
    for drive in plan.drives:
        run.proven[drive.place.id], run.standing[drive.place.id] = set(), set()
    names = {drive.place.id: drive.place.name for drive in plan.drives}
    if plan.listing.files and not all(run.home.values()):
        context.catalog.record(taken=(plan.open_roll, ()))  # before the first byte: it can be found
    again = _pass(context, plan, run, plan.listing.files, progress)
    again |= _strangers(plan, run)
    if again and run.gone is None:
        for path in again:
            run.home[path] = None
        second = [entry for entry in plan.listing.files if entry.path in again]
        _pass(context, plan, run, second, progress)
    progress.end()
    roll, warnings = _seal(context, plan, run)
    mine = [path for path, home in run.home.items() if home is None or home is plan.resumed]
    taken = [path for path in mine if path in run.found]
    new = [path for path in taken if path not in run.resumed]
    return OffloadOutcome(
        card=request.card,
        folder=plan.open_roll.folder if taken else None,
        roll=roll,
        sealed=roll is not None or (not taken and not run.card_errors and run.gone is None),
        new_files=len(new),
        new_bytes=sum(run.found[path].size for path in new),
        known_files=len(run.found) - len(taken),
        resumed_files=len(run.resumed),
        places=tuple(names.values()),
        proven_at={names[place]: len(paths) for place, paths in run.proven.items()},
        not_cold=run.not_cold,
        left_out=plan.listing.left_out,
        specials=(*plan.listing.specials, *plan.listing.unreadable),
        warnings=(*plan.listing.warnings, *warnings),
        troubles=tuple(run.troubles),
        unwritten=tuple(run.unwritten),
        renamed=_renamed(plan, taken),
        folders=_folders(plan, run),
        seconds=context.clock.monotonic() - begun,
    )


def _pass(
    context: Context, plan: Plan, run: _Run, entries: Iterable[CardEntry], progress: Progress
) -> set[str]:
    """Read these files, write them where they are wanted; return those to take again as new."""
    entries = list(entries)
    by_path = {entry.path: entry for entry in entries}
    cut = len(plan.listing.root) + 1
    progress.begin(
        f"Offloading {plan.request.source}",
        total_bytes=sum(entry.size for entry in entries),
        total_files=len(entries),
    )
    expected = context.catalog.contents(
        home.files[entry.path].content
        for entry in entries
        if (home := run.home[entry.path]) is not None
    )
    # Made as they are needed, in the reader's thread: a card may hold a hundred thousand files.
    jobs = (_job(plan, run, entry, expected) for entry in entries)
    again: set[str] = set()
    for batch in copy_files(
        jobs,
        [destination(drive) for drive in plan.drives],
        files=context.files,
        progress=progress,
        digests=context.config.manifest.formats,
    ):
        again |= _take(context, plan, run, [(by_path[one.job.source[cut:]], one) for one in batch])
    return again


def destination(drive: OnlineDrive) -> Destination:
    """A drive as the pipeline wants it."""
    return Destination(
        place=drive.place.id,
        root=drive.root,
        cold=drive.cold,
        guard=drive.guard,
    )


def _job(plan: Plan, run: _Run, entry: CardEntry, expected: Mapping[Blake3, Content]) -> Job:
    home = run.home[entry.path]
    expect = None
    folder = plan.open_roll.folder
    if home is not None:
        expect = expected.get(home.files[entry.path].content)
        folder = home.folder
    targets = {
        drive.place.id: drive.absolute(plan.path_at(drive, folder, entry.path))
        for drive in plan.drives
        if home is None or plan.standing_at(drive, home, entry.path) is None
    }
    return Job(
        source=f"{plan.listing.root}/{entry.path}",
        size=entry.size,
        mtime_ns=entry.mtime_ns,
        targets=targets,
        expect=expect,
    )


def _take(
    context: Context, plan: Plan, run: _Run, batch: list[tuple[CardEntry, Copied]]
) -> set[str]:
    """Record one finished batch; return the paths that are not what they seemed."""
    drives = {drive.place.id: drive for drive in plan.drives}
    contents, facts, files = [], [], []
    again: set[str] = set()
    for entry, copied in batch:
        if copied.content is None:
            _note_card_error(run, entry, copied)
            continue
        content = copied.content
        home = run.home[entry.path]
        if home is not None and home.files[entry.path].content != content.blake3:
            again.add(entry.path)
            continue
        run.found[entry.path] = RollFile(
            path=entry.path, content=content.blake3, size=content.size, mtime_ns=entry.mtime_ns
        )
        contents.append(content)
        if home is None or home is plan.resumed:
            files.append(run.found[entry.path])
        if home is not None and home is plan.resumed:
            run.resumed.add(entry.path)
        for place, drive in drives.items():
            facts.extend(_facts_at(context, plan, run, drive, entry, copied, place))
    context.catalog.record(
        contents=contents, facts=facts, taken=(plan.open_roll, files) if files else None
    )
    return again


def _facts_at(
    context: Context,
    plan: Plan,
    run: _Run,
    drive: OnlineDrive,
    entry: CardEntry,
    copied: Copied,
    place: PlaceId,
) -> list[Fact]:
    """What this file's stay at one drive adds: a fact, or nothing, or a trouble."""
    assert copied.content is not None
    content = copied.content
    if place not in copied.job.targets:
        home = run.home[entry.path]
        copy = plan.standing_at(drive, home, entry.path) if home is not None else None
        if copy is not None and copy.state is CopyState.DAMAGED:
            run.troubles.append(
                Trouble(
                    place=drive.place.name,
                    path=entry.path,
                    message="The copy there is damaged; it was left as it is.",
                )
            )
        elif copy is not None:
            run.standing[place].add(entry.path)
            if copy.state is CopyState.PROVEN:
                run.proven[place].add(entry.path)
        return []
    target = copied.job.targets[place]
    landed = settled(drive, target, copied.places[place])
    if isinstance(landed, BackupkeeperError):
        run.tell(drive.place.name, entry.path, landed)
        return []
    run.standing[place].add(entry.path)
    if landed.cold:
        run.proven[place].add(entry.path)
    else:
        run.not_cold[drive.place.name] = landed.why_not_cold
    return [landed_fact(context, drive, target, content, landed)]


def _note_card_error(run: _Run, entry: CardEntry, copied: Copied) -> None:
    error = copied.source_error
    assert error is not None
    run.card_errors[entry.path] = error
    if run.gone is None:  # once it is gone, every further file says so: told once
        run.tell("card", entry.path, error)
    if isinstance(error, OutOfReachError):
        run.gone = error


def _strangers(plan: Plan, run: _Run) -> set[str]:
    """Files whose earlier roll turned out not to be this card's: they are taken as new."""
    found = {path: file.content for path, file in run.found.items()}
    mine = {roll.folder for roll in plan.known if is_carried(roll, found)}
    return {
        path
        for path in run.found
        if (home := run.home[path]) is not None and home.folder not in mine
    }


def _leave_out_full_drives(context: Context, plan: Plan, run: _Run) -> None:
    """Free space is looked at on every drive before the first byte (issue: never half way)."""
    short: list[str] = []
    for drive in list(plan.drives):
        needed = room_needed(context.files, _wanted_at(plan, drive))
        try:
            free = context.files.free_bytes(drive.root)
        except OSError:
            free = 0
        if needed > free:
            short.append(
                f"{drive.place.name} has {free:,} bytes free; {needed:,} are needed "
                "(the card's new files and some room to work)."
            )
            run.troubles.append(Trouble(place=drive.place.name, path="", message=short[-1]))
            plan.drives.remove(drive)
    if not plan.drives:
        raise NoSpaceError(plan.request.card, 28, advice=" ".join([*short, "Nothing was written."]))


def _wanted_at(plan: Plan, drive: OnlineDrive) -> Iterator[tuple[str, int]]:
    """Final name and size of every file that this drive is to get."""
    for entry in plan.listing.files:
        home = plan.homes[entry.path]
        if home is None or plan.standing_at(drive, home, entry.path) is None:
            folder = home.folder if home is not None else plan.open_roll.folder
            yield drive.absolute(plan.path_at(drive, folder, entry.path)), entry.size


def _seal(context: Context, plan: Plan, run: _Run) -> tuple[RollHead | None, list[str]]:
    """Manifests on every drive that holds all of the roll, then the roll itself."""
    warnings: list[str] = []
    for roll in _completed_elsewhere(context, run):
        for drive in plan.drives:
            warnings += record_arrival(context, drive, roll, unwritten=run.unwritten)
    taken = [
        path
        for path, home in run.home.items()
        if path in run.found and (home is None or home is plan.resumed)
    ]
    unheld = [path for path in taken if not any(path in at for at in run.standing.values())]
    if not taken or unheld or run.gone is not None:
        return None, warnings
    files = tuple(run.found[path] for path in sorted(taken))
    head = RollHead(
        id=roll_id((file.path, file.content) for file in files),
        shoot=plan.open_roll.shoot,
        source=plan.open_roll.source,
        name=plan.open_roll.name,
        folder=plan.open_roll.folder,
        sealed_at=context.clock.now(),
        file_count=len(files),
        size_bytes=sum(file.size for file in files),
    )
    lost = [(path, str(error)) for path, error in run.card_errors.items()]
    roll = Roll(
        head=head,
        files=files,
        folders=plan.listing.empty_folders,
        left_out=(
            *plan.listing.left_out,
            *plan.listing.specials,
            *plan.listing.unreadable,
            *lost,
        ),
    )
    for drive in plan.drives:
        warnings += _make_empty_folders(context, plan, drive, roll)
        warnings += record_arrival(context, drive, roll, unwritten=run.unwritten)
    context.catalog.seal(roll)
    return head, warnings


def _completed_elsewhere(context: Context, run: _Run) -> list[Roll]:
    """Sealed rolls of this card that a drive lacked files of, and that were written to it now."""
    folders = {
        home.folder
        for path, home in run.home.items()
        if path in run.found and home is not None and home.sealed
    }
    heads = [head for head in context.catalog.rolls() if head.folder in folders]
    return [context.catalog.roll(head.id) for head in heads]


def _make_empty_folders(context: Context, plan: Plan, drive: OnlineDrive, roll: Roll) -> list[str]:
    warnings = []
    for folder in roll.folders:
        path = plan.path_at(drive, roll.head.folder, folder)
        try:
            make_folders(context.files, drive.root, path, drive.guard)
        except BackupkeeperError as error:
            warnings.append(f"{drive.place.name}: the empty folder {folder} was not made: {error}")
    return warnings


def _folders(plan: Plan, run: _Run) -> tuple[str, ...]:
    """Every roll that a file of the card lies in now."""
    homes = (run.home[path] or plan.open_roll for path in run.found)
    return tuple(sorted({home.folder for home in homes}))


def _renamed(plan: Plan, taken: Iterable[str]) -> tuple[tuple[str, str], ...]:
    changed: dict[str, str] = {}
    for drive in plan.drives:
        for path in taken:
            there = plan.path_at(drive, plan.open_roll.folder, path)
            there = there.removeprefix(f"{plan.open_roll.folder}/")
            if there != path:
                changed[path] = there
    return tuple(sorted(changed.items()))
