"""One file on its way into a bucket: in one piece or in parts, never over another.

Promises:
1. Every piece travels with Content-MD5, the signed hash of its body, and the ``x-amz-checksum-*``
   that this store was seen to enforce, if any.
2. The key is seen to be free, or to hold the very object that is to be replaced, right before the
   new one comes into being, and the store is asked to see to it itself where it was seen to. Where
   it was not, a race can't be excluded, and ``Sent`` says so.
3. An answer that got lost is made up for by looking: an object counts as ours only if it carries
   the ticket of this upload.
4. What was begun and not finished stays where it is remembered (``ports.bucket.Remembering``), and
   is gone on with the next time: parts that are there are compared, never believed. It is removed
   where its key was taken by another object or the store has no use for it any more. Without a
   memory it is removed whatever interrupts it, also after Ctrl-C. Only an upload whose id was lost
   on its way here may stay unknown; it holds nothing.
5. At most ``at_once`` parts travel and one more is held in memory, and no thread is left.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace as changed
from datetime import datetime
from threading import Event
from typing import Any

from botocore.exceptions import ClientError

from backupkeeper.cloud.abandon import abandon
from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.checks import MD5, PAYLOAD, Part, extra_of, gathered, md5_etag
from backupkeeper.cloud.client import TICKET, Head, Store, version_of
from backupkeeper.cloud.conditions import Replacing
from backupkeeper.cloud.errors import (
    LIBRARY_ERRORS,
    Where,
    cause_of,
    code_and_status,
    failure,
    translated,
)
from backupkeeper.cloud.gate import Gate
from backupkeeper.cloud.in_parts import InParts
from backupkeeper.core.errors import (
    AttestationRefusedError,
    BackupkeeperError,
    BucketUnreachableError,
    NameTakenError,
    SourceChangedError,
    UploadLostError,
    UsageError,
)
from backupkeeper.core.model import Blake3
from backupkeeper.core.parts import part_count
from backupkeeper.core.uploads import Begun, Listed, can_go_on
from backupkeeper.ports.bucket import Capabilities, ObjectEntry, Remembering, Sent

_NO_SUCH_CLASS = {"InvalidStorageClass", "InvalidArgument", "InvalidRequest", "NotImplemented"}
"""Codes that a storage class which the store has not may be answered with."""
_NO_USE = (NameTakenError, UploadLostError, UsageError)
"""After these an upload in parts is not gone on with."""
_UNSURE = {
    Cause.CUT_OFF,
    Cause.TIMEOUT,
    Cause.BROKEN_STORE,
    Cause.BUSY,
    Cause.NOT_A_STORE,
    Cause.UPLOAD_LOST,
    Cause.NO_OBJECT,
    Cause.NO_ANSWER,
    Cause.NO_NAME,
    Cause.NAME_TAKEN,
    Cause.RACE,
}
"""After these the object may stand there all the same, put there by a request whose answer is lost."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Upload:
    """One file to be sent.

    ``part`` are the bytes of a part, ``at_once`` how many may travel at once, ``ticket`` is a
    random id.
    """

    store: Store
    path: str
    size: int
    part: int
    can: Capabilities
    at_once: int
    ticket: str
    metadata: dict[str, str]
    content: Blake3
    now: Callable[[], datetime]
    gate: Gate
    """Lets parts pass."""
    replacing: ObjectEntry | None = None
    """The object that must be there, and is replaced."""
    heeded: Replacing = field(default_factory=Replacing)
    """How the store is asked to replace no other one."""
    lock: dict[str, Any] = field(default_factory=dict)
    """boto3's parameters for how long the store keeps it (``cloud.keeping``)."""
    memory: Remembering | None = None
    storage_class: str = ""

    def send(self, blocks: Iterator[memoryview], *, replace: bool = False) -> Sent:
        """Send the file.

        Args:
            blocks: Its blocks in order.
            replace: Put it over whatever stands there (small files of our own making only).

        Returns:
            The object's entry and the checks that would have refused wrong bytes.

        Raises:
            NameTakenError: An object stands there, or another one than the one to be replaced.
            AttestationRefusedError: The store says that wrong bytes arrived, or keeps others.
            SourceChangedError: There were not ``size`` bytes, or nothing is there to be replaced.
            UploadLostError: The store has lost the upload; sending again begins a new one.
            BucketUnreachableError: The store could not be asked, or did not do it.
        """
        begun = None if self.memory is None else self.memory.begun()
        if begun is not None:
            return self._go_on(begun, blocks)
        old = None if replace else self._seen_ready()
        if part_count(self.size, self.part) > 1:
            return self._in_parts(blocks, old)
        asked = {} if replace else self._condition(in_parts=False)
        (part,) = self._gathered(blocks, Event())
        etag, version = self._whole(part, old, asked)
        entry = self._confirmed(etag, version, old)
        return Sent(entry=entry, attested_by=self._enforced, race_excluded=bool(asked))

    def _gathered(self, blocks: Iterator[memoryview], stop: Event) -> Iterator[Part]:
        return gathered(
            self.path, blocks, size=self.size, part=self.part, extra=self._extra, stop=stop
        )

    @property
    def _extra(self) -> str | None:
        return extra_of(self.can.refuses_wrong)

    @property
    def _enforced(self) -> tuple[str, ...]:
        sent_checks = [MD5, PAYLOAD, *([self._extra] if self._extra else [])]
        return tuple(name for name in sent_checks if name in self.can.refuses_wrong)

    @property
    def _parts(self) -> InParts:
        return InParts(
            store=self.store,
            path=self.path,
            at_once=self.at_once,
            extra=self._extra,
            etag_is_md5=self.can.etag_is_md5,
            gate=self.gate,
        )

    def _go_on(self, begun: Begun, blocks: Iterator[memoryview]) -> Sent:
        """Go on with an upload that was begun before, as far as that is possible."""
        there = self.store.head(self.path)
        if there is not None and there.ticket == begun.ticket:
            return self._came_into_being_unseen(begun, there, blocks)
        if there is not None:
            error = NameTakenError(self.path)
            self._give_up(begun, error)
            raise error
        mine = changed(self, ticket=begun.ticket, part=begun.part_bytes)
        if can_go_on(begun, size=self.size, check=self._extra):
            listed = self._parts.listed(begun.upload)
            if listed is not None and all(
                1 <= number <= part_count(self.size, begun.part_bytes) for number in listed
            ):
                return mine._in_parts(blocks, None, (begun, listed))  # noqa: SLF001 - one of us
        self._give_up(begun, None)
        return self._in_parts(blocks, None)

    def _came_into_being_unseen(
        self, begun: Begun, there: Head, blocks: Iterator[memoryview]
    ) -> Sent:
        """Our object stands there and nobody knew: compare it by its ETag, which can be computed."""
        if not self.can.etag_is_md5:
            self._forget(begun)
            raise NameTakenError(self.path)
        mine = changed(self, part=begun.part_bytes)
        md5s = [part.md5 for part in mine._gathered(blocks, Event())]  # noqa: SLF001 - one of us
        if there.entry.size != self.size or there.entry.etag != md5_etag(md5s):
            self._forget(begun)
            raise AttestationRefusedError(self.path)
        return Sent(entry=there.entry, attested_by=self._both(begun))

    def _both(self, begun: Begun) -> tuple[str, ...]:
        """Checks that were enforced when parts were sent, then and now."""
        return tuple(name for name in self._enforced if name in begun.enforced)

    def _forget(self, begun: Begun) -> None:
        if self.memory is not None:
            self.memory.forget(begun)

    def _give_up(self, begun: Begun, error: BackupkeeperError | None) -> None:
        abandon(self.store, self.path, begun.upload, error)
        self._forget(begun)

    @property
    def _where(self) -> Where:
        return self.store.where

    @property
    def _named(self) -> dict[str, str]:
        return self.metadata | {TICKET: self.ticket}

    @property
    def _asked(self) -> dict[str, Any]:
        """What the store is asked for about the object to be."""
        return self.lock | ({"StorageClass": self.storage_class} if self.storage_class else {})

    def _see_class(self, error: BaseException) -> None:
        """Say it plainly where the storage class may be what a store refuses."""
        code, _ = code_and_status(error)
        if self.storage_class and code in _NO_SUCH_CLASS:
            raise UsageError(
                f"The bucket {self.store.bucket} does not take {self.path} in the storage class "
                f"{self.storage_class} ({code}).",
                advice="Name one that it has under [upload] storage_class or [[upload.classes]], or "
                "none.",
            ) from error

    def _seen_ready(self) -> Head | None:
        """See that the key is free, or what is to be replaced: then what is there."""
        there = self.store.head(self.path)
        if self.replacing is None:
            if there is not None:
                raise NameTakenError(self.path)
            return None
        if there is None:
            raise SourceChangedError(self.path, how="is not in the bucket any more")
        if not there.entry.is_still(self.replacing):
            raise NameTakenError(self.path)
        return there

    def _must_still_be(self, old: Head | None) -> None:
        # The ticket too: an object of the same bytes has the same ETag (rot does not change it).
        if self._seen_ready() != old:
            raise NameTakenError(self.path)

    def _condition(self, *, in_parts: bool) -> dict[str, str]:
        """What the store is asked to see to by itself, where it was seen to heed it."""
        if self.replacing is not None:
            return self.heeded.condition(self.replacing.etag, in_parts=in_parts)
        honoured = self.can.conditional_complete if in_parts else self.can.conditional_put
        return {"IfNoneMatch": "*"} if honoured else {}

    def _whole(
        self, part: Part, old: Head | None, condition: dict[str, str]
    ) -> tuple[str, str | None]:
        if old is not None:
            self._must_still_be(old)
        asked: dict[str, Any] = self.store.at(self.path) | part.checks | condition | self._asked
        try:
            answer = self.store.client.put_object(Body=part.body, Metadata=self._named, **asked)
        except LIBRARY_ERRORS as error:
            return md5_etag(part.md5), self._arrived_anyway(error, old)
        self._same_etag(dict(answer), part.md5)
        return md5_etag(part.md5), version_of(dict(answer))

    def _in_parts(
        self,
        blocks: Iterator[memoryview],
        old: Head | None,
        taken_up: tuple[Begun, Mapping[int, Listed]] | None = None,
    ) -> Sent:
        condition = self._condition(in_parts=True)
        stop = Event()
        begun, there = taken_up or (self._begin(), {})
        try:
            sent = self._parts.send(
                begun.upload,
                self._gathered(blocks, stop),
                count=part_count(self.size, self.part),
                part_bytes=self.part,
                stop=stop,
                there=there,
            )
            etag = md5_etag([md5 for _, md5 in sent])
            if old is not None or not condition:
                self._must_still_be(old)
            version = self._complete(begun.upload, [named for named, _ in sent], old, condition)
        except BaseException as error:
            # KeyboardInterrupt included: what nobody would remember is not left behind.
            if self.memory is None or isinstance(error, _NO_USE):
                abandon(self.store, self.path, begun.upload, error)
                self._forget(begun)
            raise
        entry = self._confirmed(etag, version, old)
        return Sent(entry=entry, attested_by=self._both(begun), race_excluded=bool(condition))

    def _begin(self) -> Begun:
        try:
            upload = self._parts.begin(self._named, self._asked)
        except BackupkeeperError as error:
            self._see_class(error.__cause__ or error)
            raise
        begun = Begun(
            key=self.path,
            content=self.content,
            upload=upload,
            part_bytes=self.part,
            check=self._extra,
            enforced=self._enforced,
            ticket=self.ticket,
            begun_at=self.now(),
        )
        if self.memory is not None:
            try:
                self.memory.remember(begun)
            except BaseException as error:
                abandon(self.store, self.path, upload, error)
                raise
        return begun

    def _complete(
        self,
        upload: str,
        parts: list[dict[str, Any]],
        old: Head | None,
        condition: dict[str, str],
    ) -> str | None:
        try:
            return version_of(self._parts.complete(upload, parts, condition))
        except LIBRARY_ERRORS as error:
            return self._arrived_anyway(error, old, in_parts=True)

    def _arrived_anyway(
        self, error: Exception, old: Head | None, *, in_parts: bool = False
    ) -> str | None:
        """After a failure: the version of our object if it stands there all the same.

        Raises:
            BackupkeeperError: It does not; the failure, told as one of ours.
        """
        told = translated(error, self._where, self.path)
        if cause_of(error) not in _UNSURE:
            self._see_class(error)
            raise told from error
        try:
            head = self.store.head(self.path)
        except BucketUnreachableError:
            raise told from error
        if head is None or head == old:
            raise self._nothing_there(error, told, in_parts=in_parts) from error
        if head.ticket != self.ticket:
            raise NameTakenError(self.path) from error
        return head.entry.version

    def _nothing_there(
        self, error: Exception, told: BackupkeeperError, *, in_parts: bool
    ) -> BackupkeeperError:
        cause = cause_of(error)
        code, _ = code_and_status(error)
        if cause is Cause.RACE and in_parts:
            # A store that sees two writers wants all parts again (STANDARDS section 7.5).
            return UploadLostError(told.message, advice=told.advice)
        if cause is Cause.NAME_TAKEN:
            return failure(Cause.RACE, self._where, path=self.path)
        if isinstance(error, ClientError) and cause is Cause.NO_OBJECT:
            return failure(Cause.UPLOAD_LOST, self._where, path=self.path, detail=code)
        return told

    def _confirmed(self, etag: str, version: str | None, old: Head | None) -> ObjectEntry:
        """Look at the object that came into being; it must be ours, whole."""
        head = self.store.head(self.path)
        if head is None or head == old:
            raise failure(
                Cause.BROKEN_STORE,
                self._where,
                path=self.path,
                detail=f"it took {self.path} and does not have it",
            )
        if head.ticket is not None and head.ticket != self.ticket:
            raise NameTakenError(self.path)
        if version is not None and head.entry.version != version:
            raise NameTakenError(self.path)
        if head.entry.size != self.size or self._other_etag(head, etag):
            raise AttestationRefusedError(self.path)
        return head.entry

    def _same_etag(self, answer: dict[str, Any], md5: bytes) -> None:
        if self.store.etag(answer) != md5_etag(md5) and self.can.etag_is_md5:
            raise AttestationRefusedError(self.path)

    def _other_etag(self, head: Head, etag: str) -> bool:
        return self.can.etag_is_md5 and head.entry.etag != etag
