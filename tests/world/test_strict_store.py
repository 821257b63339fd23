"""The strict store, held to the service's documents through plain boto3 (STANDARDS section 7)."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from botocore.exceptions import ClientError

from tests.real.store import raw_client
from tests.world.certificates import new_certificate
from tests.world.strict_asking import DATA, IN, OTHER, PART, begun, completed, named, part, refused
from tests.world.strict_checksums import DIGESTS, checksum, composite, etag_in_parts, types_of
from tests.world.strict_rules import Rules, World, checked
from tests.world.strict_signing import TRAILER, body_and_trailers
from tests.world.strict_store import strict_store
from tests.world.strict_talk import Asked, RefusedError

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = pytest.mark.usefixtures("one_loader", "at_once")

KINDS = sorted(DIGESTS)
ALGORITHM = {kind: kind.upper() for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS)
def test_a_wrong_checksum_is_refused_on_put_and_a_right_one_comes_back(
    client: "S3Client", kind: str
) -> None:
    with refused(400, "BadDigest"):
        client.put_object(**IN, Body=DATA, **named(kind, OTHER))
    with refused(404, "404"):
        client.head_object(**IN)
    client.put_object(**IN, Body=DATA, **named(kind, DATA))
    plain: dict[str, Any] = dict(client.head_object(**IN))
    assert not [name for name in plain if name.startswith("Checksum")]
    seen: dict[str, Any] = dict(client.head_object(**IN, ChecksumMode="ENABLED"))
    assert seen[f"Checksum{kind.upper()}"] == checksum(kind, DATA)
    assert seen["ChecksumType"] == "FULL_OBJECT"  # section 7.3: one piece is always that


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("wanted", ["COMPOSITE", "FULL_OBJECT"])
def test_checksums_of_parts_and_of_the_whole(client: "S3Client", kind: str, wanted: str) -> None:
    asked: dict[str, Any] = {"ChecksumAlgorithm": ALGORITHM[kind], "ChecksumType": wanted}
    if wanted not in types_of(kind):
        with refused(400, "InvalidRequest"):
            begun(client, **asked)
        return
    upload = begun(client, **asked)
    bodies = [b"A" * PART, b"B" * 10]
    with refused(400, "BadDigest"):
        part(client, upload, 1, bodies[0], **named(kind, OTHER))
    parts = [part(client, upload, n + 1, b, **named(kind, b)) for n, b in enumerate(bodies)]
    whole = (
        checksum(kind, b"".join(bodies))
        if wanted == "FULL_OBJECT"
        else composite(kind, [checksum(kind, body) for body in bodies])
    )
    wrong: dict[str, Any] = {f"Checksum{kind.upper()}": checksum(kind, OTHER)}
    with refused(400, "BadDigest"):
        completed(client, upload, parts, **wrong)
    right: dict[str, Any] = {f"Checksum{kind.upper()}": whole}
    completed(client, upload, parts, **right, ChecksumType=wanted)
    seen: dict[str, Any] = dict(client.head_object(**IN, ChecksumMode="ENABLED"))
    assert (seen[f"Checksum{kind.upper()}"], seen["ChecksumType"]) == (whole, wanted)
    assert seen["ETag"] == f'"{etag_in_parts(bodies)}"'


def test_a_part_with_another_kind_than_was_begun_with_is_refused(client: "S3Client") -> None:
    upload = begun(client, ChecksumAlgorithm="SHA256")
    with refused(400, "InvalidRequest"):
        part(client, upload, 1, DATA, **named("crc32", DATA))


def test_parts_with_a_composite_checksum_must_be_named_with_it_and_without_gaps(
    client: "S3Client",
) -> None:
    upload = begun(client, ChecksumAlgorithm="SHA256")
    first = part(client, upload, 1, b"A" * PART, **named("sha256", b"A" * PART))
    third = part(client, upload, 3, b"C", **named("sha256", b"C"))
    with refused(400, "InvalidPartOrder"):
        completed(client, upload, [first, third])
    bare = {name: value for name, value in first.items() if name != "ChecksumSHA256"}
    with refused(400, "InvalidRequest"):
        completed(client, upload, [bare])
    with refused(400, "InvalidPart"):
        completed(client, upload, [first | named("sha256", OTHER)])
    with refused(400, "BadDigest"):
        completed(client, upload, [first], ChecksumType="FULL_OBJECT")


def test_what_complete_refuses(client: "S3Client") -> None:
    upload = begun(client)
    one, two, three = (part(client, upload, n, b"A" * (PART - n)) for n in (1, 2, 3))
    with refused(400, "EntityTooSmall"):
        completed(client, upload, [one, two, three])
    with refused(400, "InvalidPartOrder"):
        completed(client, upload, [two, one])
    with refused(400, "InvalidPart"):
        completed(client, upload, [one, {"PartNumber": 2, "ETag": one["ETag"]}])
    with refused(400, "InvalidPart"):
        completed(client, upload, [one, {"PartNumber": 9, "ETag": one["ETag"]}])
    with refused(400, "InvalidRequest"):
        completed(client, upload, [one], MpuObjectSize=1)
    completed(client, upload, [three], MpuObjectSize=PART - 3)
    with refused(404, "NoSuchUpload"):
        completed(client, upload, [three])
    with refused(404, "NoSuchUpload"):
        client.list_parts(**IN, UploadId=upload)


def test_an_error_inside_an_answer_of_200(client: "S3Client", world: World) -> None:
    upload = begun(client)
    sent = part(client, upload, 1, DATA)
    world.rules.errors_inside_complete = 10
    with pytest.raises(ClientError, match="InternalError"):
        completed(client, upload, [sent])
    world.rules.errors_inside_complete = 1
    assert completed(client, upload, [sent])["ETag"]  # boto3 saw it, and tried again


def test_a_missing_checksum_is_made_by_the_store_itself(client: "S3Client") -> None:
    client.put_object(**IN, Body=DATA)
    seen = client.head_object(**IN, ChecksumMode="ENABLED")
    assert (seen["ChecksumCRC64NVME"], seen["ChecksumType"]) == (
        checksum("crc64nvme", DATA),
        "FULL_OBJECT",
    )


def test_content_md5(client: "S3Client") -> None:
    with refused(400, "BadDigest"):
        client.put_object(**IN, Body=DATA, ContentMD5=checksum("md5", OTHER))
    with refused(400, "InvalidDigest"):
        client.put_object(**IN, Body=DATA, ContentMD5="no digest")
    client.put_object(**IN, Body=DATA, ContentMD5=checksum("md5", DATA))


def test_two_checksums_and_malformed_ones_are_refused(client: "S3Client") -> None:
    with refused(400, "InvalidRequest"):
        client.put_object(**IN, Body=DATA, **named("crc32", DATA), **named("sha256", DATA))
    with refused(400, "InvalidRequest"):
        client.put_object(**IN, Body=DATA, ChecksumSHA256="AAAA")


def test_a_body_changed_after_it_was_signed(client: "S3Client") -> None:
    def spoil(request: Any, **_: object) -> None:
        request.body = OTHER[: len(DATA)].ljust(len(DATA), b"x")

    client.meta.events.register("before-send.s3.PutObject", spoil)
    with refused(400, "XAmzContentSHA256Mismatch"):
        client.put_object(**IN, Body=DATA)


def test_signatures(client: "S3Client", url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with refused(403, "SignatureDoesNotMatch"):
        raw_client(url, secret="wrong").list_objects_v2(Bucket="yard")
    with refused(403, "InvalidAccessKeyId"):
        raw_client(url, access="nobody").list_objects_v2(Bucket="yard")

    def unsigned(request: Any, **_: object) -> None:
        request.headers["x-amz-tagging"] = "a=b"

    client.meta.events.register("before-send.s3.ListObjectsV2", unsigned)
    with refused(403, "AccessDenied"):
        client.list_objects_v2(Bucket="yard")
    yesterday = datetime.now(UTC).replace(tzinfo=None) - timedelta(days=1)
    monkeypatch.setattr("botocore.auth.get_current_datetime", lambda: yesterday)
    with refused(403, "RequestTimeTooSkewed"):
        client.get_bucket_versioning(Bucket="yard")


@pytest.mark.parametrize("key", ["a b", "a+b%20&#?=", "é", "⛵", "a//b", "(x)!*'"])
def test_odd_keys_are_signed_and_listed(client: "S3Client", key: str) -> None:
    client.put_object(Bucket="yard", Key=key, Body=DATA)
    assert client.get_object(Bucket="yard", Key=key)["Body"].read() == DATA
    listed = client.list_objects_v2(Bucket="yard")["Contents"]
    assert [(one["Key"], one["Size"]) for one in listed] == [(key, len(DATA))]


def test_boto3_s_own_trailing_checksums_over_tls(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What boto3 does by itself over TLS: chunks and a trailer (STANDARDS section 7.4)."""
    certificate = new_certificate(tmp_path)
    monkeypatch.setenv("AWS_CA_BUNDLE", certificate)
    said: list[str] = []

    def chunked(request: Any, **_: object) -> None:
        said.append(f"{request.headers['Content-Encoding']} {request.headers['X-Amz-Trailer']}")

    with strict_store(world, certificate=certificate) as url:
        client = raw_client(url, checksums="when_supported")
        client.meta.events.register("before-send.s3.PutObject", chunked)
        client.create_bucket(Bucket="yard")
        client.put_object(**IN, Body=DATA)
        seen = client.get_object(**IN, ChecksumMode="ENABLED")
        assert (seen["Body"].read(), seen["ChecksumCRC32"]) == (DATA, checksum("crc32", DATA))
        client.close()
    assert said == ["b'aws-chunked' b'x-amz-checksum-crc32'"]


@pytest.mark.parametrize("spoil", [b"x-amz-checksum-crc32:", b"\r\n0\r\n", b"the bytes"])
def test_chunks_that_are_not_what_their_trailer_says(spoil: bytes) -> None:
    crc = checksum("crc32", DATA).encode()
    body = b"%x\r\n%b\r\n0\r\nx-amz-checksum-crc32:%b\r\n\r\n" % (len(DATA), DATA, crc)
    headers = {
        "x-amz-content-sha256": TRAILER,
        "content-encoding": "aws-chunked",
        "x-amz-decoded-content-length": str(len(DATA)),
        "x-amz-trailer": "x-amz-checksum-crc32",
    }

    def taken(sent: bytes) -> None:
        data, trailers = body_and_trailers(sent, headers)
        checked(
            Asked(method="PUT", bucket="b", key="k", query={}, headers=trailers, body=data), Rules()
        )

    taken(body)
    with pytest.raises(RefusedError):
        taken(body.replace(spoil, b"." * len(spoil), 1))


@pytest.mark.parametrize("in_parts", [False, True])
def test_conditional_writes(client: "S3Client", world: World, in_parts: bool) -> None:
    def write(**more: Any) -> None:
        if not in_parts:
            client.put_object(**IN, Body=OTHER, **more)
            return
        upload = begun(client)
        completed(client, upload, [part(client, upload, 1, OTHER)], **more)

    with refused(404, "NoSuchKey"):
        write(IfMatch='"e"')
    write(IfNoneMatch="*")
    with refused(412, "PreconditionFailed"):
        write(IfNoneMatch="*")
    with refused(412, "PreconditionFailed"):
        write(IfMatch='"e"')
    write(IfMatch=client.head_object(**IN)["ETag"])
    client.delete_object(**IN)
    world.rules.conflicts = 1
    if in_parts:
        upload = begun(client)
        sent = part(client, upload, 1, DATA)
        with refused(409, "ConditionalRequestConflict"):
            completed(client, upload, [sent], IfNoneMatch="*")
        with refused(404, "NoSuchUpload"):  # section 7.5: all parts again
            completed(client, upload, [sent], IfNoneMatch="*")
    else:
        with refused(409, "ConditionalRequestConflict"):
            write(IfNoneMatch="*")
