"""The strict store's listings, ranges, versions, locks and copies (STANDARDS section 7)."""

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from tests.world.strict_asking import DATA, IN, OTHER, PART, begun, completed, named, part, refused
from tests.world.strict_checksums import checksum

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = pytest.mark.usefixtures("one_loader", "at_once")


def test_parts_and_uploads_are_listed_in_pages(client: "S3Client") -> None:
    upload = begun(client, ChecksumAlgorithm="SHA256")
    for number in (1, 2, 3, 7, 9):
        part(client, upload, number, bytes([number]), **named("sha256", bytes([number])))
    part(client, upload, 2, b"again", **named("sha256", b"again"))
    pages = client.get_paginator("list_parts").paginate(
        **IN, UploadId=upload, PaginationConfig={"PageSize": 2}
    )
    seen = [one for page in pages for one in page["Parts"]]
    assert [(one["PartNumber"], one["Size"]) for one in seen] == [
        (1, 1),
        (2, 5),
        (3, 1),
        (7, 1),
        (9, 1),
    ]
    assert seen[1]["ChecksumSHA256"] == checksum("sha256", b"again")
    others = [client.create_multipart_upload(Bucket="yard", Key=key) for key in ("b", "b", "c")]
    listed = client.get_paginator("list_multipart_uploads").paginate(
        Bucket="yard", PaginationConfig={"PageSize": 1}
    )
    found = [(one["Key"], one["UploadId"]) for page in listed for one in page["Uploads"]]
    assert set(found) == {("a", upload)} | {(one["Key"], one["UploadId"]) for one in others}
    client.abort_multipart_upload(**IN, UploadId=upload)
    with refused(404, "NoSuchUpload"):
        client.list_parts(**IN, UploadId=upload)


def test_objects_are_listed_in_pages_by_bytes(client: "S3Client") -> None:
    keys = ["B", "a", "a/1", "a/2", "é", "z/1", "z/2"]
    for key in keys:
        client.put_object(Bucket="yard", Key=key, Body=b"")
    pages = client.get_paginator("list_objects_v2").paginate(
        Bucket="yard", PaginationConfig={"PageSize": 2}
    )
    listed = [one["Key"] for page in pages for one in page["Contents"]]
    assert listed == sorted(keys, key=str.encode)
    folders = client.list_objects_v2(Bucket="yard", Delimiter="/")
    assert [one["Prefix"] for one in folders["CommonPrefixes"]] == ["a/", "z/"]
    assert [one["Key"] for one in folders["Contents"]] == ["B", "a", "é"]


def test_ranges_and_conditions_of_reading(client: "S3Client") -> None:
    client.put_object(**IN, Body=DATA)
    etag = client.head_object(**IN)["ETag"]
    for said, want in (
        ("bytes=0-9", DATA[:10]),
        ("bytes=5-", DATA[5:]),
        ("bytes=-7", DATA[-7:]),
    ):
        answer = client.get_object(**IN, Range=said, IfMatch=etag)
        assert answer["Body"].read() == want
        assert answer["ResponseMetadata"]["HTTPStatusCode"] == 206
    with refused(416, "InvalidRange"):
        client.get_object(**IN, Range=f"bytes={len(DATA)}-")
    with refused(412, "PreconditionFailed"):
        client.get_object(**IN, Range="bytes=0-9", IfMatch='"other"')
    with refused(304, "304"):
        client.get_object(**IN, IfNoneMatch=etag)


def test_versions_and_delete_markers(client: "S3Client") -> None:
    client.put_object(**IN, Body=b"before")
    client.put_bucket_versioning(Bucket="yard", VersioningConfiguration={"Status": "Enabled"})
    old = client.put_object(**IN, Body=DATA)["VersionId"]
    new = client.put_object(**IN, Body=OTHER)["VersionId"]
    assert client.get_object(**IN, VersionId=old)["Body"].read() == DATA
    assert client.get_object(**IN, VersionId="null")["Body"].read() == b"before"
    marker = client.delete_object(**IN)["VersionId"]
    with refused(404, "404"):
        client.head_object(**IN)
    with refused(405, "405"):
        client.head_object(**IN, VersionId=marker)
    pages = client.get_paginator("list_object_versions").paginate(
        Bucket="yard", PaginationConfig={"PageSize": 1}
    )
    listed = [one["VersionId"] for page in pages for one in page.get("Versions", [])]
    assert listed == [new, old, "null"]
    client.put_object(**IN, Body=b"again", IfNoneMatch="*")  # a marker on top: the key is free


def test_a_locked_version_stays(client: "S3Client") -> None:
    client.create_bucket(Bucket="locked", ObjectLockEnabledForBucket=True)
    lock: dict[str, Any] = {
        "ObjectLockMode": "COMPLIANCE",
        "ObjectLockRetainUntilDate": datetime.now(UTC) + timedelta(days=1),
    }
    there: dict[str, Any] = {"Bucket": "locked", "Key": "a"}
    with refused(400, "InvalidRequest"):
        client.put_object(**there, Body=DATA, **lock)
    version = client.put_object(**there, Body=DATA, ContentMD5=checksum("md5", DATA), **lock)[
        "VersionId"
    ]
    client.put_object(**there, Body=OTHER)  # section 7.7: a lock does not stop an overwrite
    client.delete_object(**there)
    with refused(403, "AccessDenied"):
        client.delete_object(**there, VersionId=version)
    assert client.get_object(**there, VersionId=version)["Body"].read() == DATA
    with refused(400, "InvalidRequest"):
        client.put_object(**IN, Body=DATA, ContentMD5=checksum("md5", DATA), **lock)


def test_copies_change_the_etag_of_what_came_in_parts(client: "S3Client") -> None:
    upload = begun(client, Metadata={"roll": "one"})
    sent = [part(client, upload, 1, b"A" * PART), part(client, upload, 2, b"B")]
    etag = completed(client, upload, sent)["ETag"]
    there: dict[str, Any] = {"Bucket": "yard", "Key": "b"}
    with refused(412, "PreconditionFailed"):
        client.copy_object(
            **there, CopySource={"Bucket": "yard", "Key": "a"}, CopySourceIfMatch='"e"'
        )
    client.copy_object(**there, CopySource={"Bucket": "yard", "Key": "a"}, CopySourceIfMatch=etag)
    copy = client.head_object(**there)
    assert (copy["Metadata"], copy["ETag"] == etag) == ({"roll": "one"}, False)


def test_what_it_was_not_taught_it_says(client: "S3Client") -> None:
    with refused(501, "NotImplemented"):
        client.get_object_tagging(**IN)
    with refused(404, "NoSuchBucket"):
        client.list_objects_v2(Bucket="nowhere")
    with refused(404, "NoSuchLifecycleConfiguration"):
        client.get_bucket_lifecycle_configuration(Bucket="yard")
