"""Questions about the bucket itself, and which of its answers are to be believed.

Promises:
1. An answer counts only if it is what was asked for: the name of its outermost element says so. A
   store that does not know a question may answer with a listing, or an object, and status 200 (SEEN
   section 1); that is ``not offered``.
2. What the credentials may not look at is ``not allowed``, never a no.
3. A store that can't be reached, or asks for peace, is an error: nothing is concluded from it.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from botocore.exceptions import ClientError
from botocore.parsers import ResponseParserError

from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import cause_of, code_and_status, is_web_page, translated
from backupkeeper.core.bucket_findings import MOST_DAYS, Word

ROOT: Final = "backupkeeper-root"
"""Key of a parsed answer under which the name of its outermost element stands."""
_OUTERMOST: Final = re.compile(
    rb"\A(?:\xef\xbb\xbf)?\s*(?:<\?[^>]*\?>\s*)?<([A-Za-z_][A-Za-z0-9_.-]{0,99})[\s/>]"
)
_TOLD: Final = frozenset(
    {
        Cause.NO_CREDENTIALS, Cause.WRONG_CREDENTIALS, Cause.EXPIRED_CREDENTIALS, Cause.NO_BUCKET,
        Cause.CLOCK, Cause.BUSY, Cause.TIMEOUT, Cause.WRONG_REGION, Cause.PROXY,
    }
)  # fmt: skip
"""Why a question was not answered, where that says nothing about the bucket."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Said:
    """YES: ``answer`` is what was asked for. NO: the store says that there is no such thing."""

    word: Word
    answer: Mapping[str, Any] = field(default_factory=dict)


def said(
    store: Store, operation: str, *, roots: frozenset[str], none: frozenset[str] = frozenset()
) -> Said:
    """Ask one question about the bucket.

    Args:
        store: The bucket.
        operation: boto3's method, such as ``get_bucket_versioning``.
        roots: What the outermost element of a true answer is called.
        none: Error codes that say that there is no such thing.

    Raises:
        BackupkeeperError: The store could not be asked at all.
    """
    events, name = store.client.meta.events, _model_name(store, operation)
    events.register(f"before-parse.s3.{name}", _note_root, unique_id=f"{ROOT} {name}")
    try:
        with store.asking():
            try:
                answer = dict(getattr(store.client, operation)(Bucket=store.bucket))
            except ClientError as error:
                return _refusal(store, error, none)
            except ResponseParserError:
                return Said(word=Word.NOT_OFFERED)
    finally:
        events.unregister(f"before-parse.s3.{name}", _note_root, unique_id=f"{ROOT} {name}")
    if answer.get(ROOT) not in roots or is_web_page(answer):
        return Said(word=Word.NOT_OFFERED)
    return Said(word=Word.YES, answer=answer)


def _model_name(store: Store, operation: str) -> str:
    return store.client.meta.method_to_api_mapping[operation]


def _note_root(
    response_dict: dict[str, Any], customized_response_dict: dict[str, Any], **_: object
) -> None:
    body = response_dict.get("body")
    found = _OUTERMOST.match(body[:1000]) if isinstance(body, bytes) else None
    customized_response_dict[ROOT] = found[1].decode("ascii") if found else ""


def _refusal(store: Store, error: ClientError, none: frozenset[str]) -> Said:
    code, _ = code_and_status(error)
    if code in none:
        return Said(word=Word.NO)
    cause = cause_of(error)
    if cause in _TOLD:
        raise translated(error, store.where) from error
    return Said(word=Word.NOT_ALLOWED if cause is Cause.DENIED else Word.NOT_OFFERED)


# -- the questions


def object_lock(store: Store) -> tuple[Word, str]:
    """Whether objects can be locked, and the bucket's default retention in words."""
    told = said(
        store,
        "get_object_lock_configuration",
        roots=frozenset({"ObjectLockConfiguration"}),
        none=frozenset({"ObjectLockConfigurationNotFoundError", "NoSuchObjectLockConfiguration"}),
    )
    if told.word is not Word.YES:
        return told.word, ""
    lock = _table(told.answer.get("ObjectLockConfiguration"))
    if lock.get("ObjectLockEnabled") != "Enabled":
        return Word.NO, ""
    usual = _table(_table(lock.get("Rule")).get("DefaultRetention"))
    mode = usual.get("Mode")
    for unit in ("Days", "Years"):
        count = usual.get(unit)
        if (
            mode in {"GOVERNANCE", "COMPLIANCE"}
            and isinstance(count, int)
            and 0 < count <= MOST_DAYS
        ):
            return Word.YES, f"{str(mode).lower()}, {count} {unit.lower()}"
    return Word.YES, ""


def public_by_policy(store: Store) -> Word:
    """Whether the bucket's policy lets everybody in."""
    told = said(
        store,
        "get_bucket_policy_status",
        roots=frozenset({"PolicyStatus"}),
        none=frozenset({"NoSuchBucketPolicy"}),
    )
    if told.word is not Word.YES:
        return told.word
    public = _table(told.answer.get("PolicyStatus")).get("IsPublic")
    if not isinstance(public, bool):
        return Word.NOT_OFFERED
    return Word.YES if public else Word.NO


_EVERYBODY: Final = ("/groups/global/AllUsers", "/groups/global/AuthenticatedUsers")


def public_by_grants(store: Store) -> Word:
    """Whether the bucket's access list lets everybody, or everybody with an account, in."""
    told = said(store, "get_bucket_acl", roots=frozenset({"AccessControlPolicy"}))
    if told.word is not Word.YES:
        return told.word
    grants = told.answer.get("Grants")
    if not isinstance(grants, list):
        return Word.NOT_OFFERED
    to = [str(_table(_table(one).get("Grantee")).get("URI") or "") for one in grants]
    return Word.YES if any(uri.endswith(_EVERYBODY) for uri in to) else Word.NO


def _table(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}
