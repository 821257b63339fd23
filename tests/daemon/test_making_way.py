"""Proofs and uploads make way for a person at work on the drive, and for nothing of our own."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from backupkeeper.core.activity import CALM_S, SAID, SAMPLE_S
from backupkeeper.core.deeds import Deed
from backupkeeper.daemon.errand import Moving
from backupkeeper.daemon.sights import Sight, SightKind
from backupkeeper.daemon.workbench import Job
from tests.core.made_up_copies import NOW
from tests.daemon.made_up import MAIN, MIRROR, PROVE, TRAVEL, UPLOAD
from tests.daemon.whole_loop import whole_loop

MB = 1_000_000
RATE = 200 * MB
"""Bytes in one sample: forty million a second."""


class Stand:
    """A loop with two drives, whose disks pass what a test says."""

    def __init__(self, root: Path) -> None:
        self._whole = whole_loop(root)
        self.loop = self._whole.__enter__()
        self.seeing, self.at_s = self.loop.seeing, 0.0
        self.passed = {"main": 0, "travel": 0}
        self.seeing.bytes_passed = lambda: dict(self.passed)
        for place, disk in ((MAIN, "main"), (TRAVEL, "travel")):
            sight = Sight(
                kind=SightKind.PLACE, token=disk, point=f"/{disk}", place=place,
                device=f"serial of {disk}", block_device=f"/dev/{disk}", disk=disk,
            )  # fmt: skip
            self.loop.surroundings._sights[disk] = sight

    def close(self) -> None:
        self._whole.__exit__(None, None, None)

    def begins(self, deed: Deed) -> Job:
        job = Job(deed=deed, since=NOW, begun_s=self.at_s, mounts=frozenset())
        self.loop.workbench._jobs[deed.key] = job
        return job

    def ends(self, job: Job) -> None:
        del self.loop.workbench._jobs[job.deed.key]
        self.seeing.ended(job)

    def sample(self, *, main: int = 0, travel: int = 0) -> set[str]:
        """So many bytes pass in a sample's time; devices that somebody else works on then."""
        self.at_s += SAMPLE_S
        self.passed["main"] += main
        self.passed["travel"] += travel
        self.seeing.look_at_activity(self.at_s)
        assert all(said == SAID for said in self.seeing.seen.busy.values())
        return set(self.seeing.seen.busy)


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    made = Stand(tmp_path)
    yield made
    made.close()


def goes_on(job: Job, byte_count: int) -> None:
    done = job.moving.bytes_done if job.moving is not None else 0
    moving = Moving(
        what="Proving", bytes_done=done, bytes_total=0, files_done=0, files_total=0, path="",
        held=False,
    )  # fmt: skip
    if job.moving is None:
        job.heard(moving, 0.0)
    job.heard(replace(moving, bytes_done=done + byte_count), 0.0)


def test_nobody_looks_while_nothing_runs_that_should_make_way(stand: Stand) -> None:
    assert stand.seeing.look_at_activity(1.0) is None
    stand.begins(MIRROR)
    assert stand.seeing.look_at_activity(2.0) is None
    stand.begins(PROVE)
    assert stand.seeing.look_at_activity(3.0) == SAMPLE_S
    assert stand.seeing.look_at_activity(4.0) == SAMPLE_S - 1


@pytest.mark.parametrize("deed", [PROVE, UPLOAD])
def test_our_own_reading_makes_nothing_wait(stand: Stand, deed: Deed) -> None:
    job = stand.begins(deed)
    for _ in range(10):
        goes_on(job, RATE)
        assert stand.sample(main=RATE) == set()


def test_one_proof_after_another_makes_nothing_wait(stand: Stand) -> None:
    for number in range(10):
        job = stand.begins(replace(PROVE, folder=f"{number}"))
        goes_on(job, RATE // 2)
        stand.ends(job)
        following = stand.begins(replace(PROVE, folder=f"{number} and more"))
        goes_on(following, RATE // 2)
        assert stand.sample(main=RATE) == set()
        stand.ends(following)


def test_a_person_at_work_is_seen_on_that_drive_alone_until_it_was_calm(stand: Stand) -> None:
    job = stand.begins(PROVE)
    goes_on(job, RATE)
    stand.sample(main=RATE)
    stand.sample(main=RATE, travel=0)
    assert stand.sample(main=RATE) == {"serial of main"}
    for _ in range(int(CALM_S / SAMPLE_S) - 1):
        assert stand.sample() == {"serial of main"}
    assert stand.sample() == set()


def test_it_is_looked_on_while_a_drive_is_busy_though_nothing_runs(stand: Stand) -> None:
    job = stand.begins(PROVE)
    for _ in range(3):
        stand.sample(main=RATE)
    stand.ends(job)
    assert stand.seeing.look_at_activity(stand.at_s + 1) == SAMPLE_S - 1
    for _ in range(int(CALM_S / SAMPLE_S)):
        stand.sample()
    assert stand.seeing.look_at_activity(stand.at_s + SAMPLE_S) is None


def test_a_drive_that_we_copy_from_or_onto_is_never_called_busy(stand: Stand) -> None:
    stand.begins(UPLOAD)
    stand.begins(replace(MIRROR, source=MAIN, place=TRAVEL))
    for _ in range(5):
        assert stand.sample(main=RATE, travel=RATE) == set()


def test_a_drive_that_is_gone_is_not_busy(stand: Stand) -> None:
    stand.begins(PROVE)
    for _ in range(3):
        stand.sample(main=RATE)
    del stand.loop.surroundings._sights["main"]
    del stand.passed["main"]
    stand.at_s += SAMPLE_S
    stand.seeing.look_at_activity(stand.at_s)
    assert stand.seeing.seen.busy == {}
