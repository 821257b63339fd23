"""Everything back from the bucket alone, on an empty machine; thawed first where it sleeps.

Both stores, http. Only the mock knows archive classes: what a real service takes, and how long, no
test here can show.
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from moto.moto_api import state_manager

from backupkeeper.core.model import BLOCK_BYTES, Role
from backupkeeper.core.restoring import Asked, Fate, RestoreOutcome
from backupkeeper.wiring import Keeper, load_config
from tests.real.store import ACCESS, SECRET, Server
from tests.stories.typed import typed, yard_of_today
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, tree

pytest_plugins = ["tests.real.store_fixtures"]

LARGE, SMALL = "DCIM/100BOATY/BOAT0001.MP4", "DCIM/100BOATY/BOAT0002.MP4"
CARD = {
    LARGE: b"".join(clip(n, BLOCK_BYTES) for n in range(4)) + clip(9, 77),
    SMALL: clip(2),
    "DCIM/100BOATY/odd + %41 & é #.XML": b"<clip/>\n",
    "MISC/EMPTY.DAT": b"",
}
STORES = [pytest.param("radosgw", marks=pytest.mark.real("store")), "moto"]
KILLS = int(os.environ.get("BACKUPKEEPER_RESTORE_KILLS", "4"))
FOLDER = f"{SHOOT}/Originals/Wide/Roll 01"


@pytest.fixture
def store(request: pytest.FixtureRequest, credentials: None) -> Server:
    server: Server = request.getfixturevalue(request.param)
    return server


@pytest.fixture
def bucket(store: Server, request: pytest.FixtureRequest) -> str:
    name = f"back-{zlib.crc32(request.node.nodeid.encode())}"
    store.client.create_bucket(Bucket=name)
    return name


@pytest.fixture
def yard(tmp_path: Path, store: Server, bucket: str) -> Yard:
    """A shoot on two drives and in the bucket; then the machine and both drives are gone."""
    home = tmp_path / "home"
    home.mkdir()
    yard = yard_of_today(home, policy="distinct_devices = false")
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=store.url,
            profile=None,
        )
    card = yard.card("card", CARD)
    (card / "SPARE/DEEP").mkdir(parents=True)
    for number, path in enumerate(sorted(card.rglob("*.*"))):
        os.utime(path, ns=(1_700_000_000_000_000_000 + 12_345 * number,) * 2)
    yard.offload(card)
    with yard.keeper() as keeper:
        (sent,) = keeper.upload(progress=QUIET)
    assert not sent.troubles
    new = tmp_path / "new home"
    new.mkdir()
    made = yard_of_today(new, policy="distinct_devices = false")
    shutil.copy(home / "catalog.sqlite", new / "catalog.sqlite")
    (home / "Main").rename(tmp_path / "lost 1")
    (home / "Travel").rename(tmp_path / "lost 2")
    return made


def was(yard: Yard) -> Path:
    """The roll on the drive that is gone, to compare with."""
    return roll_folder(yard.root.parent / "lost 1")


def restored(
    yard: Yard, what: str | None = None, *, wait: bool = False, pause: Any = None
) -> RestoreOutcome:
    asked = Asked(what=what, to=str(yard.root / "back"), wait=wait)
    config = load_config(str(yard.root / "config.toml"), {"HOME": str(yard.root)})
    with Keeper(config, clock=yard.clock, pause=pause) as keeper:
        return keeper.restore(asked, agree=lambda _: True, progress=QUIET)


def times(folder: Path) -> dict[str, int]:
    return {
        str(path.relative_to(folder)): path.stat().st_mtime_ns
        for path in folder.rglob("*.*")
        if path.is_file() and "ascmhl" not in path.parts
    }


def is_all_there(yard: Yard) -> None:
    back = roll_folder(yard.root / "back")
    assert tree(back) == CARD
    assert times(back) == times(was(yard))
    assert (back / "SPARE/DEEP").is_dir()
    assert yard.verify(str(yard.root / "back")).all_well


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_everything_comes_back_on_an_empty_machine(yard: Yard) -> None:
    with yard.keeper() as keeper:
        (held,) = keeper.costs("off site")
    assert held.objects >= len(CARD) + 2, "the originals and their manifest"
    assert {one.shelf for one in held.held} <= {"", "STANDARD"}
    outcome = restored(yard)
    assert outcome.all_well
    assert outcome.taken == {"Off site": sum(map(len, CARD.values()))}
    is_all_there(yard)
    with yard.keeper() as keeper:
        facts = keeper.context.catalog.facts_at(
            next(one.id for one in keeper.context.catalog.places() if one.name == "Off site")
        )
        whole = {fact.path for fact in facts if fact.evidence == "restored whole"}
    assert len(whole) == 3, (
        "what was fetched whole and was right is proven by that (an empty file is not)"
    )


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_with_nothing_but_the_bucket_the_catalog_and_then_everything_comes_back(
    yard: Yard, store: Server, bucket: str
) -> None:
    for file in yard.root.glob("catalog.sqlite*"):
        if file.is_file():
            file.unlink()
    said = typed(yard, "rebuild", "--from", f"s3://{bucket}/footage", "--endpoint", store.url)
    assert "Traceback" not in said.all
    outcome = restored(yard)
    assert not outcome.not_there, said.all
    assert (outcome.restored_files, outcome.not_cold) == (4, "")
    is_all_there(yard)


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_the_version_that_was_proven_comes_though_others_were_put_over_it(
    tmp_path: Path, store: Server, bucket: str
) -> None:
    store.client.put_bucket_versioning(Bucket=bucket, VersioningConfiguration={"Status": "Enabled"})
    yard = yard_of_today(tmp_path, policy="distinct_devices = false")
    main, travel = yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/f", role=Role.CLOUD, name="Off site", endpoint=store.url, profile=None
        )
    yard.offload(yard.card("card", CARD))
    with yard.keeper() as keeper:
        keeper.upload(progress=QUIET)
    store.client.put_object(Bucket=bucket, Key=f"f/{FOLDER}/{SMALL}", Body=b"put over it")
    store.client.delete_object(Bucket=bucket, Key=f"f/{FOLDER}/{LARGE}")
    shutil.rmtree(main)
    shutil.rmtree(travel)
    outcome = restored(yard)
    assert not outcome.not_there
    assert tree(roll_folder(yard.root / "back")) == CARD
    with yard.keeper() as keeper:
        found = keeper.verify("Off site", progress=QUIET)
    assert (found.checked, found.all_well) == ((), False)
    told = {one.path: one.message for one in found.troubles}
    assert told.keys() == {f"{FOLDER}/{SMALL}", f"{FOLDER}/{LARGE}"}
    assert all("ours is version" in message for message in told.values())


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_what_is_wrong_in_the_bucket_gets_no_name_and_is_remembered(
    yard: Yard, store: Server, bucket: str
) -> None:
    spoiled = bytearray(CARD[LARGE])
    spoiled[BLOCK_BYTES + 5] ^= 1
    store.client.put_object(Bucket=bucket, Key=f"footage/{FOLDER}/{LARGE}", Body=bytes(spoiled))
    store.client.delete_object(Bucket=bucket, Key=f"footage/{FOLDER}/{SMALL}")
    outcome = restored(yard)
    assert {(one.path, one.lost) for one in outcome.not_there} == {
        (f"{FOLDER}/{LARGE}", ((BLOCK_BYTES, 2 * BLOCK_BYTES),)),
        (f"{FOLDER}/{SMALL}", ((0, len(CARD[SMALL])),)),
    }
    assert {one.fate for one in outcome.not_there} == {Fate.LOST}
    assert not (roll_folder(yard.root / "back") / LARGE).exists()
    assert yard.gaps_of("Roll 01"), "the bucket counts no more"
    assert {one.place for one in outcome.troubles} == {"Off site"}


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_killed_at_random_it_goes_on_and_no_name_is_ever_wrong(yard: Yard, store: Server) -> None:
    back = roll_folder(yard.root / "back")
    words = [sys.executable, "-m", "backupkeeper", "--config", str(yard.root / "config.toml")]
    words += ["restore", "--all", "--to", str(yard.root / "back"), "--yes"]
    environ = {
        **os.environ,
        "HOME": str(yard.root),
        "AWS_ACCESS_KEY_ID": ACCESS,
        "AWS_SECRET_ACCESS_KEY": SECRET,
    }
    chance = random.Random(4)
    for _ in range(KILLS):
        with subprocess.Popen(
            words, env=environ, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        ) as program:
            assert program.stderr is not None
            assert any(line.startswith("Restoring") for line in program.stderr)
            # Nothing is waited for: it is killed somewhere in the work, that is the test.
            time.sleep(chance.random() * 0.2)
            program.send_signal(signal.SIGKILL)
        for path, data in tree(back).items() if back.exists() else ():
            assert path.endswith(".part") or data == CARD[path]
    done = subprocess.run(words, env=environ, check=False, stdout=subprocess.PIPE)
    assert done.returncode == 0, done.stdout
    is_all_there(yard)
    assert not list(back.rglob("*.part"))


@pytest.fixture
def slow_thaw() -> Iterator[None]:
    """The mock thaws only at the second look, as long as the block lasts."""
    model = "s3::keyrestore"
    state_manager.set_transition(model, {"progression": "manual", "times": 3})
    yield
    state_manager.unset_transition(model)


def put_to_sleep(store: Server, bucket: str, path: str, shelf: Any = "GLACIER") -> None:
    key = f"footage/{FOLDER}/{path}"
    store.client.copy_object(
        Bucket=bucket, Key=key, CopySource={"Bucket": bucket, "Key": key}, StorageClass=shelf
    )


@pytest.mark.parametrize("store", ["moto"], indirect=True)
def test_what_sleeps_is_asked_for_once_and_comes_the_next_time(
    yard: Yard, store: Server, bucket: str, slow_thaw: None
) -> None:
    put_to_sleep(store, bucket, LARGE)
    with yard.keeper() as keeper:
        asked = Asked(what=None, to=str(yard.root / "back"))
        plan = keeper.restore(asked, agree=lambda _: False, progress=QUIET).plan
    assert (plan.asleep_files, plan.wants_word) == (1, True)
    outcome = restored(yard)
    assert [(one.path, one.fate) for one in outcome.not_there] == [
        (f"{FOLDER}/{LARGE}", Fate.THAWING)
    ]
    assert outcome.restored_files == 3
    assert "3 to 5 hours" in outcome.come_again
    for _ in range(6):
        outcome = restored(yard)
    assert not outcome.not_there
    is_all_there(yard)


@pytest.mark.parametrize("store", ["moto"], indirect=True)
def test_what_sleeps_is_waited_for(yard: Yard, store: Server, bucket: str, slow_thaw: None) -> None:
    put_to_sleep(store, bucket, LARGE, "DEEP_ARCHIVE")
    put_to_sleep(store, bucket, SMALL)
    waits: list[float] = []
    outcome = restored(yard, wait=True, pause=waits.append)
    assert outcome.all_well
    assert waits == sorted(waits)
    assert waits
    is_all_there(yard)
