"""Finding out what a bucket does, by trying: it is asked nothing that it could claim.

Promises:
1. A check counts only where a right value was accepted and a wrong one refused, on an upload in
   one piece *and* on a part. Being accepted proves nothing (SEEN section 1). For the signed hash
   of the body the wrong part is as large as real ones are (``LARGE``): MD5 is left out for it.
2. A refusal counts only if it says that the bytes are wrong. Any other failure is no refusal: it
   ends the trial, or the check does not count.
3. All that is tried is done to scratch objects under ``.backupkeeper/scratch-…``; they and their
   uploads are removed whatever happens. Where that is not allowed, they are named; their names are
   always the same few, so that they don't pile up.
"""

import hashlib
import io
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, BinaryIO, Final, cast

from botocore.awsrequest import AWSPreparedRequest
from botocore.exceptions import ClientError

from backupkeeper.cloud.asking import object_lock
from backupkeeper.cloud.checks import EXTRAS, MD5, PAYLOAD, checks_of
from backupkeeper.cloud.client import Store, version_of
from backupkeeper.cloud.errors import LIBRARY_ERRORS, code_and_status
from backupkeeper.core.bucket_findings import Step, Word
from backupkeeper.core.parts import SMALLEST_PART
from backupkeeper.ports.bucket import Capabilities

RIGHT = b"backupkeeper tries what this bucket refuses\n" * 8
"""What scratch objects hold."""
WRONG = bytes(byte ^ 1 for byte in RIGHT)
"""Other bytes of the same length."""

LARGE: Final = SMALLEST_PART
"""Bytes of the part that must be refused: a store could hash what it holds in memory and not what
runs through it (no source; a precaution)."""

SCRATCH: Final = ".backupkeeper/scratch"
"""What the paths of all scratch objects begin with."""
ANY: Final = f"{SCRATCH}-any"
"""Put again and again."""
WHOLE: Final = f"{SCRATCH}-whole"
"""Made of parts, again and again."""
ONCE: Final = f"{SCRATCH}-once"
WHOLE_ONCE: Final = f"{SCRATCH}-whole-once"
"""These two are only ever made under the condition that nothing stands there: so where one is left
from before, such a condition was accepted once (it can't be tried again where nothing may be removed)."""

BAD_BYTES_CODES = frozenset(
    {"BadDigest", "InvalidDigest", "XAmzContentSHA256Mismatch", "XAmzContentChecksumMismatch"}
)
"""Error codes that say "these are not the bytes that were announced"."""
_FORGED_CODES = BAD_BYTES_CODES | {"SignatureDoesNotMatch"}
TAKEN = 412
_LOST = 500
"""From this status on what was asked may have been done all the same."""
_NOT_TAKEN_UP = {400, 411, 412, 501}
"""Statuses by which a right request is turned down because the store can't do it."""


def find_out(store: Store) -> Capabilities:
    """Try a bucket.

    Args:
        store: The bucket.

    Returns:
        What it was seen to do.

    Raises:
        BackupkeeperError: It can't be reached, or can't be written to.
    """
    trial = Trial(store=store)
    try:
        return trial.run()
    finally:
        trial.clean_up()


@dataclass(kw_only=True, slots=True)
class Trial:
    """Scratch objects of one bucket, what is tried on them, and their removal."""

    store: Store
    objects: list[tuple[str, str | None]] = field(default_factory=list)
    uploads: list[tuple[str, str]] = field(default_factory=list)
    left: list[str] = field(default_factory=list)

    def run(self) -> Capabilities:
        """Try all that ``Capabilities`` tells."""
        conditional_put = self.conditional_put()
        etag = self.plain_etag()
        conditional_complete = self.conditional_complete()
        refuses = frozenset(name for name in (MD5, PAYLOAD, *EXTRAS) if self._refuses(name))
        lock, _ = object_lock(self.store)
        versioning = self.saw_versions
        self.clean_up()
        return Capabilities(
            refuses_wrong=refuses,
            conditional_put=conditional_put,
            conditional_complete=conditional_complete,
            versioning=versioning,
            etag_is_md5=is_md5(etag),
            object_lock=lock_known(lock),
            left_behind=tuple(self.left),
        )

    @property
    def saw_versions(self) -> bool:
        """Whether an object that was made, and not removed yet, was given a version."""
        return any(version for _, version in self.objects)

    def clean_up(self) -> None:
        """Remove all that was made. What can't be removed is noted, never raised."""
        client = self.store.client
        while self.uploads:
            path, upload = self.uploads.pop()
            try:
                client.abort_multipart_upload(**self.store.at(path), UploadId=upload)
            except LIBRARY_ERRORS as error:
                if code_and_status(error)[0] != "NoSuchUpload":
                    self.left.append(path)
        # In buckets that keep versions, a plain delete would only hide the object.
        for path, version in sorted(set(self.objects), key=str):
            asked = self.store.at(path) | ({"VersionId": version} if version else {})
            try:
                client.delete_object(**asked)
            except LIBRARY_ERRORS:
                self.left.append(path)
        self.left[:] = dict.fromkeys(self.left)
        self.objects.clear()

    def put(self, path: str, **more: str) -> dict[str, Any]:
        """Make an object in one piece."""
        return self.put_body(path, RIGHT, **more)

    def put_body(self, path: str, body: bytes | BinaryIO, **more: str) -> dict[str, Any]:
        """Make an object of other bytes than the usual ones."""
        asked: dict[str, Any] = self.store.at(path) | more
        return self._making(path, lambda: self.store.client.put_object(Body=body, **asked))

    def _making(self, path: str, ask: Callable[[], object]) -> dict[str, Any]:
        """Note what a request brings into being, also where its answer is lost."""
        self.objects.append((path, None))
        try:
            answer: dict[str, Any] = dict(cast("Mapping[str, Any]", ask()))
        except ClientError as error:
            if code_and_status(error)[1] < _LOST:
                self.objects.remove((path, None))
            raise
        self.objects[self.objects.index((path, None))] = (path, version_of(answer))
        return answer

    def begin(self, path: str, **more: str) -> str:
        """Begin an upload in parts; its id."""
        asked: dict[str, Any] = self.store.at(path) | more
        answer = self.store.client.create_multipart_upload(**asked)
        upload = answer.get("UploadId")
        if not upload:
            raise self.store.no_store("an upload without an id")
        self.uploads.append((path, upload))
        return upload

    def part(self, path: str, upload: str, **more: str) -> dict[str, Any]:
        """Send a part; it is small, and so can only be the last one."""
        return self.numbered_part(path, upload, 1, more)

    def numbered_part(
        self,
        path: str,
        upload: str,
        number: int,
        more: Mapping[str, str],
        body: bytes | BinaryIO = RIGHT,
    ) -> dict[str, Any]:
        """Send a part of another number than 1, or of other bytes than the usual ones."""
        asked: dict[str, Any] = self.store.at(path) | dict(more)
        return dict(
            self.store.client.upload_part(UploadId=upload, PartNumber=number, Body=body, **asked)
        )

    def takes(self, attempt: Callable[[], object]) -> bool:
        """Whether a right request is accepted; False where the store can't do what it asks."""
        with self.store.asking(SCRATCH):
            try:
                attempt()
            except ClientError as error:
                if code_and_status(error)[1] not in _NOT_TAKEN_UP:
                    raise
                return False
        return True

    def turned_down(
        self, attempt: Callable[[], object], codes: frozenset[str], status: int = 0
    ) -> bool:
        """Whether a wrong request is refused for the right reason."""
        with self.store.asking(SCRATCH):
            try:
                attempt()
            except ClientError as error:
                code, seen = code_and_status(error)
                if code in codes or (status and seen == status):
                    return True
                if seen not in _NOT_TAKEN_UP:
                    raise
        return False

    def conditional_put(self) -> bool:
        """Whether an object is made only where none stands, if that is asked for."""
        return self._heeded(ONCE, lambda: self.put(ONCE, IfNoneMatch="*"))

    def _heeded(self, path: str, once: Callable[[], object]) -> bool:
        left = self.store.head(path)
        if left is None and not self.takes(once):
            return False
        if left is not None:  # perhaps it may be removed by now
            self.objects.append((path, left.entry.version))
        return self.turned_down(once, frozenset(), TAKEN)

    def plain_etag(self) -> str:
        """Make the scratch object without any condition; its ETag."""
        with self.store.asking(ANY):
            return self.store.etag(self.put(ANY, **checks_of(RIGHT)))

    def in_one_part(self, path: str, **more: str) -> None:
        """Make an object by an upload in parts."""
        upload = self.begin(path)
        part = self.part(path, upload, **checks_of(RIGHT))
        self.complete(path, upload, {"PartNumber": 1, "ETag": self.store.etag(part)}, **more)

    def complete(self, path: str, upload: str, *parts: dict[str, Any], **more: str) -> None:
        """End an upload in parts."""
        asked: dict[str, Any] = self.store.at(path) | {"UploadId": upload} | more
        asked["MultipartUpload"] = {"Parts": list(parts)}
        self._making(path, lambda: self.store.client.complete_multipart_upload(**asked))
        self.uploads.remove((path, upload))

    def conditional_complete(self) -> bool:
        """The same at the end of an upload in parts."""
        return self._heeded(WHOLE_ONCE, lambda: self.in_one_part(WHOLE_ONCE, IfNoneMatch="*"))

    def _refuses(self, check: str) -> bool:
        return self.refused_on(check, Step.PUT) and self.refused_on(check, Step.PART)

    def refused_on(self, check: str, step: Step) -> bool:
        """Whether a check that we send is enforced on put, or else on a part."""
        if step is Step.PUT:
            return self._enforced(check, lambda **more: self.put(ANY, **more))
        begun: dict[str, str] = {}
        if check in EXTRAS:
            begun["ChecksumAlgorithm"] = check.upper()
        if check == "crc64nvme":
            begun["ChecksumType"] = "FULL_OBJECT"
        started: list[str] = []
        if not self.takes(lambda: started.append(self.begin(WHOLE, **begun))):
            return False
        if check == PAYLOAD and not self._refused_spoiled(
            lambda: self.numbered_part(WHOLE, started[0], 1, {}, io.BytesIO(bytes(LARGE)))
        ):
            return False
        return self._enforced(check, lambda **more: self.part(WHOLE, started[0], **more))

    def refuses_wrong_put(self, check: str) -> bool:
        """Whether one upload whose check is wrong is refused; nothing is tried beside it."""
        return self._refused(check, lambda **more: self.put(ANY, **more))

    def _enforced(self, check: str, send: Callable[..., object]) -> bool:
        right = {} if check == PAYLOAD else _values(check, RIGHT)
        return self._refused(check, send) and self.takes(lambda: send(**right))

    def _refused(self, check: str, send: Callable[..., object]) -> bool:
        if check == PAYLOAD:
            return self._refused_spoiled(send)
        return self.turned_down(lambda: send(**_values(check, WRONG)), BAD_BYTES_CODES)

    def _refused_spoiled(self, send: Callable[[], object]) -> bool:
        """Whether a body is refused that was changed after it was signed."""
        with self._spoiled_on_the_way():
            return self.turned_down(send, _FORGED_CODES)

    def enforced(
        self, send: Callable[..., object], right: dict[str, str], wrong: dict[str, str]
    ) -> bool:
        """Whether a request with these parameters is accepted with the right and refused with the wrong."""
        refused = self.turned_down(lambda: send(**wrong), BAD_BYTES_CODES)
        return refused and self.takes(lambda: send(**right))

    @contextmanager
    def _spoiled_on_the_way(self) -> Iterator[None]:
        """Change the body of scratch requests after they were signed, and of no other."""
        events = self.store.client.meta.events
        mark = f"/{SCRATCH}-"

        def spoil(request: AWSPreparedRequest, **_: object) -> None:
            if mark in request.url:
                # A file, so that it travels in small pieces (``cloud.checks``).
                length = int(request.headers["Content-Length"])
                other = WRONG if length == len(WRONG) else bytes(length - 1) + b"\x01"
                request.body = io.BytesIO(other)

        names = ("before-send.s3.PutObject", "before-send.s3.UploadPart")
        for name in names:
            events.register(name, spoil, unique_id=f"{name} {mark}")
        try:
            yield
        finally:
            for name in names:
                events.unregister(name, spoil, unique_id=f"{name} {mark}")


def lock_known(lock: Word) -> bool | None:
    """What is known of object lock; None where nobody knows."""
    return {Word.YES: True, Word.NO: False}.get(lock)


def is_md5(etag: str) -> bool:
    """Whether the ETag of the usual scratch object is its MD5."""
    return etag == hashlib.md5(RIGHT, usedforsecurity=False).hexdigest()


def _values(check: str, data: bytes) -> dict[str, str]:
    if check == MD5:
        return checks_of(data)
    parameter = EXTRAS[check]
    return {parameter: checks_of(data, check)[parameter]}
