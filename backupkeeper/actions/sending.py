"""One original on its way into a bucket: sent, looked at or fetched back, whatever it needs.

Promises:
1. A file is read cold from a drive and each block compared with its block map on the way: bytes
   that rotted on the drive are never uploaded.
2. An object that is there is never written over.
3. An object that was found damaged is only looked at, and fetched again where another one stands
   there now: once is enough to know. ``verify`` reads it again when it is asked to.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting_bucket import EncryptedEntry, EncryptingBucket
from backupkeeper.actions.fetching import fetch_back
from backupkeeper.actions.one_roll import RollNow
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.ours import known_version, look_at_ours
from backupkeeper.actions.proving import prove_copy
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.sample_budget import note_sample, sampling_now
from backupkeeper.actions.upload_notes import UploadNotes
from backupkeeper.actions.uploads_begun import CatalogMemory
from backupkeeper.core.errors import (
    DeviceError,
    MismatchError,
    NameTakenError,
    OutOfReachError,
    UploadLostError,
)
from backupkeeper.core.fitting import fit_names
from backupkeeper.core.lacking import READABLE, WANTING
from backupkeeper.core.model import (
    Blake3,
    Content,
    Copy,
    CopyState,
    Fact,
    Place,
    PlaceId,
    Result,
    Roll,
    RollFile,
    Way,
)
from backupkeeper.core.naming import POSIX
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.policy import best_first
from backupkeeper.core.sampling import sample_due
from backupkeeper.core.sending_order import files_in_order
from backupkeeper.ports.bucket import Bucket, ObjectEntry, Sent
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldread import checked_blocks

ENCRYPTED: Final = "; encrypted, and seen to decrypt to the file before it was sent"


@dataclass(kw_only=True)
class Sending:
    """What was sent to one bucket so far. ``drives`` are those that may be read from.

    ``attests`` is None until it was found out (which takes some dozen requests): only sending asks.
    """

    place: Place
    bucket: Bucket
    drives: Mapping[PlaceId, OnlineDrive]
    attests: bool | None = None
    sent_files: int = 0
    sent_bytes: int = 0
    looked_at: int = 0
    fetched: int = 0
    listed: int = 0
    """Manifests that were owed (``actions.owed_manifests``)."""
    waiting: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    wanted: set[tuple[str, Blake3]] = field(default_factory=set)
    """Key and content of what is to be sent and was not yet."""
    storage_class: str = ""
    """For the roll that is being sent now."""
    classes: dict[str, str] = field(default_factory=dict)
    """Of each class that was asked for: the one in which an object stands instead (empty: in it)."""
    notes: UploadNotes | None = None
    """What machines tell each other of their uploads there."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Errand:
    """One original and its object. ``there``: what is known of a copy under the key."""

    file: RollFile
    key: str
    there: Copy | None

    @property
    def state(self) -> CopyState:
        """The state of the object."""
        return self.there.state if self.there is not None else CopyState.ABSENT

    @property
    def wants_sending(self) -> bool:
        """Whether nothing is there."""
        return self.state in WANTING


def keys_of(roll: Roll) -> dict[str, str]:
    """Where each original of a roll stands in a bucket, by its path on the card."""
    names = fit_names([*(file.path for file in roll.files), *roll.folders], POSIX)
    return {file.path: f"{roll.head.folder}/{names[file.path]}" for file in roll.files}


def errands(now: RollNow, place: Place) -> list[Errand]:
    """Every original of a roll, with its object in a bucket, in the order of sending."""
    keys = keys_of(now.roll)

    def there(file: RollFile) -> Copy | None:
        mine = (place.id, keys[file.path])
        copies = now.copies.get(file.content, ())
        return next((copy for copy in copies if (copy.place, copy.path) == mine), None)

    files = files_in_order(now.roll.files, lambda file: file.size)
    return [Errand(file=f, key=keys[f.path], there=there(f)) for f in files]


def wanted_of(every: Iterable[Errand]) -> set[tuple[str, Blake3]]:
    """Key and content of those that want sending."""
    return {(one.key, one.file.content) for one in every if one.wants_sending}


def send_or_look(
    context: Context,
    run: Sending,
    errand: Errand,
    now: RollNow,
    content: Content,
    progress: Progress,
) -> Fact | None:
    """Do what one file needs. None: no source is here, or the object is damaged and left alone.

    Raises:
        EncryptionError: it can't be encrypted.
        NoKeyError: what stands there can't be judged without a key.
        OutOfReachError: the bucket or the drive is gone; nothing is said about the object.
    """
    if errand.wants_sending:
        fact = _from_a_drive(context, run, errand, now, content, progress)
        if fact is not None:
            run.wanted.discard((errand.key, content.blake3))
    elif errand.state is CopyState.DAMAGED and _is_the_damaged_one(run, errand):
        tell(run, errand.key, f"is {CopyState.DAMAGED}")
        return None
    else:
        fact = look_or_fetch(context, run, errand, content, progress)
        record_seen(context, [fact])
    if fact is not None and fact.result is not Result.MATCHES:
        tell(run, fact.path, f"is {fact.result}")
    elif fact is not None and fact.note:
        run.troubles.append(Trouble(place=run.place.name, path=fact.path, message=fact.note))
    return fact


def look_or_fetch(
    context: Context, run: Sending, errand: Errand, content: Content, progress: Progress
) -> Fact:
    """Look at an object whose attestation grew old, as long as nothing changed; else fetch it back.

    A look keeps an attested proof from ageing, if the same version is still there. One of the
    sample is fetched back all the same (``core.needs.sample_due``).
    """
    there = errand.there
    proof = there.proof if there is not None else None
    is_sampled = there is not None and sample_due(there, context.clock.now(), sampling_now(context))
    if proof is not None and proof.way is Way.ATTESTED and not is_sampled:
        ours = look_at_ours(run.bucket, errand.key, known_version(there))
        entry = ours.entry
        run.looked_at += 1
        if entry is None or entry.size == content.size:
            return Fact(
                at=context.clock.now(),
                place=run.place.id,
                path=errand.key,
                content=content.blake3,
                way=Way.LOOKED,
                result=Result.MISSING if entry is None else Result.MATCHES,
                evidence="looked at",
                version=entry.mark if entry is not None else None,
                note=ours.over,
            )
    begun = context.clock.monotonic()
    run.fetched += 1
    fact = fetch_back(
        context,
        run.bucket,
        run.place,
        errand.key,
        content,
        progress,
        known=known_version(there),
    )
    if is_sampled and fact.way is Way.DOWNLOADED:
        note_sample(context, run.place.id, content.size, context.clock.monotonic() - begun)
    return fact


def _is_the_damaged_one(run: Sending, errand: Errand) -> bool:
    """Whether the object that was found damaged still stands there."""
    latest = errand.there.latest if errand.there is not None else None
    entry = run.bucket.look(errand.key)
    run.looked_at += 1
    return entry is not None and latest is not None and entry.mark == latest.version


def take_class(run: Sending, sent: Sent) -> None:
    """Take in whether an object that was just made stands in the class that was asked for."""
    if run.storage_class and not sent.found:
        run.classes[run.storage_class] = sent.other_class or run.classes.get(run.storage_class, "")


def tell(run: Sending, key: str, how: str) -> None:
    """Tell of an object that is not as it must be."""
    message = f"The object there {how}; it was left as it is."
    run.troubles.append(Trouble(place=run.place.name, path=key, message=message))


def _fetch(context: Context, run: Sending, key: str, content: Content, progress: Progress) -> Fact:
    run.fetched += 1
    return fetch_back(context, run.bucket, run.place, key, content, progress)


def _from_a_drive(
    context: Context,
    run: Sending,
    errand: Errand,
    now: RollNow,
    content: Content,
    progress: Progress,
) -> Fact | None:
    for source in sources_of(run, errand, now):
        fact = _send(context, run, source, errand, content, progress)
        if fact is not None:
            return fact
    return None


def sources_of(run: Sending, errand: Errand, now: RollNow) -> Iterator[tuple[OnlineDrive, Copy]]:
    """Copies that a file may be sent from, best first, with their drives."""
    for copy in best_first(now.copies.get(errand.file.content, ()), now.places):
        drive = run.drives.get(copy.place)
        if drive is not None and copy.state in READABLE and drive.holds(copy.path):
            yield drive, copy


def _send(
    context: Context,
    run: Sending,
    source: tuple[OnlineDrive, Copy],
    errand: Errand,
    content: Content,
    progress: Progress,
) -> Fact | None:
    """Send from one copy, and record it. None: this copy could not be used (that is recorded)."""
    drive, copy = source
    key = errand.key
    memory = CatalogMemory(
        catalog=context.catalog,
        place=run.place.id,
        key=key,
        content=content.blake3,
        notes=run.notes,
    )
    try:
        sent = _sent(context, run, source, memory, content, progress)
    except NameTakenError:
        run.looked_at += 1
        return _fetch_recorded(context, run, key, content, progress)
    except OutOfReachError:
        drive.guard()  # the drive went: say that, not that the bucket did
        raise
    except (DeviceError, MismatchError) as error:
        fact, _ = prove_copy(context, drive, copy.path, errand.file)
        record_seen(context, [fact])
        message = f"Not uploaded: {error}"
        run.troubles.append(Trouble(place=drive.place.name, path=copy.path, message=message))
        return None
    if sent.unlocked:
        run.troubles.append(Trouble(place=run.place.name, path=key, message=sent.unlocked))
    take_class(run, sent)
    run.sent_files += 1
    run.sent_bytes += content.size
    fact = sent_fact(context, run.place, key, content, sent.entry, ", ".join(sent.attested_by))
    with context.catalog.transaction():
        context.catalog.record(facts=[fact])
        if (begun := memory.begun()) is not None:
            memory.forget(begun)
    return fact if sent.attested_by else _fetch_recorded(context, run, key, content, progress)


def _sent(
    context: Context,
    run: Sending,
    source: tuple[OnlineDrive, Copy],
    memory: CatalogMemory,
    content: Content,
    progress: Progress,
) -> Sent:
    """Send from one copy; once more from its beginning where the store lost what it had of it."""
    drive, copy = source

    def once() -> Sent:
        drive.guard()
        blocks = checked_blocks(context.files, drive.absolute(copy.path), content, drive.cold)
        told = partial(_told, progress=progress, size=content.size)
        if isinstance(run.bucket, EncryptingBucket):
            return run.bucket.send(
                memory.key,
                content,
                blocks,
                memory=memory,
                storage_class=run.storage_class,
                told=told,
                pulse=partial(progress.advance, 0),
            )
        return run.bucket.send(
            memory.key, content, told(blocks), memory=memory, storage_class=run.storage_class
        )

    try:
        return once()
    except UploadLostError:
        return once()


def _fetch_recorded(
    context: Context, run: Sending, key: str, content: Content, progress: Progress
) -> Fact:
    fact = _fetch(context, run, key, content, progress)
    record_seen(context, [fact])
    return fact


def _told(blocks: Iterator[memoryview], progress: Progress, size: int) -> Iterator[memoryview]:
    """Blocks, counted as they are taken: within a few parts of what has left.

    What is encrypted is a little longer than the ``size`` bytes that were announced.
    """
    for block in blocks:
        yield block
        counted = min(len(block), size)
        size -= counted
        progress.advance(counted)


def sent_fact(
    context: Context,
    place: Place,
    key: str,
    content: Content,
    entry: ObjectEntry,
    attested_by: str,
) -> Fact:
    """What is known of an object right after it was sent. ``attested_by``: see ``ports.bucket``."""
    return Fact(
        at=context.clock.now(),
        place=place.id,
        path=key,
        content=content.blake3,
        way=Way.ATTESTED if attested_by else Way.WRITTEN,
        result=Result.MATCHES,
        evidence=(f"refused when wrong: {attested_by}" if attested_by else "sent, not proven yet")
        + (ENCRYPTED if isinstance(entry, EncryptedEntry) else ""),
        version=entry.mark,
    )
