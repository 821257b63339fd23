"""What a repair came to: nothing mended that was not, what is lost to the byte, nothing left unsaid."""

import json
from dataclasses import replace
from typing import Any

import pytest

from backupkeeper.core.clip_harm import ClipHarm, StreamHarm
from backupkeeper.core.mending import (
    Mended,
    Patient,
    Planned,
    RepairOutcome,
    Sharing,
    Unmended,
)
from backupkeeper.core.model import Result
from backupkeeper.core.outcomes import Trouble
from backupkeeper.report import exits
from backupkeeper.report.lines import Look
from backupkeeper.report.objects import as_text
from backupkeeper.report.repair import repair_json, repair_lines
from backupkeeper.report.words import spans
from tests.report import day

CLIP = ClipHarm(
    streams=(
        StreamHarm(kind="picture", number=1, spans=((723.4, 725.1),)),
        StreamHarm(kind="sound", number=1),
    ),
    index=(),
    opened=True,
)
PATIENT = Patient(
    place="Main",
    path="260612 Boatyard/Originals/Wide/Roll 01/DCIM/WIDE0007.MP4",
    size=1_270_000_000,
    found=Result.DAMAGED,
    damage=((4_194_309, 4_198_405),),
    clip=CLIP,
)
KEPT = ".backupkeeper/set-aside/20260612T180000Z-abcd1234/WIDE0007.MP4"
MENDED = Mended(patient=PATIENT, taken={"Travel": 4_194_304}, set_aside=KEPT)
LOST = Unmended(
    patient=PATIENT,
    why="No copy that could be read has these bytes right. All versions stay as they are.",
    lost=((4_194_304, 8_388_608),),
    asked=("Travel",),
)
PLANNED = Planned(
    patient=PATIENT, sharing=Sharing(taken={"Travel": ((4_194_304, 8_388_608),)}, lost=())
)


def outcome(**parts: Any) -> RepairOutcome:
    return replace(RepairOutcome(what="Main", dry_run=False, seconds=3.0), **parts)


def told(one: RepairOutcome, look: Look | None = None) -> str:
    return day.flat(repair_lines(one, look or day.look()))


def test_what_was_mended_is_told_with_where_it_was_hurt_and_where_the_old_file_is() -> None:
    said = told(outcome(mended=(MENDED,)))
    assert "mended: 1 file" in said
    assert "bytes 4,194,309 to 4,198,404 (4.10 kB of 1.27 GB)" in said
    assert "WIDE0007.MP4: picture 00:12:03.4–00:12:05.1, sound unharmed" in said  # noqa: RUF001 - a dash is meant
    assert "taken: 4.19 MB from Travel; the rest was right" in said
    assert KEPT in said
    assert exits.of_repair(outcome(mended=(MENDED,))) == 0


def test_what_is_lost_is_told_and_what_is_not() -> None:
    said = told(outcome(unmended=(LOST,)))
    assert "not mended: 1 file" in said
    assert "lost as far as is known: bytes 4,194,304 to 8,388,607" in said
    assert "All else of it is right" in said
    assert exits.of_repair(outcome(unmended=(LOST,))) == 1


def test_a_new_file_that_was_not_read_cold_is_not_called_proven() -> None:
    warm = replace(MENDED, proven=False, not_cold="This mount is FUSE.", kept_whole=False)
    said = told(outcome(mended=(warm,)))
    assert "not proven yet: This mount is FUSE." in said
    assert "What the drive would not give of it are zeros in that file." in said
    assert exits.of_repair(outcome(mended=(warm,))) == 1


def test_a_dry_run_says_that_nothing_was_done() -> None:
    dry = outcome(dry_run=True, planned=(PLANNED,))
    said = told(dry)
    assert "Nothing was read or written." in said
    assert "4.19 MB would come from Travel" in said
    assert "would be mended, as far as is known: 1 file" in said
    assert "not be mended" not in said
    assert exits.of_repair(dry) == 1
    lost = replace(PLANNED, sharing=Sharing(taken={}, lost=((0, 10),)))
    said = told(outcome(dry_run=True, planned=(lost,)))
    assert "would not be mended, as far as is known: 1 file" in said
    assert "no copy that can be reached is known to have right: bytes 0 to 9" in said


def test_nothing_to_do_is_said_without_claiming_that_all_is_right() -> None:
    said = told(outcome())
    assert "No damaged copy is known there that could be mended." in said
    assert exits.of_repair(outcome()) == 0


@pytest.mark.parametrize(
    ("parts", "part", "code"),
    [
        ({"came_right": (("Main", "a.MP4"),)}, "right when read again: 1 file", 0),
        ({"left": ("Main: a.MP4: somebody edited it.",)}, "somebody edited it", 1),
        ({"fetched_bytes": {"Off site": 4_194_304}}, "4.19 MB were fetched from Off site", 0),
        ({"manifests": ("Main: x/ascmhl/0003.mhl",)}, "0003.mhl", 0),
        ({"manifest_faults": (Trouble(place="Main", path="x", message="bad"),)}, "bad", 1),
        ({"troubles": (Trouble(place="Off site", path="", message="no answer"),)}, "no answer", 3),
    ],
)
def test_all_else_is_told_too(parts: dict[str, Any], part: str, code: int) -> None:
    one = outcome(**parts)
    assert part in told(one)
    assert exits.of_repair(one) == code


def test_an_edit_is_called_an_edit_and_is_no_matter_of_seconds() -> None:
    edited = replace(PATIENT, found=Result.CHANGED, damage=())
    said = told(outcome(mended=(replace(MENDED, patient=edited, taken={}),)))
    assert "edited" in said
    assert "picture" not in said
    assert "nothing: it was cut to its length" in said


def test_names_from_outside_can_do_nothing_to_a_terminal() -> None:
    hostile = replace(PATIENT, place="Ma\x1b[2Jin", path="a\nb\x1b]0;x\x07.MP4", clip=None)
    every = outcome(
        what="\x1b[2J",
        mended=(replace(MENDED, patient=hostile, set_aside="\x1b[1m", taken={"\x1b": 1}),),
        unmended=(replace(LOST, patient=hostile, why="\x1b[2J"),),
        planned=(replace(PLANNED, patient=hostile),),
        came_right=(("\x1b", "\x1b"),),
        left=("\x1b[2J",),
    )
    for line in repair_lines(every, day.look()):
        assert line.text.isprintable() or not line.text


def test_the_object_holds_everything() -> None:
    every = outcome(
        mended=(MENDED,), unmended=(LOST,), planned=(PLANNED,), came_right=(("Main", "a"),),
        left=("x",), fetched_bytes={"Off site": 5}, manifests=("m",),
        manifest_faults=(day.FULL,), troubles=(day.FULL,),
    )  # fmt: skip
    found = json.loads(as_text(repair_json(every)))
    assert found["version"] == 1
    assert found["mended"][0]["damage"] == [[4_194_309, 4_198_405]]
    assert found["mended"][0]["clip"]["streams"][0]["spans"] == [[723.4, 725.1]]
    assert found["not_mended"][0]["lost"] == [[4_194_304, 8_388_608]]
    assert found["planned"][0]["would_take"] == [
        {"place": "Travel", "ranges": [[4_194_304, 8_388_608]]}
    ]
    assert found["came_right"] == [{"place": "Main", "path": "a"}]
    assert not found["all_well"]


def test_bytes_are_told_with_their_first_and_last() -> None:
    assert spans(((7, 8),), 100) == "byte 7 (1 byte of 100 bytes)"
    assert spans(((0, 2), (5, 6)), 10) == "bytes 0 to 1, 5 (3 bytes of 10 bytes)"
    many = spans(tuple((n * 10, n * 10 + 1) for n in range(9)), 100)
    assert many == "bytes 0, 10, 20, 30, and 5 ranges more (9 bytes of 100 bytes)"
