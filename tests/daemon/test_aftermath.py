"""What the end of a deed means: what counts as a failure, of whom, and what is remembered."""

import json
from dataclasses import replace

import pytest

from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.model import EventKind
from backupkeeper.core.patience import subject_of_line
from backupkeeper.daemon.aftermath import Around, aftermath, stuck_on, title
from backupkeeper.daemon.errand import Failed, Finished
from tests.daemon.made_up import (
    DRIVES,
    JUDGE,
    LOOK,
    MAIN,
    MIRROR,
    OFF_SITE,
    OFFLOAD,
    PLACES,
    PROVE,
    TRAVEL,
    UPLOAD,
)

AROUND = Around(places=PLACES, drives=DRIVES, is_gone=False, was_asked_to_stop=False)
POSTERS = Deed(kind=DeedKind.POSTERS, why="It has none.", place=MAIN, folder="a/b")
DONE = Finished(said="Done.", files=3, size_bytes=3_000_000, seconds=2.0)
STOPPED = Failed(error="stopped", message="Stopped.")
ON_MAIN, ON_TRAVEL = "main@token of main", "travel@token of travel"


def test_what_came_through_worked_for_the_deed_and_all_its_places() -> None:
    after = aftermath(MIRROR, DONE, AROUND)
    assert set(after.worked) == {ON_MAIN, ON_TRAVEL, MIRROR.key}
    assert after.failed == ()
    assert after.events == ((EventKind.MOVED, "mirror|travel", "3000000 2.0"),)
    assert after.said == (
        "second copy 260612 Boatyard/Originals/Wide/Roll 01 from Main to Travel: Done."
    )


def test_too_short_a_work_says_nothing_about_a_rate() -> None:
    assert aftermath(MIRROR, replace(DONE, seconds=0.5), AROUND).events == ()


def test_a_deed_that_came_to_nothing_must_wait_and_blames_no_place() -> None:
    after = aftermath(MIRROR, Finished(said="Nothing to copy."), AROUND)
    assert after.failed == ((MIRROR.key, "It came to nothing: Nothing to copy."),)
    assert after.worked == ()


def test_a_manifest_that_can_t_be_brought_keeps_no_file_from_its_bucket() -> None:
    owed = replace(UPLOAD, source=None, files=0, size_bytes=0)
    came = Finished(
        said="Uploaded 0 files.", troubles=(("Off site", "a/ascmhl", "It is no one's."),)
    )
    after = aftermath(owed, came, AROUND)
    assert after.failed == ((owed.key, "It is no one's."),)
    assert after.worked == ()
    of_files = aftermath(replace(owed, files=1), came, AROUND)
    assert of_files.failed == ((OFF_SITE, "It is no one's."),)


def test_a_place_that_troubles_name_has_failed_once_with_the_first_sentence() -> None:
    troubles = (
        ("Travel", "a", "Travel is not there any more."),
        ("Travel", "b", "Another."),
        ("card", "c", "A read error."),
    )
    after = aftermath(OFFLOAD, replace(DONE, troubles=troubles, sealed=True), AROUND)
    assert after.failed == ((ON_TRAVEL, "Travel is not there any more."),)
    assert set(after.worked) == {ON_MAIN, OFFLOAD.key}
    assert after.is_trouble


@pytest.mark.parametrize(
    ("error", "subject"),
    [
        ("WriteError", ON_TRAVEL),
        ("NoSpaceError", ON_TRAVEL),
        ("UsageError", MIRROR.key),
        ("BrokenPromiseError", MIRROR.key),
        ("SourceChangedError", MIRROR.key),
    ],
)
def test_a_failure_is_counted_under_what_is_to_blame(error: str, subject: str) -> None:
    after = aftermath(MIRROR, Failed(error=error, message="No.", advice="Try."), AROUND)
    assert after.failed == ((subject, "No."),)
    assert after.said.endswith("No. Try.")
    assert after.is_trouble


def test_a_bucket_out_of_reach_is_counted_under_the_bucket() -> None:
    after = aftermath(UPLOAD, Failed(error="BucketUnreachableError", message="No line."), AROUND)
    assert after.failed == ((OFF_SITE, "No line."),)


@pytest.mark.parametrize("asked", [True, False])
def test_a_stop_is_no_failure(asked: bool) -> None:
    around = replace(AROUND, was_asked_to_stop=asked)
    after = aftermath(PROVE, Failed(error="stopped", message="Stopped."), around)
    assert (after.failed, after.worked, after.events) == ((), (), ())
    assert "taken up later" in after.said


def test_a_drive_that_gives_no_answer_is_named_and_left_alone_for_a_while() -> None:
    stuck = stuck_on("/media/main/260612 Boatyard/a.mp4", DRIVES.values())
    after = aftermath(MIRROR, STOPPED, replace(AROUND, was_asked_to_stop=True, stuck=stuck))
    assert "Main gives no answer (/media/main/260612 Boatyard/a.mp4)" in after.said
    assert "unplug it" in after.said
    assert after.is_trouble
    assert [subject for subject, _ in after.failed] == [f"{MAIN}@token of main"]


@pytest.mark.parametrize("path", ["", "/media/card/a.mp4"])
def test_what_gives_no_answer_and_is_no_drive_lets_the_deed_wait(path: str) -> None:
    stuck = stuck_on(path, DRIVES.values())
    after = aftermath(OFFLOAD, STOPPED, replace(AROUND, stuck=stuck))
    assert after.said.count(path) >= 1
    assert "A device gives no answer" in after.said
    assert [subject for subject, _ in after.failed] == [OFFLOAD.key]


def test_a_deed_that_ended_after_all_is_as_any_other() -> None:
    stuck = stuck_on("/media/main/a", DRIVES.values())
    assert aftermath(MIRROR, DONE, replace(AROUND, stuck=stuck)) == aftermath(MIRROR, DONE, AROUND)


def test_a_place_held_by_another_program_is_no_failure() -> None:
    failed = Failed(error="PlaceHeldError", message="Another is at work on Main.", process=7)
    after = aftermath(PROVE, failed, AROUND)
    assert after.failed == ()
    assert "Another is at work on Main." in after.said


def test_a_place_held_from_another_catalog_must_wait_for_nobody_tells_when_it_is_free() -> None:
    failed = Failed(error="PlaceHeldError", message="Another is at work on Main.")
    after = aftermath(PROVE, failed, AROUND)
    assert after.failed == ((PROVE.key, "Another is at work on Main."),)


def test_a_drive_that_is_gone_is_no_failure_of_it() -> None:
    around = replace(AROUND, is_gone=True)
    after = aftermath(MIRROR, Failed(error="WriteError", message="No."), around)
    assert after.failed == ()
    assert "went away" in after.said


def test_a_card_that_was_taken_is_remembered_with_its_rolls() -> None:
    folders = ("a/b", "odd \udc80")
    after = aftermath(OFFLOAD, replace(DONE, sealed=True, folders=folders), AROUND)
    kind, subject, detail = after.events[0]
    assert (kind, subject) == (EventKind.CARD_TAKEN, "card")
    assert json.loads(detail) == list(folders)


def test_new_rolls_want_posters_until_these_were_made() -> None:
    after = aftermath(OFFLOAD, replace(DONE, sealed=True, folders=("a/b",)), AROUND)
    assert after.events[1:] == ((EventKind.POSTERS, "a/b", '["main", "travel"]'),)
    adopted = Deed(kind=DeedKind.ADOPT, why="", place=MAIN, folder="c")
    assert aftermath(adopted, DONE, AROUND).events == ((EventKind.POSTERS, "c", '["main"]'),)
    made = aftermath(POSTERS, Finished(said="Made 3 posters.", files=3, sealed=True), AROUND)
    assert (made.failed, made.events) == ((), ((EventKind.POSTERS, "a/b", ""),))
    assert made.said == "posters a/b on Main: Made 3 posters."
    none = aftermath(POSTERS, Finished(said="Made 0 posters.", sealed=True), AROUND)
    assert (none.failed, none.events) == ((), ((EventKind.POSTERS, "a/b", ""),))


def test_posters_that_were_put_off_are_still_wanted_and_must_wait() -> None:
    after = aftermath(POSTERS, Finished(said="Main is used."), AROUND)
    assert after.events == ()
    assert [subject for subject, _ in after.failed] == [POSTERS.key]


def test_an_offload_that_sealed_nothing_is_not_taken_and_must_wait() -> None:
    after = aftermath(OFFLOAD, DONE, AROUND)
    assert after.events == ()
    assert [subject for subject, _ in after.failed] == [OFFLOAD.key]


def test_an_empty_card_is_taken_too() -> None:
    after = aftermath(OFFLOAD, Finished(said="Nothing new.", sealed=True), AROUND)
    assert after.failed == ()
    assert [kind for kind, _, _ in after.events] == [EventKind.CARD_TAKEN]


@pytest.mark.parametrize(
    ("may_wipe", "asked", "word"),
    [(True, False, "yes"), (False, False, "no"), (True, True, "yes"), (False, True, "not yet")],
)
def test_a_verdict_is_remembered(may_wipe: bool, asked: bool, word: str) -> None:
    after = aftermath(replace(JUDGE, asked=asked), replace(DONE, may_wipe=may_wipe), AROUND)
    assert after.events == ((EventKind.CARD_JUDGED, "card", word),)


def test_time_spent_proving_is_remembered() -> None:
    after = aftermath(PROVE, DONE, AROUND)
    assert (EventKind.PROOF_TIME, MAIN, "2.0") in after.events


def test_a_look_that_found_nothing_is_well_done() -> None:
    after = aftermath(LOOK, Finished(said="Nothing."), AROUND)
    assert after.failed == ()
    assert LOOK.key in after.worked


def test_titles_name_what_and_where() -> None:
    assert title(OFFLOAD, PLACES) == "offload Wide to Main and Travel"
    backwards = replace(OFFLOAD, onto=(TRAVEL, MAIN))
    assert title(backwards, PLACES) == "offload Wide to Main and Travel", "the main drive first"
    assert title(PROVE, PLACES) == "proof f on Main"
    assert title(JUDGE, PLACES) == "verdict Wide"
    assert title(UPLOAD, {}) == "upload"
    assert title(UPLOAD, PLACES) == "third copy from Main to Off site"
    assert title(replace(MIRROR, place=MAIN, source=TRAVEL, folder="f"), PLACES) == (
        "main copy f from Travel to Main"
    )
    assert title(replace(PROVE, place=TRAVEL), PLACES) == "proof f on Travel"


DRILL = Deed(kind=DeedKind.DRILL, why="", place=OFF_SITE, shoot="260612 Boatyard")


def test_a_drill_is_told_by_its_shoot_and_where_it_comes_from() -> None:
    assert title(DRILL, PLACES) == "restore drill 260612 Boatyard from Off site"


@pytest.mark.parametrize(
    ("error", "subject"),
    [
        ("LineDownError", subject_of_line(OFF_SITE)),
        ("BucketUnreachableError", OFF_SITE),
        ("UsageError", DRILL.key),
        ("DeviceError", DRILL.key),
        ("DriveGoneError", DRILL.key),
    ],
)
def test_for_what_happens_in_its_scratch_folder_a_drill_blames_no_bucket(
    error: str, subject: str
) -> None:
    after = aftermath(DRILL, Failed(error=error, message="No."), AROUND)
    assert after.failed == ((subject, "No."),)


def test_a_drill_that_did_not_come_back_right_is_told_loud_and_is_no_failure() -> None:
    troubles = (("", "260612 Boatyard", "It did not come back right."),)
    after = aftermath(DRILL, replace(DONE, troubles=troubles), AROUND)
    assert after.failed == ()
    assert after.is_trouble


def test_thinning_is_told_in_one_line_and_done_even_where_nothing_went() -> None:
    deed = Deed(kind=DeedKind.THIN, why="")
    after = aftermath(deed, Finished(said="Nothing went."), AROUND)
    assert after.said == "thinning of old facts: Nothing went."
    assert (after.failed, after.is_trouble) == ((), False)
    after = aftermath(deed, Failed(error="CatalogError", message="It is full."), AROUND)
    assert after.failed == ((deed.key, "It is full."),)
