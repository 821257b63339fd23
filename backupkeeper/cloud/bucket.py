"""The door to a bucket: its location as text, and opening it.

Promises:
1. Importing this module does not load boto3 (a fifth of a second): ``open_bucket`` does.
2. Opening asks nothing of the network; a wrong location, profile or endpoint is a ``UsageError``.
"""

import re
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from backupkeeper.cloud.tuning import Tuning
from backupkeeper.config import Addressing
from backupkeeper.core.bucket_findings import Findings
from backupkeeper.core.errors import UsageError
from backupkeeper.core.parts import MOST_AT_ONCE, small_at_once, usual_part
from backupkeeper.ports.clock import Clock, Entropy

if TYPE_CHECKING:
    from backupkeeper.cloud.keeping import Retention
    from backupkeeper.cloud.s3 import S3Bucket

_SCHEME = "s3://"
_BUCKET = re.compile(r"[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]")
_BAD_IN_PREFIX = re.compile(r"[\x00-\x1f\x7f-\x9f\\\ud800-\udfff\ufffe\uffff]")


def parse_location(text: str) -> tuple[str, str]:
    """Take ``s3://bucket/prefix`` apart.

    Args:
        text: The location as the person writes it.

    Returns:
        The bucket's name and the prefix without ``/`` at its ends (empty where there is none).

    Raises:
        UsageError: It is no such location.
    """
    if not text.startswith(_SCHEME):
        raise UsageError(
            f"{text!r} is no bucket.", advice="A bucket is written s3://bucket/prefix."
        )
    bucket, _, prefix = text.removeprefix(_SCHEME).partition("/")
    if not _BUCKET.fullmatch(bucket) or ".." in bucket:
        raise UsageError(
            f"{bucket!r} can't be the name of a bucket.",
            advice="It has 3 to 63 lower-case letters, digits, hyphens and dots, and begins and "
            "ends with a letter or digit.",
        )
    prefix = prefix.strip("/")
    parts = prefix.split("/") if prefix else []
    if any(part in {"", ".", ".."} for part in parts) or _BAD_IN_PREFIX.search(prefix):
        raise UsageError(
            f"{prefix!r} can't be the prefix of a place.",
            advice="It is made of plain names with one / between them.",
        )
    return bucket, prefix


def check_endpoint(endpoint: str | None) -> None:
    """See that an endpoint is an address.

    Raises:
        UsageError: It is not ``http://host`` or ``https://host``, with a port or without.
    """
    if endpoint is None:
        return
    try:
        address = urlsplit(endpoint)
        fine = address.scheme in {"http", "https"} and bool(address.hostname)
        fine = fine and not (address.query or address.fragment or address.username)
        _ = address.port
    except ValueError:
        fine = False
    if not fine or not endpoint.isprintable() or " " in endpoint:
        raise UsageError(
            f"{endpoint!r} is no address of an object store.",
            advice="It is written https://store.example or http://192.0.2.7:9000.",
        )


def open_bucket(  # noqa: PLR0913 - all that one bucket differs in from another
    location: str,
    *,
    endpoint: str | None,
    profile: str | None,
    clock: Clock,
    entropy: Entropy,
    addressing: Addressing = Addressing.AUTO,
    parallel_parts: int = MOST_AT_ONCE,
    tuning: Tuning | None = None,
    retention: "Retention | None" = None,
    remembered: Findings | None = None,
) -> "S3Bucket":
    """Open a bucket and prefix. Asks nothing of the network yet.

    Args:
        location: ``s3://bucket/prefix``.
        endpoint: Address of the store, or None for the one that boto3 finds by itself.
        profile: Profile of the AWS configuration files, or None for the usual chain.
        clock: Tells how old the knowledge is that the bucket exists.
        entropy: Names scratch objects and uploads.
        addressing: Where the bucket's name goes. ``auto`` puts it into the path for an endpoint
            of the person's own, and leaves it to boto3 otherwise.
        parallel_parts: How many parts of a file travel at once, at most.
        tuning: Timeouts, attempts and part size.
        retention: How long the store is to keep originals, where it has object lock.
        remembered: What was found out about the bucket not long ago.

    Returns:
        A ``ports.bucket.Bucket``.

    Raises:
        UsageError: Location, endpoint or profile can't be used.
    """
    bucket, prefix = parse_location(location)
    check_endpoint(endpoint)
    from backupkeeper.cloud.client import connect  # noqa: PLC0415 - boto3 costs start-up time
    from backupkeeper.cloud.s3 import S3Bucket  # noqa: PLC0415 - boto3 costs start-up time

    tuning = tuning or Tuning()
    store = connect(
        bucket,
        prefix,
        endpoint=endpoint,
        profile=profile,
        addressing=addressing,
        connections=max(parallel_parts, small_at_once(parallel_parts)) + 2,
        tuning=tuning,
        clock=clock,
    )
    return S3Bucket(
        store,
        clock=clock,
        entropy=entropy,
        usual=tuning.usual_part or usual_part(parallel_parts),
        at_once=parallel_parts,
        retention=retention,
        remembered=remembered,
    )
