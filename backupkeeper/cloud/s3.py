"""``ports.bucket.Bucket`` on an S3-compatible object store.

Promises:
1. An object is never overwritten by ``send`` but for the very one that it was told to replace, and
   by ``send_small`` only where it was told to.
2. "There is no such object" is only said while the bucket itself is known to be there.
3. ``attested_by`` names only checks that this very bucket was seen to enforce.
4. Only errors of ``core.errors`` leave.
"""

from collections.abc import Iterator, Mapping
from contextlib import nullcontext
from dataclasses import replace
from datetime import datetime
from threading import Lock
from typing import Any, Final

from backupkeeper.cloud.abandon import is_abandoned
from backupkeeper.cloud.aside import set_aside
from backupkeeper.cloud.capabilities import find_out
from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.client import Head, Store
from backupkeeper.cloud.conditions import Replacing, find_conditions
from backupkeeper.cloud.download import fetched
from backupkeeper.cloud.dropping import drop_snapshot
from backupkeeper.cloud.errors import failure
from backupkeeper.cloud.gate import Gate
from backupkeeper.cloud.keeping import Retention, see_locked
from backupkeeper.cloud.lifecycle import our_rule, set_our_rule
from backupkeeper.cloud.listed_parts import listed_parts
from backupkeeper.cloud.listing import listed
from backupkeeper.cloud.remembering import believed
from backupkeeper.cloud.shelves import other_class
from backupkeeper.cloud.thaw import ask_to_thaw
from backupkeeper.cloud.trying import capabilities_of, check_bucket, who_reads
from backupkeeper.cloud.upload import Upload
from backupkeeper.core.bucket_findings import Findings
from backupkeeper.core.errors import AttestationRefusedError, NameTakenError
from backupkeeper.core.model import BLOCK_BYTES, Blake3, Content
from backupkeeper.core.parts import part_bytes, small_at_once
from backupkeeper.core.snapshots import FOLDER
from backupkeeper.core.uploads import Begun
from backupkeeper.ports.bucket import Capabilities, ObjectEntry, Remembering, Sent
from backupkeeper.ports.clock import Clock, Entropy

PARTS_AT_FIRST: Final = 2
"""So many parts travel at once at first (``core.crowding``),"""
SMALL_AT_FIRST: Final = 16
"""and so many files in one piece."""
_SEEN_FOR = 60.0
"""Seconds for which a bucket that was seen is taken to be there."""


class S3Bucket:
    """A bucket and prefix. Threads may share it."""

    def __init__(
        self,
        store: Store,
        *,
        clock: Clock,
        entropy: Entropy,
        usual: int,
        at_once: int,
        retention: Retention | None = None,
        remembered: Findings | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._entropy = entropy
        self._usual = usual
        self._at_once = at_once
        self._retention = retention
        self._remembered = remembered
        self._doubts = False
        self._parts = Gate(at_once, start=PARTS_AT_FIRST, seconds=clock.monotonic)
        self._parts.watch(store.client, "UploadPart")
        self._whole = Gate(small_at_once(at_once), start=SMALL_AT_FIRST, seconds=clock.monotonic)
        self._whole.watch(store.client, "PutObject")
        self._lock = Lock()
        self._can: Capabilities | None = None
        self._heeded: Replacing | None = None
        self._seen_at: float | None = None

    def capabilities(self) -> Capabilities:
        """Find out, once, what the store refuses when wrong. See ``cloud.capabilities``."""
        with self._lock:
            if self._can is None:
                self._see_bucket()
                if self._remembered is not None:
                    self._can = believed(self._store, self._remembered)
                    self._doubts |= self._can is None
                self._can = self._can or find_out(self._store)
            return self._can

    @property
    def doubts(self) -> bool:
        """Whether it did something else than what was found out about it before."""
        return self._doubts

    def lifecycle_rule(self) -> Mapping[str, object]:
        """What ``set_lifecycle_rule`` adds; asks nobody."""
        return our_rule(self._store.prefix)

    def check(self) -> Findings:
        """Try and ask everything; see ``cloud.trying``."""
        self._see_bucket()
        with self._lock:
            found = check_bucket(self._store, self._clock, self._entropy.new_id())
            self._can, self._doubts = capabilities_of(found), False
            return found

    def who_reads(self, found: Findings) -> Findings:
        """What was found before, with who gets at the bucket now; see ``cloud.trying``."""
        self._see_bucket()
        return who_reads(self._store, found, self._entropy.new_id())

    def set_lifecycle_rule(self) -> bool:
        """Add the rule that ends unfinished uploads; see ``cloud.lifecycle``."""
        self._see_bucket()
        return set_our_rule(self._store)

    def _doubt(self) -> None:
        """Something was not as it was found out: find it out anew."""
        with self._lock:
            self._can = self._remembered = None
            self._doubts = True

    def look(self, key: str, *, version: str | None = None) -> ObjectEntry | None:
        """The object's entry, or None where there is no such object."""
        head = self._head(key, version)
        return None if head is None else head.entry

    def listing(self, below: str = "") -> Iterator[ObjectEntry]:
        """Entries of all objects whose path starts with ``below``, in byte order of keys."""
        return listed(self._store, below)

    def send(
        self,
        key: str,
        content: Content,
        blocks: Iterator[memoryview],
        *,
        replacing: ObjectEntry | None = None,
        memory: Remembering | None = None,
        storage_class: str = "",
    ) -> Sent:
        """Upload under a key that must be free, or hold the very object ``replacing``.

        Beside the bytes the object carries both digests as metadata, for people to look at; they
        are never believed.
        """
        can = self.capabilities()
        if replacing is not None:
            self._see_bucket()
        lock: dict[str, Any] = {}
        if self._retention and not key.startswith(f"{FOLDER}/"):  # snapshots must be thinned
            lock = self._retention.parameters(can, self._clock.now())
        upload = Upload(
            store=self._store,
            path=key,
            size=content.size,
            part=part_bytes(content.size, usual=self._usual),
            can=can,
            at_once=self._at_once,
            ticket=self._entropy.new_id(),
            metadata={
                "backupkeeper-blake3": content.blake3,
                "backupkeeper-xxh128": content.xxh128,
            },
            content=content.blake3,
            now=self._clock.now,
            memory=memory if replacing is None else None,
            replacing=replacing,
            heeded=self._conditions() if replacing is not None else Replacing(),
            lock=lock,
            gate=self._parts,
            storage_class=storage_class,
        )
        in_parts = content.size > upload.part
        try:
            with nullcontext() if in_parts else self._whole.passing(1):
                sent = upload.send(blocks)
        except AttestationRefusedError:
            self._doubt()
            raise
        if (sent.entry.version is not None) != can.versioning:
            self._doubt()
        if not sent.found:
            sent = replace(sent, other_class=other_class(storage_class, sent.entry.shelf))
        if lock and in_parts:
            version = sent.entry.version
            sent = replace(sent, unlocked=see_locked(self._store, key, version, lock))
        return sent

    def last_part(self, begun: Begun) -> datetime | None:
        """When the last part of an upload came, by the store's clock."""
        listed = listed_parts(self._store, begun.key, begun.upload) or {}
        return max((part.at for part in listed.values() if part.at is not None), default=None)

    def give_up(self, begun: Begun) -> None:
        """Remove an upload that this program began, and all parts of it."""
        if not is_abandoned(self._store, begun.key, begun.upload):
            self._see_bucket()
            detail = f"it does not remove the unfinished upload of {begun.key}"
            raise failure(Cause.BROKEN_STORE, self._store.where, path=begun.key, detail=detail)

    def send_small(self, key: str, data: bytes, *, replace: bool = False) -> Sent:
        """Upload a small file of our own making.

        Where the same bytes stand there already they are compared byte for byte, and nothing is
        sent: ``attested_by`` is then empty.
        """
        can = self.capabilities()
        if not replace and (there := self.look(key)) is not None:
            if there.size != len(data) or not self._same_bytes(key, there, data):
                raise NameTakenError(key)
            return Sent(entry=there, attested_by=())
        upload = Upload(
            store=self._store,
            path=key,
            size=len(data),
            part=max(part_bytes(len(data)), -(-len(data) // BLOCK_BYTES) * BLOCK_BYTES),
            can=can,
            at_once=self._at_once,
            ticket=self._entropy.new_id(),
            metadata={},
            content=Blake3(""),
            now=self._clock.now,
            gate=self._parts,
        )
        blocks = (
            memoryview(data)[start : start + BLOCK_BYTES]
            for start in range(0, len(data), BLOCK_BYTES)
        )
        return upload.send(blocks, replace=replace)

    def fetch(self, key: str, *, version: str | None = None) -> Iterator[memoryview]:
        """The object's bytes in blocks of ``BLOCK_BYTES`` (the last may be shorter)."""
        entry = self.look(key, version=version)
        if entry is None:
            raise failure(Cause.NO_OBJECT, self._store.where, path=key)
        yield from fetched(self._store, key, entry, version=version)

    def fetch_range(
        self, key: str, entry: ObjectEntry, start: int, end: int
    ) -> Iterator[memoryview]:
        """Some bytes of the very object that was looked at."""
        yield from fetched(self._store, key, entry, version=None, start=start, end=end)

    def set_aside(self, key: str, entry: ObjectEntry) -> str:
        """Have the store copy an object to where damaged ones are kept; see ``cloud.aside``."""
        self._see_bucket()
        return set_aside(
            self._store,
            key,
            entry,
            now=self._clock.now(),
            ticket=self._entropy.new_id(),
            etag_is_md5=self.capabilities().etag_is_md5,
        )

    def thaw(self, entry: ObjectEntry, *, tier: str, days: int) -> bool:
        """Ask for an archived object to be thawed; see ``cloud.thaw``."""
        return ask_to_thaw(self._store, entry, tier=tier, days=days)

    def drop_snapshot(self, key: str) -> bool:
        """Remove a snapshot of a catalog; see ``cloud.dropping``."""
        return drop_snapshot(self._store, key)

    def _conditions(self) -> Replacing:
        """Find out, once and only where it is wanted, what the store heeds in replacing."""
        with self._lock:
            if self._heeded is None:
                self._heeded = find_conditions(self._store)
            return self._heeded

    def _head(self, key: str, version: str | None) -> Head | None:
        head = self._store.head(key, version)
        if head is None:
            self._see_bucket()
        return head

    def _see_bucket(self) -> None:
        now = self._clock.monotonic()
        if self._seen_at is None or now - self._seen_at > _SEEN_FOR:
            self._store.check_bucket()
            self._seen_at = now

    def _same_bytes(self, key: str, entry: ObjectEntry, data: bytes) -> bool:
        reached = 0
        for block in fetched(self._store, key, entry, version=None):
            if data[reached : reached + len(block)] != block:
                return False
            reached += len(block)
        return reached == len(data)
