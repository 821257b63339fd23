"""Fetching an object back, whole, and hashing it: the proof that needs no trust in the store."""

from dataclasses import replace
from typing import Final

import xxhash

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypted_back import fetch_encrypted
from backupkeeper.actions.encrypting_bucket import EncryptedEntry, EncryptingBucket
from backupkeeper.actions.findings import VerifyRun
from backupkeeper.actions.ours import known_version, look_at_ours
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.selection import Selection
from backupkeeper.core.errors import BackupkeeperError, NoKeyError, OutOfReachError
from backupkeeper.core.fitting import possible_paths
from backupkeeper.core.model import (
    BLOCK_BYTES,
    BLOCK_DIGEST_BYTES,
    Blake3,
    Content,
    Fact,
    Place,
    Result,
    Roll,
    Way,
)
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.policy import copies_of
from backupkeeper.ports.bucket import Bucket, ObjectEntry
from backupkeeper.ports.progress import Progress

ASKED_AGAIN: Final = 16
"""So many wrong blocks may be the line's doing; where more are wrong, nothing is fetched twice."""


def fetch_back(
    context: Context,
    bucket: Bucket,
    place: Place,
    path: str,
    content: Content,
    progress: Progress,
    *,
    known: str | None = None,
) -> Fact:
    """Download one object, hash it, compare block by block; nothing is kept.

    Blocks that are not right are asked for once more before the object is blamed: a line may turn a
    bit over, and an object that is called damaged is left to a person.

    Args:
        context: the world.
        bucket: where it is.
        place: the bucket's place.
        path: its key.
        content: what it must hold.
        progress: told as it goes.
        known: the version that is ours (``actions.ours``); what stands over it is noted.

    Raises:
        BucketUnreachableError: the store stopped answering; nothing is said about the object.
        NoKeyError: it is encrypted, not by this program here, and no key fits.
    """
    ours = look_at_ours(bucket, path, known)
    entry = ours.entry
    if entry is None:
        return _fact(context, place, path, content, result=Result.MISSING, way=Way.LOOKED)
    if isinstance(bucket, EncryptingBucket) and isinstance(entry, EncryptedEntry):
        fact = fetch_encrypted(context, bucket, place, entry, content, progress)
        return replace(fact, note=fact.note or ours.over)
    damage: list[tuple[int, int]] = []
    whole = xxhash.xxh3_128()
    at = 0
    for block in bucket.fetch(path, version=entry.version):
        whole.update(block)
        index = at // BLOCK_BYTES * BLOCK_DIGEST_BYTES
        wanted = content.block_map[index : index + BLOCK_DIGEST_BYTES]
        if xxhash.xxh3_128_digest(block) != wanted:
            damage.append((at, at + len(block)))
        at += len(block)
        progress.advance(len(block))
    if 0 < len(damage) <= ASKED_AGAIN and at == content.size:
        damage = [one for one in damage if not _right_now(bucket, path, entry, content, one)]
        right = not damage
    else:
        right = not damage and at == content.size and whole.hexdigest() == content.xxh128
    if at < content.size:
        damage.append((at, content.size))
    fact = _fact(
        context,
        place,
        path,
        content,
        way=Way.DOWNLOADED,
        result=Result.MATCHES if right else Result.DAMAGED,
        version=entry.mark,
        damage=() if right else _joined(damage),
    )
    return replace(fact, note=ours.over)


def _right_now(
    bucket: Bucket, path: str, entry: ObjectEntry, content: Content, span: tuple[int, int]
) -> bool:
    """Whether one block is right when it is asked for again; of the very object that was looked at."""
    start, end = span
    index = start // BLOCK_BYTES * BLOCK_DIGEST_BYTES
    wanted = content.block_map[index : index + BLOCK_DIGEST_BYTES]
    blocks = [bytes(block) for block in bucket.fetch_range(path, entry, start, end)]
    return xxhash.xxh3_128_digest(b"".join(blocks)) == wanted


def _joined(ranges: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    joined: list[tuple[int, int]] = []
    for start, end in ranges:
        if joined and joined[-1][1] == start:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((start, end))
    return tuple(joined)


def _fact(
    context: Context,
    place: Place,
    path: str,
    content: Content,
    *,
    way: Way,
    result: Result,
    version: str | None = None,
    damage: tuple[tuple[int, int], ...] = (),
) -> Fact:
    return Fact(
        at=context.clock.now(),
        place=place.id,
        path=path,
        content=content.blake3,
        way=way,
        result=result,
        evidence="fetched back whole" if way is Way.DOWNLOADED else "looked at",
        version=version,
        damage=damage,
    )


def verify_bucket(
    context: Context, place: Place, chosen: Selection, run: VerifyRun, progress: Progress
) -> None:
    """Fetch back and hash every object of these rolls; the transfer costs what downloads cost."""
    try:
        bucket = context.open_bucket(place)
        for roll in map(context.catalog.roll, chosen.rolls):
            _verify_roll(context, bucket, place, roll, run, progress)
    except OutOfReachError as error:
        run.troubles.append(Trouble(place=place.name, path="", message=str(error)))


def _verify_roll(
    context: Context, bucket: Bucket, place: Place, roll: Roll, run: VerifyRun, progress: Progress
) -> None:
    held = {fact.path for fact in context.catalog.facts_at(place.id, below=roll.head.folder)}
    homes = possible_paths(roll.head.folder, [*(f.path for f in roll.files), *roll.folders])
    files = [(file, path) for file in roll.files for path in homes[file.path] if path in held]
    contents = context.catalog.contents(file.content for file, _ in files)
    known = _known(context, place, roll)
    progress.begin(
        f"Fetching back {roll.head.folder} from {place.name}",
        total_bytes=sum(file.size for file, _ in files),
        total_files=len(files),
    )
    for file, path in files:
        progress.file(path)
        try:
            fact = fetch_back(
                context,
                bucket,
                place,
                path,
                contents[file.content],
                progress,
                known=known.get((file.content, path)),
            )
        except BackupkeeperError as error:
            if isinstance(error, OutOfReachError) and not isinstance(error, NoKeyError):
                raise
            run.troubles.append(Trouble(place=place.name, path=path, message=str(error)))
            continue
        record_seen(context, [fact])
        run.add(place.name, fact, file.size)
        if fact.note:
            run.troubles.append(Trouble(place=place.name, path=path, message=fact.note))
        progress.advance(0, files=1)


def _known(context: Context, place: Place, roll: Roll) -> dict[tuple[Blake3, str], str | None]:
    """The version of each object of a roll that is ours."""
    copies = copies_of(
        context.catalog.facts_of_roll(roll.head.id),
        {place.id: place},
        context.config.policy,
        context.clock.now(),
    )
    return {
        (content, copy.path): known_version(copy)
        for content, group in copies.items()
        for copy in group
    }
