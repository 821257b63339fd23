"""Signature version 4 as the service's documents describe it, and chunked bodies with trailers.

Written from the published description ("Authenticating Requests: AWS Signature Version 4"), with
the standard library only. Beyond what a lenient store checks: every ``x-amz-*`` header must be
signed, and the body is what its signed hash says.
"""

import hashlib
import hmac
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from urllib.parse import quote, unquote, urlsplit

from tests.world.strict_talk import RefusedError

_AUTHORIZATION = re.compile(
    r"AWS4-HMAC-SHA256 Credential=(?P<access>[^/]+)/(?P<day>\d{8})/(?P<region>[^/]+)/s3/"
    r"aws4_request, ?SignedHeaders=(?P<signed>[^,]+), ?Signature=(?P<signature>[0-9a-f]{64})"
)
_SKEW = timedelta(minutes=15)
UNSIGNED = "UNSIGNED-PAYLOAD"
TRAILER = "STREAMING-UNSIGNED-PAYLOAD-TRAILER"


def check_signature(
    method: str,
    address: str,
    headers: Mapping[str, str],
    *,
    secrets: Mapping[str, str],
    now: datetime,
) -> str:
    """See that a request was signed by who knows the secret.

    Args:
        method: Of the request.
        address: Path and query as they travelled.
        headers: By lower-case name.
        secrets: Secret key by access key.
        now: The store's time.

    Returns:
        The access key.

    Raises:
        RefusedError: It was not, or too long ago.
    """
    if "authorization" not in headers:
        raise RefusedError(403, "AccessDenied", "anonymous")
    match = _AUTHORIZATION.fullmatch(headers["authorization"])
    if match is None:
        raise RefusedError(400, "AuthorizationHeaderMalformed")
    if match["access"] not in secrets:
        raise RefusedError(403, "InvalidAccessKeyId")
    _check_time(headers.get("x-amz-date", ""), match["day"], now)
    signed = match["signed"].split(";")
    wanted = {name for name in headers if name.startswith("x-amz-")} | {"host"}
    if missing := wanted - set(signed):
        raise RefusedError(403, "AccessDenied", f"not signed: {sorted(missing)}")
    canonical = _canonical(method, address, headers, signed)
    scope = f"{match['day']}/{match['region']}/s3/aws4_request"
    digest = hashlib.sha256(canonical.encode()).hexdigest()
    to_sign = f"AWS4-HMAC-SHA256\n{headers['x-amz-date']}\n{scope}\n{digest}"
    key = f"AWS4{secrets[match['access']]}".encode()
    for word in (match["day"], match["region"], "s3", "aws4_request"):
        key = hmac.new(key, word.encode(), hashlib.sha256).digest()
    right = hmac.new(key, to_sign.encode(), hashlib.sha256).hexdigest()
    if not hmac.compare_digest(right, match["signature"]):
        raise RefusedError(403, "SignatureDoesNotMatch")
    return match["access"]


def _check_time(stamp: str, day: str, now: datetime) -> None:
    try:
        at = datetime.strptime(stamp, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError as error:
        raise RefusedError(403, "AccessDenied", "no date") from error
    if abs(now - at) > _SKEW or not stamp.startswith(day):
        raise RefusedError(403, "RequestTimeTooSkewed")


def _canonical(method: str, address: str, headers: Mapping[str, str], signed: list[str]) -> str:
    parts = urlsplit(address)
    pairs = [item.partition("=") for item in parts.query.split("&") if item]
    query = sorted(
        (quote(unquote(name), safe="-_.~"), quote(unquote(value), safe="-_.~"))
        for name, _, value in pairs
    )
    lines = [f"{name}:{' '.join(headers.get(name, '').split())}\n" for name in signed]
    return "\n".join(
        (
            method,
            parts.path or "/",
            "&".join(f"{name}={value}" for name, value in query),
            "".join(lines),
            ";".join(signed),
            headers.get("x-amz-content-sha256", UNSIGNED),
        )
    )


def body_and_trailers(body: bytes, headers: Mapping[str, str]) -> tuple[bytes, dict[str, str]]:
    """The bytes that a request brings, checked against its signed hash, and its trailing headers.

    Raises:
        RefusedError: These are not the bytes that were signed.
    """
    said = headers.get("x-amz-content-sha256")
    if said is None:
        raise RefusedError(400, "InvalidRequest", "Missing required header x-amz-content-sha256")
    if said == TRAILER:
        return _from_chunks(body, headers)
    if said.startswith("STREAMING-"):
        raise RefusedError(501, "NotImplemented", said)
    if said != UNSIGNED and said != hashlib.sha256(body).hexdigest():
        raise RefusedError(400, "XAmzContentSHA256Mismatch")
    return body, {}


def _from_chunks(body: bytes, headers: Mapping[str, str]) -> tuple[bytes, dict[str, str]]:
    """The ``aws-chunked`` content encoding with trailing checksums (STANDARDS section 7.4)."""
    if "aws-chunked" not in headers.get("content-encoding", ""):
        raise RefusedError(400, "InvalidRequest", "a trailer without aws-chunked")
    data = bytearray()
    try:
        while True:
            line, _, body = body.partition(b"\r\n")
            size = int(line.partition(b";")[0], 16)
            if size == 0:
                break
            data += body[:size]
            body = body[size:].removeprefix(b"\r\n")
        trailers = [line.decode().partition(":") for line in body.split(b"\r\n") if line]
    except ValueError as error:
        raise RefusedError(400, "IncompleteBody") from error
    if headers.get("x-amz-decoded-content-length") != str(len(data)):
        raise RefusedError(400, "IncompleteBody")
    found = {name.strip().lower(): value.strip() for name, _, value in trailers}
    if headers.get("x-amz-trailer", "").lower() not in {"", *found}:
        raise RefusedError(400, "MalformedTrailerError")
    return bytes(data), found
