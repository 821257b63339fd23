"""Objects of the strict store: put, get, look, copy, delete, versions and locks."""

import re
from datetime import UTC, datetime
from email.utils import format_datetime
from urllib.parse import unquote

from tests.world.strict_checksums import checksum, md5_hex
from tests.world.strict_rules import (
    Bucket,
    Checksum,
    Version,
    World,
    check_condition,
    checked,
    checksum_headers,
)
from tests.world.strict_talk import Answer, Asked, RefusedError, document, tag, text

KEPT = ("content-type", "x-amz-storage-class")
KEY_BYTES = 1_024
METADATA_BYTES = 2_048
"""User metadata in all (from memory)."""


def new_version(world: World, bucket: Bucket, asked: Asked, data: bytes) -> Version:
    """A version as the headers of a request describe it.

    Raises:
        RefusedError: A key or metadata too long, or a lock where none can be.
    """
    metadata = {
        name: value
        for name, value in asked.headers.items()
        if name.startswith("x-amz-meta-") or name in KEPT
    }
    if world.rules.ignores_classes:
        metadata.pop("x-amz-storage-class", None)
    own = {name: value for name, value in metadata.items() if name.startswith("x-amz-meta-")}
    if sum(len(name) - 11 + len(value) for name, value in own.items()) > METADATA_BYTES:
        raise RefusedError(400, "MetadataTooLarge")
    if len(asked.key.encode()) > KEY_BYTES:
        raise RefusedError(400, "KeyTooLongError")
    version = Version(id=world.new_id(bucket), data=data, etag=md5_hex(data), metadata=metadata)
    _lock(bucket, asked, version)
    return version


def _lock(bucket: Bucket, asked: Asked, version: Version) -> None:
    """STANDARDS section 7.7: a lock is of a version, and its bucket must have been made for it."""
    mode = asked.header("x-amz-object-lock-mode")
    until = asked.header("x-amz-object-lock-retain-until-date")
    if mode is None and until is None:
        return
    if not bucket.object_lock:
        raise RefusedError(400, "InvalidRequest", "Bucket is missing Object Lock Configuration")
    if mode not in {"GOVERNANCE", "COMPLIANCE"} or until is None:
        raise RefusedError(400, "InvalidArgument")
    version.lock_mode, version.locked_until = mode, datetime.fromisoformat(until)


def put_object(world: World, asked: Asked) -> Answer:
    """PutObject."""
    found = checked(asked, world.rules)
    bucket = world.bucket(asked.bucket)
    if len(asked.body) > world.rules.largest_put:
        raise RefusedError(400, "EntityTooLarge")
    has_lock = asked.header("x-amz-object-lock-mode") is not None
    if has_lock and found is None and asked.header("content-md5") is None:
        # STANDARDS section 7.4.
        raise RefusedError(400, "InvalidRequest", "Content-MD5 OR x-amz-checksum- is required")
    check_condition(asked, bucket.newest(asked.key), world.rules)
    version = new_version(world, bucket, asked, asked.body)
    version.checksum = found
    bucket.add(asked.key, version)
    return Answer(headers=_made(bucket, version) | checksum_headers(found))


def _made(bucket: Bucket, version: Version) -> dict[str, str]:
    named = {"x-amz-version-id": version.id} if bucket.versioning else {}
    return {"ETag": version.quoted} | named


def found_version(bucket: Bucket, asked: Asked) -> Version:
    """The version that a request asks for.

    Raises:
        RefusedError: There is none, or it is a delete marker.
    """
    versions = bucket.objects.get(asked.key, [])
    wanted = asked.query.get("versionId")
    if wanted is None:
        if not versions or versions[-1].data is None:
            raise RefusedError(404, "NoSuchKey")
        return versions[-1]
    for version in versions:
        if version.id == wanted:
            if version.data is None:
                raise RefusedError(405, "MethodNotAllowed")
            return version
    raise RefusedError(404, "NoSuchVersion")


def get_object(world: World, asked: Asked) -> Answer:
    """GetObject and HeadObject: conditions, a range, the checksum where it was asked for."""
    bucket = world.bucket(asked.bucket)
    if "partNumber" in asked.query:
        raise RefusedError(501, "NotImplemented", "partNumber")
    version = found_version(bucket, asked)
    data = version.data or b""
    if (match := asked.header("if-match")) and match not in {version.quoted, version.etag, "*"}:
        raise RefusedError(412, "PreconditionFailed")
    if asked.header("if-none-match") in {version.quoted, version.etag, "*"}:
        return Answer(status=304)
    headers = _made(bucket, version) | version.metadata | {"Accept-Ranges": "bytes"}
    headers["Last-Modified"] = format_datetime(version.modified, usegmt=True)
    if version.locked_until is not None:
        headers["x-amz-object-lock-mode"] = version.lock_mode
        headers["x-amz-object-lock-retain-until-date"] = version.locked_until.isoformat()
    span = _span(asked.header("range"), len(data))
    if span is not None:
        start, end = span
        headers["Content-Range"] = f"bytes {start}-{end - 1}/{len(data)}"
        return Answer(status=206, body=data[start:end], headers=headers)
    if (asked.header("x-amz-checksum-mode") or "").upper() == "ENABLED":
        headers |= checksum_headers(kept_checksum(version))
    return Answer(body=data, headers=headers)


def kept_checksum(version: Version) -> Checksum:
    """A version's checksum; where none was sent, the one the service makes itself (section 7.3)."""
    if version.checksum is None:
        version.checksum = Checksum(
            kind="crc64nvme", value=checksum("crc64nvme", version.data or b"")
        )
    return version.checksum


def _span(said: str | None, size: int) -> tuple[int, int] | None:
    """The bytes that a ``Range`` asks for (RFC 9110 section 14): first, and one after the last."""
    if said is None or not (match := re.fullmatch(r"bytes=(\d*)-(\d*)", said)):
        return None
    first, last = match[1], match[2]
    if not first and not last:
        return None
    start = int(first) if first else max(0, size - int(last))
    end = min(size, int(last) + 1) if first and last else size
    if start >= size or start >= end:
        raise RefusedError(416, "InvalidRange")
    return start, end


def copied(world: World, asked: Asked) -> tuple[Version, bytes]:
    """What a copy is made of: the source's version and the bytes that are wanted of it.

    Raises:
        RefusedError: There is no such source, or it is not the one that was looked at.
    """
    place, _, query = (asked.header("x-amz-copy-source") or "").lstrip("/").partition("?versionId=")
    name, _, key = unquote(place).partition("/")
    source = Asked(
        method="GET",
        bucket=name,
        key=key,
        query={"versionId": query} if query else {},
        headers={},
    )
    version = found_version(world.bucket(name), source)
    match = asked.header("x-amz-copy-source-if-match")
    if match is not None and match not in {version.quoted, version.etag}:
        raise RefusedError(412, "PreconditionFailed")
    data = version.data or b""
    span = _span(asked.header("x-amz-copy-source-range"), len(data))
    return version, data if span is None else data[span[0] : span[1]]


def copy_object(world: World, asked: Asked) -> Answer:
    """CopyObject: always in one piece, so ETag and checksum may change (STANDARDS section 7.2)."""
    bucket = world.bucket(asked.bucket)
    source, data = copied(world, asked)
    if len(data) > world.rules.largest_put:
        raise RefusedError(400, "InvalidRequest", "the source is larger than one copy may be")
    check_condition(asked, bucket.newest(asked.key), world.rules)
    version = new_version(world, bucket, asked, data)
    if asked.header("x-amz-metadata-directive") != "REPLACE":
        version.metadata = dict(source.metadata)
    bucket.add(asked.key, version)
    result = tag("CopyObjectResult", text("ETag", version.quoted), text("LastModified", _now()))
    named = {"x-amz-version-id": version.id} if bucket.versioning else {}
    return document(result, headers=named)


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")


def delete_object(world: World, asked: Asked) -> Answer:
    """DeleteObject: of a version for good unless it is locked, else a marker where they are kept."""
    bucket = world.bucket(asked.bucket)
    check_condition(asked, bucket.newest(asked.key), world.rules)  # section 7.5: If-Match
    versions = bucket.objects.get(asked.key, [])
    wanted = asked.query.get("versionId")
    if wanted is None and bucket.versioning:
        marker = Version(id=world.new_id(bucket), data=None)
        bucket.add(asked.key, marker)
        return Answer(
            status=204, headers={"x-amz-delete-marker": "true", "x-amz-version-id": marker.id}
        )
    bypass = asked.header("x-amz-bypass-governance-retention") == "true"
    for version in versions:
        if version.id == (wanted or "null"):
            if version.is_locked(datetime.now(UTC), bypass=bypass):
                raise RefusedError(403, "AccessDenied", "locked")
            versions.remove(version)
            break
    if not versions:
        bucket.objects.pop(asked.key, None)
    return Answer(status=204)


def retention(world: World, asked: Asked) -> Answer:
    """GetObjectRetention and PutObjectRetention: later is always allowed, sooner never (COMPLIANCE)."""
    bucket = world.bucket(asked.bucket)
    version = found_version(bucket, asked)
    if asked.method == "GET":
        if version.locked_until is None:
            raise RefusedError(404, "NoSuchObjectLockConfiguration")
        return document(
            tag(
                "Retention",
                text("Mode", version.lock_mode),
                text("RetainUntilDate", version.locked_until.isoformat()),
            )
        )
    return _retain(bucket, version, asked)


def _retain(bucket: Bucket, version: Version, asked: Asked) -> Answer:
    mode = re.search(rb"<Mode>(\w+)</Mode>", asked.body)
    until = re.search(rb"<RetainUntilDate>([^<]+)<", asked.body)
    if mode is None or until is None:
        raise RefusedError(400, "MalformedXML")
    if not bucket.object_lock:
        raise RefusedError(400, "InvalidRequest", "Bucket is missing Object Lock Configuration")
    new = datetime.fromisoformat(until[1].decode())
    bypass = asked.header("x-amz-bypass-governance-retention") == "true"
    sooner = version.locked_until is not None and new < version.locked_until
    if sooner and version.is_locked(datetime.now(UTC), bypass=bypass):
        raise RefusedError(403, "AccessDenied", "locked")
    version.lock_mode, version.locked_until = mode[1].decode(), new
    return Answer()
