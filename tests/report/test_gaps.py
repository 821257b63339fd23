"""Gaps: worst first, and each with the step that closes it."""

# ruff: noqa: RUF001 - the dashes are those of the reports
import json
from dataclasses import replace

import pytest

from backupkeeper.core.model import CopyState, Role, Standing
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.report.exits import of_gaps
from backupkeeper.report.gaps import gaps_json, gaps_lines
from backupkeeper.report.lines import Tone
from backupkeeper.report.objects import as_text
from tests.report.boatyard import (
    ESCAPING,
    NOW,
    PLACES,
    cover,
    flat,
    gap_report,
    head,
    look,
    place,
    text,
)

DRONE = cover(head(source="Drone"), cloud=CopyState.ABSENT, secondary=CopyState.OUT_OF_REACH)
SECOND = cover(head(name="Roll 02"), some=2, at_risk=5_000_000, secondary=CopyState.DAMAGED)
WHOLE = cover(head(source="Recorder"))


def test_a_report_reads_as_written_here() -> None:
    report = gap_report(DRONE, SECOND, WHOLE)
    assert text(gaps_lines(report, look(100))) == (
        """2 of 3 rolls have a gap: 3.21 GB at risk (2026-06-14 09:12).

Rolls with a gap, worst first
  260612 Boatyard/Drone/Roll 01                                                    40 files, 3.20 GB
  ■ primary proven 2 days ago     □ secondary out of reach        □ cloud absent
  260612 Boatyard/Wide/Roll 02                                    40 files, 3.20 GB, 5.00 MB at risk
  ■ primary proven 2 days ago     □ secondary damaged 2/40        ■ cloud proven 2 days ago

Rolls proven in every role
  ■ 260612 Boatyard/Recorder/Roll 01                            40 files, 3.20 GB, proven 2 days ago

What to do next
  – Damage at Travel: keep the other copies, and have it mended from them (1 roll):
      backupkeeper repair Travel
  – Have a secondary drive plugged in, and bring to it what it lacks (1 roll):
      backupkeeper mirror
  – Bring to the bucket what it lacks (1 roll):
      backupkeeper upload"""
    )


def test_rolls_of_one_name_are_told_with_their_folders() -> None:
    twin = replace(WHOLE, roll=replace(WHOLE.roll, folder="Old/Card 1"))
    for twins in ((WHOLE, twin), (replace(WHOLE, gaps=(Role.CLOUD,)), twin)):
        told = [line.text for line in gaps_lines(gap_report(*twins, SECOND), look())]
        assert "    in Old/Card 1" in told
        assert f"    in {WHOLE.roll.folder}" in told
        assert f"    in {SECOND.roll.folder}" not in told


def test_what_was_not_asked_for_is_said_with_no_gap() -> None:
    told = flat(gaps_lines(replace(gap_report(WHOLE), may_share=True), look()))
    assert "They may share one physical device" in told
    assert gaps_json(replace(gap_report(WHOLE), may_share=True))["may_share_device"] is True
    assert "may_share_device" not in gaps_json(gap_report(WHOLE))
    assert "share" not in flat(gaps_lines(replace(gap_report(DRONE), may_share=True), look()))
    for roles, words in (
        ((Role.PRIMARY,), "proven in role primary, and no more is asked for ("),
        (
            (Role.PRIMARY, Role.CLOUD),
            "proven in roles primary and cloud, and no more is asked for (",
        ),
    ):
        fewer = replace(WHOLE, roles={role: WHOLE.roles[role] for role in roles})
        assert words in flat(gaps_lines(gap_report(fewer), look()))


def test_narrow_and_plain_output_holds_the_same_words_in_its_width() -> None:
    report = gap_report(
        DRONE, SECOND, WHOLE, unfinished=("260613 Boatyard/Originals/Close/Roll 01",)
    )
    lines = gaps_lines(report, look(40, ascii_only=True))
    assert text(lines).isascii()
    assert [
        line.text for line in lines if len(line.text) > 40 and "Boatyard" not in line.text
    ] == []
    for words in (
        "[ ] secondary out of reach",
        "[ ] cloud absent",
        "[#] primary proven 2 days ago",
    ):
        assert words in text(lines)


def test_nothing_known_is_not_told_as_everything_well() -> None:
    told = flat(gaps_lines(gap_report(), look()))
    assert told == (
        "No roll is known yet, so there is nothing that could have a gap (2026-06-14 09:12)."
    )


def test_no_gap_is_told_with_what_it_covers() -> None:
    told = flat(gaps_lines(gap_report(WHOLE), look()))
    assert told.startswith("No gap: 1 roll, 3.20 GB, proven in every role")
    assert "What to do next" not in told


def test_an_offload_that_was_not_finished_is_told_first() -> None:
    lines = gaps_lines(gap_report(unfinished=("260613 Boatyard/Originals/Close/Roll 01",)), look())
    assert flat(lines).startswith("1 offload was begun and not finished. Repeat it")
    many = flat(gaps_lines(gap_report(WHOLE, unfinished=("a", "b")), look()))
    assert "2 offloads were begun and not finished. Repeat them" in many


def test_many_whole_rolls_are_counted_unless_all_are_wanted() -> None:
    whole = [cover(head(name=f"Roll {number:02}")) for number in range(1, 31)]
    assert "and 20 more rolls (--all lists them)" in flat(gaps_lines(gap_report(*whole), look()))
    assert "Roll 30" in flat(gaps_lines(gap_report(*whole), look(most_paths=0)))


def test_every_roll_with_a_gap_is_listed_however_many() -> None:
    lacking = [cover(head(name=f"Roll {n:02}"), cloud=CopyState.ABSENT) for n in range(1, 31)]
    told = flat(gaps_lines(gap_report(*lacking), look()))
    assert "Roll 30" in told
    assert "(30 rolls): backupkeeper upload" in told


@pytest.mark.parametrize(
    ("one", "step"),
    [
        (cover(primary=CopyState.ABSENT), "Have a primary drive plugged in"),
        (cover(secondary=CopyState.MISSING), "backupkeeper mirror"),
        (cover(cloud=CopyState.MISSING), "backupkeeper upload"),
        (cover(secondary=CopyState.DUE), "Plug Travel in and prove what is on it"),
        (cover(secondary=CopyState.WRITTEN), "backupkeeper verify Travel"),
        (cover(cloud=CopyState.DUE), "Prove what is in the bucket"),
        (cover(cloud=CopyState.DAMAGED), "backupkeeper repair 'Off site'"),
    ],
    ids=lambda one: one if isinstance(one, str) else str(one.gaps[0]),
)
def test_each_gap_has_the_step_that_closes_it(one: RollCover, step: str) -> None:
    assert step in flat(gaps_lines(gap_report(one), look()))


def test_a_role_without_a_place_asks_for_one() -> None:
    for places in (PLACES[:2], (*PLACES[:2], place(Role.CLOUD, standing=Standing.LOST))):
        report = GapReport(at=NOW, rolls=(DRONE,), places=places)
        told = flat(gaps_lines(report, look()))
        assert "No place has the role cloud" in told
        assert "backupkeeper place add s3://BUCKET/PREFIX --role cloud --name NAME" in told


def test_proven_copies_on_one_device_are_a_gap_that_is_explained() -> None:
    whole = cover()
    shared = RollCover(
        roll=whole.roll,
        roles=whole.roles,
        gaps=(Role.SECONDARY,),
        bytes_at_risk=whole.roll.size_bytes,
        fewest=2,
        same_device=True,
    )
    told = flat(gaps_lines(gap_report(shared), look()))
    assert "□ secondary proven 2 days ago, shared device" in told
    assert "bring them to another device" in told


def test_no_name_can_steer_the_terminal() -> None:
    hostile = cover(head(source=ESCAPING), cloud=CopyState.ABSENT)
    for line in gaps_lines(gap_report(hostile, unfinished=(ESCAPING,)), look()):
        assert line.text.isprintable()


def test_json_is_the_documented_object() -> None:
    told = json.loads(as_text(gaps_json(gap_report(DRONE, WHOLE))))
    assert told == {
        "version": 1,
        "rolls": [
            {
                "shoot": "260612 Boatyard",
                "source": "Drone",
                "roll": "Roll 01",
                "folder": "260612 Boatyard/Originals/Drone/Roll 01",
                "files": 40,
                "bytes": 3_200_000_000,
                "roles": {
                    "primary": {"state": "proven", "places": ["Main"]},
                    "secondary": {"state": "out of reach", "places": ["Travel"]},
                    "cloud": {"state": "absent", "places": []},
                },
                "gaps": ["secondary", "cloud"],
            },
            {
                "shoot": "260612 Boatyard",
                "source": "Recorder",
                "roll": "Roll 01",
                "folder": "260612 Boatyard/Originals/Recorder/Roll 01",
                "files": 40,
                "bytes": 3_200_000_000,
                "roles": {
                    "primary": {"state": "proven", "places": ["Main"]},
                    "secondary": {"state": "proven", "places": ["Travel"]},
                    "cloud": {"state": "proven", "places": ["Off site"]},
                },
                "gaps": [],
            },
        ],
        "summary": {"rolls": 2, "complete": 1, "with_gaps": 1, "bytes_at_risk": 3_200_000_000},
    }


def test_json_names_what_was_not_finished_where_there_is_something() -> None:
    assert gaps_json(gap_report(WHOLE, unfinished=("a",)))["unfinished"] == ["a"]
    assert "unfinished" not in gaps_json(gap_report(WHOLE))


def test_what_is_worth_knowing_of_a_bucket_stands_quietly_at_the_end() -> None:
    note = "Off site was last checked 31 days ago."
    report = replace(gap_report(WHOLE), notes=(note,))
    *_, last = gaps_lines(report, look())
    assert (last.text, last.tone) == (note, Tone.QUIET)
    assert gaps_json(report)["notes"] == [note]
    assert "notes" not in gaps_json(gap_report(WHOLE))
    assert of_gaps(report) == 0
