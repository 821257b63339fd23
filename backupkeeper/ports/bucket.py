"""A bucket at the height of our own verbs."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from backupkeeper.core.bucket_findings import Findings
from backupkeeper.core.model import Content
from backupkeeper.core.uploads import Begun


@dataclass(frozen=True, kw_only=True, slots=True)
class Capabilities:
    """What was tried on this bucket, with a scratch object, and what came of it.

    ``refuses_wrong`` are the checks that the store was seen to refuse when they were wrong on put
    *and* on a part: ``content-md5``, ``x-amz-content-sha256``, ``crc32``, ``sha256`` ...
    """

    refuses_wrong: frozenset[str]
    conditional_put: bool
    conditional_complete: bool
    versioning: bool
    etag_is_md5: bool = False
    """Whether an object's ETag was seen to be the MD5 that S3's customs say (no proof of itself)."""
    object_lock: bool | None = None
    """Whether objects can be locked; None: not allowed to look, or no telling answer."""
    left_behind: tuple[str, ...] = ()
    """Scratch objects that the credentials are not allowed to remove."""

    @property
    def attests(self) -> bool:
        """Whether an accepted upload shows that the right bytes arrived."""
        return bool(self.refuses_wrong)


@dataclass(frozen=True, kw_only=True, slots=True)
class ObjectEntry:
    """What a look at an object's entry says; reads no byte of it."""

    key: str
    size: int
    version: str | None
    etag: str
    shelf: str = field(default="", compare=False)
    """Its storage class, as the store names it; empty for the usual one."""
    thaw: str = field(default="", compare=False)
    """What HEAD says of thawing (``x-amz-restore``); a listing does not say it."""

    @property
    def mark(self) -> str:
        """What tells this object from another one put under its key later, for facts.

        The version id where the bucket keeps versions, else the ETag: never a proof of bytes
        (STANDARDS section 7.2), but another object almost surely has another one.
        """
        return self.version if self.version is not None else f"etag:{self.etag}"

    def is_still(self, seen: "ObjectEntry") -> bool:
        """Whether this later look shows the very object that was seen before.

        By size and ETag, and by the version where both looks tell it (a listing does not). Without
        versions, another object of the same bytes is taken for the same one.
        """
        if None not in {self.version, seen.version} and self.version != seen.version:
            return False
        return (self.key, self.size, self.etag) == (seen.key, seen.size, seen.etag)


@dataclass(frozen=True, kw_only=True, slots=True)
class Sent:
    """What an upload came to. ``attested_by`` names the checks that would have refused wrong bytes."""

    entry: ObjectEntry
    attested_by: tuple[str, ...]
    unlocked: str = ""
    """Why it is not locked where that was wanted, and the bucket can; empty where nothing is amiss."""
    race_excluded: bool = False
    """Whether the store itself saw to it that nothing else was under the key than was meant.

    Only where it was seen to. Else the key was looked at right before, and what another program put
    there in that instant is replaced.
    """
    found: bool = False
    """It had come into being before, and was only seen now."""
    other_class: str = ""
    """The storage class in which it came into being where another one was asked for."""


class Remembering(Protocol):
    """What is remembered of the upload of one file in parts, so that another run can go on with it.

    Called from the thread that called ``Bucket.send`` only.
    """

    def begun(self) -> Begun | None:
        """The upload that was begun and not ended, if there is one."""
        ...

    def others(self) -> Sequence[Begun]:
        """Uploads of this very file that other machines are said to have begun: few, the newest first.

        Hearsay. Each may be gone on with where the store's list bears it out; none is given up here.
        """
        ...

    def remember(self, begun: Begun) -> None:
        """Remember it, durably, before any part is sent."""
        ...

    def forget(self, begun: Begun) -> None:
        """It can't be gone on with: it was given up, or the store does not know it."""
        ...


class Bucket(Protocol):
    """Verbs on one bucket and prefix. Keys are paths below the prefix, ``/`` between parts.

    A key here is a path as everywhere in this program (PEP 383 text); how it is written in the
    store is the bucket's business. Errors leave as ``BucketUnreachableError`` (network,
    credentials, no such bucket, refused), ``AttestationRefusedError``, ``NameTakenError`` or
    ``ListingError``, ``AsleepError`` (archived: thaw it first); a key too long is a ``WriteError``, a file too large a ``UsageError``, and
    what changed while it was sent or fetched a ``SourceChangedError``. Nothing of boto3's leaks.
    """

    def capabilities(self) -> Capabilities:
        """Find out (once per object) what the store refuses when wrong; removes its scratch objects."""
        ...

    @property
    def doubts(self) -> bool:
        """Whether it did something else than what was found out about it before."""
        ...

    def check(self) -> Findings:
        """Try and ask everything: some dozens of small requests, and a few MiB there and back."""
        ...

    def who_reads(self, found: Findings) -> Findings:
        """What was found before, with who gets at the bucket now: five small requests."""
        ...

    def lifecycle_rule(self) -> Mapping[str, object]:
        """What ``set_lifecycle_rule`` adds, as the service's interface writes it; asks nobody."""
        ...

    def set_lifecycle_rule(self) -> bool:
        """Have the store end uploads under our prefix that were never finished; keeps every other rule.

        False where a rule does that already. ``UsageError`` where it can't be done with certainty, or
        is not allowed: then nothing was changed.
        """
        ...

    def look(self, key: str, *, version: str | None = None) -> ObjectEntry | None:
        """The object's entry, or None where there is no such object."""
        ...

    def listing(self, below: str = "") -> Iterator[ObjectEntry]:
        """Entries of all objects whose key starts with ``below``, in the store's order.

        Objects that this program can't have put there (their name stands for no path) are left out.
        """
        ...

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
        """Upload under a key that must be free; ``NameTakenError`` if an object is there.

        With ``replacing`` it must hold this very object (``set_aside`` keeps it before): another one
        there is a ``NameTakenError``, none a ``SourceChangedError``, and nothing is replaced. In all
        else an upload as any other. Whatever interrupts it, the old object is as it was until the
        new one is whole.

        ``blocks`` are the file's blocks of ``BLOCK_BYTES`` in order (the last may be shorter), each
        already checked against ``content.block_map``; each view is only good until the next.

        With ``memory`` an upload in parts that does not come to its end stays in the store, and the
        next one for the same file goes on with it: what the store has of it is compared with what
        ``blocks`` give now, and only the rest is sent. An object that came into being unseen (the
        answer, or the program, was lost) is recognised; nothing is sent then. Once the outcome is
        recorded the caller forgets the upload by itself. ``UploadLostError``: the store does not
        know it any more (or has it no use), ``memory`` was told, and sending again begins anew, or
        finds the object that another machine made of it. Where ``memory`` knows of none of its own,
        one that another machine began is gone on with, as far as what is there is what would be sent.
        Without ``memory`` what was begun is removed whatever interrupts it.

        ``storage_class`` is the store's word for where the object is to lie; empty: its own choice.
        ``UsageError`` where the store does not take it.
        """
        ...

    def last_part(self, begun: Begun) -> datetime | None:
        """When the last part of an upload came, by the store's clock; None: none, or it is not told."""
        ...

    def give_up(self, begun: Begun) -> None:
        """Remove an upload that this program began, and all parts of it; one that is gone is fine."""
        ...

    def send_small(self, key: str, data: bytes, *, replace: bool = False) -> Sent:
        """Upload a small file of our own making (manifest, chain, snapshot).

        Without ``replace`` the key must be free, unless the very same bytes are there already.
        """
        ...

    def fetch(self, key: str, *, version: str | None = None) -> Iterator[memoryview]:
        """The object's bytes in blocks of ``BLOCK_BYTES`` (the last may be shorter).

        Each view is only good until the next. A broken connection is taken up again where it was.
        """
        ...

    def fetch_range(
        self, key: str, entry: ObjectEntry, start: int, end: int
    ) -> Iterator[memoryview]:
        """The bytes from ``start`` to ``end`` (not included) of the very object that was looked at.

        Blocks and errors as in ``fetch``, counted from ``start``; exactly these bytes come, or an
        error. They are all that travels: a store that answers with others, or with the whole object,
        is told (``BucketUnreachableError``) and its answer left unread. Another object under the key
        now is a ``SourceChangedError``; a span that is not within the object a bug of the caller's.
        """
        ...

    def thaw(self, entry: ObjectEntry, *, tier: str, days: int) -> bool:
        """Ask the store to make an object of an archive class readable; False: that goes on already.

        Args:
            entry: what a look at it said.
            tier: how urgently: ``Bulk``, ``Standard`` or ``Expedited``.
            days: for how many days it stays readable.
        """
        ...

    def set_aside(self, key: str, entry: ObjectEntry) -> str:
        """Have the store keep a copy of the very object that was looked at; return the copy's key.

        It lies below ``.backupkeeper/set-aside/``, was not there before, and was looked at
        afterwards. ``SourceChangedError`` if another object, or none, stands under ``key`` now; then
        and after any other error the object is as it was. The store's own copying is no proof that
        the bytes are the same.
        """
        ...

    def drop_snapshot(self, key: str) -> bool:
        """Remove a snapshot of a catalog that need not stay; whether that was allowed.

        The only thing that this program ever removes from a bucket of what it meant to keep, and
        nothing else than a snapshot can be removed so (``BrokenPromiseError``). Where the bucket
        keeps versions the bytes stay, and cost, until a lifecycle rule ends them.
        """
        ...
