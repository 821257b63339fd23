"""What the tests of encrypted buckets hold in common: a few files, and ways to look at them."""

from backupkeeper.actions.encrypting_bucket import EncryptedEntry
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import Bucket
from tests.real.store import Server, blocks_of, content_of, made_up

A = "260612 Boatyard/Originals/Wide/Roll 01/DCIM/A001.MP4"
B = "260612 Boatyard/Originals/Wide/Roll 01/DCIM/B001.MP4"
IN_MEMORY_BYTES = 100_000
BIG = made_up(BLOCK_BYTES + 12_345)


def stands(server: Server, name: str) -> dict[str, bytes]:
    return {
        key: server.client.get_object(Bucket=name, Key=key)["Body"].read()
        for key in server.keys(name)
    }


def put(bucket: Bucket, path: str, data: bytes) -> EncryptedEntry:
    entry = bucket.send(path, content_of(data), blocks_of(data)).entry
    assert isinstance(entry, EncryptedEntry)
    return entry


def whole(bucket: Bucket, path: str) -> bytes:
    return b"".join(bytes(block) for block in bucket.fetch(path))
