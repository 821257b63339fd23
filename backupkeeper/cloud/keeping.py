"""How long the store itself keeps an original: object lock.

Promises:
1. A lock is asked for only where the person wants one and the bucket is known to have object lock:
   elsewhere a store refuses the whole upload.
2. An object made of parts is looked at afterwards: seen was a store that takes the lock with the
   beginning of the upload and forgets it. Then it is locked by itself, by its version.
3. ``COMPLIANCE`` is never asked for unless the person wrote it: nobody can take it back
   (STANDARDS section 7.7).

A lock needs Content-MD5 or a checksum (section 7.4): every piece of ours travels with one of them
where a lock can be (``cloud.checks.leaves_md5_out``).
It does not stop an overwrite: that makes a new version. So facts name versions.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS, code_and_status
from backupkeeper.config import RetentionMode
from backupkeeper.ports.bucket import Capabilities

_MODES: Final = {RetentionMode.GOVERNANCE: "GOVERNANCE", RetentionMode.COMPLIANCE: "COMPLIANCE"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Retention:
    """What the person asks for: so many days, counted from the upload."""

    days: int
    mode: RetentionMode = RetentionMode.GOVERNANCE

    def parameters(self, can: Capabilities, now: datetime) -> dict[str, Any]:
        """boto3's parameters for ``put_object`` and ``create_multipart_upload``; may be empty.

        Args:
            can: What the bucket was seen to do.
            now: The present time; in UTC.
        """
        if self.days < 1 or can.object_lock is not True:
            return {}
        return {
            "ObjectLockMode": _MODES[self.mode],
            "ObjectLockRetainUntilDate": now + timedelta(days=self.days),
        }


def see_locked(store: Store, path: str, version: str | None, lock: dict[str, Any]) -> str:
    """See that an object that was made of parts is locked; lock it where it is not.

    Args:
        store: The bucket.
        path: The object.
        version: Its version.
        lock: What was asked for when it was begun (``Retention.parameters``).

    Returns:
        Why it is not locked, in one sentence; empty where it is.
    """
    asked: dict[str, Any] = store.at(path) | ({"VersionId": version} if version else {})
    try:
        # The answer tells of a lock only to those who may look at it: silence is no no.
        head: dict[str, Any] = dict(store.client.head_object(**asked))
        if head.get("ObjectLockMode") == lock["ObjectLockMode"]:
            return ""
        store.client.put_object_retention(
            **asked,
            Retention={
                "Mode": lock["ObjectLockMode"],
                "RetainUntilDate": lock["ObjectLockRetainUntilDate"],
            },
        )
    except LIBRARY_ERRORS as error:
        code, status = code_and_status(error)
        why = f"{code}, HTTP {status}" if status else type(error).__name__
        return f"The bucket did not lock {path} ({why}); it is there, but can be deleted."
    return ""
