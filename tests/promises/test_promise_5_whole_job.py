"""Promise 5: the verdict is never a false yes. Here: the whole job, spoiled in every way in turn.

Every copy, every file of the card and every fact of the catalog is spoiled or taken away by
itself; each time the answer must turn to no, and back to yes once all is as it was.
"""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Answer, ReasonCode
from tests.real.store import Server
from tests.stories.yard import NO_CLOUD, QUIET, Yard, clip, roll_folder, rot

pytest_plugins = ["tests.real.store_fixtures"]

BLOCK = 4 * 1024 * 1024
LARGE = "DCIM/100BOATY/BOAT0001.MP4"
CARD = {
    LARGE: clip(1, BLOCK + 1_001),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2, 70_000),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
}
OFFSETS = {
    LARGE: [0, 1, BLOCK - 1, BLOCK, BLOCK + 1_000],
    "DCIM/100BOATY/BOAT0002.MP4": [0, 35_000, 69_999],
    "DCIM/100BOATY/BOAT0001.XML": [0, 7],
}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def answer(yard: Yard, card: Path) -> Answer:
    verdict = yard.verdict(card)
    assert verdict.may_wipe == (not verdict.reasons)
    return verdict.answer


@contextmanager
def other_byte(path: Path, offset: int) -> Iterator[None]:
    """One bit of one byte, with the size and the time as they were; put back afterwards."""
    was = path.read_bytes()[offset]
    rot(path, offset, bytes([was ^ 0x10]))
    try:
        yield
    finally:
        rot(path, offset, bytes([was]))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["Main", "Travel"])
def test_one_changed_byte_of_any_copy_is_a_no_once_it_was_read(yard: Yard, name: str) -> None:
    drive = dict(zip(["Main", "Travel"], yard.drives(), strict=True))[name]
    card = yard.card("card", CARD)
    yard.offload(card)
    for path, offsets in OFFSETS.items():
        for offset in offsets:
            with other_byte(roll_folder(drive) / path, offset):
                assert not yard.verify(name).all_well
                assert answer(yard, card) is Answer.NO, (path, offset)
            yard.verify(name)
            assert answer(yard, card) is Answer.YES


@pytest.mark.slow
def test_one_changed_byte_of_any_file_of_the_card_is_a_no(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    for path, offsets in OFFSETS.items():
        for offset in offsets:
            with other_byte(card / path, offset):
                assert answer(yard, card) is Answer.NO, (path, offset)
            assert answer(yard, card) is Answer.YES


@pytest.mark.parametrize("path", CARD)
@pytest.mark.parametrize("change", ["longer", "shorter", "empty"])
def test_a_file_of_the_card_that_grew_or_shrank_is_a_no(yard: Yard, path: str, change: str) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    data = {"longer": CARD[path] + b"\0", "shorter": CARD[path][:-1], "empty": b""}[change]
    if data == CARD[path]:
        return
    (card / path).write_bytes(data)
    # An empty file is known where another empty file of the card was taken.
    expected = Answer.YES if data == b"" else Answer.NO
    assert answer(yard, card) is expected


@pytest.mark.slow
@pytest.mark.parametrize("name", ["Main", "Travel"])
def test_a_copy_that_is_gone_cut_or_another_kind_of_thing_is_a_no(yard: Yard, name: str) -> None:
    drive = dict(zip(["Main", "Travel"], yard.drives(), strict=True))[name]
    card = yard.card("card", CARD)
    yard.offload(card)
    for path, data in CARD.items():
        copy = roll_folder(drive) / path
        aside = yard.root / "aside"
        for make in ("nothing", "folder", "link", "fifo", "cut"):
            if make == "cut" and not data:
                continue
            copy.rename(aside)
            if make == "folder":
                copy.mkdir()
            elif make == "link":
                copy.symlink_to(card / path)
            elif make == "fifo":
                os.mkfifo(copy)
            elif make == "cut":
                copy.write_bytes(data[:-1])
            yard.verify(name)
            assert answer(yard, card) is Answer.NO, (path, make)
            copy.rmdir() if make == "folder" else copy.unlink(missing_ok=True)
            aside.rename(copy)
            yard.verify(name)
            assert answer(yard, card) is Answer.YES, (path, make)


def facts_of(catalog: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(catalog)) as opened:
        return opened.execute("SELECT copy, at, way FROM facts").fetchall()


@pytest.mark.slow
def test_without_any_one_proof_the_answer_is_no(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    catalog, kept = yard.root / "catalog.sqlite", yard.root / "kept.sqlite"
    shutil.copy(catalog, kept)
    facts = facts_of(catalog)
    assert len(facts) == 2 * len(CARD)
    for fact in facts:
        with closing(sqlite3.connect(catalog)) as opened, opened:
            where = "copy = ? AND at = ? AND way = ?"
            assert opened.execute(f"DELETE FROM facts WHERE {where}", fact).rowcount == 1
        assert answer(yard, card) is Answer.NO
        shutil.copy(kept, catalog)
    assert answer(yard, card) is Answer.YES


@pytest.mark.slow
@pytest.mark.parametrize(
    "change",
    [
        "UPDATE facts SET result = 2",
        "UPDATE facts SET result = 5",
        "UPDATE facts SET cold = 0",
        "UPDATE facts SET way = 1",
        "UPDATE facts SET at = at + 86400000000 * 3650",
        "UPDATE facts SET at = at - 86400000000 * 3650",
        "UPDATE places SET standing = 'lost'",
        "UPDATE places SET standing = 'retired'",
        "UPDATE places SET role = 'primary'",
        "DELETE FROM places WHERE name = CAST('Travel' AS BLOB)",
        "DELETE FROM roll_files",
        "UPDATE contents SET size = size + 1",
    ],
)
def test_a_catalog_that_says_less_is_a_no(yard: Yard, change: str) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    with closing(sqlite3.connect(yard.root / "catalog.sqlite")) as opened, opened:
        assert opened.execute(change).rowcount > 0
    if "contents" in change:
        # What a content is called is what was read, not the size that the catalog has for it.
        assert yard.verify().checked
    assert answer(yard, card) is Answer.NO


@pytest.fixture
def cloud_yard(yard: Yard, moto: Server, credentials: None) -> tuple[Yard, str]:
    """A yard of all three roles, with a bucket of its own."""
    config = (yard.root / "config.toml").read_text()
    config = config.replace(NO_CLOUD, "distinct_devices = false")
    (yard.root / "config.toml").write_text(config)
    bucket = moto.new_bucket()
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/yard", role=Role.CLOUD, name="Far", endpoint=moto.url, profile=None
        )
    return yard, bucket


def uploaded(yard: Yard) -> None:
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert outcome.troubles == ()


@pytest.mark.slow
def test_with_a_bucket_the_answer_is_yes_only_after_all_three(
    cloud_yard: tuple[Yard, str],
) -> None:
    yard, _ = cloud_yard
    card = yard.card("card", CARD)
    yard.offload(card)
    assert {(one.code, one.role) for one in yard.verdict(card).reasons} == {
        (ReasonCode.NO_COPY, Role.CLOUD)
    }
    uploaded(yard)
    assert answer(yard, card) is Answer.YES


@pytest.mark.slow
@pytest.mark.parametrize("spoil", ["deleted", "replaced", "one bit", "longer"])
def test_an_object_spoiled_behind_our_back_is_a_no_once_it_was_fetched(
    cloud_yard: tuple[Yard, str], moto: Server, spoil: str
) -> None:
    yard, bucket = cloud_yard
    card = yard.card("card", CARD)
    yard.offload(card)
    uploaded(yard)
    for path, data in CARD.items():
        (key,) = [key for key in moto.keys(bucket) if key.endswith(f"Roll 01/{path}")]
        other = {
            "deleted": b"",
            "replaced": bytes(len(data)) or b"!",
            "one bit": data[:-1] + bytes([data[-1] ^ 1]) if data else b"?",
            "longer": data + b"\0",
        }[spoil]
        if spoil == "deleted":
            moto.client.delete_object(Bucket=bucket, Key=key)
        else:
            moto.client.put_object(Bucket=bucket, Key=key, Body=other)
        assert not yard.verify("Far").all_well
        assert answer(yard, card) is Answer.NO
        # The next upload brings what is gone, and never replaces what is there.
        with yard.keeper() as keeper:
            keeper.upload(progress=QUIET)
        if spoil != "deleted":
            assert answer(yard, card) is Answer.NO
            assert moto.client.get_object(Bucket=bucket, Key=key)["Body"].read() == other
            moto.client.put_object(Bucket=bucket, Key=key, Body=data)
            yard.verify("Far")
        assert answer(yard, card) is Answer.YES
