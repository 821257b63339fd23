"""Promise 4: nothing good is ever overwritten or deleted.

An original that changed is told and not copied over a good copy; a deletion is not carried to
another place; whatever stands under a name that is wanted stays there.
"""

import os
from pathlib import Path
from typing import NoReturn

import pytest

from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Answer
from backupkeeper.transfer.durable import is_temp_name
from tests.real.store import Server
from tests.stories.typed import AtAdvance
from tests.stories.yard import NO_CLOUD, QUIET, SHOOT, Yard, clip, roll_folder, rot, tree

pytest_plugins = ["tests.real.store_fixtures"]

FIRST = "DCIM/100BOATY/BOAT0001.MP4"
SECOND = "DCIM/100BOATY/BOAT0002.MP4"
CARD = {FIRST: clip(1, 5_000_000), SECOND: clip(2), "MISC/INDEX.DAT": b""}
MINE = b"edited by hand, and dear to me"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return Yard(tmp_path)


def marks(*folders: Path) -> dict[Path, tuple[int, int, int, bytes]]:
    """Which very file stands under each name, when it was written and what is in it."""
    return {
        path: (path.stat().st_ino, path.stat().st_mtime_ns, path.stat().st_mode, path.read_bytes())
        for folder in folders
        for path in folder.rglob("*")
        if path.is_file()
    }


def everything(yard: Yard, card: Path) -> None:
    """All that a person may type, in turn."""
    yard.offload(card)
    yard.mirror()
    yard.verify()
    yard.verdict(card)
    yard.offload(card)


def test_an_original_changed_by_hand_stays_and_is_never_copied_on(yard: Yard) -> None:
    main = yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    yard.offload(card)
    edited = roll_folder(main) / SECOND
    edited.write_bytes(MINE)
    travel = yard.drive("Travel", Role.SECONDARY)
    yard.verify()
    assert yard.mirror().copied_files == 2
    assert not (roll_folder(travel) / SECOND).exists()
    yard.offload(card)  # the card still has it
    assert tree(roll_folder(travel)) == CARD
    everything(yard, card)
    assert edited.read_bytes() == MINE
    assert yard.verdict(card).answer is Answer.NO


def test_good_copies_are_never_touched_again(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    before = marks(main / SHOOT, travel / SHOOT)
    everything(yard, card)
    yard.card("card", {"DCIM/100BOATY/BOAT0003.MP4": clip(3)})
    everything(yard, card)
    other = yard.card("other card", {FIRST: clip(7, 5_000_000), SECOND: clip(8)})
    everything(yard, other)
    after = marks(main / SHOOT, travel / SHOOT)
    for path, mark in before.items():
        if path.name != "ascmhl_chain.xml":  # it grows with every generation
            assert after[path] == mark


@pytest.mark.parametrize("gone", [[FIRST], [FIRST, SECOND, "MISC/INDEX.DAT"]])
def test_a_deletion_is_not_carried_to_the_other_drive(yard: Yard, gone: list[str]) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    before = marks(roll_folder(travel) / "DCIM")
    for path in gone:
        (roll_folder(main) / path).unlink()
    yard.verify()
    assert yard.verdict(card).answer is Answer.NO
    yard.mirror()
    assert marks(roll_folder(travel) / "DCIM") == before
    assert tree(roll_folder(main)) == CARD
    assert yard.verdict(card).answer is Answer.YES


def test_a_deletion_nobody_noticed_is_not_carried_to_the_other_drive(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    before = marks(roll_folder(travel) / "DCIM")
    (roll_folder(main) / FIRST).unlink()
    everything(yard, card)
    assert marks(roll_folder(travel) / "DCIM") == before


def test_rotten_bytes_are_not_copied_over_good_ones_nor_replaced(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    rot(roll_folder(main) / FIRST, 4_999_000, b"rot")
    rotten = (roll_folder(main) / FIRST).read_bytes()
    before = marks(roll_folder(travel) / "DCIM")
    everything(yard, card)
    assert marks(roll_folder(travel) / "DCIM") == before
    assert (roll_folder(main) / FIRST).read_bytes() == rotten  # it waits for a repair


def stop() -> NoReturn:
    raise KeyboardInterrupt


def begun(yard: Yard, card: Path) -> None:
    """An offload that was stopped before its first file was done."""
    with yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.offload(
            str(card), shoot=SHOOT, source="Wide", roll=None, progress=AtAdvance(1, stop)
        )


def put_foreign(path: Path, kind: str, outside: Path) -> None:
    """Something of other making under a wanted name."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    if kind == "file":
        path.write_bytes(MINE)
    elif kind == "same size":
        path.write_bytes(bytes(len(CARD[SECOND])))
    elif kind == "link":
        path.symlink_to(outside)
    elif kind == "folder":
        path.mkdir()
    elif kind == "fifo":
        os.mkfifo(path)


KINDS = ["file", "same size", "link", "folder", "fifo"]


@pytest.mark.parametrize("kind", KINDS)
def test_what_stands_under_a_wanted_name_stays_and_the_card_gets_another_roll(
    yard: Yard, kind: str
) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    begun(yard, card)
    outside = yard.root / "outside"
    outside.write_bytes(MINE)
    there = roll_folder(main) / SECOND
    put_foreign(there, kind, outside)
    before = os.lstat(there)
    outcome = yard.offload(card)
    after = os.lstat(there)
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)
    assert outside.read_bytes() == MINE
    # Of the roll that was begun nothing is known but this foreign thing: the card gets a roll of its
    # own, whole, beside it.
    assert (outcome.sealed, outcome.troubles) == (True, ())
    assert tree(roll_folder(travel, "Roll 02")) == tree(roll_folder(main, "Roll 02")) == CARD
    assert yard.verdict(card).answer is Answer.YES


@pytest.mark.parametrize("kind", KINDS)
def test_mirror_leaves_what_stands_under_a_wanted_name(yard: Yard, kind: str) -> None:
    yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    yard.offload(card)
    travel = yard.drive("Travel", Role.SECONDARY)
    outside = yard.root / "outside"
    outside.write_bytes(MINE)
    there = roll_folder(travel) / SECOND
    put_foreign(there, kind, outside)
    before = os.lstat(there)
    outcome = yard.mirror()
    after = os.lstat(there)
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)
    assert outside.read_bytes() == MINE
    assert [one.path for one in outcome.troubles] == [SECOND]
    assert outcome.copied_files == 2
    assert yard.verdict(card).answer is Answer.NO


def test_a_link_in_place_of_a_folder_does_not_lead_a_copy_off_the_drive(yard: Yard) -> None:
    yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    yard.offload(card)
    travel = yard.drive("Travel", Role.SECONDARY)
    outside = yard.root / "outside"
    outside.mkdir()
    (travel / SHOOT).symlink_to(outside)
    outcome = yard.mirror()
    assert outcome.troubles
    assert list(outside.iterdir()) == []
    assert yard.verdict(card).answer is Answer.NO


def test_a_folder_that_stands_where_the_roll_would_is_not_mixed_with_it(yard: Yard) -> None:
    main, _ = yard.drives()
    (roll_folder(main) / "DCIM").mkdir(parents=True)
    (roll_folder(main) / "DCIM/mine.txt").write_bytes(MINE)
    outcome = yard.offload(yard.card("card", CARD))
    assert outcome.folder == f"{SHOOT}/Originals/Wide/Roll 02"
    assert tree(roll_folder(main)) == {"DCIM/mine.txt": MINE}


def test_nothing_of_the_person_on_a_drive_is_ever_touched(yard: Yard) -> None:
    main, travel = yard.drives()
    for drive in (main, travel):
        (drive / SHOOT / "Edit").mkdir(parents=True)
        (drive / SHOOT / "Edit/cut.prj").write_bytes(MINE)
        (drive / f"{SHOOT}/notes.part").write_bytes(MINE)
        (drive / ".backupkeeper/mine").write_bytes(MINE)
    before = marks(main, travel)
    everything(yard, yard.card("card", CARD))
    after = marks(main, travel)
    assert {path: after.get(path) for path in before} == before
    names = [path.name for path in after]
    assert [name for name in names if is_temp_name(name)] == []


@pytest.mark.slow
def test_an_object_with_other_bytes_under_a_wanted_key_stays(
    yard: Yard, moto: Server, credentials: None
) -> None:
    config = (yard.root / "config.toml").read_text().replace(NO_CLOUD, "distinct_devices = false")
    (yard.root / "config.toml").write_text(config)
    bucket = moto.new_bucket()
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/yard", role=Role.CLOUD, name="Far", endpoint=moto.url, profile=None
        )
    card = yard.card("card", CARD)
    yard.offload(card)
    key = f"yard/{SHOOT}/Originals/Wide/Roll 01/{SECOND}"
    moto.client.put_object(Bucket=bucket, Key=key, Body=MINE)
    for _ in range(2):
        with yard.keeper() as keeper:
            (outcome,) = keeper.upload(progress=QUIET)
        assert [(one.place, one.path) for one in outcome.troubles] == [
            ("Far", key.removeprefix("yard/"))
        ]
        assert moto.client.get_object(Bucket=bucket, Key=key)["Body"].read() == MINE
        assert yard.verdict(card).answer is Answer.NO
    moto.client.delete_object(Bucket=bucket, Key=key)
    yard.verify("Far")
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert outcome.troubles == ()
    assert yard.verdict(card).answer is Answer.YES
