"""Upload: every roll into the bucket, and the proof that it arrived.

Promises:
1. A file is read cold from a drive and each block compared with its block map on the way: bytes
   that rotted on the drive are never uploaded.
2. An object that is there is never written over.
3. An upload counts as ``attested`` only where the store was seen to refuse wrong bytes. Elsewhere
   everything is fetched back and hashed, and the outcome says so and why.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from backupkeeper.actions.context import Context
from backupkeeper.actions.fetching import fetch_back
from backupkeeper.actions.histories import send_manifest
from backupkeeper.actions.online import OnlineDrive, holding_places, online_drives
from backupkeeper.actions.proving import prove_copy
from backupkeeper.actions.recording import record_seen
from backupkeeper.core.errors import (
    DeviceError,
    MismatchError,
    NameTakenError,
    OutOfReachError,
)
from backupkeeper.core.fitting import fit_names
from backupkeeper.core.model import (
    Blake3,
    Content,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Roll,
    RollFile,
    RollHead,
    Standing,
    Way,
)
from backupkeeper.core.naming import POSIX
from backupkeeper.core.outcomes import Trouble, UploadOutcome
from backupkeeper.core.policy import best_first, copies_of
from backupkeeper.ports.bucket import Bucket, ObjectEntry
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import checked_blocks

READABLE = frozenset({CopyState.PROVEN, CopyState.DUE})
WHY_FETCHED = (
    "This bucket accepts uploads whose checksums are wrong, so its word proves nothing: what was "
    "sent is fetched back and hashed."
)


@dataclass(kw_only=True)
class _Run:
    place: Place
    bucket: Bucket
    attests: bool
    drives: Mapping[PlaceId, OnlineDrive]
    places: Mapping[PlaceId, Place]
    sent_files: int = 0
    sent_bytes: int = 0
    looked_at: int = 0
    fetched: int = 0
    waiting: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)


def upload(context: Context, progress: Progress) -> tuple[UploadOutcome, ...]:
    """Bring every sealed roll into every bucket of the catalog that is active."""
    drives, _ = online_drives(context)
    buckets = [
        place
        for place in context.catalog.places()
        if place.kind is PlaceKind.BUCKET and place.standing is Standing.ACTIVE
    ]
    with holding_places(context, buckets, doing="uploading"):
        return tuple(_upload_to(context, place, drives, progress) for place in buckets)


def _upload_to(
    context: Context, place: Place, drives: Sequence[OnlineDrive], progress: Progress
) -> UploadOutcome:
    bucket = context.open_bucket(place)
    run = _Run(
        place=place,
        bucket=bucket,
        attests=bucket.capabilities().attests,
        drives={drive.place.id: drive for drive in drives},
        places={one.id: one for one in context.catalog.places()},
    )
    since = context.clock.now() - context.config.policy.attested_age
    lacking = context.catalog.not_plainly_proven(place.id, since)
    try:
        for head in context.catalog.rolls():
            if head.id in lacking:
                _upload_roll(context, run, head, progress)
    except OutOfReachError as error:
        run.troubles.append(Trouble(place=place.name, path="", message=str(error)))
    progress.end()
    return UploadOutcome(
        bucket=place.name,
        sent_files=run.sent_files,
        sent_bytes=run.sent_bytes,
        looked_at=run.looked_at,
        fetched_back=WHY_FETCHED if run.fetched and not run.attests else None,
        waiting=tuple(run.waiting),
        troubles=tuple(run.troubles),
    )


def _upload_roll(context: Context, run: _Run, head: RollHead, progress: Progress) -> None:
    roll = context.catalog.roll(head.id)
    copies = copies_of(
        context.catalog.facts_of_roll(head.id),
        run.places,
        context.config.policy,
        context.clock.now(),
    )
    contents = context.catalog.contents(file.content for file in roll.files)
    keys = keys_of(roll)
    todo = [
        (file, state)
        for file in roll.files
        if (state := _state_there(run, keys[file.path], file, copies)) is not CopyState.PROVEN
    ]
    if todo:
        progress.begin(
            f"Uploading {head.folder} to {run.place.name}",
            total_bytes=_traffic(run, todo),
            total_files=len(todo),
        )
    homeless = 0
    for file, state in todo:
        progress.file(file.path)
        fact = _bring(context, run, keys[file.path], file, state, copies, contents, progress)
        if fact is None:
            homeless += 1
        else:
            record_seen(context, [fact])
            _note_bad(run, fact)
        progress.advance(0, files=1)
    if homeless:
        run.waiting.append(
            f"{head.folder}: {homeless} files have no proven copy on a drive that is here."
        )
        return
    send_manifest(context, run.bucket, run.place, roll, run.troubles)


def keys_of(roll: Roll) -> dict[str, str]:
    """Where each original of a roll stands in a bucket, by its path on the card."""
    names = fit_names([*(file.path for file in roll.files), *roll.folders], POSIX)
    return {file.path: f"{roll.head.folder}/{names[file.path]}" for file in roll.files}


def _state_there(
    run: _Run, key: str, file: RollFile, copies: Mapping[Blake3, Sequence[Copy]]
) -> CopyState:
    for copy in copies.get(file.content, ()):
        if (copy.place, copy.path) == (run.place.id, key):
            return copy.state
    return CopyState.ABSENT


def _bring(
    context: Context,
    run: _Run,
    key: str,
    file: RollFile,
    state: CopyState,
    copies: Mapping[Blake3, Sequence[Copy]],
    contents: Mapping[Blake3, Content],
    progress: Progress,
) -> Fact | None:
    """What one file needs: sending, fetching back, or only a look. None: no source is here."""
    content = contents[file.content]
    if state is CopyState.DUE:
        fact = _look(context, run, key, content, copies)
        if fact is not None:
            return fact
    if state in {CopyState.DAMAGED, CopyState.WRITTEN, CopyState.DUE}:
        return _fetch(context, run, key, content, progress)
    for copy in best_first(copies.get(file.content, ()), run.places):
        drive = run.drives.get(copy.place)
        if drive is None or copy.state not in READABLE or not drive.holds(copy.path):
            continue
        fact = _send(context, run, (drive, copy), key, file, content, progress)
        if fact is not None:
            return fact
    return None


def _look(
    context: Context,
    run: _Run,
    key: str,
    content: Content,
    copies: Mapping[Blake3, Sequence[Copy]],
) -> Fact | None:
    """A look keeps an attested proof from ageing, if the same version is still there."""
    proof = next(
        copy.proof
        for copy in copies[content.blake3]
        if (copy.place, copy.path) == (run.place.id, key)
    )
    if proof is None or proof.way is not Way.ATTESTED:
        return None
    entry = run.bucket.look(key)
    run.looked_at += 1
    if entry is not None and entry.size != content.size:
        return None
    return Fact(
        at=context.clock.now(),
        place=run.place.id,
        path=key,
        content=content.blake3,
        way=Way.LOOKED,
        result=Result.MISSING if entry is None else Result.MATCHES,
        evidence="looked at",
        version=entry.mark if entry is not None else None,
    )


def _fetch(context: Context, run: _Run, key: str, content: Content, progress: Progress) -> Fact:
    run.fetched += 1
    return fetch_back(context, run.bucket, run.place, key, content, progress)


def _send(
    context: Context,
    run: _Run,
    source: tuple[OnlineDrive, Copy],
    key: str,
    file: RollFile,
    content: Content,
    progress: Progress,
) -> Fact | None:
    """Send from one copy. None: this copy could not be used (a fact about it was recorded)."""
    drive, copy = source
    try:
        drive.guard()
        blocks = checked_blocks(context.files, drive.absolute(copy.path), content, drive.cold)
        sent = run.bucket.send(key, content, _told(blocks, progress))
    except NameTakenError:
        run.looked_at += 1
        return _fetch(context, run, key, content, progress)
    except OutOfReachError:
        drive.guard()  # the drive went: say that, not that the bucket did
        raise
    except (DeviceError, MismatchError) as error:
        fact, _ = prove_copy(context, drive, copy.path, file)
        record_seen(context, [fact])
        run.troubles.append(
            Trouble(place=drive.place.name, path=copy.path, message=f"Not uploaded: {error}")
        )
        return None
    run.sent_files += 1
    run.sent_bytes += content.size
    if not sent.attested_by:
        context.catalog.record(facts=[_sent_fact(context, run, key, content, sent.entry, "")])
        return _fetch(context, run, key, content, progress)
    return _sent_fact(context, run, key, content, sent.entry, ", ".join(sent.attested_by))


def _told(blocks: Iterator[memoryview], progress: Progress) -> Iterator[memoryview]:
    """Blocks, counted as they are taken: within a few parts of what has left."""
    for block in blocks:
        yield block
        progress.advance(len(block))


def _traffic(run: _Run, todo: Sequence[tuple[RollFile, CopyState]]) -> int:
    """Bytes that will travel: what is sent to a bucket that attests nothing comes back too."""
    times = dict.fromkeys(CopyState, 1)
    if not run.attests:
        times[CopyState.ABSENT] = times[CopyState.MISSING] = times[CopyState.OUT_OF_REACH] = 2
    return sum(file.size * times[state] for file, state in todo)


def _sent_fact(
    context: Context, run: _Run, key: str, content: Content, entry: ObjectEntry, attested_by: str
) -> Fact:
    return Fact(
        at=context.clock.now(),
        place=run.place.id,
        path=key,
        content=content.blake3,
        way=Way.ATTESTED if attested_by else Way.WRITTEN,
        result=Result.MATCHES,
        evidence=f"refused when wrong: {attested_by}" if attested_by else "sent, not proven yet",
        version=entry.mark,
    )


def _note_bad(run: _Run, fact: Fact) -> None:
    if fact.result is not Result.MATCHES:
        run.troubles.append(
            Trouble(
                place=run.place.name,
                path=fact.path,
                message=f"The object there is {fact.result}; it was left as it is.",
            )
        )
