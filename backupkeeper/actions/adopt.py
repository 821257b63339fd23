"""Adopt: files that a person put into a roll's folder on a drive become a roll, where they are.

Promises:
1. Nothing is moved, renamed or written but the manifest; no file is opened for writing.
2. Every file is read twice: once to learn its content, once cold to prove it. Two readings that
   differ prove nothing, and the file is left out and told.
3. A folder that is still being filled or changed is not taken in: a file younger than the quiet
   time, one that changes while it is read, one that comes or goes meanwhile.
4. A history that lies there already is checked first; where it can't be believed, names a file that
   is not there, or says another hash, the folder is left alone and that is told.
5. Where most of it is footage of a known roll, that counts as its copies here, and only the rest becomes a
   roll; one whose name another roll of that source has gets a number beside it.
6. Interrupted at any moment, the same call goes on: what was read in this mount, and has not changed
   since by size and time, is not read again. The roll is sealed last.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import chain, count

from backupkeeper.actions.adopt_known import known_as, new_among, only_here
from backupkeeper.actions.adopt_reading import Run, instant, read_all
from backupkeeper.actions.changes import KnownFolders, drive_of, originals_in
from backupkeeper.actions.context import Context
from backupkeeper.actions.found_history import found_history
from backupkeeper.actions.histories import record_arrival
from backupkeeper.actions.offload import ROLL_NAMES
from backupkeeper.actions.old_hashes import old_said
from backupkeeper.actions.online import OnlineDrive, holding
from backupkeeper.core.adopting import Named, OldSource
from backupkeeper.core.errors import SourceChangedError, UsageError
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import CardListing, PlaceId, Roll, RollFile, RollHead
from backupkeeper.core.naming import parse_roll_folder, roll_id
from backupkeeper.core.outcomes import AdoptOutcome, Trouble
from backupkeeper.manifests.mhl_model import Process
from backupkeeper.ports.progress import Progress

MOST_NS = (1 << 63) - 1
"""The catalog's largest number; file systems go on to later years."""


def adopt_folder(
    context: Context,
    place: PlaceId,
    folder: str,
    progress: Progress,
    *,
    named: Named | None = None,
    old: Sequence[OldSource] = (),
) -> AdoptOutcome:
    """Take in a folder of a drive as a roll.

    Args:
        context: the world.
        place: a drive or folder place that is here.
        folder: relative to its root, laid out like a roll's where it is not named.
        progress: told as it goes: every byte counts twice, for it is read twice.
        named: what it is called as a roll, wherever it lies.
        old: checksum lists and histories of folders above to compare with.

    Raises:
        UsageError: it is no roll's folder, holds nothing, or belongs to a roll already.
        SourceChangedError: something in it is changing, or was until just now.
        ManifestError: a history lies there that can't be believed, or that the files contradict.
        OutOfReachError: the drive is not here, goes away, or is in use.
        ReadError: none of its files could be read.
        SyncError: what was put there could not be made durable.
    """
    begun = context.clock.monotonic()
    drive = drive_of(context, place)
    with holding(context, [drive], doing=f"taking in {folder}"):
        done = _sealed_as(context, drive, folder)
        if done is not None:
            return done
        run = _begin(context, drive, folder, named, old)
        read_all(context, run, progress)
        progress.end()
        with context.locks.hold(ROLL_NAMES, called="another card", doing=f"taking in {folder}"):
            _check_free(context, folder)
            roll, warnings = _seal(context, run)
    return AdoptOutcome(
        place=drive.place.name,
        folder=folder,
        roll=roll.head,
        files=len(run.found),
        size_bytes=sum(file.size for file in roll.files),
        proven=run.proven,
        not_cold=run.not_cold,
        left_out=roll.left_out,
        warnings=(*run.listing.warnings, *warnings),
        troubles=(
            *run.old.troubles,
            *(
                Trouble(place=drive.place.name, path=run.at(path), message=why)
                for path, why in run.failed.items()
            ),
        ),
        confirmed=sum(path in run.history.said or path in run.old.said for path in run.found),
        read_bytes=run.read_bytes,
        not_there=run.old.not_there(entry.path for entry in run.listing.files),
        seconds=context.clock.monotonic() - begun,
    )


def _sealed_as(context: Context, drive: OnlineDrive, folder: str) -> AdoptOutcome | None:
    """What there is to say where a roll of this very folder is sealed already."""
    head = next((head for head in context.catalog.rolls() if head.folder == folder), None)
    if head is None:
        return None
    return AdoptOutcome(
        place=drive.place.name, folder=folder, roll=head, files=0, size_bytes=0, proven=0
    )


def _check_free(context: Context, folder: str) -> None:
    if KnownFolders(context).has(folder):
        raise UsageError(f"{folder} belongs to a roll already (or holds one, or lies in one).")


def _begin(
    context: Context,
    drive: OnlineDrive,
    folder: str,
    named: Named | None,
    old: Sequence[OldSource],
) -> Run:
    """Look before the first byte is read."""
    named = named or _named_by_layout(context, folder)
    _check_free(context, folder)
    drive.guard()
    if not drive.stays_on(folder):
        raise UsageError(f"{folder} leads off the drive, through a link or another mount.")
    listing = originals_in(context, drive, folder)
    if not listing.files:
        raise UsageError(f"{folder} holds no file to take in.")
    _check_names(folder, listing)
    _check_times(context, drive, folder, listing)
    history = found_history(context, drive, folder)
    history.check_complete(entry.path for entry in listing.files)
    return Run(
        drive=drive,
        folder=folder,
        listing=listing,
        history=history,
        named=named,
        old=old_said(context, drive, folder, old),
    )


def _named_by_layout(context: Context, folder: str) -> Named:
    parsed = parse_roll_folder(context.config.layout.roll, folder)
    if parsed is None:
        raise UsageError(
            f"{folder} is not laid out like a roll's folder ({context.config.layout.roll})."
        )
    return Named(shoot=parsed[0], source=parsed[1], roll=parsed[2], why="laid out like your rolls")


def _check_names(folder: str, listing: CardListing) -> None:
    """A file that bears one of our own marks would be looked for under another name later."""
    paths = [*(entry.path for entry in listing.files), *listing.empty_folders]
    for path, homes in possible_paths(folder, paths).items():
        if f"{folder}/{path}" not in homes:
            raise UsageError(
                f"{folder}/{path} has a mark in its name that this program uses itself (%~).",
                advice="Rename it; then the folder is taken in.",
            )


def _check_times(context: Context, drive: OnlineDrive, folder: str, listing: CardListing) -> None:
    now, quiet = context.clock.now(), timedelta(seconds=context.config.watch.quiet_s)
    for entry in listing.files:
        if abs(entry.mtime_ns) > MOST_NS:
            raise UsageError(
                f"{folder}/{entry.path} has a time that can't be recorded.",
                advice="Give it another one (touch); then the folder is taken in.",
            )
        # A time ahead by more than that comes from a camera's clock and says nothing.
        if abs(now - instant(entry.mtime_ns)) < quiet:
            raise SourceChangedError(
                drive.absolute(f"{folder}/{entry.path}"),
                how=f"was changed less than {quiet.total_seconds():.0f} seconds ago",
                advice="Once nothing writes there any more, wait so long and repeat the command "
                "(quiet_seconds under [watch] says how long).",
            )


def _seal(context: Context, run: Run) -> tuple[Roll, list[str]]:
    files = tuple(run.found[path] for path in sorted(run.found))
    new, known_in = new_among(context, files)
    if known_in is not None:
        return _seal_rest(context, run, files, new, known_in)
    head = _head(context, run, files)
    roll = _roll(run, head, files)
    warnings = record_arrival(context, run.drive, roll, process=Process.IN_PLACE)
    known = known_as(context, files)
    if known is None:
        context.catalog.seal(roll)
        known = next(one for one in context.catalog.rolls() if one.id == head.id)
    if known.folder != run.folder:
        same = "very files" if known.id == head.id else "footage, under other names,"
        rest = (
            "they stay one roll, of that name." if known.id == head.id else "no new roll was made."
        )
        warnings.append(f"These are the {same} of {known.folder}: {rest}")
        warnings += only_here(context, files)
        head = known
    return Roll(head=head, files=files, folders=roll.folders, left_out=roll.left_out), warnings


def _seal_rest(
    context: Context,
    run: Run,
    files: Sequence[RollFile],
    new: Sequence[RollFile],
    known_in: RollHead,
) -> tuple[Roll, list[str]]:
    """Most of it is known footage, which counts where it lies: only what is new becomes a roll."""
    head = _head(context, run, new)
    # The manifest tells of all that lies there.
    whole = _roll(run, _head(context, run, files), files)
    warnings = record_arrival(context, run.drive, whole, process=Process.IN_PLACE)
    context.catalog.seal(_roll(run, head, new))
    head = next(one for one in context.catalog.rolls() if one.id == head.id)
    known = len(files) - len(new)
    warnings.append(
        f"{known} of {len(files)} files are footage of {known_in.folder}, which is known: they count as its "
        f"copies where they lie. Only the rest, {len(new)}, is the new roll {head.shoot}/{head.source}/"
        f"{head.name}."
    )
    return replace(whole, head=head), warnings


def _head(context: Context, run: Run, files: Sequence[RollFile]) -> RollHead:
    named = run.named
    taken = {
        one.name
        for one in context.catalog.rolls()
        if (one.shoot, one.source) == (named.shoot, named.source)
    }
    further = (f"{named.roll} ({number})" for number in count(2))
    return RollHead(
        id=roll_id((file.path, file.content) for file in files),
        shoot=named.shoot,
        source=named.source,
        name=next(name for name in chain([named.roll], further) if name not in taken),
        folder=run.folder,
        sealed_at=context.clock.now(),
        file_count=len(files),
        size_bytes=sum(file.size for file in files),
    )


def _roll(run: Run, head: RollHead, files: Sequence[RollFile]) -> Roll:
    return Roll(
        head=head,
        files=tuple(files),
        folders=run.listing.empty_folders,
        left_out=(
            *run.listing.left_out,
            *run.listing.specials,
            *run.listing.unreadable,
            *run.failed.items(),
        ),
    )
