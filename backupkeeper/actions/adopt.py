"""Adopt: files that a person put into a roll's folder on a drive become a roll, where they are.

Promises:
1. Nothing is moved, renamed or written but the manifest; no file is opened for writing.
2. Every file is read twice: once to learn its content, once cold to prove it. Two readings that
   differ prove nothing, and the file is left out and told.
3. A folder that is still being filled or changed is not taken in: a file younger than the quiet
   time, one that changes while it is read, one that comes or goes meanwhile.
4. A history that lies there already is checked first; where it can't be believed, names a file that
   is not there, or says another hash, the folder is left alone and that is told.
5. Interrupted at any moment, the same call goes on: what was read in this mount, and has not changed
   since by size and time, is not read again. The roll is sealed last.
"""

import errno
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from backupkeeper.actions.changes import KnownFolders, drive_of, originals_in
from backupkeeper.actions.context import Context
from backupkeeper.actions.found_history import FoundHistory, found_history
from backupkeeper.actions.histories import record_arrival
from backupkeeper.actions.offload import ROLL_NAMES
from backupkeeper.actions.online import OnlineDrive, holding
from backupkeeper.actions.proving import prove_copy
from backupkeeper.core.errors import (
    BackupkeeperError,
    OutOfReachError,
    ReadError,
    SourceChangedError,
    UsageError,
)
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import (
    CardEntry,
    CardListing,
    Content,
    Fact,
    PlaceId,
    Result,
    Roll,
    RollFile,
    RollHead,
    Way,
)
from backupkeeper.core.naming import parse_roll_folder, roll_id
from backupkeeper.core.outcomes import AdoptOutcome, Trouble
from backupkeeper.manifests.mhl_model import Process
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.failures import write_failure
from backupkeeper.transfer.hashing import FURTHER_DIGESTS
from backupkeeper.transfer.pipeline import Job, copy_files

CHUNK_BYTES = 1 << 30
CHUNK_FILES = 200
"""So much is read, proven and recorded in one step: what an interruption costs at the most."""
MOST_NS = (1 << 63) - 1
"""The catalog's largest number; file systems go on to later years."""


@dataclass(kw_only=True)
class _Run:
    """What is known so far, by path below the folder."""

    drive: OnlineDrive
    folder: str
    listing: CardListing
    history: FoundHistory
    found: dict[str, RollFile] = field(default_factory=dict)
    proven: int = 0
    not_cold: str = ""
    failed: dict[str, str] = field(default_factory=dict)

    def at(self, path: str) -> str:
        """A file's path on the drive, relative to its root."""
        return f"{self.folder}/{path}"


def adopt_folder(context: Context, place: PlaceId, folder: str, progress: Progress) -> AdoptOutcome:
    """Take in a folder of a drive as a roll.

    Args:
        context: the world.
        place: a drive or folder place that is here.
        folder: relative to its root, laid out like a roll's.
        progress: told as it goes: every byte counts twice, for it is read twice.

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
        run = _begin(context, drive, folder)
        _read_all(context, run, progress)
        progress.end()
        with context.locks.hold(ROLL_NAMES, called="another card", doing=f"taking in {folder}"):
            _check_free(context, folder)
            roll, warnings = _seal(context, run)
    return AdoptOutcome(
        place=drive.place.name,
        folder=folder,
        roll=roll.head,
        files=len(run.found),
        size_bytes=roll.head.size_bytes,
        proven=run.proven,
        not_cold=run.not_cold,
        left_out=roll.left_out,
        warnings=(*run.listing.warnings, *warnings),
        troubles=tuple(
            Trouble(place=drive.place.name, path=run.at(path), message=why)
            for path, why in run.failed.items()
        ),
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


def _begin(context: Context, drive: OnlineDrive, folder: str) -> _Run:
    """Look before the first byte is read."""
    if parse_roll_folder(context.config.layout.roll, folder) is None:
        raise UsageError(
            f"{folder} is not laid out like a roll's folder ({context.config.layout.roll})."
        )
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
    return _Run(drive=drive, folder=folder, listing=listing, history=history)


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
        if abs(now - _instant(entry.mtime_ns)) < quiet:
            path = drive.absolute(f"{folder}/{entry.path}")
            raise SourceChangedError(path, how="was changed a moment ago")


def _instant(mtime_ns: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=mtime_ns // 1000)


# -- reading


def _read_all(context: Context, run: _Run, progress: Progress) -> None:
    _make_durable(context, run.drive)
    left = _not_read_yet(context, run)
    progress.begin(
        f"Taking in {run.folder}",
        total_bytes=2 * sum(entry.size for entry in left),
        total_files=len(left),
    )
    digests = sorted({*context.config.manifest.formats, *run.history.formats} & FURTHER_DIGESTS)
    for chunk in _chunks(left):
        _read_chunk(context, run, chunk, digests, progress)
    _check_unchanged(context, run)
    if not run.found:
        raise ReadError(run.drive.absolute(run.folder), errno.EIO)


def _make_durable(context: Context, drive: OnlineDrive) -> None:
    """What a person copied there may lie in memory only, its folders' entries too."""
    try:
        context.files.sync_tree(drive.root)
    except OSError as error:
        raise write_failure(drive.root, error, syncing=True) from error


def _not_read_yet(context: Context, run: _Run) -> list[CardEntry]:
    """Files but those that an interrupted call read in this very mount, after their last change."""
    known: dict[str, Fact] = {}
    for fact in context.catalog.facts_at(run.drive.place.id, below=run.folder):
        if fact.path not in known or known[fact.path].at <= fact.at:
            known[fact.path] = fact
    contents = context.catalog.contents(fact.content for fact in known.values())
    left = []
    for entry in run.listing.files:
        last = known.get(run.at(entry.path))
        if last is None or not _still_holds(run, last, contents[last.content], entry):
            left.append(entry)
        else:
            _take(run, entry, contents[last.content], last)
    return left


def _still_holds(run: _Run, fact: Fact, content: Content, entry: CardEntry) -> bool:
    return (
        fact.way is Way.REHASH
        and fact.result is Result.MATCHES
        and fact.mount == run.drive.info.mount.token
        and content.size == entry.size
        and _instant(entry.mtime_ns) < fact.at
        and run.history.agrees(entry.path, content)
    )


def _chunks(entries: Iterable[CardEntry]) -> Iterator[list[CardEntry]]:
    chunk: list[CardEntry] = []
    held = 0
    for entry in entries:
        if chunk and (held + entry.size > CHUNK_BYTES or len(chunk) == CHUNK_FILES):
            yield chunk
            chunk, held = [], 0
        chunk.append(entry)
        held += entry.size
    if chunk:
        yield chunk


def _read_chunk(
    context: Context,
    run: _Run,
    chunk: Sequence[CardEntry],
    digests: Sequence[str],
    progress: Progress,
) -> None:
    """Learn the contents, then prove the copies, then record both."""
    run.drive.guard()
    contents: dict[str, Content] = {}
    entries = {run.drive.absolute(run.at(entry.path)): entry for entry in chunk}
    jobs = (
        Job(source=source, size=entry.size, mtime_ns=entry.mtime_ns, targets={})
        for source, entry in entries.items()
    )
    for batch in copy_files(jobs, [], files=context.files, progress=progress, digests=digests):
        for copied in batch:
            path = entries[copied.job.source].path
            if copied.content is None:
                _note_failure(run, path, copied.source_error)
                continue
            run.history.check(path, copied.content)
            contents[path] = copied.content
    context.catalog.record(contents=contents.values())
    facts = []
    try:
        for entry in chunk:
            if entry.path in contents:
                fact = _prove(context, run, entry, contents[entry.path], progress)
                facts += [fact] if fact is not None else []
    finally:
        context.catalog.record(facts=facts)


def _note_failure(run: _Run, path: str, error: BackupkeeperError | None) -> None:
    assert error is not None
    if isinstance(error, OutOfReachError | SourceChangedError):
        raise error
    run.failed[path] = str(error)


def _prove(
    context: Context, run: _Run, entry: CardEntry, content: Content, progress: Progress
) -> Fact | None:
    """The fact of a second reading that agrees with the first; None where it does not."""
    path = run.at(entry.path)
    file = RollFile(
        path=entry.path, content=content.blake3, size=content.size, mtime_ns=entry.mtime_ns
    )
    progress.file(path)
    fact, reading = prove_copy(context, run.drive, path, file, progress=progress)
    if fact.result in {Result.CHANGED, Result.MISSING}:
        raise SourceChangedError(run.drive.absolute(path))
    if fact.result is not Result.MATCHES:
        # Nobody knows which of the readings was right: it is no news about a known copy.
        run.failed[entry.path] = (
            "It could not be read twice alike, so it was not taken in. Suspect the cable, the port "
            f"or the drive. {fact.note}"
        ).strip()
        return None
    if reading is not None and not reading.cold:
        run.not_cold = reading.why_not_cold
    _take(run, entry, content, fact)
    return fact


def _take(run: _Run, entry: CardEntry, content: Content, fact: Fact) -> None:
    run.found[entry.path] = RollFile(
        path=entry.path, content=content.blake3, size=content.size, mtime_ns=entry.mtime_ns
    )
    run.proven += fact.is_proof


def _check_unchanged(context: Context, run: _Run) -> None:
    """The folder still holds the very files that it held when it was listed first."""
    run.drive.guard()
    before = set(run.listing.files)
    after = set(originals_in(context, run.drive, run.folder).files)
    for entry in sorted(before ^ after, key=lambda entry: entry.path):
        raise SourceChangedError(run.drive.absolute(run.at(entry.path)))


def _seal(context: Context, run: _Run) -> tuple[Roll, list[str]]:
    parsed = parse_roll_folder(context.config.layout.roll, run.folder)
    assert parsed is not None
    files = tuple(run.found[path] for path in sorted(run.found))
    head = RollHead(
        id=roll_id((file.path, file.content) for file in files),
        shoot=parsed[0],
        source=parsed[1],
        name=parsed[2],
        folder=run.folder,
        sealed_at=context.clock.now(),
        file_count=len(files),
        size_bytes=sum(file.size for file in files),
    )
    roll = Roll(
        head=head,
        files=files,
        folders=run.listing.empty_folders,
        left_out=(
            *run.listing.left_out,
            *run.listing.specials,
            *run.listing.unreadable,
            *run.failed.items(),
        ),
    )
    warnings = record_arrival(context, run.drive, roll, process=Process.IN_PLACE)
    context.catalog.seal(roll)
    known = next(one for one in context.catalog.rolls() if one.id == head.id)
    if known.folder != run.folder:
        warnings.append(
            f"These are the very files of {known.folder}: they stay one roll, of that name."
        )
        head = known
    return Roll(head=head, files=files, folders=roll.folders, left_out=roll.left_out), warnings
