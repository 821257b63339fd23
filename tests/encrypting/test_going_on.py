"""An interrupted upload of an encrypted file in parts: remembered as the plain file's, gone on with."""

from collections.abc import Iterator
from itertools import islice

import pytest

from backupkeeper.actions.uploads_begun import CatalogMemory
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import Bucket
from tests.encrypting.holding import A, whole
from tests.real.store import Server, blocks_of, content_of, made_up
from tests.world.encrypting import PLACE, Vault

pytest_plugins = ["tests.real.store_fixtures"]

LARGE = made_up(5 * BLOCK_BYTES + 77)
"""Three parts of two blocks."""


def broken_off(blocks: Iterator[memoryview]) -> Iterator[memoryview]:
    yield from islice(blocks, 5)
    raise KeyboardInterrupt


def arrived(server: Server, name: str) -> set[int]:
    """Numbers of the parts that the store has of the one upload."""
    (upload,) = server.client.list_multipart_uploads(Bucket=name)["Uploads"]
    listed = server.client.list_parts(Bucket=name, Key=upload["Key"], UploadId=upload["UploadId"])
    return {part["PartNumber"] for part in listed.get("Parts", [])}


def counted(vault: Vault, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Numbers of the parts that are sent from now on."""
    client = vault.inner._store.client  # type: ignore[attr-defined]  # past our own code
    inner, numbers = client.upload_part, list[int]()

    def sending(**asked: int) -> object:
        numbers.append(asked["PartNumber"])
        return inner(**asked)

    monkeypatch.setattr(client, "upload_part", sending)
    return numbers


@pytest.mark.slow
def test_what_arrived_is_not_sent_again_and_the_catalog_speaks_of_the_plain_file(
    either: Vault, server: Server, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = content_of(LARGE)
    memory = CatalogMemory(catalog=either.catalog, place=PLACE.id, key=A, content=content.blake3)

    def broken_off_later(blocks: Iterator[memoryview]) -> Iterator[memoryview]:
        yield from islice(blocks, 5)
        assert any(1 in arrived(server, name) for _ in range(1000))
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        either.bucket().send(A, content, blocks_of(LARGE), memory=memory, told=broken_off_later)
    begun = memory.begun()
    assert begun is not None
    assert (begun.key, begun.content) == (A, content.blake3)
    there = arrived(server, name)
    numbers = counted(either, monkeypatch)
    bucket: Bucket = either.bucket()
    bucket.send(A, content, blocks_of(LARGE), memory=memory)
    assert set(numbers) == {1, 2, 3} - there
    assert whole(bucket, A) == LARGE
    assert server.uploads(name) == []


@pytest.mark.slow
def test_encrypted_anew_all_parts_are_sent_again_and_all_is_well(
    vault: Vault, server: Server, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = content_of(LARGE)
    memory = CatalogMemory(catalog=vault.catalog, place=PLACE.id, key=A, content=content.blake3)
    with pytest.raises(KeyboardInterrupt):
        vault.bucket().send(A, content, blocks_of(LARGE), memory=memory, told=broken_off)
    (kept,) = vault.spool.glob("*")
    kept.unlink()  # room was made, or somebody tidied up
    numbers = counted(vault, monkeypatch)
    vault.bucket().send(A, content, blocks_of(LARGE), memory=memory)
    assert sorted(numbers) == [1, 2, 3]
    assert whole(vault.bucket(), A) == LARGE


@pytest.mark.slow
def test_an_upload_that_nobody_wants_any_more_is_given_up(
    vault: Vault, server: Server, name: str
) -> None:
    content = content_of(LARGE)
    memory = CatalogMemory(catalog=vault.catalog, place=PLACE.id, key=A, content=content.blake3)
    with pytest.raises(KeyboardInterrupt):
        vault.bucket().send(A, content, blocks_of(LARGE), memory=memory, told=broken_off)
    begun = memory.begun()
    assert begun is not None
    vault.bucket().give_up(begun)
    assert server.uploads(name) == []
