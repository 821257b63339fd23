"""How tests talk to the strict store: plain boto3, one bucket, one key."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest
from botocore.exceptions import ClientError

from tests.world.strict_checksums import checksum

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

DATA, OTHER = b"the bytes of a clip" * 100, b"other bytes, not these" * 100
PART = 6_000
IN: dict[str, Any] = {"Bucket": "yard", "Key": "a"}


@contextmanager
def refused(status: int, code: str) -> Iterator[None]:
    with pytest.raises(ClientError) as caught:
        yield
    response: Any = caught.value.response
    assert (response["ResponseMetadata"]["HTTPStatusCode"], response["Error"]["Code"]) == (
        status,
        code,
    )


def named(kind: str, data: bytes) -> dict[str, Any]:
    return {f"Checksum{kind.upper()}": checksum(kind, data)}


def begun(client: "S3Client", **more: Any) -> str:
    return client.create_multipart_upload(**IN, **more)["UploadId"]


def part(client: "S3Client", upload: str, number: int, data: bytes, **more: Any) -> dict[str, Any]:
    answer: dict[str, Any] = dict(
        client.upload_part(**IN, UploadId=upload, PartNumber=number, Body=data, **more)
    )
    sent = {name: value for name, value in answer.items() if name.startswith("Checksum")}
    sent.pop("ChecksumType", None)
    return {"PartNumber": number, "ETag": answer["ETag"]} | sent


def completed(client: "S3Client", upload: str, parts: list[Any], **more: Any) -> dict[str, Any]:
    answer = client.complete_multipart_upload(
        **IN, UploadId=upload, MultipartUpload={"Parts": parts}, **more
    )
    return dict(answer)
