"""Fetching an encrypted object back: the proof of a copy that nobody here may be able to read.

Promises:
1. It matches only if its bytes are those that were encrypted here (and decrypted again before they
   were sent, see ``actions.encrypting``), by BLAKE3; or if a key at hand decrypts it, and that is the
   plain file. Which of the two was shown is in the evidence.
2. It is called damaged only where it was seen right before. An object that this catalog knows nothing
   of, or another than was sent, may be another machine's: without a key that is told, not judged.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting_bucket import EncryptedEntry, EncryptingBucket
from backupkeeper.core.age import Encrypted
from backupkeeper.core.errors import CiphertextError, NoKeyError
from backupkeeper.core.model import Content, Fact, Place, Result, Way
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.age import opened
from backupkeeper.transfer.hashing import Hasher

CIPHERTEXT: Final = "fetched back whole: the very bytes that were seen to decrypt to the file"
DECRYPTED: Final = "fetched back whole, decrypted and compared"
BOTH: Final = f"{CIPHERTEXT}; decrypted and compared too"
NEITHER: Final = "fetched back whole; it is encrypted"


@dataclass(kw_only=True)
class _Passing:
    """What passes by, hashed and counted."""

    left: int
    progress: Progress
    hasher: Hasher = field(default_factory=Hasher)

    def through(self, blocks: Iterator[memoryview]) -> Iterator[memoryview]:
        for block in blocks:
            self.hasher.update(block)
            # It is a little longer than the file that it is of, and that is what was announced.
            counted = min(len(block), self.left)
            self.left -= counted
            self.progress.advance(counted)
            yield block


def fetch_encrypted(
    context: Context,
    bucket: EncryptingBucket,
    place: Place,
    entry: EncryptedEntry,
    content: Content,
    progress: Progress,
) -> Fact:
    """Download one encrypted object and compare it; nothing is kept.

    Raises:
        BucketUnreachableError: the store stopped answering; nothing is said about the object.
        NoKeyError: it is none that was encrypted here, and no key fits.
    """
    passing = _Passing(left=content.size, progress=progress)
    blocks = bucket.inner.fetch(entry.inner.key, version=entry.inner.version)
    decrypts = _decrypts(bucket, entry, content, passing, blocks)
    made = passing.hasher.content()
    row = next(
        (
            row
            for row in entry.known
            if (row.content, row.made.blake3) == (content.blake3, made.blake3)
        ),
        None,
    )
    known = row is not None
    if row is not None and row is not entry.known[0]:  # an earlier one: this one stands there
        bucket.rows.put_encrypted([replace(row, at=context.clock.now())])
    if decrypts and not known:
        bucket.rows.put_encrypted([_row(context, place, entry, content, made)])
    if not decrypts and not known and not _was_right(context, place, entry.key, content):
        raise NoKeyError(entry.key, tried=len(bucket.encryption.identities()))
    right = known or bool(decrypts)
    evidence = BOTH if known and decrypts else CIPHERTEXT if known else DECRYPTED
    return Fact(
        at=context.clock.now(),
        place=place.id,
        path=entry.key,
        content=content.blake3,
        way=Way.DOWNLOADED,
        result=Result.MATCHES if right else Result.DAMAGED,
        evidence=evidence if right else NEITHER,
        version=entry.mark,
        # Where in the plain file is not known: nothing behind a wrong chunk can be decrypted.
        damage=() if right else ((0, content.size),),
    )


def _decrypts(
    bucket: EncryptingBucket,
    entry: EncryptedEntry,
    content: Content,
    passing: _Passing,
    blocks: Iterator[memoryview],
) -> bool | None:
    """Whether it is the plain file once decrypted; None where no key fits. Takes all its bytes."""
    keys, plain, fits = bucket.encryption.identities(), Hasher(), None
    through = passing.through(blocks)
    if keys:
        try:
            for block in opened(through, keys, entry.key):
                plain.update(block)
            fits = plain.content().blake3 == content.blake3
        except NoKeyError:
            fits = None
        except CiphertextError:
            fits = False
    for _ in through:
        pass
    return fits


def _was_right(context: Context, place: Place, path: str, content: Content) -> bool:
    """Whether what was sent, or fetched, was once seen to be right there."""
    return any(
        fact.content == content.blake3 and fact.result is Result.MATCHES
        for fact in context.catalog.facts_at(place.id, below=path)
        if fact.path == path and fact.way in {Way.WRITTEN, Way.ATTESTED, Way.DOWNLOADED}
    )


def _row(
    context: Context, place: Place, entry: EncryptedEntry, content: Content, made: Content
) -> Encrypted:
    return Encrypted(
        at=context.clock.now(),
        place=place.id,
        path=entry.key,
        content=content.blake3,
        size=content.size,
        key=entry.inner.key,
        made=made,
        recipients=(),
    )
