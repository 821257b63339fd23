"""Take in what was delivered: checked against its own manifests in the one read that copies it.

Promises:
1. The folder is only read, each file once, and left as it is.
2. Without ``as_it_is`` no byte that its manifests call wrong gets a name on a drive, and nothing that
   they don't list; the roll is sealed only once everything is there, and right. The same command goes on.
3. With it everything that can be read is taken in, and what was found stands in the roll's manifest.
4. The delivered manifests are originals of the roll. Where all of it is right our history on each drive
   that is here goes on with theirs.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from backupkeeper.actions.card_listing import listed_card
from backupkeeper.actions.context import Context
from backupkeeper.actions.delivered import Delivered, look_at
from backupkeeper.actions.delivery_run import DeliveryRun
from backupkeeper.actions.delivery_seal import seal
from backupkeeper.actions.landings import landed_fact, settled
from backupkeeper.actions.offload import ROLL_NAMES, destination
from backupkeeper.actions.offload_plan import Plan, Request, make_plan, settle
from backupkeeper.actions.online import OnlineDrive, holding, online_drives
from backupkeeper.actions.room import room_needed
from backupkeeper.core.delivering import DeliveryOutcome, Flaw, Flawed
from backupkeeper.core.errors import (
    BackupkeeperError,
    HostileInputError,
    NoSpaceError,
    OutOfReachError,
    UsageError,
)
from backupkeeper.core.model import (
    CardEntry,
    Content,
    CopyState,
    Fact,
    RollFile,
    RollHead,
)
from backupkeeper.core.outcomes import Trouble
from backupkeeper.manifests.bagit import DECLARATION
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.hashing import FURTHER_DIGESTS
from backupkeeper.transfer.pipeline import Copied, Job, copy_files


def check_delivery(context: Context, folder: str, progress: Progress) -> DeliveryOutcome:
    """Read everything that was delivered and hold it against its manifests; nothing is written.

    Args:
        context: the world.
        folder: absolute, links resolved.
        progress: told as it goes.

    Raises:
        UsageError: it has no manifests, or is a place.
    """
    begun = context.clock.monotonic()
    listing = listed_card(context, folder, online_drives(context)[0])
    try:
        run = _new_run(look_at(context, listing), as_it_is=True)
    except HostileInputError as error:
        return _not_believed(folder, error, taken=False)
    _pass(context, run, progress)
    return _outcome(context, run, None, begun, taken=False)


def bring_in(
    context: Context, request: Request, progress: Progress, *, as_it_is: bool
) -> DeliveryOutcome:
    """Take in a delivered folder as a roll, on every drive that is here.

    Args:
        context: the world.
        request: ``card`` is the delivered folder.
        progress: told as it goes.
        as_it_is: whether to take it in whatever its manifests say.

    Raises:
        UsageError: as ``check_delivery``; or the names can't be used, or it was taken in before.
        OutOfReachError: no drive is here.
        NoSpaceError: no drive has room.
    """
    doing = f"taking in what was delivered as {request.source}"
    drives, request = settle(context, request)
    begun = context.clock.monotonic()
    with (
        context.locks.hold(ROLL_NAMES, called="another card", doing=doing),
        holding(context, drives, doing=doing),
    ):
        plan = make_plan(context, request, progress)
        try:
            run = _new_run(look_at(context, plan.listing), as_it_is=as_it_is)
        except HostileInputError as error:
            return _not_believed(request.card, error, taken=True)
        run.plan, run.troubles = plan, list(plan.sick)
        _prepare(context, plan, run)
        _pass(context, run, progress)
        head = seal(context, plan, run)
        return _outcome(context, run, head, begun, taken=True)


def _not_believed(folder: str, error: HostileInputError, *, taken: bool) -> DeliveryOutcome:
    """What came of a bag whose tag files can't be believed: not a byte was copied."""
    flaw = Flawed(path=DECLARATION, flaw=Flaw.MANIFEST, why=str(error))
    return DeliveryOutcome(
        delivered=folder,
        forms=("BagIt",),
        checked_files=0,
        checked_bytes=0,
        flaws=(flaw,),
        taken=taken,
    )


def _new_run(delivered: Delivered, *, as_it_is: bool) -> DeliveryRun:
    return DeliveryRun(delivered=delivered, as_it_is=as_it_is, flaws=list(delivered.flaws))


def _prepare(context: Context, plan: Plan, run: DeliveryRun) -> None:
    """Make the plan that of a delivery: it is one roll, whatever earlier rolls hold of it."""
    homes = {home.folder for home in plan.homes.values() if home is not None and home.sealed}
    if len(homes) == 1 and all(home is not None and home.sealed for home in plan.homes.values()):
        raise UsageError(
            f"{run.delivered.root} was taken in before: {homes.pop()}.",
            advice="To check the folder again: backupkeeper import DIR --dry-run",
        )
    entries = run.delivered.entries
    if not run.as_it_is:
        extra = {one.path for one in run.flaws if one.flaw is Flaw.EXTRA}
        entries = tuple(entry for entry in entries if entry.path not in extra)
    plan.listing = replace(plan.listing, files=entries)
    plan.homes = {
        entry.path: plan.resumed
        if plan.resumed is not None and entry.path in plan.resumed.files
        else None
        for entry in entries
    }
    run.delivered = replace(run.delivered, entries=entries)
    run.warnings += plan.listing.warnings
    for drive in list(plan.drives):
        needed = room_needed(context.files, _wanted_at(plan, drive, entries))
        try:
            free = context.files.free_bytes(drive.root)
        except OSError:
            free = 0
        if needed > free:
            told = f"{drive.place.name} has {free:,} bytes free; {needed:,} are needed."
            run.troubles.append(Trouble(place=drive.place.name, path="", message=told))
            plan.drives.remove(drive)
    if not plan.drives:
        told = " ".join(one.message for one in run.troubles)
        raise NoSpaceError(plan.request.card, 28, advice=f"{told} Nothing was written.")
    for drive in plan.drives:
        run.standing[drive.place.id], run.proven[drive.place.id] = set(), set()
    context.catalog.record(taken=(plan.open_roll, ()))  # before the first byte: it can be found


def _wanted_at(
    plan: Plan, drive: OnlineDrive, entries: Iterable[CardEntry]
) -> Iterator[tuple[str, int]]:
    for entry in entries:
        if not _stands(plan, drive, entry.path):
            yield drive.absolute(plan.path_at(drive, plan.open_roll.folder, entry.path)), entry.size


def _stands(plan: Plan, drive: OnlineDrive, path: str) -> CopyState | None:
    """The state of a copy that an earlier run of this command brought there."""
    home = plan.homes[path]
    copy = plan.standing_at(drive, home, path) if home is not None else None
    return copy.state if copy is not None else None


def _pass(context: Context, run: DeliveryRun, progress: Progress) -> None:
    """Read every file once, onto every drive that lacks it."""
    entries, plan, root = run.delivered.entries, run.plan, run.delivered.root
    progress.begin(
        f"Reading {root}",
        total_bytes=sum(entry.size for entry in entries),
        total_files=len(entries),
    )
    digests = sorted({*context.config.manifest.formats, *run.delivered.digests})
    by_path = {f"{root}/{entry.path}": entry for entry in entries}
    for batch in copy_files(
        (_job(run, entry) for entry in entries),
        [destination(drive) for drive in plan.drives] if plan is not None else [],
        files=context.files,
        progress=progress,
        digests=digests,
    ):
        _take(context, run, [(by_path[copied.job.source], copied) for copied in batch])
    progress.end()


def _job(run: DeliveryRun, entry: CardEntry) -> Job:
    plan = run.plan
    targets = {}
    if plan is not None:
        targets = {
            drive.place.id: drive.absolute(plan.path_at(drive, plan.open_roll.folder, entry.path))
            for drive in plan.drives
            if not _stands(plan, drive, entry.path)
        }
    return Job(
        source=f"{run.delivered.root}/{entry.path}",
        size=entry.size,
        mtime_ns=entry.mtime_ns,
        targets=targets,
        refuse=lambda content: run.refuse(entry.path, content),
    )


def _take(context: Context, run: DeliveryRun, batch: list[tuple[CardEntry, Copied]]) -> None:
    """Judge one finished batch, and record what may be recorded."""
    contents, facts, files = [], [], []
    for entry, copied in batch:
        content = _judged(run, entry, copied)
        if content is None or run.plan is None:
            continue
        file = RollFile(
            path=entry.path, content=content.blake3, size=content.size, mtime_ns=entry.mtime_ns
        )
        run.found[entry.path] = file
        contents.append(content)
        files.append(file)
        for drive in run.plan.drives:
            facts += _facts_at(context, run, run.plan, drive, entry, copied)
    if run.plan is not None:
        context.catalog.record(
            contents=contents, facts=facts, taken=(run.plan.open_roll, files) if files else None
        )


def _judged(run: DeliveryRun, entry: CardEntry, copied: Copied) -> Content | None:
    """A file's content as it may be remembered; None where it is not to be taken."""
    if copied.content is None:
        _unread(run, entry, copied)
        return None
    flaw = run.delivered.flaw_of(entry.path, copied.content)
    if flaw is not None:
        run.flaws.append(flaw)
    elif entry.path in run.delivered.listed:
        run.right_files += 1
        run.right_bytes += entry.size
    if flaw is not None and not run.as_it_is:
        return None
    digests = copied.content.digests.items()
    kept = {kind: text for kind, text in digests if kind in FURTHER_DIGESTS}
    content = replace(copied.content, digests=kept)
    return content if _same_as_before(run, entry, content) else None


def _unread(run: DeliveryRun, entry: CardEntry, copied: Copied) -> None:
    error = copied.source_error
    assert error is not None
    if isinstance(error, OutOfReachError):
        run.gone = True
        run.tell("delivered", "", error)
    else:
        run.flaws.append(Flawed(path=entry.path, flaw=Flaw.UNREADABLE, why=str(error)))


def _same_as_before(run: DeliveryRun, entry: CardEntry, content: Content) -> bool:
    """Whether a file is what an earlier run of this command took under its name."""
    home = run.plan.homes[entry.path] if run.plan is not None else None
    if home is None or home.files[entry.path].content == content.blake3:
        return True
    told = "It is another file than was taken before this command was interrupted."
    run.troubles.append(Trouble(place="delivered", path=entry.path, message=told))
    return False


def _facts_at(
    context: Context,
    run: DeliveryRun,
    plan: Plan,
    drive: OnlineDrive,
    entry: CardEntry,
    copied: Copied,
) -> list[Fact]:
    """What this file's stay at one drive adds: a fact, or nothing, or a trouble."""
    assert copied.content is not None
    place, name = drive.place.id, drive.place.name
    if place not in copied.job.targets:
        state = _stands(plan, drive, entry.path)
        if state is CopyState.DAMAGED:
            told = "The copy there is damaged; it was left as it is."
            run.troubles.append(Trouble(place=name, path=entry.path, message=told))
            return []
        run.standing[place].add(entry.path)
        if state is CopyState.PROVEN:
            run.proven[place].add(entry.path)
        return []
    target = copied.job.targets[place]
    landed = settled(drive, target, copied.places[place])
    if isinstance(landed, BackupkeeperError):
        run.tell(name, entry.path, landed)
        return []
    run.standing[place].add(entry.path)
    if landed.cold:
        run.proven[place].add(entry.path)
    else:
        run.not_cold[name] = landed.why_not_cold
    return [landed_fact(context, drive, target, copied.content, landed)]


def _outcome(
    context: Context, run: DeliveryRun, head: RollHead | None, begun: float, *, taken: bool
) -> DeliveryOutcome:
    plan = run.plan
    drives = plan.drives if plan is not None else []
    names = {drive.place.id: drive.place.name for drive in drives}
    renamed: dict[str, str] = {}
    if plan is not None:
        folder = plan.open_roll.folder
        for drive in drives:
            for path in run.found:
                there = plan.path_at(drive, folder, path).removeprefix(f"{folder}/")
                if there != path:
                    renamed[path] = there
    return DeliveryOutcome(
        delivered=run.delivered.root,
        forms=run.delivered.forms,
        checked_files=run.right_files,
        checked_bytes=run.right_bytes,
        flaws=tuple(run.flaws),
        taken=taken,
        roll=head,
        folder=plan.open_roll.folder if plan is not None and run.found else None,
        continued=run.continued and head is not None,
        files=len(run.found),
        places=tuple(names.values()),
        proven_at={names[place]: len(paths) for place, paths in run.proven.items()},
        not_cold=run.not_cold,
        renamed=tuple(sorted(renamed.items())),
        warnings=(*run.delivered.warnings, *run.warnings),
        troubles=tuple(run.troubles),
        gone=run.gone,
        seconds=context.clock.monotonic() - begun,
    )
