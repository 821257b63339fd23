"""Object stores for tests: the real one (radosgw), the mock (moto), and how to open a bucket there.

The fixtures stand in ``store_fixtures``.
"""

import os
import secrets
import shutil
import socket
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Literal

import boto3
import xxhash
from blake3 import blake3
from botocore.config import Config

from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.model import BLOCK_BYTES, Blake3, Content, Xxh128

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

ACCESS, SECRET = "testaccess", "testsecret"
SCRIPT = os.path.join(os.path.dirname(__file__), "store.sh")
PORTS = 11
"""``store.sh`` takes so many ports in a row."""


class StoppedClock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def now(self) -> datetime:
        """A day at the boat yard."""
        return datetime(2026, 6, 12, tzinfo=UTC)

    def monotonic(self) -> float:
        """What was set."""
        return self.seconds


class Chance:
    """Real chance: parallel runs of the tests must not share names."""

    def new_id(self) -> str:
        """A random UUID."""
        return str(uuid.uuid4())


@dataclass(frozen=True, kw_only=True)
class Server:
    """A running object store. ``client`` looks at it from behind, past our own code."""

    name: str
    url: str
    client: "S3Client"
    https: str = ""
    """Its address for TLS, where it speaks that too."""
    certificate: str = ""
    """A file with what vouches for it there."""

    def new_bucket(self, **more: Any) -> str:
        """Create a bucket with a name of its own."""
        name = f"boatyard-{uuid.uuid4().hex[:12]}"
        self.client.create_bucket(Bucket=name, **more)
        return name

    def keys(self, bucket: str) -> list[str]:
        """All keys of a bucket that holds few."""
        return [
            item["Key"] for item in self.client.list_objects_v2(Bucket=bucket).get("Contents", [])
        ]

    def uploads(self, bucket: str) -> list[str]:
        """Keys of multipart uploads that were begun and not ended."""
        answer = self.client.list_multipart_uploads(Bucket=bucket)
        return [upload["Key"] for upload in answer.get("Uploads", [])]


def raw_client(
    url: str,
    *,
    access: str = ACCESS,
    secret: str = SECRET,
    checksums: Literal["when_required", "when_supported"] = "when_required",
) -> "S3Client":
    """A plain boto3 client. ``checksums``: when it adds one of its own, and checks one."""
    return boto3.session.Session().client(
        "s3",
        endpoint_url=url,
        aws_access_key_id=access,
        aws_secret_access_key=secret,
        region_name="us-east-1",
        config=Config(
            s3={"addressing_style": "path"},
            request_checksum_calculation=checksums,
            response_checksum_validation=checksums,
        ),
    )


def free_ports(count: int) -> int:
    """The first of ``count`` free ports of the loopback in a row.

    They lie below those that the system gives to outgoing connections (32768 and up on Linux), so
    that no such connection takes one before its server does. Tests side by side (pytest-xdist) each
    have their own share of them.
    """
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    for _ in range(100):
        port = 20_000 + (secrets.randbelow(600 // workers) * workers + worker) * 20
        with ExitStack() as stack:
            try:
                for offset in range(count):
                    stack.enter_context(socket.socket()).bind(("127.0.0.1", port + offset))
            except OSError:
                continue
            return port
    raise OSError("no free ports in a row")


@contextmanager
def running_store() -> Iterator[Server]:
    """A real store of one's own, on free ports of the loopback; gone with this process, if it is killed."""
    folder = tempfile.mkdtemp(prefix="bk-store-", dir="/tmp")
    watched, ours = os.pipe()
    try:
        port = free_ports(PORTS)
        subprocess.run(
            [SCRIPT, folder, str(port)],
            check=True,
            timeout=90,
            stdout=subprocess.DEVNULL,
            env=os.environ | {"S3_TLS": "1", "S3_OWNER": str(watched)},
            pass_fds=[watched],
        )
        url = f"http://127.0.0.1:{port}"
        yield Server(
            name="radosgw",
            url=url,
            client=raw_client(url),
            https=f"https://127.0.0.1:{port + 10}",
            certificate=os.path.join(folder, "store.crt"),
        )
    finally:
        subprocess.run([SCRIPT, "--stop", folder], check=True, timeout=60)
        os.close(watched)
        os.close(ours)
        shutil.rmtree(folder)


Opener = Callable[..., S3Bucket]


def made_up(size: int, *, seed: int = 0) -> bytes:
    """Bytes that repeat at no multiple of a block."""
    pattern = bytes((number * 7 + seed) % 251 for number in range(251 * 64))
    return (pattern * (size // len(pattern) + 1))[:size]


def content_of(data: bytes) -> Content:
    """What the catalog would say of these bytes."""
    return Content(
        blake3=Blake3(blake3(data).hexdigest()),
        xxh128=Xxh128(xxhash.xxh3_128(data).hexdigest()),
        size=len(data),
        block_map=b"".join(xxhash.xxh3_128(block).digest() for block in blocks_of(data)),
    )


def blocks_of(data: bytes) -> Iterator[memoryview]:
    """Blocks as the reader gives them: one buffer, overwritten for every block."""
    buffer = bytearray(BLOCK_BYTES)
    for start in range(0, len(data), BLOCK_BYTES):
        block = data[start : start + BLOCK_BYTES]
        buffer[: len(block)] = block
        yield memoryview(buffer)[: len(block)]
