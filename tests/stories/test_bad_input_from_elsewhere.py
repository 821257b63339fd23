"""Bad input from elsewhere, typed: buckets, configurations, catalogs, commands.

As in ``test_bad_input``: one clear sentence, an honest state, the right exit code.
"""

import os
from dataclasses import replace
from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from backupkeeper.system.lock import PlaceLocks
from tests.real.store import Server, free_ports
from tests.stories.typed import Said, judged, offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, tree

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {"DCIM/100BOATY/BOAT0001.MP4": clip(1), "MISC/INDEX.DAT": b""}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path)


def told(said: Said, code: int, *words: str) -> None:
    """The exit code, and a sentence that says it."""
    flat = " ".join(said.all.split())
    assert said.code == code, flat
    for word in words:
        assert word in flat, flat


def ends_well(yard: Yard, card: Path, *drives: Path) -> None:
    """The next proper run completes the job."""
    told(offloaded(yard, card), 0)
    assert judged(yard, card) == ("yes", set())
    for drive in drives:
        assert tree(roll_folder(drive)) == CARD


# The bucket.


def add_bucket(yard: Yard, url: str, location: str = "s3://boatyard/x", *more: str) -> Said:
    words = ["--role", "cloud", "--name", "Far", "--endpoint", url, *more]
    return typed(yard, "place", "add", location, *words)


def is_no_place(yard: Yard) -> None:
    assert "Far" not in typed(yard, "place", "list").out


@pytest.mark.slow
@pytest.mark.real("store")
def test_wrong_credentials(yard: Yard, radosgw: Server, credentials: pytest.MonkeyPatch) -> None:
    bucket = radosgw.new_bucket()
    drives = yard.drives()
    card = yard.card("card", CARD)
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "wrong")
    told(add_bucket(yard, radosgw.url, f"s3://{bucket}/x"), 3)
    is_no_place(yard)
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "testsecret")
    told(add_bucket(yard, radosgw.url, f"s3://{bucket}/x"), 0)
    ends_well(yard, card, *drives)
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "wrong")
    told(typed(yard, "upload"), 3)
    assert [key for key in radosgw.keys(bucket) if SHOOT in key] == []
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "testsecret")
    told(typed(yard, "upload"), 0)
    told(typed(yard, "gaps"), 0)
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "wrong")
    told(typed(yard, "verify", "Far"), 3)
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "testsecret")
    told(typed(yard, "verify", "Far"), 0)


@pytest.mark.slow
def test_no_credentials_at_all(yard: Yard, moto: Server, credentials: pytest.MonkeyPatch) -> None:
    credentials.delenv("AWS_ACCESS_KEY_ID")
    credentials.delenv("AWS_SECRET_ACCESS_KEY")
    told(add_bucket(yard, moto.url), 3)
    is_no_place(yard)


@pytest.mark.slow
def test_a_bucket_that_is_not_there(yard: Yard, moto: Server, credentials: object) -> None:
    told(add_bucket(yard, moto.url, "s3://nowhere-at-all/x"), 3, "nowhere-at-all")
    is_no_place(yard)


@pytest.mark.slow
def test_no_network(yard: Yard, moto: Server, credentials: object, at_once: object) -> None:
    closed = f"http://127.0.0.1:{free_ports(1)}"
    told(add_bucket(yard, closed), 3)
    is_no_place(yard)
    bucket = moto.new_bucket()
    drives = yard.drives()
    card = yard.card("card", CARD)
    told(add_bucket(yard, moto.url, f"s3://{bucket}/x"), 0)
    ends_well(yard, card, *drives)
    with yard.keeper() as keeper:
        catalog = keeper._context.catalog
        (far,) = [place for place in catalog.places() if place.role is Role.CLOUD]
        catalog.put_place(replace(far, endpoint=closed))
    told(typed(yard, "upload"), 3)
    assert judged(yard, card) == ("yes", set())  # two drives are what this policy asks for
    told(typed(yard, "gaps"), 1)
    with yard.keeper() as keeper:
        keeper._context.catalog.put_place(far)
    told(typed(yard, "upload"), 0)
    told(typed(yard, "gaps"), 0)


@pytest.mark.parametrize(
    "location", ["s3://", "s3://A_B/x", "s3://b/../x", "s3:///x", "s3://bucket\x1b/x", "s3://x/\n"]
)
def test_an_address_that_is_none(yard: Yard, location: str, credentials: object) -> None:
    told(add_bucket(yard, "http://127.0.0.1:9", location), 2)


@pytest.mark.parametrize("url", ["", "nonsense", "ftp://x", "http://", "http://[", "http://x\n"])
def test_an_endpoint_that_is_none(yard: Yard, url: str, credentials: object) -> None:
    told(add_bucket(yard, url), 2)


# The configuration and the catalog.


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (b"[policy", "TOML"),
        (b"\xff\xfe", "UTF-8"),
        (b"[policy]\nwipe_needs = 3\n", "policy.wipe_needs"),
        (b'[polcy]\nwipe_needs = ["primary"]\n', "polcy"),
        (b'[catalog]\npath = "\\u001b[31m"\n', "catalog.path"),
        (b"[policy]\ndrive_proof_days = -1\n", "drive_proof_days"),
    ],
)
def test_a_broken_configuration(yard: Yard, text: bytes, word: str) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    broken = yard.root / "broken.toml"
    broken.write_bytes(text)
    for words in (["offload", str(card), "--shoot", SHOOT, "--source", "Wide"], ["gaps"]):
        told(typed(yard, *words, config=broken), 2, str(broken)[-20:], word)
    told(typed(yard, "may-wipe", str(card), config=broken), 2)
    assert not (main / SHOOT).exists()
    ends_well(yard, card, main, travel)


@pytest.mark.parametrize("kind", ["none", "folder", "fifo"])
def test_a_configuration_that_can_not_be_read(yard: Yard, kind: str) -> None:
    path = yard.root / "other.toml"
    if kind == "folder":
        path.mkdir()
    if kind == "fifo":
        os.mkfifo(path)
    told(typed(yard, "gaps", config=path), 2, "other.toml")


@pytest.mark.parametrize("kind", ["junk", "folder", "cut", "fifo"])
def test_a_catalog_that_can_not_be_used(yard: Yard, kind: str) -> None:
    drives = yard.drives()
    card = yard.card("card", CARD)
    told(offloaded(yard, card), 0)
    catalog = yard.root / "catalog.sqlite"
    kept = catalog.read_bytes()
    catalog.unlink()
    if kind == "junk":
        catalog.write_bytes(b"junk" * 5_000)
    elif kind == "cut":
        catalog.write_bytes(kept[: len(kept) // 2])
    elif kind == "folder":
        catalog.mkdir()
    elif kind == "fifo":
        os.mkfifo(catalog)
    for words in (["may-wipe", str(card)], ["gaps"], ["verify"]):
        told(typed(yard, *words), 3, "catalog")
    if kind == "folder":
        catalog.rmdir()
    else:
        catalog.unlink()
    for more in yard.root.glob("catalog.sqlite-*"):
        more.unlink()
    catalog.write_bytes(kept)
    ends_well(yard, card, *drives)


@pytest.mark.parametrize(
    "words",
    [
        ["offload"],
        ["offload", "card"],
        ["may-wipe"],
        ["verify", "Nothing Of That Name"],
        ["verify", "/nowhere/at/all"],
        ["place", "add", "x", "--role", "king", "--name", "x"],
        ["nonsense"],
        ["manifest", "export", "Roll 99", "--format", "b3sums"],
    ],
)
def test_wrong_usage(yard: Yard, words: list[str]) -> None:
    yard.drives()
    said = typed(yard, *words)
    told(said, 2)
    assert (said.out, said.err != "") == ("", True)


def test_two_at_work_at_once(yard: Yard) -> None:
    drives = yard.drives()
    card = yard.card("card", CARD)
    other = PlaceLocks(f"{yard.root}/catalog.sqlite.locks")
    with yard.keeper() as keeper:
        (main, _) = keeper.places()
    with other.hold(main.place.id, called="Main", doing="proving Wide/Roll 01"):
        told(offloaded(yard, card), 3, "Another backupkeeper is at work on Main (process ")
    with other.hold("offload", called="", doing="offloading Close"):
        told(offloaded(yard, card), 3, "at work on another card")
    ends_well(yard, card, *drives)
