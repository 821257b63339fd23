"""An upload is interrupted, and another machine that has the same drive goes on with it, by the bucket alone."""

import json
import random
import shutil
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any, NoReturn

import pytest

from backupkeeper.actions.upload import upload_roll
from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.core.errors import BucketShutError
from backupkeeper.core.model import CopyState, Role, Way
from backupkeeper.core.outcomes import UploadOutcome
from backupkeeper.core.rebuilding import RebuildOutcome, RebuildWish
from backupkeeper.core.upload_notes import FOLDER, NOTE_LIMIT_BYTES, is_note, read_note
from tests.cloud.line import Line
from tests.real.store import Server
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, SHOOT, roll_folder

pytest_plugins = ["tests.real.store_fixtures"]

MIB = 1024 * 1024
PART = 16 * MIB
CHATTER = 256 * 1024
"""Bytes of one run that are no part: questions, headers, the manifest, a snapshot."""
LARGE = "DCIM/100BOATY/BOAT0001.MP4"
CLIP = random.Random(7).randbytes(3 * PART + 12_345)
"""Four parts, no two alike."""
KEY = f"footage/{SHOOT}/Originals/Wide/Roll 01/{LARGE}"


class Machine(ScopedYard):
    """A yard with a bucket behind a line that counts."""

    line: Line
    bucket: str
    server: Server

    def take_in(self) -> None:
        with self.keeper() as keeper:
            keeper.add_bucket(
                self.location,
                role=Role.CLOUD,
                name="Off site",
                endpoint=self.line.url,
                profile=None,
            )

    @property
    def location(self) -> str:
        return f"s3://{self.bucket}/footage"

    def rebuilt(self, *sources: str, take_in: bool = True, merge: bool = False) -> RebuildOutcome:
        wish = RebuildWish(sources=sources, endpoint=self.line.url, take_in=take_in, merge=merge)
        with self.keeper() as keeper:
            return keeper.rebuild(wish, progress=QUIET)

    def upload(self) -> UploadOutcome:
        with self.keeper() as keeper:
            return keeper.upload(progress=QUIET)[0]

    def interrupted(self, blocks: int) -> None:
        def stop() -> NoReturn:
            # On a busy machine the parts may still be on their way: wait for the first.
            until = time.monotonic() + 60
            while not any(arrived(self.server, self.bucket).values()):
                assert time.monotonic() < until, "no part arrives"
            raise KeyboardInterrupt

        with self.keeper() as keeper, pytest.raises(KeyboardInterrupt):
            keeper.upload(progress=AtAdvance(blocks, stop))


@pytest.fixture
def old(
    tmp_path: Path, server: Server, wire: Line, credentials: None, at_once: None, one_loader: None
) -> Machine:
    """The machine that begins: one clip on two drives."""
    machine = machine_at(tmp_path / "old", wire, server.new_bucket(), server)
    machine.drives()
    machine.take_in()
    assert machine.offload(machine.card("card", {LARGE: CLIP})).sealed
    return machine


def machine_at(root: Path, line: Line, bucket: str, server: Server) -> Machine:
    root.mkdir()
    machine = Machine(root, policy="distinct_devices = false")
    machine.line, machine.bucket, machine.server = line, bucket, server
    return machine


@pytest.fixture
def new(old: Machine, tmp_path: Path) -> Machine:
    """Another machine with nothing but the main drive, on which no snapshot lies."""
    machine = machine_at(tmp_path / "new", old.line, old.bucket, old.server)
    machine.clock.at = old.clock.at
    return machine


def with_the_drive(old: Machine, new: Machine) -> None:
    drive = old.root / "Main"
    shutil.rmtree(drive / ".backupkeeper" / "catalog", ignore_errors=True)
    shutil.rmtree(old.root / "Travel")
    outcome = new.rebuilt(str(drive))
    assert (outcome.taken, [one.taken_in for one in outcome.unknown]) == ((), [True])
    new.take_in()
    assert new.place("Off site") == old.place("Off site")


def arrived(server: Server, bucket: str) -> dict[str, int]:
    """Bytes that the store has of each upload under way."""
    found = {}
    for upload in server.client.list_multipart_uploads(Bucket=bucket).get("Uploads", []):
        listed = server.client.list_parts(
            Bucket=bucket, Key=upload["Key"], UploadId=upload["UploadId"]
        )
        found[upload["UploadId"]] = sum(part["Size"] for part in listed.get("Parts", []))
    return found


def notes(server: Server, bucket: str) -> dict[str, bytes]:
    return {
        key: server.client.get_object(Bucket=bucket, Key=key)["Body"].read()
        for key in server.keys(bucket)
        if is_note(key.removeprefix("footage/"))
    }


def stored(server: Server, bucket: str) -> bytes:
    return server.client.get_object(Bucket=bucket, Key=KEY)["Body"].read()


def is_proven(machine: Machine, server: Server) -> bool:
    (copy,) = machine.copies("Off site").values()
    way = Way.DOWNLOADED if server.name == "moto" else Way.ATTESTED
    return (copy.state, copy.proof and copy.proof.way) == (CopyState.PROVEN, way)


def test_with_an_empty_catalog_and_the_same_drive_only_the_rest_is_sent(
    old: Machine, new: Machine, server: Server
) -> None:
    old.interrupted(11)
    ((_, there),) = arrived(server, old.bucket).items()
    assert there >= PART
    with_the_drive(old, new)
    new.clock.at += timedelta(weeks=3)
    new.line.forget()
    outcome = new.upload()
    assert (outcome.sent_files, outcome.troubles) == (1, ())
    assert len(CLIP) - there < new.line.sent <= len(CLIP) - there + CHATTER
    assert stored(server, new.bucket) == CLIP
    assert is_proven(new, server)
    assert arrived(server, new.bucket) == {}
    assert new.verify("Off site").all_well


def test_with_an_older_snapshot_from_the_bucket_only_the_rest_is_sent(
    old: Machine, new: Machine, server: Server
) -> None:
    old.upload()
    folder = roll_folder(old.root / "Main", "Roll 02")
    second = bytes(reversed(CLIP))
    old.offload(old.card("second", {LARGE: second}))
    assert (folder / LARGE).exists()
    old.interrupted(11)
    ((_, there),) = arrived(server, old.bucket).items()
    shutil.rmtree(old.root / "Main" / ".backupkeeper" / "catalog")
    outcome = new.rebuilt(new.location, str(old.root / "Main"))
    assert len(outcome.taken) == 1
    assert [one.taken_in for one in outcome.unknown] == [True]
    with new.context() as context:
        assert context.catalog.uploads(new.place("Off site")) == ()
    new.line.forget()
    sent = new.upload()
    assert (sent.sent_files, sent.troubles) == (1, ())
    assert new.line.sent <= len(CLIP) - there + CHATTER
    key = KEY.replace("Roll 01", "Roll 02")
    assert server.client.get_object(Bucket=new.bucket, Key=key)["Body"].read() == second
    assert arrived(server, new.bucket) == {}


def test_the_machine_that_began_finds_it_done(old: Machine, new: Machine, server: Server) -> None:
    old.interrupted(11)
    with_the_drive(old, new)
    new.upload()
    old.line.forget()
    outcome = old.upload()
    assert outcome.troubles == ()
    assert old.line.sent < CHATTER
    assert is_proven(old, server)
    with old.context() as context:
        assert context.catalog.uploads(old.place("Off site")) == ()


def test_both_are_interrupted_in_turn_and_it_arrives(
    old: Machine, new: Machine, server: Server
) -> None:
    old.interrupted(6)
    with_the_drive(old, new)
    new.interrupted(10)
    old.interrupted(13)
    assert len(arrived(server, old.bucket)) == 1  # one upload, whoever is at it
    new.upload()
    assert stored(server, new.bucket) == CLIP
    assert arrived(server, new.bucket) == {}


# -- what the note is


def test_there_is_one_small_note_for_each_catalog_and_it_tells_no_more_than_is_needed(
    old: Machine, new: Machine, server: Server
) -> None:
    old.interrupted(11)
    ((name, data),) = notes(server, old.bucket).items()
    (noted,) = read_note(data)
    assert (f"footage/{noted.begun.key}", noted.size) == (KEY, len(CLIP))
    assert {noted.begun.upload} == arrived(server, old.bucket).keys()
    assert len(data) < 1_000
    assert str(old.root) not in data.decode()
    with_the_drive(old, new)
    new.upload()
    old.upload()
    for number in range(3):
        old.offload(old.card(f"more {number}", {LARGE: bytes([number]) + CLIP}))
        old.upload()
    assert list(notes(server, old.bucket)) == [name]  # ended ones are not told any more
    (noted,) = read_note(notes(server, old.bucket)[name])
    assert noted.begun.key.endswith(f"Roll 04/{LARGE}")


def test_a_note_is_nobody_s_original(old: Machine, new: Machine, server: Server) -> None:
    """Neither a check, nor a reading, nor a rebuild takes it for one, or for anything strange."""
    old.interrupted(11)
    old.upload()
    assert notes(server, old.bucket)
    with old.keeper() as keeper:
        before = keeper.gaps()
        keeper.check_place("Off site", progress=QUIET)
    assert old.verify("Off site").all_well
    assert old.verify("Off site").troubles == ()
    outcome = new.rebuilt(new.location, take_in=False)
    assert outcome.all_well
    assert (outcome.unknown, outcome.rolls) == ((), 1)
    with new.keeper() as keeper:
        assert keeper.gaps().rolls == before.rolls


def test_files_in_one_piece_cost_no_note(old: Machine, server: Server) -> None:
    old.offload(old.card("small", {"A.MP4": CLIP[: 5 * MIB], "B.XML": b"<clip/>"}), source="Close")
    roll, bucket = old.roll(source="Close"), old.place("Off site")
    with old.context() as context:
        main = next(one.id for one in context.catalog.places() if one.name == "Main")
        outcome = upload_roll(context, roll, bucket=bucket, source=main, progress=QUIET)
    assert (outcome.sent_files, outcome.troubles) == (2, ())
    assert notes(server, old.bucket) == {}


# -- notes of unknown making


def hostile() -> dict[str, Callable[[dict[str, Any]], bytes]]:
    """Notes made of the true one."""

    def with_(**changes: Any) -> Callable[[dict[str, Any]], bytes]:
        def made(note: dict[str, Any]) -> bytes:
            entries = [one | changes for one in note["uploads"]]
            return json.dumps(note | {"uploads": entries}).encode()

        return made

    return {
        "nothing": lambda note: b"",
        "no JSON": lambda note: b"\xff{",
        "deep": lambda note: b"[" * 60_000,
        "huge": lambda note: json.dumps(note).encode() + b" " * NOTE_LIMIT_BYTES,
        "another version": lambda note: json.dumps(note | {"version": 9}).encode(),
        "a path upwards": with_(path="../../etc/passwd"),
        "another size": with_(size=len(CLIP) - 1),
        "other bytes": with_(blake3="0" * 64),
        "an upload that is gone": with_(upload="2~gone"),
        "an upload that is no id": with_(upload="../?uploads&x=y"),
        "large parts": with_(part_bytes=1024 * PART),
        "a part of no size": with_(part_bytes=0),
        "thousands": lambda note: json.dumps(
            note | {"uploads": [note["uploads"][0] | {"upload": f"{n:x}"} for n in range(200)]}
        ).encode()[:NOTE_LIMIT_BYTES],
    }


@pytest.mark.parametrize("server", ["strict"], indirect=True)
@pytest.mark.parametrize("what", hostile())
def test_a_note_of_another_s_making_leads_to_an_upload_from_the_beginning(
    old: Machine, new: Machine, server: Server, what: str
) -> None:
    old.interrupted(11)
    ((name, data),) = notes(server, old.bucket).items()
    body = hostile()[what](json.loads(data))
    for number in range(3):
        at = f"footage/{FOLDER}/{number:032x}.json"
        server.client.put_object(Bucket=old.bucket, Key=at, Body=body)
    server.client.put_object(Bucket=old.bucket, Key=name, Body=body)
    before = arrived(server, old.bucket)
    with_the_drive(old, new)
    outcome = new.upload()
    assert (outcome.sent_files, outcome.troubles) == (1, ())
    assert stored(server, new.bucket) == CLIP
    assert is_proven(new, server)
    assert arrived(server, new.bucket) == before  # theirs is not ours to remove
    assert new.verify("Off site").all_well


def test_a_note_that_names_another_file_s_upload_harms_neither(
    old: Machine, new: Machine, server: Server
) -> None:
    other = bytes(reversed(CLIP))
    old.offload(old.card("second", {LARGE: other}))
    old.interrupted(11)
    ((name, data),) = notes(server, old.bucket).items()
    note = json.loads(data)
    (entry,) = note["uploads"]
    rolls = ["Roll 01", "Roll 02"]
    wrong = next(roll for roll in rolls if roll not in entry["path"])
    right = next(roll for roll in rolls if roll in entry["path"])
    with old.context() as context:
        content = context.catalog.roll(old.roll(wrong)).files[0].content
    lie = entry | {"path": entry["path"].replace(right, wrong), "blake3": content}
    server.client.put_object(
        Bucket=old.bucket, Key=name, Body=json.dumps(note | {"uploads": [lie]}).encode()
    )
    shutil.rmtree(roll_folder(old.root / "Main", right))
    with_the_drive(old, new)
    outcome = new.upload()
    assert (outcome.sent_files, outcome.troubles) == (1, ())
    assert new.verify("Off site").all_well


# -- buckets of all kinds


def test_where_notes_can_not_be_read_or_written_files_are_sent_all_the_same(
    old: Machine, new: Machine, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    inner_small, inner_listing = S3Bucket.send_small, S3Bucket.listing

    def send_small(bucket: S3Bucket, key: str, data: bytes, **more: Any) -> Any:
        if key.startswith(FOLDER):
            raise BucketShutError("not allowed")
        return inner_small(bucket, key, data, **more)

    def listing(bucket: S3Bucket, below: str = "") -> Any:
        if below.startswith(FOLDER):
            raise BucketShutError("not allowed")
        return inner_listing(bucket, below)

    monkeypatch.setattr(S3Bucket, "send_small", send_small)
    monkeypatch.setattr(S3Bucket, "listing", listing)
    old.interrupted(11)
    assert notes(server, old.bucket) == {}
    with_the_drive(old, new)
    outcome = new.upload()
    assert (outcome.sent_files, outcome.troubles) == (1, ())
    assert stored(server, new.bucket) == CLIP


def test_an_old_upload_that_nobody_here_wants_is_left_alone_while_its_parts_arrive(
    old: Machine, server: Server
) -> None:
    """Two catalogs that were merged remember each other's uploads; the other machine may be at it."""
    client, place = server.client, old.place("Off site")
    old.interrupted(11)
    with old.context() as context:
        (begun,) = context.catalog.uploads(place)
        made = []
        for name in ("alive", "dead"):
            key = f"{SHOOT}/Originals/Wide/Roll 07/{name}"
            whole = f"footage/{key}"
            upload = client.create_multipart_upload(Bucket=old.bucket, Key=whole)["UploadId"]
            if name == "alive":  # the store's clock is months ahead of the yard's
                client.upload_part(
                    Bucket=old.bucket, Key=whole, UploadId=upload, PartNumber=1, Body=b"a part"
                )
            at = old.clock.at - timedelta(days=30)
            made.append(replace(begun, key=key, upload=upload, begun_at=at))
            context.catalog.upload_begun(place, made[-1])
    old.upload()
    with old.context() as context:
        assert context.catalog.uploads(place) == (made[0],)
    assert arrived(server, old.bucket).keys() == {made[0].upload}
