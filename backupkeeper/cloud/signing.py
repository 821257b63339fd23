"""The hash of a body that is signed: the one of the bytes that were meant, not of the copy.

botocore hashes what it is about to send. That is a second time over bytes that were hashed already,
and what went wrong in memory since then would be signed as if it were right.

Promise: a request whose body knows its SHA-256 (``cloud.checks.Body``) is signed with that, again
with every try; all other requests are signed as botocore does it.
"""

from typing import TYPE_CHECKING, Any, Final

from botocore.auth import AUTH_TYPE_MAPS, S3SigV4Auth

from backupkeeper.cloud.checks import Body

if TYPE_CHECKING:
    from botocore.awsrequest import AWSRequest
    from types_boto3_s3 import S3Client

_NAME: Final = "s3v4-of-known-bodies"
_PLAIN: Final = frozenset({"v4", "s3v4"})
"""How botocore calls the signature of version 4 with which S3's requests are signed."""


class _OfKnownBodies(S3SigV4Auth):
    """Signature version 4, that takes a body's word for its hash."""

    def payload(self, request: "AWSRequest") -> str:
        """What stands in ``x-amz-content-sha256``."""
        body: object = request.body
        if isinstance(body, Body) and body.sha256:
            return body.sha256
        hashed: str = super().payload(request)
        return hashed


AUTH_TYPE_MAPS[_NAME] = _OfKnownBodies


def sign_known_bodies(client: "S3Client") -> None:
    """Have a client sign bodies of ours with the hash that they know."""
    events: Any = client.meta.events
    for operation in ("PutObject", "UploadPart"):
        events.register(f"choose-signer.s3.{operation}", _choose)


def _choose(signature_version: Any, **_: object) -> str | None:  # noqa: ANN401 - text, or botocore's mark for none
    return _NAME if signature_version in _PLAIN else None
