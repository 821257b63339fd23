"""One file on its way into a bucket: in one piece or in parts, never over another.

Promises:
1. Every piece travels with Content-MD5, the signed hash of its body, and the ``x-amz-checksum-*``
   that this store was seen to enforce, if any.
2. The key is seen to be free, or to hold the very object that is to be replaced, right before the
   new one comes into being, and the store is asked to see to it itself where it was seen to. Where
   it was not, a race can't be excluded, and ``Sent`` says so.
3. An answer that got lost is made up for by looking: an object counts as ours only if it carries
   the ticket of this upload.
4. What was begun and not finished is removed, also after Ctrl-C, and no thread is left. Only an
   upload whose id was lost on its way here may stay; it holds nothing.
5. At most ``parts_at_once`` parts are held in memory.
"""

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from threading import Event
from typing import Any

from botocore.exceptions import ClientError

from backupkeeper.cloud.abandon import abandon
from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.checks import EXTRAS, MD5, PAYLOAD, Part, extra_of, gathered, md5_etag
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
from backupkeeper.core.errors import (
    AttestationRefusedError,
    BackupkeeperError,
    BucketUnreachableError,
    NameTakenError,
    SourceChangedError,
)
from backupkeeper.core.parts import part_count, parts_at_once
from backupkeeper.ports.bucket import Capabilities, ObjectEntry, Sent

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
    replacing: ObjectEntry | None = None
    """The object that must be there, and is replaced."""
    heeded: Replacing = field(default_factory=Replacing)
    """How the store is asked to replace no other one."""
    lock: dict[str, Any] = field(default_factory=dict)
    """boto3's parameters for how long the store keeps it (``cloud.keeping``)."""

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
            BucketUnreachableError: The store could not be asked, or did not do it.
        """
        old = None if replace else self._seen_ready()
        stop = Event()
        extra = extra_of(self.can.refuses_wrong)
        parts = gathered(self.path, blocks, size=self.size, part=self.part, extra=extra, stop=stop)
        if part_count(self.size, self.part) == 1:
            asked = {} if replace else self._condition(in_parts=False)
            (part,) = parts
            etag, version = self._whole(part, old, asked)
        else:
            asked = self._condition(in_parts=True)
            etag, version = self._in_parts(parts, old, asked, stop, extra)
        entry = self._confirmed(etag, version, old)
        sent_checks = [MD5, PAYLOAD, *([extra] if extra else [])]
        enforced = tuple(name for name in sent_checks if name in self.can.refuses_wrong)
        return Sent(entry=entry, attested_by=enforced, race_excluded=bool(asked))

    @property
    def _where(self) -> Where:
        return self.store.where

    @property
    def _named(self) -> dict[str, str]:
        return self.metadata | {TICKET: self.ticket}

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
        asked: dict[str, Any] = self.store.at(self.path) | part.checks | condition | self.lock
        try:
            answer = self.store.client.put_object(Body=part.body, Metadata=self._named, **asked)
        except LIBRARY_ERRORS as error:
            return md5_etag(part.md5), self._arrived_anyway(error, old)
        self._same_etag(dict(answer), part.md5)
        return md5_etag(part.md5), version_of(dict(answer))

    def _in_parts(
        self,
        parts: Iterator[Part],
        old: Head | None,
        condition: dict[str, str],
        stop: Event,
        extra: str | None,
    ) -> tuple[str, str | None]:
        upload = self._begin(extra)
        try:
            sent = self._send_parts(upload, parts, stop, extra)
            etag = md5_etag([md5 for _, md5 in sent])
            if old is not None or not condition:
                self._must_still_be(old)
            return etag, self._complete(upload, [named for named, _ in sent], old, condition)
        except BaseException as error:
            # KeyboardInterrupt included: nothing of ours is left behind, and it goes on its way.
            abandon(self.store, self.path, upload, error)
            raise

    def _begin(self, extra: str | None) -> str:
        more: dict[str, Any] = {"ChecksumAlgorithm": extra.upper()} if extra else {}
        more |= self.lock
        if extra == "crc64nvme":
            more["ChecksumType"] = "FULL_OBJECT"
        with self.store.asking(self.path):
            answer = self.store.client.create_multipart_upload(
                **self.store.at(self.path), Metadata=self._named, **more
            )
        if not (upload := answer.get("UploadId")):
            raise self.store.no_store("an upload without an id")
        return upload

    def _send_parts(
        self, upload: str, parts: Iterator[Part], stop: Event, extra: str | None
    ) -> list[tuple[dict[str, Any], bytes]]:
        at_once = parts_at_once(self.part, most=self.at_once)
        sent: list[tuple[dict[str, Any], bytes]] = []
        flying: deque[Future[tuple[dict[str, Any], bytes]]] = deque()
        with ThreadPoolExecutor(max_workers=at_once, thread_name_prefix="part") as pool:
            try:
                # A generator on its way holds its part: advance it only where there is room.
                for _ in range(part_count(self.size, self.part)):
                    flying.append(pool.submit(self._send_part, upload, next(parts), extra))
                    while len(flying) >= at_once or (flying and flying[0].done()):
                        sent.append(flying.popleft().result())
                next(parts, None)  # sees that there are no more bytes than announced
                sent.extend(future.result() for future in flying)
            except BaseException:
                stop.set()
                for future in flying:
                    future.cancel()
                raise
        return sent

    def _send_part(
        self, upload: str, part: Part, extra: str | None
    ) -> tuple[dict[str, Any], bytes]:
        asked: dict[str, Any] = self.store.at(self.path) | part.checks
        with self.store.asking(self.path):
            answer = dict(
                self.store.client.upload_part(
                    UploadId=upload, PartNumber=part.number, Body=part.body, **asked
                )
            )
        self._same_etag(answer, part.md5)
        named: dict[str, Any] = {"PartNumber": part.number, "ETag": answer["ETag"]}
        if extra:
            named[EXTRAS[extra]] = part.checks[EXTRAS[extra]]
        return named, part.md5

    def _complete(
        self,
        upload: str,
        parts: list[dict[str, Any]],
        old: Head | None,
        condition: dict[str, str],
    ) -> str | None:
        asked: dict[str, Any] = self.store.at(self.path) | condition
        asked["MultipartUpload"] = {"Parts": parts}
        try:
            answer = self.store.client.complete_multipart_upload(UploadId=upload, **asked)
        except LIBRARY_ERRORS as error:
            return self._arrived_anyway(error, old)
        return version_of(dict(answer))

    def _arrived_anyway(self, error: Exception, old: Head | None) -> str | None:
        """After a failure: the version of our object if it stands there all the same.

        Raises:
            BackupkeeperError: It does not; the failure, told as one of ours.
        """
        told = translated(error, self._where, self.path)
        if cause_of(error) not in _UNSURE:
            raise told from error
        try:
            head = self.store.head(self.path)
        except BucketUnreachableError:
            raise told from error
        if head is None or head == old:
            raise self._nothing_there(error, told) from error
        if head.ticket != self.ticket:
            raise NameTakenError(self.path) from error
        return head.entry.version

    def _nothing_there(self, error: Exception, told: BackupkeeperError) -> BackupkeeperError:
        cause = cause_of(error)
        code, _ = code_and_status(error)
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
