"""Deeds under way are started once, held until they say so, and stopped when their mount is gone."""

from dataclasses import replace
from datetime import timedelta

from backupkeeper.core.deeds import Plan
from backupkeeper.core.model import PlaceId
from backupkeeper.daemon.aftermath import Stuck
from backupkeeper.daemon.crew import Ended, Moved
from backupkeeper.daemon.errand import Failed
from backupkeeper.daemon.workbench import Here, Workbench, measured_by
from tests.daemon.hand_crew import HandCrew, moving
from tests.daemon.made_up import DRIVES, MAIN, MIRROR, NOON, OFF_SITE, OFFLOAD, UPLOAD

HERE = Here(drives=DRIVES, tokens=("token of main", "token of travel"))


class Stand:
    def __init__(self) -> None:
        self.crew = HandCrew()
        self.bench = Workbench(self.crew, config="c.toml", ahead=timedelta(0))

    def plan(self, plan: Plan, at_s: float = 0.0, line: float | None = None) -> None:
        self.bench.carry_out(plan, replace(HERE, line=line), NOON, at_s)


def test_a_deed_is_sent_out_once_with_the_mounts_that_answered() -> None:
    stand = Stand()
    stand.plan(Plan(start=(UPLOAD,)))
    stand.plan(Plan(start=(UPLOAD,)))
    assert stand.crew.told == [f"start {UPLOAD.key}"]
    errand = stand.crew.started[UPLOAD.key]
    assert (errand.deed, errand.mounts, errand.config) == (UPLOAD, HERE.tokens, "c.toml")


def test_a_deed_counts_as_held_only_once_its_worker_says_so() -> None:
    stand = Stand()
    stand.plan(Plan(start=(UPLOAD,)))
    stand.plan(Plan(hold=frozenset({UPLOAD.key})))
    assert not stand.bench.running()[0].held
    stand.bench.heard(Moved(key=UPLOAD.key, moving=moving(held=True)), 1.0)
    assert stand.bench.running()[0].held
    stand.plan(Plan(hold=frozenset({UPLOAD.key})))
    stand.plan(Plan())
    assert not stand.bench.running()[0].held, "it goes on from the moment that it may"
    assert stand.crew.told == [f"{word} {UPLOAD.key}" for word in ("start", "hold", "resume")]


def test_a_deed_is_stopped_once_and_not_held_any_more() -> None:
    stand = Stand()
    stand.plan(Plan(start=(MIRROR,)))
    stand.plan(Plan(stop=(MIRROR.key, "unknown")))
    stand.plan(Plan(stop=(MIRROR.key,), hold=frozenset({MIRROR.key})))
    assert stand.crew.told == [f"start {MIRROR.key}", f"stop {MIRROR.key}"]
    assert stand.bench.running()[0].stopping


def test_deeds_whose_mount_is_gone_are_stopped_and_no_others() -> None:
    stand = Stand()
    stand.plan(Plan(start=(MIRROR, UPLOAD, OFFLOAD)))
    stand.bench.stop_gone(lambda token: token != "token of travel")
    stand.bench.stop_gone(lambda token: token != "card")
    assert [one for one in stand.crew.told if one.startswith("stop")] == [
        f"stop {MIRROR.key}",
        f"stop {OFFLOAD.key}",
    ]


def test_a_deed_that_ended_is_handed_back_once() -> None:
    stand = Stand()
    stand.plan(Plan(start=(UPLOAD,)), at_s=5.0)
    ended = Ended(key=UPLOAD.key, came=Failed(error="stopped", message="Stopped."))
    job = stand.bench.ended(ended)
    assert job is not None
    assert (job.deed, job.begun_s) == (UPLOAD, 5.0)
    assert stand.bench.ended(ended) is None
    stand.bench.heard(Moved(key=UPLOAD.key, moving=moving()), 6.0)
    assert stand.bench.running() == ()


def test_a_deed_that_a_device_keeps_waiting_is_stopped_once() -> None:
    stand = Stand()
    stand.plan(Plan(start=(UPLOAD, MIRROR)))
    stuck = {MIRROR.key: "/media/main/a.mp4", "look at|m1": ""}
    assert stand.bench.stop_stuck(stuck, DRIVES.values()) == ["/media/main/a.mp4"]
    assert stand.bench.stop_stuck(stuck, DRIVES.values()) == []
    assert stand.bench.jobs[MIRROR.key].stuck == Stuck(path="/media/main/a.mp4", drive=DRIVES[MAIN])
    assert [one for one in stand.crew.told if one.startswith("stop")] == [f"stop {MIRROR.key}"]


OTHER_VAULT = replace(UPLOAD, place=PlaceId("other-vault"))


def test_uploads_share_the_line_and_follow_when_it_is_another() -> None:
    stand = Stand()
    stand.plan(Plan(start=(UPLOAD, MIRROR)), line=1000)
    assert stand.crew.started[UPLOAD.key].line == 1000
    stand.plan(Plan(start=(OTHER_VAULT,)), line=1000)
    assert stand.crew.started[OTHER_VAULT.key].line == 500
    stand.plan(Plan(), line=1000)
    stand.plan(Plan(), line=0.0)
    stand.plan(Plan(), line=None)
    told = [one for one in stand.crew.told if one.startswith("limit")]
    both = (UPLOAD.key, OTHER_VAULT.key)
    assert told == [
        f"limit {UPLOAD.key} 500.0",
        *(f"limit {key} 0.0" for key in both),
        *(f"limit {key} None" for key in both),
    ]


def test_what_is_no_upload_is_not_held_up_by_a_closed_line() -> None:
    stand = Stand()
    stand.plan(Plan(start=(MIRROR,)), line=0.0)
    assert stand.crew.started[MIRROR.key].line is None


def test_how_fast_an_upload_went_is_measured_without_the_time_that_it_was_held() -> None:
    stand = Stand()
    stand.plan(Plan(start=(UPLOAD, MIRROR)), line=1000)

    def heard(at_s: float, sent: int, *, held: bool = False, key: str = UPLOAD.key) -> None:
        word = replace(moving(held=held), sent_bytes=sent)
        stand.bench.heard(Moved(key=key, moving=word), at_s)

    heard(0, 0)
    heard(100, 500, held=True)
    heard(5000, 500)
    heard(5100, 900)
    assert list(stand.bench.measured()) == []
    stand.plan(Plan(), line=2000)
    assert list(stand.bench.measured()) == [(OFF_SITE, 900, 200.0, 1000)]
    heard(5100 + 599, 1000)
    heard(5100 + 600, 1200)
    assert list(stand.bench.measured()) == [(OFF_SITE, 300, 600.0, 2000)]
    assert list(stand.bench.measured()) == [], "each is told once"
    heard(5800, 1300)
    heard(0, 0, key=MIRROR.key)
    heard(900, 10**9, key=MIRROR.key)
    assert list(stand.bench.measured()) == [], "a mirror says nothing about the line"
    job = stand.bench.ended(Ended(key=UPLOAD.key, came=Failed(error="stopped", message="Stopped.")))
    assert job is not None
    assert list(measured_by(job)) == [(OFF_SITE, 100, 100.0, 2000)]


def test_of_an_upload_what_has_left_says_how_fast_it_is_and_what_is_left() -> None:
    stand = Stand()
    deed = replace(UPLOAD, size_bytes=1000)
    stand.plan(Plan(start=(deed, MIRROR)))
    assert stand.bench.left() == {}
    for at_s, done, sent in ((0, 0, 0), (10, 8, 50), (20, 9, 150)):
        word = replace(moving(done=done), bytes_total=10, sent_bytes=sent)
        stand.bench.heard(Moved(key=deed.key, moving=word), at_s)
        stand.bench.heard(Moved(key=MIRROR.key, moving=word), at_s)
    assert stand.bench.left() == {(OFF_SITE, deed.roll): 100}
    sending, copying = stand.bench.jobs[deed.key].pace, stand.bench.jobs[MIRROR.key].pace
    assert 5 < sending.bytes_a_second < 10, "not as fast as the drive was read"
    assert copying.bytes_a_second < 1
