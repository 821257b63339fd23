"""An encrypted object that gives a block to a repair: what the line spoiled is asked for once more."""

from collections.abc import Iterator

import pytest

from backupkeeper.actions.giving import BucketGiver
from backupkeeper.core.errors import CiphertextError
from backupkeeper.core.model import BLOCK_BYTES, Copy, CopyState
from tests.encrypting.holding import A
from tests.real.store import blocks_of, content_of, made_up
from tests.world.encrypting import PLACE, Vault

pytest_plugins = ["tests.real.store_fixtures"]

DATA = made_up(3 * BLOCK_BYTES + 77)
CONTENT = content_of(DATA)


def giver(vault: Vault, monkeypatch: pytest.MonkeyPatch, *, spoiled: int) -> BucketGiver:
    """Of an object of which the first ``spoiled`` readings come with one bit turned over."""
    vault.bucket().send(A, CONTENT, blocks_of(DATA))
    fetch, left = vault.inner.fetch, [None] * spoiled

    def turned(key: str, *, version: str | None = None) -> Iterator[memoryview]:
        is_spoiled = bool(left and left.pop() is None)
        for block in fetch(key, version=version):
            changed = bytearray(block)
            changed[1000] ^= is_spoiled
            yield memoryview(changed)

    monkeypatch.setattr(vault.inner, "fetch", turned)
    copy = Copy(place=PLACE.id, path=A, content=CONTENT.blake3, state=CopyState.PROVEN)
    return BucketGiver(vault.bucket(), PLACE, copy, CONTENT)


def test_a_bit_turned_over_once_is_no_trouble(
    vault: Vault, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = giver(vault, monkeypatch, spoiled=1)
    assert bytes(one.block(1) or b"") == DATA[BLOCK_BYTES : 2 * BLOCK_BYTES]
    assert one.trouble is None


def test_what_stays_wrong_is_the_object_s_trouble(
    vault: Vault, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = giver(vault, monkeypatch, spoiled=2)
    assert one.block(1) is None
    assert isinstance(one.trouble, CiphertextError)
    assert one.block(1) is None  # not asked for again
