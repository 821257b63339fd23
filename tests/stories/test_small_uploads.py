"""Many small files at once: what arrives is recorded, and nothing else, whatever ends the work."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NoReturn

import pytest

from backupkeeper.actions import sending_small
from backupkeeper.actions.upload import upload_roll
from backupkeeper.cloud import crew
from backupkeeper.core.errors import AttestationRefusedError, BucketUnreachableError
from backupkeeper.core.model import Content, CopyState, Role, Way
from backupkeeper.core.outcomes import UploadOutcome
from backupkeeper.core.parts import HELD_BYTES
from backupkeeper.ports.bucket import Bucket, ObjectEntry, Sent
from backupkeeper.ports.progress import Progress, Quiet
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, SHOOT, clip, roll_folder, rot
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

FILES = {f"DCIM/100BOATY/BOAT{number:04}.XML": clip(number, 3_000) for number in range(40)}
FOLDER = f"{SHOOT}/Originals/Wide/Roll 01"
ENFORCED = frozenset({"content-md5"})
Fault = Callable[[str], None]


@dataclass
class Watched:
    """A bucket that counts how many are on their way, and does something before a file is sent."""

    inner: Bucket
    before: Fault = lambda key: None
    lock: threading.Lock = field(default_factory=threading.Lock)
    now: int = 0
    most: int = 0
    idle: threading.Event = field(default_factory=threading.Event)
    """Set while none is on its way."""
    bytes_now: int = 0
    most_bytes: int = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def send(self, key: str, content: Content, blocks: Iterator[memoryview], **more: Any) -> Sent:
        with self.lock:
            self.idle.clear()
            self.now += 1
            self.bytes_now += content.size
            self.most = max(self.most, self.now)
            self.most_bytes = max(self.most_bytes, self.bytes_now)
        try:
            self.before(key)
            return self.inner.send(key, content, blocks, **more)
        finally:
            with self.lock:
                self.now -= 1
                self.bytes_now -= content.size
                if not self.now:
                    self.idle.set()


class BucketYard(ScopedYard):
    """A yard with a bucket, and its store seen from behind."""

    rules: Rules

    def upload(self, before: Fault = lambda key: None, progress: Progress = QUIET) -> Watched:
        """The roll from Main and Travel; ``outcome`` keeps what came of it."""
        roll, place = self.roll(), self.place("Off site")
        source = self.place("Main")
        with self.context() as context:
            watched = Watched(inner=context.open_bucket(self.place_of("Off site")), before=before)
            self.watched = watched
            held = replace(context, open_bucket=lambda place, *, hurried=False: watched)
            self.outcome: UploadOutcome = upload_roll(
                held, roll, bucket=place, source=source, progress=progress
            )
        return watched

    def place_of(self, name: str) -> Any:
        with self.context() as context:
            return next(one for one in context.catalog.places() if one.name == name)

    def stored(self) -> dict[str, bytes]:
        """The originals in the bucket."""
        start = f"yard/footage/{FOLDER}/"
        return {
            key.removeprefix(start): data
            for key, (data, _, _) in self.rules.objects.items()
            if key.startswith(start) and key.endswith("XML")
        }

    def proven(self) -> set[str]:
        copies = self.copies("Off site").items()
        return {path for path, copy in copies if copy.state is CopyState.PROVEN}


@pytest.fixture(params=[ENFORCED, frozenset()], ids=["attests", "takes anything"])
def yard(
    request: pytest.FixtureRequest,
    tmp_path: Path,
    credentials: object,
    at_once: object,
    one_loader: object,
    no_thread_left: object,
) -> Iterator[BucketYard]:
    rules = Rules(refuses_on_put=request.param, refuses_on_part=request.param)
    with refusing_store(rules) as url:
        yard = BucketYard(tmp_path, policy="distinct_devices = false")
        yard.rules = rules
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
            )
        assert yard.offload(yard.card("card", FILES)).sealed
        yield yard


def test_they_travel_side_by_side_and_each_is_proven(yard: BucketYard) -> None:
    together = threading.Barrier(4, timeout=30)

    def before(key: str) -> None:
        if not together.broken and key[-5] == "0":  # four of them wait until four are there
            together.wait()

    watched = yard.upload(before)
    assert (yard.outcome.sent_files, yard.outcome.troubles) == (40, ())
    assert yard.outcome.sent_bytes == 40 * 3_000
    assert 4 <= watched.most <= 32
    assert yard.stored() == FILES
    assert yard.proven() == set(FILES)
    ways = {copy.proof.way for copy in yard.copies("Off site").values() if copy.proof}
    assert ways == {Way.ATTESTED if yard.rules.refuses_on_put else Way.DOWNLOADED}
    assert any("ascmhl" in key for key in yard.rules.objects)
    yard.upload()
    assert yard.outcome.sent_files == 0


def test_what_is_held_of_them_is_bounded(yard: BucketYard, monkeypatch: Any) -> None:
    monkeypatch.setattr(sending_small, "HELD_BYTES", 10_000)
    watched = yard.upload()
    assert watched.most_bytes <= 10_000 < HELD_BYTES
    assert yard.stored() == FILES


@pytest.mark.parametrize("number", [1, 7, 39])
def test_ctrl_c_leaves_only_true_facts_and_the_next_run_sends_the_rest(
    yard: BucketYard, number: int
) -> None:
    def stop() -> NoReturn:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        yard.upload(progress=AtAdvance(number, stop))
    proven, stored = yard.proven(), yard.stored()
    assert len(proven) >= number
    assert proven <= set(stored)
    assert {path: FILES[path] for path in stored} == stored
    # All that was begun was waited for, so nothing is sent twice.
    assert proven == set(stored)
    yard.upload()
    assert yard.outcome.sent_files == 40 - len(proven)
    assert yard.proven() == set(FILES)


def test_ctrl_c_does_not_wait_for_what_does_not_answer(
    yard: BucketYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was not waited for is not believed, and found or sent the next time."""
    monkeypatch.setattr(crew, "PATIENCE_S", 0.5)
    answers, silent = threading.Event(), threading.Event()

    def before(key: str) -> None:
        if key.endswith("BOAT0020.XML"):
            silent.set()
            answers.wait(60)

    class Stopped(Quiet):
        def file(self, path: str) -> None:
            if path.endswith("BOAT0025.XML"):
                assert silent.wait(30)
                raise KeyboardInterrupt

    try:
        with pytest.raises(KeyboardInterrupt):
            yard.upload(before, Stopped())
        assert not answers.is_set()
        assert yard.proven() <= set(yard.stored()) - {"DCIM/100BOATY/BOAT0020.XML"}
        assert yard.proven()
    finally:
        answers.set()
        assert yard.watched.idle.wait(30)
    yard.upload()
    assert yard.proven() == set(FILES)
    assert yard.stored() == FILES


def test_when_the_store_goes_away_what_arrived_is_recorded(yard: BucketYard) -> None:
    sent = []

    def before(key: str) -> None:
        sent.append(key)
        if len(sent) > 20:
            raise BucketUnreachableError("Nothing answers at the store.")

    with pytest.raises(BucketUnreachableError):
        yard.upload(before)
    assert yard.proven() == set(yard.stored())
    assert len(yard.proven()) >= 20 - 1
    yard.upload()
    assert yard.proven() == set(FILES)


def test_one_that_rotted_is_told_and_the_others_arrive(yard: BucketYard) -> None:
    bad = "DCIM/100BOATY/BOAT0007.XML"
    rot(roll_folder(yard.root / "Main") / bad, 100, b"spoiled")
    yard.upload()
    assert yard.outcome.sent_files == 39
    assert [Path(one.path).name for one in yard.outcome.troubles] == ["BOAT0007.XML"]
    assert yard.proven() == set(FILES) - {bad}
    assert bad not in yard.stored()
    with yard.keeper() as keeper:
        keeper.upload(progress=QUIET)  # now from any drive
    assert yard.proven() == set(FILES)


def test_a_key_that_is_taken_stays_and_is_told(yard: BucketYard) -> None:
    bad = "DCIM/100BOATY/BOAT0007.XML"
    yard.rules.objects[f"yard/footage/{FOLDER}/{bad}"] = (b"theirs", '"e"', {})
    yard.upload()
    assert yard.outcome.sent_files == 39
    assert [one.path for one in yard.outcome.troubles] == [f"{FOLDER}/{bad}"]
    assert yard.stored()[bad] == b"theirs"
    assert yard.proven() == set(FILES) - {bad}


def test_one_that_the_store_refuses_is_told_and_not_proven(yard: BucketYard) -> None:
    bad = "DCIM/100BOATY/BOAT0007.XML"

    def before(key: str) -> None:
        if key.endswith(bad):
            raise AttestationRefusedError(key)

    yard.upload(before)
    assert yard.outcome.sent_files == 39
    assert len(yard.outcome.troubles) == 1
    assert yard.proven() == set(FILES) - {bad}


@pytest.mark.parametrize("yard", [pytest.param(frozenset(), id="takes anything")], indirect=True)
def test_one_that_comes_back_damaged_is_told(yard: BucketYard) -> None:
    bad = "DCIM/100BOATY/BOAT0007.XML"

    class Spoiling(dict[str, Any]):
        def __setitem__(self, key: str, value: Any) -> None:
            if key.endswith(bad):
                value = (b"x" * len(value[0]), *value[1:])
            super().__setitem__(key, value)

    yard.rules.objects = Spoiling(yard.rules.objects)
    yard.upload()
    assert [one.path for one in yard.outcome.troubles] == [f"{FOLDER}/{bad}"]
    assert yard.proven() == set(FILES) - {bad}
    assert yard.copies("Off site")[bad].state is CopyState.DAMAGED


def test_a_held_upload_begins_nothing_more(yard: BucketYard) -> None:
    """The daemon holds an upload at ``advance``: what is on its way arrives, nothing else starts."""
    begun: list[str] = []
    seen: list[int] = []

    def look() -> None:
        assert yard.watched.idle.wait(30)
        seen.append(len(begun))

    yard.upload(begun.append, AtAdvance(2, look))
    assert 2 <= seen[0] <= 34 < len(begun)
    assert yard.proven() == set(FILES)


def test_an_entry_is_what_the_store_says(yard: BucketYard) -> None:
    yard.upload()
    with yard.context() as context:
        bucket = context.open_bucket(yard.place_of("Off site"))
        entries: dict[str, ObjectEntry] = {one.key: one for one in yard_listing(bucket, FILES)}
    for path, copy in yard.copies("Off site").items():
        assert copy.latest is not None
        assert copy.latest.version == entries[f"{FOLDER}/{path}"].mark


def yard_listing(bucket: Bucket, paths: dict[str, bytes]) -> Iterator[ObjectEntry]:
    for path in paths:
        entry = bucket.look(f"{FOLDER}/{path}")
        assert entry is not None
        yield entry
