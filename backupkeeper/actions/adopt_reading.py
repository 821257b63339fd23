"""Reading what lies in a folder that is taken in: learn the contents, compare old hashes, prove.

Promises: see ``actions.adopt``. What an older hash speaks against never gets a fact that it is right.
"""

import errno
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Final

from backupkeeper.actions.changes import originals_in
from backupkeeper.actions.context import Context
from backupkeeper.actions.found_history import FoundHistory
from backupkeeper.actions.old_hashes import OldSaid
from backupkeeper.actions.online import OnlineDrive, make_durable
from backupkeeper.actions.proving import prove_copy
from backupkeeper.core.adopting import Named
from backupkeeper.core.errors import (
    BackupkeeperError,
    OutOfReachError,
    ReadError,
    SourceChangedError,
)
from backupkeeper.core.model import CardEntry, CardListing, Content, Fact, Result, RollFile, Way
from backupkeeper.core.scrub import read_order
from backupkeeper.manifests.old_list import SHA256
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import ColdReader
from backupkeeper.transfer.hashing import FURTHER_DIGESTS
from backupkeeper.transfer.pipeline import Job, copy_files

CHUNK_BYTES = 1 << 30
CHUNK_FILES = 200
"""So much is read, proven and recorded in one step: what an interruption costs at the most."""
SHA256_NOTE: Final = "sha256 "
"""Begins the note of a fact whose reading made this digest, which no catalog holds."""


@dataclass(kw_only=True)
class Run:
    """What is known so far, by path below the folder."""

    drive: OnlineDrive
    folder: str
    listing: CardListing
    history: FoundHistory
    named: Named
    old: OldSaid = field(default_factory=OldSaid)
    found: dict[str, RollFile] = field(default_factory=dict)
    proven: int = 0
    read_bytes: int = 0
    not_cold: str = ""
    failed: dict[str, str] = field(default_factory=dict)
    contradicted: list[str] = field(default_factory=list)
    """Files that are not what the folder's own history says."""

    def at(self, path: str) -> str:
        """A file's path on the drive, relative to its root."""
        return f"{self.folder}/{path}"


def instant(mtime_ns: int) -> datetime:
    """A file's time."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=mtime_ns // 1000)


def read_all(context: Context, run: Run, progress: Progress) -> None:
    """Read every file of the folder that an interrupted call did not read already.

    Raises:
        SourceChangedError: something changed meanwhile.
        ManifestError: the folder's own history speaks against a file.
        OutOfReachError: the drive went.
        ReadError: none could be read.
        SyncError: what was put there could not be made durable.
    """
    make_durable(context, run.drive)
    left = _not_read_yet(context, run)
    progress.begin(
        f"Taking in {run.folder}",
        total_bytes=2 * sum(entry.size for entry in left),
        total_files=len(left),
    )
    left = _in_one_sweep(context, run, left)
    asked = {*context.config.manifest.formats, *run.history.formats, *run.old.formats}
    digests = sorted(asked & {*FURTHER_DIGESTS, SHA256})
    for chunk in _chunks(left):
        _read_chunk(context, run, chunk, digests, progress)
    _check_unchanged(context, run)
    run.history.check_agreed(run.contradicted)
    if not run.found:
        raise ReadError(run.drive.absolute(run.folder), errno.EIO)


def _not_read_yet(context: Context, run: Run) -> list[CardEntry]:
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


def _in_one_sweep(context: Context, run: Run, entries: Sequence[CardEntry]) -> list[CardEntry]:
    """Folder by folder, in the order in which the files lie on the device, where it tells."""
    places = [(entry.path, _position(context, run, entry.path)) for entry in entries]
    return [entries[number] for number in read_order(places)]


def _position(context: Context, run: Run, path: str) -> int | None:
    try:
        return context.files.disk_position(run.drive.absolute(run.at(path)))
    except OSError:
        return None  # its reading will tell


def _still_holds(run: Run, fact: Fact, content: Content, entry: CardEntry) -> bool:
    return (
        fact.way is Way.REHASH
        and fact.result is Result.MATCHES
        and fact.mount == run.drive.info.mount.token
        and content.size == entry.size
        and instant(entry.mtime_ns) < fact.at
        and run.history.agrees(entry.path, content)
        and not run.old.against(entry.path, content, _sha256_of(fact))
    )


def _sha256_of(fact: Fact) -> str:
    return fact.note.removeprefix(SHA256_NOTE) if fact.note.startswith(SHA256_NOTE) else ""


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
    run: Run,
    chunk: Sequence[CardEntry],
    digests: Sequence[str],
    progress: Progress,
) -> None:
    """Learn the contents, then prove the copies, then record both."""
    run.drive.guard()
    contents: dict[str, Content] = {}
    notes: dict[str, str] = {}
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
            run.read_bytes += copied.content.size
            content, sha256 = _without_sha256(copied.content)
            if not run.history.agrees(path, content):
                run.contradicted.append(path)
                continue
            why = run.old.against(path, content, sha256)
            if why:
                run.failed[path] = why
                continue
            contents[path], notes[path] = content, f"{SHA256_NOTE}{sha256}" if sha256 else ""
    context.catalog.record(contents=contents.values())
    facts = []
    # One for all of them: behind FUSE, what was read to learn them is dropped once, not file by file.
    reader = ColdReader(context.files, run.drive.cold)
    try:
        for entry in chunk:
            if entry.path in contents:
                fact = _prove(context, run, entry, contents[entry.path], reader, progress)
                facts += [replace(fact, note=notes[entry.path])] if fact is not None else []
    finally:
        context.catalog.record(facts=facts)


def _without_sha256(content: Content) -> tuple[Content, str]:
    """No manifest and no catalog of ours has room for it: it is compared, and let go."""
    digests = {kind: text for kind, text in content.digests.items() if kind != SHA256}
    return replace(content, digests=digests), content.digests.get(SHA256, "")


def _note_failure(run: Run, path: str, error: BackupkeeperError | None) -> None:
    assert error is not None
    if isinstance(error, OutOfReachError | SourceChangedError):
        raise error
    run.failed[path] = str(error)


def _prove(
    context: Context,
    run: Run,
    entry: CardEntry,
    content: Content,
    reader: ColdReader,
    progress: Progress,
) -> Fact | None:
    """The fact of a second reading that agrees with the first; None where it does not."""
    path = run.at(entry.path)
    file = RollFile(
        path=entry.path, content=content.blake3, size=content.size, mtime_ns=entry.mtime_ns
    )
    progress.file(path)
    fact, reading = prove_copy(context, run.drive, path, file, progress=progress, reader=reader)
    if fact.result in {Result.CHANGED, Result.MISSING}:
        raise SourceChangedError(run.drive.absolute(path))
    if fact.result is not Result.MATCHES:
        # Nobody knows which of the readings was right: it is no news about a known copy.
        run.failed[entry.path] = (
            "It could not be read twice alike, so it was not taken in. Suspect the cable, the port "
            f"or the drive. {fact.note}"
        ).strip()
        return None
    run.read_bytes += content.size
    if reading is not None and not reading.cold:
        run.not_cold = reading.why_not_cold
    _take(run, entry, content, fact)
    return fact


def _take(run: Run, entry: CardEntry, content: Content, fact: Fact) -> None:
    run.found[entry.path] = RollFile(
        path=entry.path, content=content.blake3, size=content.size, mtime_ns=entry.mtime_ns
    )
    run.proven += fact.is_proof


def _check_unchanged(context: Context, run: Run) -> None:
    """The folder still holds the very files that it held when it was listed first."""
    run.drive.guard()
    before = set(run.listing.files)
    after = set(originals_in(context, run.drive, run.folder).files)
    for entry in sorted(before ^ after, key=lambda entry: entry.path):
        raise SourceChangedError(run.drive.absolute(run.at(entry.path)))
