"""Notes in a bucket on uploads in parts under way, so that another machine can go on with one.

Each catalog has one small object there, ``.backupkeeper/uploads/<its id>.json``, written over whenever
an upload in parts was begun: it tells of all that this catalog has under way there. So nothing piles
up and nothing has to be removed: an entry whose upload is gone does no harm, for the store says so.

Promises:
1. What a note says is hearsay (``core.upload_notes``): it only names uploads that the store may be
   asked about. No part counts by it.
2. A note that can't be written or read is no error: the file is then sent from its beginning.
3. Of what is encrypted no note tells: no other machine can make that ciphertext again, and its name
   may be hidden.
"""

from collections.abc import Iterator
from contextlib import suppress
from itertools import islice
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting_bucket import EncryptingBucket
from backupkeeper.catalog.snapshot import catalog_id
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import Blake3, Place
from backupkeeper.core.upload_notes import (
    FOLDER,
    MOST_NOTES,
    NOTE_LIMIT_BYTES,
    Noted,
    is_note,
    note_path,
    read_note,
    written_note,
)
from backupkeeper.core.uploads import Begun
from backupkeeper.ports.bucket import Bucket, ObjectEntry

LISTED_FOR: Final = 60.0
"""Seconds for which it is not looked again which notes there are."""
MOST_LISTED: Final = 1_000
"""Of what lies there not more is listed: one page."""


def notes_in(context: Context, bucket: Bucket, place: Place) -> "UploadNotes | None":
    """The notes in a bucket; None where what is sent there is encrypted."""
    if isinstance(bucket, EncryptingBucket):
        if bucket.encrypts:
            return None
        bucket = bucket.inner
    return UploadNotes(context, bucket, place)


class UploadNotes:
    """What this catalog tells of its uploads in one bucket, and what others tell. For one thread.

    Args:
        context: the world.
        bucket: the bucket itself.
        place: which one it is.
    """

    def __init__(self, context: Context, bucket: Bucket, place: Place) -> None:
        self._context = context
        self._bucket = bucket
        self._place = place
        self._dropped: set[str] = set()
        self._listed_at: float | None = None
        self._read: dict[tuple[str, str], tuple[Noted, ...]] = {}
        """What notes said, by path and ETag."""

    def tell(self) -> None:
        """Write down what this catalog has under way here."""
        catalog = self._context.catalog
        uploads = [begun for begun in catalog.uploads(self._place.id) if not self._hides(begun)]
        contents = catalog.contents({begun.content for begun in uploads})
        noted = [
            Noted(begun=begun, size=contents[begun.content].size)
            for begun in uploads
            if begun.content in contents
        ]
        own = catalog_id(self._context.config.catalog.path)
        data = written_note(own, noted, self._context.clock.now())
        with suppress(BackupkeeperError):
            self._bucket.send_small(note_path(own), data, replace=True)

    def _hides(self, begun: Begun) -> bool:
        rows = self._context.catalog.encrypted_at(self._place.id, begun.key)
        return any(row.content == begun.content for row in rows)

    def on(self, key: str, content: Blake3) -> tuple[Begun, ...]:
        """Uploads that are said to bring this content to this key, the newest first.

        This catalog's own note is read like any other: it may have been given back from an older copy.
        """
        with suppress(BackupkeeperError):
            self._look()
        contents = self._context.catalog.contents([content])
        size = contents[content].size if content in contents else None
        found = {
            noted.begun.upload: noted.begun
            for note in self._read.values()
            for noted in note
            if (noted.begun.key, noted.begun.content, noted.size) == (key, content, size)
            and noted.begun.upload not in self._dropped
        }
        return tuple(sorted(found.values(), key=lambda one: one.begun_at, reverse=True))

    def drop(self, begun: Begun) -> None:
        """Take no notice of an upload from now on."""
        self._dropped.add(begun.upload)

    def _look(self) -> None:
        now = self._context.clock.monotonic()
        if self._listed_at is not None and now - self._listed_at < LISTED_FOR:
            return
        self._listed_at = now
        entries = list(islice(self._notes(), MOST_NOTES))
        before, self._read = self._read, {}
        for entry in entries:
            named = (entry.key, entry.etag)
            if named in before:
                self._read[named] = before[named]
                continue
            with suppress(BackupkeeperError):
                self._read[named] = read_note(self._bytes(entry))

    def _notes(self) -> Iterator[ObjectEntry]:
        for entry in islice(self._bucket.listing(f"{FOLDER}/"), MOST_LISTED):
            if is_note(entry.key) and entry.size <= NOTE_LIMIT_BYTES:
                yield entry

    def _bytes(self, entry: ObjectEntry) -> bytes:
        data = bytearray()
        for block in self._bucket.fetch(entry.key):
            data += block
            if len(data) > NOTE_LIMIT_BYTES:
                break  # refused by who reads it
        return bytes(data)
