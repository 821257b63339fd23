"""What the strict store holds, and where it is told to be nasty: data, and the checks of a body."""

import threading
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import count

from tests.world.strict_checksums import (
    DIGESTS,
    FULL,
    checksum,
    is_well_formed,
    md5_hex,
    text_of,
)
from tests.world.strict_talk import Asked, RefusedError

MEBIBYTE = 1024 * 1024


@dataclass(kw_only=True)
class Rules:
    """The service's numbers, and misdeeds that its documents allow it."""

    secrets: dict[str, str] = field(default_factory=lambda: {"testaccess": "testsecret"})
    smallest_part: int = 5 * MEBIBYTE
    """Every part but the last (STANDARDS section 7.1)."""
    largest_put: int = 5 * 1024 * MEBIBYTE
    page: int = 1_000
    """ListParts, ListMultipartUploads, ListObjectsV2 (STANDARDS section 7.1)."""
    wrong_checksum: str = "BadDigest"
    """The code for a wrong ``x-amz-checksum-*``; ``XAmzContentChecksumMismatch`` is another."""
    errors_inside_complete: int = 0
    """So many completes answer 200 with an error in the body, and do nothing (section 7.6)."""
    conflicts: int = 0
    """So many conditional puts and completes meet another writer: 409 (section 7.5)."""
    knows: frozenset[str] = frozenset(DIGESTS)
    """The kinds of ``x-amz-checksum-*`` that this store has heard of."""
    ignores_classes: bool = False
    """Every object stands in ``STANDARD``, whatever was asked for."""


@dataclass(kw_only=True)
class Checksum:
    """A checksum that the store saw to."""

    kind: str
    value: str
    type: str = FULL


@dataclass(kw_only=True)
class Version:
    """One version of an object, or a delete marker (``data`` is None)."""

    id: str
    data: bytes | None
    etag: str = ""
    metadata: dict[str, str] = field(default_factory=dict)
    checksum: Checksum | None = None
    modified: datetime = field(default_factory=lambda: datetime.now(UTC))
    parts: tuple[int, ...] = ()
    """Bytes of each part, for an object that came in parts."""
    lock_mode: str = ""
    locked_until: datetime | None = None

    @property
    def quoted(self) -> str:
        """The ETag as it travels."""
        return f'"{self.etag}"'

    def is_locked(self, now: datetime, *, bypass: bool) -> bool:
        """Whether it may not be deleted (STANDARDS section 7.7)."""
        if self.locked_until is None or self.locked_until <= now:
            return False
        return not (bypass and self.lock_mode == "GOVERNANCE")


@dataclass(kw_only=True)
class SentPart:
    """A part that arrived."""

    data: bytes
    etag: str
    checksum: str | None
    modified: datetime = field(default_factory=lambda: datetime.now(UTC))


@dataclass(kw_only=True)
class Begun:
    """An upload in parts that is under way. ``kind`` is None where none was asked for."""

    id: str
    key: str
    kind: str | None
    type: str
    headers: dict[str, str]
    begun: datetime = field(default_factory=lambda: datetime.now(UTC))
    parts: dict[int, SentPart] = field(default_factory=dict)


@dataclass(kw_only=True)
class Bucket:
    """A bucket: versions of each key, the newest last, and uploads under way."""

    name: str
    versioning: str = ""
    object_lock: bool = False
    settings: dict[str, bytes] = field(default_factory=dict)
    """Documents that were put beside it (``lifecycle``, ``object-lock``…), as they came."""
    objects: dict[str, list[Version]] = field(default_factory=dict)
    uploads: dict[str, Begun] = field(default_factory=dict)

    def newest(self, key: str) -> Version | None:
        """What stands under a key now; a delete marker counts as nothing (section 7.5, memory)."""
        versions = self.objects.get(key)
        return versions[-1] if versions and versions[-1].data is not None else None

    def add(self, key: str, version: Version) -> None:
        """A new newest version; where none are kept it takes the place of the old one."""
        kept = self.objects.setdefault(key, [])
        if version.id == "null":
            kept[:] = [one for one in kept if one.id != "null"]
        kept.append(version)


@dataclass(kw_only=True)
class World:
    """All buckets, and the rules. ``lock`` is held while anything is looked at or changed."""

    rules: Rules = field(default_factory=Rules)
    buckets: dict[str, Bucket] = field(default_factory=dict)
    lock: threading.RLock = field(default_factory=threading.RLock)
    numbers: "count[int]" = field(default_factory=lambda: count(1))

    def bucket(self, name: str) -> Bucket:
        """A bucket.

        Raises:
            RefusedError: There is none of this name.
        """
        if name not in self.buckets:
            raise RefusedError(404, "NoSuchBucket")
        return self.buckets[name]

    def new_id(self, bucket: Bucket | None = None) -> str:
        """A new id; for a version of a bucket that keeps none, ``null``."""
        if bucket is not None and bucket.versioning != "Enabled":
            return "null"
        return f"{next(self.numbers):032x}"


def checked(asked: Asked, rules: Rules) -> Checksum | None:
    """See that the body is the one that was announced, by every check that came with it.

    Returns:
        The ``x-amz-checksum-*`` that came, if any.

    Raises:
        RefusedError: It is another one, or a check makes no sense.
    """
    if (said := asked.header("content-md5")) is not None:
        if not is_well_formed("md5", said):
            raise RefusedError(400, "InvalidDigest")
        if said != text_of(bytes.fromhex(md5_hex(asked.body))):
            raise RefusedError(400, "BadDigest", "Content-MD5")
    return _checksum(asked, rules)


def said_checksums(asked: Asked, rules: Rules) -> dict[str, str]:
    """The values of ``x-amz-checksum-*`` that came, by kind.

    Raises:
        RefusedError: More than one, one that is malformed, or one that this store does not know.
    """
    found = {}
    for kind in DIGESTS:
        value = asked.header(f"x-amz-checksum-{kind}")
        if value is None:
            continue
        if kind not in rules.knows:
            raise RefusedError(501, "NotImplemented", f"x-amz-checksum-{kind}")
        found[kind] = value
    if len(found) > 1:  # from memory
        raise RefusedError(400, "InvalidRequest", "Expecting a single x-amz-checksum- header.")
    named = (asked.header("x-amz-sdk-checksum-algorithm") or "").lower()
    if named and found and named not in found:  # from memory
        raise RefusedError(400, "InvalidRequest", "x-amz-sdk-checksum-algorithm does not fit")
    return found


def _checksum(asked: Asked, rules: Rules) -> Checksum | None:
    for kind, value in said_checksums(asked, rules).items():
        if not is_well_formed(kind, value):
            raise RefusedError(400, "InvalidRequest", f"Value for {kind} header is invalid.")
        if value != checksum(kind, asked.body):  # STANDARDS section 7.3
            raise RefusedError(400, rules.wrong_checksum, f"The {kind} you specified did not match")
        return Checksum(kind=kind, value=value)
    return None


def check_condition(asked: Asked, there: Version | None, rules: Rules) -> None:
    """``If-None-Match: *`` and ``If-Match`` on what writes (STANDARDS section 7.5).

    Raises:
        RefusedError: 412 where the condition does not hold, 409 where writers race.
    """
    none_match, match = asked.header("if-none-match"), asked.header("if-match")
    if none_match is None and match is None:
        return
    if none_match is not None and none_match != "*":
        raise RefusedError(501, "NotImplemented", "If-None-Match takes * only")
    if none_match is not None and there is not None:
        raise RefusedError(412, "PreconditionFailed")
    if match is not None:
        if there is None:  # from memory
            raise RefusedError(404, "NoSuchKey")
        if match not in {there.quoted, there.etag, "*"}:
            raise RefusedError(412, "PreconditionFailed")
    if rules.conflicts > 0:
        rules.conflicts -= 1
        raise RefusedError(409, "ConditionalRequestConflict")


def checksum_headers(found: Checksum | None) -> dict[str, str]:
    """A checksum as an answer says it (STANDARDS section 7.3)."""
    if found is None:
        return {}
    return {f"x-amz-checksum-{found.kind}": found.value, "x-amz-checksum-type": found.type}
