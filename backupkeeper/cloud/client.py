"""A boto3 client for one bucket, and a look at an object's entry.

Promises:
1. boto3 adds no checksum of its own to a request (many stores refuse its trailers, SEEN section
   1) and always signs the hash of the body, over TLS too (``cloud.signing``).
2. An answer without what every object store says (an ETag) is never taken for an object: a login
   page that answers 200 to everything is told as what it is.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from botocore.config import Config
from botocore.exceptions import ClientError

from backupkeeper.cloud.bodies import hold_bodies
from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.errors import (
    LIBRARY_ERRORS,
    Where,
    code_and_status,
    failure,
    is_web_page,
    told,
    translated,
)
from backupkeeper.cloud.keys import full_key
from backupkeeper.cloud.session import session_of
from backupkeeper.cloud.signing import sign_known_bodies
from backupkeeper.cloud.tuning import Tuning
from backupkeeper.cloud.unreadable import tell_unreadable
from backupkeeper.config import Addressing
from backupkeeper.core.errors import BucketUnreachableError
from backupkeeper.ports.bucket import ObjectEntry
from backupkeeper.ports.clock import Clock

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

TICKET = "backupkeeper-upload"
"""Metadata: the random id of the upload that made an object, so a lost answer can be made up for."""

_DEFAULT_REGION = "us-east-1"
_NOT_FOUND = 404
_NO_SUCH = {"404", "NoSuchKey", "NoSuchVersion", "NotFound"}
_SILENT = {400, 403}
"""What a HEAD, which has no body, may answer without saying why."""


_REDIRECTS = {301, 302, 303, 307, 308}
_LONGEST_TEXT = 200
_LOGIN_NEEDED = 511
"""Network Authentication Required (RFC 6585)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Head:
    """What HEAD says of an object: its entry, and what stands beside its bytes."""

    entry: ObjectEntry
    metadata: Mapping[str, str] = field(default_factory=dict)

    @property
    def ticket(self) -> str | None:
        """The ticket of the upload that made it, where it carries one."""
        return self.metadata.get(TICKET)


@dataclass(frozen=True, kw_only=True, slots=True)
class Store:
    """A client for one bucket and prefix. Threads may share it."""

    client: "S3Client"
    bucket: str
    prefix: str
    where: Where

    def at(self, path: str) -> dict[str, Any]:
        """The parameters that name an object: bucket and whole key."""
        return {"Bucket": self.bucket, "Key": full_key(self.prefix, path)}

    @contextmanager
    def asking(self, path: str = "") -> Iterator[None]:
        """Calls in here fail with errors of ours only."""
        with told(self.where, path):
            yield

    def head(self, path: str, version: str | None = None) -> Head | None:
        """The object's entry, or None where there is none.

        Raises:
            BucketUnreachableError: The store did not answer as a store.
        """
        asked = self.at(path) | ({"VersionId": version} if version else {})
        try:
            with self.asking(path):
                answer: dict[str, Any] = dict(self.client.head_object(**asked))
        except BucketUnreachableError as error:
            if self._says_absent(error.__cause__, versioned=version is not None):
                return None
            raise self.reason(error) from error.__cause__
        return Head(
            entry=ObjectEntry(
                key=path,
                size=self._size(answer),
                version=version_of(answer),
                etag=self.etag(answer),
                shelf=shelf_of(answer),
                thaw=text_of(answer, "Restore"),
            ),
            metadata=answer.get("Metadata", {}),
        )

    def check_bucket(self) -> None:
        """See that the bucket is there: a HEAD of an object in no bucket is a plain 404 too.

        Raises:
            BucketUnreachableError: It is not, or can't be asked.
        """
        try:
            with self.asking():
                answer = self.client.head_bucket(Bucket=self.bucket)
        except BucketUnreachableError as error:
            _, status = code_and_status(error.__cause__ or error)
            if status == _NOT_FOUND:
                raise failure(Cause.NO_BUCKET, self.where) from error.__cause__
            raise self.reason(error) from error.__cause__
        if is_web_page(answer):
            raise self.no_store("a web page")

    def reason(self, error: BucketUnreachableError) -> Exception:
        """A more telling error for a HEAD that was refused without a word, else the same one."""
        code, status = code_and_status(error.__cause__ or error)
        if status not in _SILENT or not (code.isdecimal() or code in {"Forbidden", "Bad Request"}):
            return error
        try:
            self.client.list_objects_v2(Bucket=self.bucket, Prefix=self.prefix, MaxKeys=1)
        except ClientError as telling:
            return translated(telling, self.where)
        except LIBRARY_ERRORS:  # the line broke meanwhile: no word more is to be had
            return error
        return error

    def etag(self, answer: dict[str, Any]) -> str:
        """The ETag of an answer, without quotes.

        Raises:
            BucketUnreachableError: There is none: what answered is no object store.
        """
        etag = answer.get("ETag")
        if not isinstance(etag, str) or not etag.strip('"'):
            raise self.no_store("an answer without an ETag")
        return etag.strip('"')

    def no_store(self, detail: str) -> Exception:
        """The error for an answer that no object store gives."""
        return failure(Cause.NOT_A_STORE, self.where, detail=detail)

    def _size(self, answer: dict[str, Any]) -> int:
        size = answer.get("ContentLength")
        if not isinstance(size, int) or size < 0:
            raise self.no_store("an answer without a size")
        return size

    @staticmethod
    def _says_absent(error: BaseException | None, *, versioned: bool) -> bool:
        if error is None:
            return False
        code, status = code_and_status(error)
        # A version that is a delete marker is answered with 405.
        return (status == _NOT_FOUND and code in _NO_SUCH) or (
            versioned and code in {"405", "MethodNotAllowed"}
        )


def version_of(answer: dict[str, Any]) -> str | None:
    """The version id in an answer; None where the bucket keeps no versions."""
    version = answer.get("VersionId")
    return version if isinstance(version, str) and version not in {"", "null"} else None


def text_of(answer: dict[str, Any], key: str) -> str:
    """A short text in an answer; empty where there is none."""
    text = answer.get(key)
    return text[:_LONGEST_TEXT] if isinstance(text, str) else ""


def shelf_of(answer: dict[str, Any]) -> str:
    """The storage class in an answer; where another word says that it sleeps deeper, that one.

    HEAD of an object that tiers itself says in ``ArchiveStatus`` where it lies.
    """
    return text_of(answer, "ArchiveStatus") or text_of(answer, "StorageClass")


def connect(
    bucket: str,
    prefix: str,
    *,
    endpoint: str | None,
    profile: str | None,
    addressing: Addressing,
    connections: int,
    tuning: Tuning,
    clock: Clock,
) -> Store:
    """Make a client. Asks nothing of the network.

    Raises:
        UsageError: The profile, the endpoint or the AWS configuration can't be used.
    """
    where = Where(
        bucket=bucket, endpoint=endpoint or "the object store", profile=profile, now=clock.now
    )
    path_wanted = addressing is Addressing.AUTO and endpoint is not None
    style = Addressing.PATH if path_wanted else addressing
    with told(where):
        session = session_of(profile)
        client = session.client(
            "s3",
            endpoint_url=endpoint,
            region_name=session.region_name or _DEFAULT_REGION,
            config=Config(
                signature_version="s3v4",
                s3={"addressing_style": style.value, "payload_signing_enabled": True},
                request_checksum_calculation="when_required",
                response_checksum_validation="when_required",
                connect_timeout=tuning.connect_timeout,
                read_timeout=tuning.read_timeout,
                retries={"mode": "standard", "total_max_attempts": tuning.attempts},
                max_pool_connections=connections,
                tcp_keepalive=True,
            ),
        )
    client.meta.events.register("before-parse.s3", _no_foreign_redirect)
    tell_unreadable(client)
    sign_known_bodies(client)
    hold_bodies(client)
    if tuning.throttle is not None:
        tuning.throttle.on(client.meta.events)
    found = where if endpoint else replace(where, endpoint=client.meta.endpoint_url)
    return Store(client=client, bucket=bucket, prefix=prefix, where=found)


def _no_foreign_redirect(response_dict: dict[str, Any], **_: object) -> None:
    """Tell a redirect that no S3 service sent (a login page's) as what it is.

    botocore takes every redirect for one to another region and asks for the region, which is
    redirected again, until the stack is full.
    """
    headers = response_dict.get("headers", {})
    if response_dict.get("status_code") in _REDIRECTS and not any(
        str(name).lower().startswith("x-amz-") for name in headers
    ):
        response_dict["status_code"] = _LOGIN_NEEDED
