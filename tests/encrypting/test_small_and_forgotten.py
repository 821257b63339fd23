"""An encrypted bucket: our own small files, a lost catalog, and encryption turned off again."""

from contextlib import closing
from pathlib import Path

import pytest

from backupkeeper.actions.encrypting_bucket import EncryptedEntry
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.age import INTRO
from backupkeeper.core.errors import (
    CiphertextError,
    EncryptionError,
    NameTakenError,
    NoKeyError,
)
from tests.catalog.made import Watch
from tests.encrypting.holding import BIG, A, B, put, stands, whole
from tests.real.store import Server, blocks_of, content_of
from tests.world.encrypting import Vault

pytest_plugins = ["tests.real.store_fixtures"]


def test_a_small_file_is_encrypted_not_sent_twice_and_never_replaced_unasked(
    either: Vault, server: Server, name: str
) -> None:
    bucket, path = either.bucket(), "260612 Boatyard/Originals/Wide/Roll 01/ascmhl/0001.mhl"
    bucket.send_small(path, b"<hashlist/>")
    assert bucket.send_small(path, b"<hashlist/>").attested_by == ()
    with pytest.raises(NameTakenError):
        bucket.send_small(path, b"<other/>")
    assert len(server.keys(name)) == 1
    bucket.send_small(path, b"<newer/>", replace=True)
    assert whole(bucket, path) == b"<newer/>"
    assert all(body.startswith(INTRO) for body in stands(server, name).values())
    either.recipients = ()  # turned off: what was encrypted stays so
    bucket = either.bucket()
    bucket.send_small(path, b"<newest/>", replace=True)
    assert whole(bucket, path) == b"<newest/>"
    assert all(body.startswith(INTRO) for body in stands(server, name).values())


def test_our_own_files_have_their_names_and_leave_no_trace_in_the_catalog(
    either: Vault, server: Server, name: str
) -> None:
    bucket, path = either.bucket(), ".backupkeeper/catalog/1.sqlite.zst"
    mark = either.catalog.change_mark()
    bucket.send_small(path, b"facts")
    assert either.catalog.change_mark() == mark
    assert server.keys(name) == [f"shelf/{path}.age"]
    assert bucket.send_small(path, b"facts").attested_by == ()
    bucket.send_small(path, b"more facts", replace=True)
    assert whole(bucket, path) == b"more facts"
    with pytest.raises(NameTakenError):
        bucket.send_small(path, b"other facts")
    either.identities, either.recipients = (), either.encryption.recipients
    with pytest.raises(NameTakenError):  # it can't be seen whether they are the same
        either.bucket().send_small(path, b"more facts")
    either.recipients = ()
    with pytest.raises(EncryptionError, match="nobody to encrypt it for"):
        either.bucket().send_small(path, b"facts", replace=True)


@pytest.mark.parametrize("data", [b"facts", BIG], ids=["in memory", "in the spool"])
def test_a_snapshot_leaves_no_trace_in_the_catalog_and_can_be_proven_right_away(
    either: Vault, data: bytes
) -> None:
    bucket, path = either.bucket(), ".backupkeeper/catalog/2.sqlite.zst"
    mark = either.catalog.change_mark()
    put(bucket, path, data)
    assert either.catalog.change_mark() == mark  # else it would call for the next one
    entry = bucket.look(path)
    assert isinstance(entry, EncryptedEntry)
    (row,) = entry.known
    stands = content_of(b"".join(either.inner.fetch(f"{path}.age")))
    assert (row.content, row.made.blake3) == (content_of(data).blake3, stands.blake3)
    assert list(either.spool.glob("*")) == []


def test_what_was_sent_plain_before_is_kept_and_a_newer_one_of_ours_is_encrypted(
    vault: Vault,
) -> None:
    vault.inner.send_small(".backupkeeper/newest", b"1")
    bucket = vault.bucket()
    assert whole(bucket, ".backupkeeper/newest") == b"1"
    bucket.send_small(".backupkeeper/newest", b"2", replace=True)
    assert whole(bucket, ".backupkeeper/newest") == b"2"
    vault.inner.send_small("ascmhl/chain", b"1")
    assert bucket.send_small("ascmhl/chain", b"1").attested_by == ()
    with pytest.raises(NameTakenError):
        bucket.send_small("ascmhl/chain", b"2")


def test_with_the_catalog_lost_everything_is_found_by_name_and_read_with_the_key(
    vault: Vault, tmp_path: Path
) -> None:
    put(vault.bucket(), A, BIG)
    vault.bucket().send_small(".backupkeeper/catalog/1.zst", b"facts")
    with closing(open_catalog(str(tmp_path / "new.sqlite"), clock=Watch())) as catalog:
        vault.catalog, vault.recipients = catalog, ()
        bucket = vault.bucket()
        entry = bucket.look(A)
        assert entry is not None
        assert entry.size == len(BIG)
        assert whole(bucket, A) == BIG
        keys = {entry.key for entry in bucket.listing(".backupkeeper/")}
        assert ".backupkeeper/catalog/1.zst" in keys
        assert whole(bucket, ".backupkeeper/catalog/1.zst") == b"facts"
        vault.identities = ()
        with pytest.raises(NoKeyError, match=r"A001\.MP4 is encrypted, and there is no key here"):
            whole(vault.bucket(), A)


def test_a_file_that_only_looks_encrypted_is_what_it_is(vault: Vault) -> None:
    vault.inner.send("notes.age", content_of(b"no such thing"), blocks_of(b"no such thing"))
    bucket = vault.bucket()
    assert {entry.key for entry in bucket.listing()} == {"notes.age", "notes"}
    assert whole(bucket, "notes.age") == b"no such thing"
    entry = bucket.look("notes")
    assert entry is not None
    assert entry.size == len(b"no such thing")
    with pytest.raises(CiphertextError, match="no whole file of the format age"):
        whole(bucket, "notes")


def test_turned_off_what_is_encrypted_stays_so_and_the_rest_goes_as_it_is(
    vault: Vault, server: Server, name: str
) -> None:
    put(vault.bucket(), A, b"first")
    vault.recipients = ()
    bucket = vault.bucket()
    bucket.send(B, content_of(b"plain"), blocks_of(b"plain"))
    assert stands(server, name)[f"shelf/{B}"] == b"plain"
    assert whole(bucket, A) == b"first"
    there = bucket.look(A)
    with pytest.raises(EncryptionError, match="nobody to encrypt it for"):
        bucket.send(A, content_of(b"first"), blocks_of(b"first"), replacing=there)
