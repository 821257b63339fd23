"""All that one check of a bucket tries, put together: some dozens of small requests.

Promises (beside those of ``cloud.capabilities``, whose trial this uses):
1. A checksum counts as returned only where the very value that was sent came back.
2. Everything that was made is removed; what may not be is named.
"""

import hashlib
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

import xxhash
from botocore.exceptions import BotoCoreError

from backupkeeper.cloud.anybody import read_by_anybody
from backupkeeper.cloud.asking import object_lock, public_by_grants, public_by_policy
from backupkeeper.cloud.capabilities import (
    ANY,
    RIGHT,
    SCRATCH,
    WHOLE,
    WRONG,
    Trial,
    is_md5,
    lock_known,
)
from backupkeeper.cloud.checks import EXTRAS, MD5, PAYLOAD, checks_of, crc64nvme, text_of
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.lifecycle import rules_for
from backupkeeper.cloud.measuring import rates, skew_and_latency
from backupkeeper.core.bucket_findings import Findings, Step
from backupkeeper.core.errors import BackupkeeperError, BucketUnreachableError
from backupkeeper.ports.bucket import Capabilities
from backupkeeper.ports.clock import Clock

RATE: Final = f"{SCRATCH}-rate"
_TRIALS: Final = 3
"""So often an object is put there that another machine removes."""
_LAST_PART: Final = 10_000
"""The most parts of an upload (STANDARDS section 7.1)."""
_BAD_PART: Final = frozenset({"InvalidPart", "BadDigest", "InvalidDigest", "InvalidPartOrder"})
_TOO_SMALL: Final = frozenset({"EntityTooSmall"})
_POLY_CRC32C: Final = 0x82F63B78  # reflected; RFC 3720, appendix B.4


def _crc32c(data: bytes) -> bytes:
    value = 0xFFFF_FFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (_POLY_CRC32C if value & 1 else 0)
    return (value ^ 0xFFFF_FFFF).to_bytes(4, "big")


DIGESTS: Final[Mapping[str, Callable[[bytes], bytes]]] = {
    "crc32": lambda data: zlib.crc32(data).to_bytes(4, "big"),
    "crc32c": _crc32c,
    "crc64nvme": lambda data: crc64nvme(data).to_bytes(8, "big"),
    "sha1": lambda data: hashlib.sha1(data, usedforsecurity=False).digest(),
    "sha256": lambda data: hashlib.sha256(data).digest(),
    "sha512": lambda data: hashlib.sha512(data).digest(),
    "md5": lambda data: hashlib.md5(data, usedforsecurity=False).digest(),
    "xxhash64": lambda data: xxhash.xxh64(data).digest(),
    "xxhash3": lambda data: xxhash.xxh3_64(data).digest(),
    "xxhash128": lambda data: xxhash.xxh3_128(data).digest(),
}
"""Every ``x-amz-checksum-*`` that the service's model names (STANDARDS section 7.3)."""


def parameter_of(name: str) -> str:
    """boto3's parameter for a checksum."""
    return EXTRAS.get(name, f"Checksum{name.upper()}")


def check_bucket(store: Store, clock: Clock, ticket: str) -> Findings:
    """Try and ask everything.

    Args:
        store: The bucket.
        clock: For skew, latency and rates.
        ticket: A random text, for what nobody else puts there.

    Raises:
        BackupkeeperError: It can't be reached, or can't be written to.
    """
    trial = Trial(store=store)
    try:
        with store.asking(SCRATCH):
            return _checked(trial, clock, ticket)
    finally:
        trial.clean_up()


def _checked(trial: Trial, clock: Clock, ticket: str) -> Findings:
    store = trial.store
    conditional_put = trial.conditional_put()
    conditional_complete = trial.conditional_complete()
    etag = trial.plain_etag()
    is_read = _is_read_by_anybody(trial, ticket)
    skew, latency = skew_and_latency(trial, ANY, clock)
    refuses = {MD5: tuple(_plain_steps(trial, MD5)), PAYLOAD: tuple(_plain_steps(trial, PAYLOAD))}
    returns: list[str] = []
    for name in DIGESTS:
        refuses[name] = tuple(_steps(trial, name))
        if _returns(trial, name):
            returns.append(name)
    refuses_small, takes_last = _refuses_small_parts(trial), _takes_last_part(trial)
    there, back = rates(trial, RATE, clock)
    lock, usual = object_lock(store)
    rules = rules_for(store)
    policy, grants = public_by_policy(store), public_by_grants(store)
    versioning = trial.saw_versions
    trial.clean_up()
    return Findings(
        refuses=refuses,
        returns=tuple(returns),
        conditional_put=conditional_put,
        conditional_complete=conditional_complete,
        etag_is_md5=is_md5(etag),
        refuses_small_parts=refuses_small,
        takes_part_10000=takes_last,
        versioning=versioning,
        object_lock=lock,
        lock_default=usual,
        lifecycle=rules.aborts,
        abort_days=rules.abort_days,
        deletes_days=rules.deletes_days,
        read_by_anybody=is_read,
        public_policy=policy,
        public_grants=grants,
        skew_s=skew,
        latency_s=latency,
        put_rate=there,
        get_rate=back,
        left_behind=tuple(trial.left),
    )


def _plain_steps(trial: Trial, check: str) -> Iterator[Step]:
    """Where Content-MD5, or the signed hash of the body, is enforced; complete has neither."""
    for step in (Step.PUT, Step.PART):
        if trial.refused_on(check, step):
            yield step


def _steps(trial: Trial, name: str) -> Iterator[Step]:
    """Where an ``x-amz-checksum-*`` is enforced. Put first: who takes a wrong one there knows none."""
    parameter = parameter_of(name)
    right = {parameter: text_of(DIGESTS[name](RIGHT))}
    wrong = {parameter: text_of(DIGESTS[name](WRONG))}
    if trial.enforced(lambda **more: trial.put(ANY, **more), right, wrong):
        yield Step.PUT
    else:
        return
    upload = _begun(trial, name)
    if upload is None:
        return
    if not trial.enforced(lambda **more: trial.part(WHOLE, upload, **more), right, wrong):
        return
    yield Step.PART
    named = {"PartNumber": 1, "ETag": trial.store.etag(trial.part(WHOLE, upload, **right))}
    refused = trial.turned_down(lambda: trial.complete(WHOLE, upload, named | wrong), _BAD_PART)
    if refused and trial.takes(lambda: trial.complete(WHOLE, upload, named | right)):
        yield Step.COMPLETE


def _begun(trial: Trial, name: str) -> str | None:
    more = {"ChecksumAlgorithm": name.upper()}
    if name == "crc64nvme":
        more["ChecksumType"] = "FULL_OBJECT"
    started: list[str] = []
    try:
        taken = trial.takes(lambda: started.append(trial.begin(WHOLE, **more)))
    except BackupkeeperError as error:
        # The library itself knows no upload in parts with some of them (MD5, SEEN section 1).
        if isinstance(error.__cause__, BotoCoreError):
            return None
        raise
    return started[0] if taken else None


def _returns(trial: Trial, name: str) -> bool:
    parameter, value = parameter_of(name), text_of(DIGESTS[name](RIGHT))
    if not trial.takes(lambda: trial.put(ANY, **{parameter: value})):
        return False
    asked: dict[str, Any] = trial.store.at(ANY) | {"ChecksumMode": "ENABLED"}
    with trial.store.asking(ANY):
        return bool(trial.store.client.head_object(**asked).get(parameter) == value)


def _refuses_small_parts(trial: Trial) -> bool:
    """Whether a part that is not the last must have a certain size (5 MiB, section 7.1)."""
    upload = trial.begin(WHOLE)
    parts: list[dict[str, Any]] = []
    with trial.store.asking(WHOLE):
        for number in (1, 2):
            answer = trial.numbered_part(WHOLE, upload, number, checks_of(RIGHT))
            parts.append({"PartNumber": number, "ETag": trial.store.etag(answer)})
    return trial.turned_down(lambda: trial.complete(WHOLE, upload, *parts), _TOO_SMALL)


def _takes_last_part(trial: Trial) -> bool:
    upload = trial.begin(WHOLE)
    return trial.takes(lambda: trial.numbered_part(WHOLE, upload, _LAST_PART, checks_of(RIGHT)))


def _is_read_by_anybody(trial: Trial, ticket: str) -> bool:
    data = RIGHT + ticket.encode()
    for _ in range(_TRIALS):
        with trial.store.asking(ANY):
            trial.put_body(ANY, data)
        answer = read_by_anybody(trial.store, ANY, data, start=RIGHT)
        if answer is not None:
            return answer
    raise BucketUnreachableError(
        f"Who can read the bucket {trial.store.bucket} can't be seen: another machine tries it just now.",
        advice="Try again in a minute.",
    )


def who_reads(store: Store, found: Findings, ticket: str) -> Findings:
    """What was found before, with who gets at the bucket now. ``ticket``: as in ``check_bucket``.

    Raises:
        BackupkeeperError: It can't be reached, or can't be written to.
    """
    trial = Trial(store=store)
    try:
        return replace(
            found,
            read_by_anybody=_is_read_by_anybody(trial, ticket),
            public_grants=public_by_grants(store),
        )
    finally:
        trial.clean_up()


def capabilities_of(found: Findings) -> Capabilities:
    """What an upload needs to know of all that was found."""
    known = {MD5, PAYLOAD, *EXTRAS}
    return Capabilities(
        refuses_wrong=found.refuses_wrong & known,
        conditional_put=found.conditional_put,
        conditional_complete=found.conditional_complete,
        versioning=found.versioning,
        etag_is_md5=found.etag_is_md5,
        object_lock=lock_known(found.object_lock),
        left_behind=found.left_behind,
    )
