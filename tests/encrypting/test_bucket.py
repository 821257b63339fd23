"""A bucket in which files stand encrypted: to others it is a bucket; to the store it tells nothing."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from backupkeeper.actions.encrypting_bucket import EncryptedEntry
from backupkeeper.core.age import INTRO
from backupkeeper.core.errors import (
    CiphertextError,
    KeysNotShownError,
    MismatchError,
    NameTakenError,
    SourceChangedError,
    SpoolError,
)
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import Bucket
from backupkeeper.ports.files import Handle
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.age import decrypted, new_identity
from tests.encrypting.holding import BIG, IN_MEMORY_BYTES, A, B, put, stands, whole
from tests.real.store import Server, blocks_of, content_of, made_up
from tests.world.encrypting import PLACE, Vault

pytest_plugins = ["tests.real.store_fixtures"]


@pytest.mark.parametrize("size", [0, 1, IN_MEMORY_BYTES, len(BIG)])
def test_a_file_arrives_encrypted_and_comes_back(
    either: Vault, server: Server, name: str, size: int
) -> None:
    data, bucket = made_up(size), either.bucket()
    port: Bucket = bucket
    entry = put(port, A, data)
    assert (entry.key, entry.size) == (A, size)
    assert bucket.look(A) == entry
    assert whole(bucket, A) == data
    ((key, body),) = stands(server, name).items()
    assert body.startswith(INTRO)
    assert size < 100 or data[:100] not in body
    assert ("A001" in key) != either.hide_names
    assert ("Boatyard" in key) != either.hide_names
    for identity in either.identities:
        assert decrypted(body, [identity], "x") == data
    metadata = server.client.head_object(Bucket=name, Key=key)["Metadata"]
    assert content_of(data).blake3 not in str(metadata)
    assert list(either.spool.glob("*")) == []
    assert server.uploads(name) == []


def test_nothing_leaves_before_somebody_showed_a_key(
    vault: Vault, server: Server, name: str
) -> None:
    vault.identities = [new_identity()]  # for whom nobody showed anything
    bucket = vault.bucket()
    with pytest.raises(KeysNotShownError, match="Nothing was sent to Off site"):
        bucket.send(A, content_of(BIG), blocks_of(BIG))
    with pytest.raises(KeysNotShownError):
        bucket.send_small(".backupkeeper/catalog.sqlite.zst", b"facts")
    assert server.keys(name) == []


def test_what_is_there_is_never_written_over_encrypted_or_not(
    either: Vault, server: Server, name: str
) -> None:
    bucket = either.bucket()
    put(bucket, A, b"first")
    either.inner.send(B, content_of(b"plain"), blocks_of(b"plain"))
    before = stands(server, name)
    for path in (A, B):
        with pytest.raises(NameTakenError, match=path.rpartition("/")[2].replace(".", r"\.")):
            bucket.send(path, content_of(b"first"), blocks_of(b"first"))
    assert stands(server, name) == before
    assert whole(bucket, B) == b"plain"
    assert not isinstance(bucket.look(B), EncryptedEntry)


@pytest.mark.parametrize("data", [b"small", BIG], ids=["in memory", "in the spool"])
def test_bytes_that_are_not_the_file_s_are_not_sent(
    vault: Vault, server: Server, name: str, data: bytes
) -> None:
    other = data[:-1] + bytes([data[-1] ^ 1])
    for wrong, error in ((other, MismatchError), (data + b"x", SourceChangedError)):
        with pytest.raises(error):
            vault.bucket().send(A, content_of(data), blocks_of(wrong))
    assert server.keys(name) == []
    assert list(vault.spool.glob("*")) == []
    assert vault.catalog.encrypted_at(PLACE.id, A) == ()


def test_a_version_of_an_object_can_be_asked_for(vault: Vault, server: Server, name: str) -> None:
    server.client.put_bucket_versioning(Bucket=name, VersioningConfiguration={"Status": "Enabled"})
    bucket = vault.bucket()
    first = put(bucket, A, b"first")
    assert first.version is not None
    assert bucket.look(A, version=first.version) == first
    assert b"".join(bucket.fetch(A, version=first.version)) == b"first"


def test_the_very_object_is_replaced_by_a_new_one(either: Vault, server: Server, name: str) -> None:
    bucket = either.bucket()
    first = put(bucket, A, BIG)
    ((key, body),) = stands(server, name).items()
    server.client.put_object(Bucket=name, Key=key, Body=body[:-9] + b"spoiled!!")
    damaged = bucket.look(A)
    assert damaged is not None
    with pytest.raises(CiphertextError):
        whole(bucket, A)
    kept = bucket.set_aside(A, damaged)
    with pytest.raises(NameTakenError):
        bucket.send(A, content_of(BIG), blocks_of(BIG), replacing=first)
    sent = bucket.send(A, content_of(BIG), blocks_of(BIG), replacing=damaged)
    assert sent.entry.size == len(BIG)
    assert whole(bucket, A) == BIG
    assert stands(server, name)[f"shelf/{kept}"].endswith(b"spoiled!!")
    assert len(server.keys(name)) == 2


def test_what_stands_there_readable_is_replaced_as_it_is(vault: Vault) -> None:
    vault.inner.send(A, content_of(b"plain"), blocks_of(b"plain"))
    bucket = vault.bucket()
    there = bucket.look(A)
    bucket.send(A, content_of(b"right"), blocks_of(b"right"), replacing=there)
    assert b"".join(vault.inner.fetch(A)) == b"right"


def test_spans_come_as_they_are_whatever_their_order(either: Vault) -> None:
    bucket = either.bucket()
    entry = put(bucket, A, BIG)
    last = len(BIG)
    for start, end in (
        (0, 10), (BLOCK_BYTES - 5, BLOCK_BYTES + 5), (last - 3, last), (7, BLOCK_BYTES + 9), (5, 5),
        (0, last),
    ):  # fmt: skip
        got = list(map(bytes, bucket.fetch_range(A, entry, start, end)))
        assert b"".join(got) == BIG[start:end]
        assert all(len(piece) == BLOCK_BYTES for piece in got[:-1])
    put(bucket, B, b"small")
    there = bucket.look(B)
    assert there is not None
    assert b"".join(bucket.fetch_range(B, there, 1, 4)) == b"mal"
    with pytest.raises(SourceChangedError):
        list(bucket.fetch_range(B, there, 1, 40))


def test_a_listing_tells_paths_and_sizes_of_the_plain_files(either: Vault) -> None:
    bucket = either.bucket()
    deep = A.replace("DCIM", "DCIM/deep")
    for path, data in ((A, b"1"), (B, b"22"), (deep, b"333"), ("260613 Boatyard/C", b"4444")):
        put(bucket, path, data)
    either.inner.send(A + ".txt", content_of(b"plain"), blocks_of(b"plain"))
    below = A.rpartition("/")[0] + "/"
    found = {entry.key: entry.size for entry in either.bucket().listing(below)}
    assert found == {A: 1, B: 2, deep: 3, A + ".txt": 5}
    everything = {entry.key: entry.size for entry in either.bucket().listing()}
    assert everything == found | {"260613 Boatyard/C": 4}
    assert all(either.bucket().look(path) is not None for path in everything)


def test_files_of_one_folder_share_a_hidden_one_and_no_other_does(
    vault: Vault, server: Server, name: str
) -> None:
    vault.hide_names = True
    vault.show()
    put(vault.bucket(), A, b"1")
    put(vault.bucket(), B, b"2")
    put(vault.bucket(), A.replace("DCIM", "MISC"), b"3")
    folders = [key.split("/")[1] for key in server.keys(name)]
    assert sorted(map(folders.count, folders)) == [1, 2, 2]


def test_an_interrupted_upload_goes_on_with_what_was_encrypted(
    vault: Vault, server: Server, name: str
) -> None:
    def interrupted(blocks: Iterator[memoryview]) -> Iterator[memoryview]:
        yield next(blocks)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        vault.bucket().send(A, content_of(BIG), blocks_of(BIG), told=interrupted)
    (kept,) = vault.spool.glob("*")
    made = kept.read_bytes()

    def never() -> Iterator[memoryview]:
        yield from ()
        raise AssertionError("read again")

    vault.bucket().send(A, content_of(BIG), never())
    assert list(stands(server, name).values()) == [made]
    assert list(vault.spool.glob("*")) == []


def test_what_rotted_in_the_spool_is_not_sent_and_made_anew(
    vault: Vault, server: Server, name: str
) -> None:
    def interrupted(blocks: Iterator[memoryview]) -> Iterator[memoryview]:
        yield from ()
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        vault.bucket().send(A, content_of(BIG), blocks_of(BIG), told=interrupted)
    (kept,) = vault.spool.glob("*")
    with kept.open("r+b") as file:
        file.seek(3_000_000)
        file.write(b"spoiled")
    with pytest.raises(SpoolError, match="can't be read back"):
        vault.bucket().send(A, content_of(BIG), blocks_of(BIG))
    assert server.keys(name) == []
    put(vault.bucket(), A, BIG)
    assert whole(vault.bucket(), A) == BIG


def test_a_kill_while_it_is_encrypted_leaves_nothing_that_counts(vault: Vault) -> None:
    def killed() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        vault.bucket().send(A, content_of(BIG), blocks_of(BIG), pulse=killed)
    assert vault.catalog.encrypted_at(PLACE.id, A) == ()
    # What a real kill leaves, and files of an upload that nobody goes on with:
    (vault.spool / "encrypting.part").write_bytes(b"begun")
    put(vault.bucket(), A, BIG)
    assert list(vault.spool.glob("*")) == []


class Full(RealFiles):
    """A disk with so much room, plus what is removed from the spool."""

    free = 0
    spool: Path

    def free_bytes(self, path: str) -> int:
        return self.free - sum(file.stat().st_size for file in self.spool.glob("*.age"))


def test_without_room_it_is_told_before_anything_is_written(vault: Vault) -> None:
    files = Full()
    files.free, files.spool = 300_000_000, vault.spool  # 256 MiB stay free
    vault.files = files
    vault.spool.mkdir()
    old = vault.spool / "old.age"
    old.write_bytes(bytes(100_000_000))
    put(vault.bucket(), A, BIG)  # the old one makes way
    assert not old.exists()
    files.free = 200_000_000
    with pytest.raises(SpoolError, match=r"it needs .* are free.*\[upload\] spool"):
        put(vault.bucket(), B, BIG)
    assert list(vault.spool.glob("*")) == []


class Unwritable(RealFiles):
    """A disk that fails when it is written to."""

    def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
        raise OSError(5, "Input/output error")


def test_a_spool_that_can_not_be_written_is_told(vault: Vault) -> None:
    vault.files = Unwritable()
    with pytest.raises(SpoolError, match="Input/output error"):
        put(vault.bucket(), A, BIG)
    assert list(vault.spool.glob("*")) == []
