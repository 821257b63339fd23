"""The report on a terminal and as an object: one text word for word, and what holds of any."""

# ruff: noqa: RUF001 - the dashes are those of the reports
import json
from dataclasses import replace

import pytest
from hypothesis import given

from backupkeeper.core.model import CopyState, Role, Standing
from backupkeeper.core.outcomes import GapReport
from backupkeeper.core.overview import DriveLine, Harm, Overview, Worry
from backupkeeper.report.exits import ATTENTION, WELL as ALL_WELL, of_overview
from backupkeeper.report.gaps import gaps_json
from backupkeeper.report.lines import Tone
from backupkeeper.report.objects import as_text
from backupkeeper.report.overview import overview_lines
from backupkeeper.report.overview_json import overview_json
from backupkeeper.report.overview_words import answer
from backupkeeper.report.status import status_json
from tests.core.test_steps import WORLDS, drive, harm
from tests.report.boatyard import ESCAPING, NOW, cover, flat, gap_report, head, look, place, text
from tests.report.test_overview_words import CASES, overview
from tests.report.test_status import IDLE
from tests.report.whole_overview import WELL, WHOLE

TEXT = """\
2 of 5 rolls are not proven in three places; Travel should be replaced: act
today.
5 rolls of 2 shoots, 16.0 GB, as of 2026-06-14 09:12.

What to do, most urgent first
  – Travel is in doubt as a whole: try another cable and port, then read it
    again:
      backupkeeper verify Travel
  – Travel: replace this drive. Its own check says that it fails:
      backupkeeper place add PATH --role secondary --name NAME
  – Damage at Travel: keep the other copies, and have it mended from them (1
    roll):
      backupkeeper repair Travel
  – Plug the card of 260613 Boatyard/Originals/Close/Roll 01 in and repeat its
    offload (or its import), which was not finished; wipe nothing before:
      backupkeeper offload CARD --shoot 'YYMMDD Name' --source NAME
  – Plug Travel in and prove what is on it (1 roll):
      backupkeeper verify Travel
  – Bring to the bucket what it lacks (1 roll):
      backupkeeper upload
  – Travel is nearly full: take in another secondary drive:
      backupkeeper place add PATH --role secondary --name NAME

Offloads that were not finished
  260613 Boatyard/Originals/Close/Roll 01

Rolls with a gap, worst first
  260613 Boatyard/Drone/Roll 01                                40 files, 3.20 GB
  ■ primary proven 2 days ago  □ secondary due 3 months ago  □ cloud absent
  260613 Boatyard/Wide/Roll 02                40 files, 3.20 GB, 5.00 MB at risk
  ■ primary proven 2 days ago
  □ secondary damaged 2/40
  ■ cloud proven 2 days ago

Shoots, newest first
  260613 Boatyard
    3 rolls, 9.60 GB
    ■ primary  □ secondary 1 of 3  □ cloud 2 of 3
  260612 Boatyard              2 rolls, 6.40 GB  ■ primary  ■ secondary  ■ cloud

Drives
  ■ Main (primary drive): here
    Holds 200 files, 16.0 GB; 812 GB of 4.00 TB free
    Full in about 9 usual shoots; between September 2026 and December 2026
    Last proven 2 days ago, its oldest proof is of 2026-04-15
  □ Travel (secondary drive): away, last seen 9 days ago
    Holds 160 files, 12.0 GB; 300 GB of 4.00 TB free 9 days ago
    Full in about 2 usual shoots; when it is full is not known (too few shoots
    are known yet)
    Last proven 9 days ago, its oldest proof is of 2026-03-11
    In doubt as a whole: nothing is mended there.
    Replace this drive.
  □ Old (primary drive): lost
    Held 40 files, 3.00 GB

Buckets
  ■ Off site (cloud bucket)
    Holds 160 files, 12.0 GB
    Last proven 3 days ago, its oldest proof is of 2026-05-17
    Fetched back and right: 8 files
    Off site: 3.20 GB to go, done between Monday 09:00 and Tuesday 10:00.

How old the proofs are, in copies
  primary: 0 to 7 days: 150; 30 days and more: 50
  secondary: no proof that counts: 2

Damage and repairs of the last year
  – Travel: unreadable, found 30 days ago, not mended
    260613 Boatyard/Originals/Wide/Roll 02/DCIM/100BOATY/BOAT0001.MP4
  – Main: damaged, found 20 days ago, mended 19 days ago (4.19 MB of 1.20 GB)
    260612 Boatyard/Originals/Wide/Roll 01/DCIM/100BOATY/BOAT0002.MP4

Restore drills
  – 2026-05-15: 260612 Boatyard from Off site: all 80 files came back right
  – 2026-03-16: 260501 Slipway from Off site: not everything came back right

Without a current snapshot of the catalog: Travel (9 days ago).

Off site was last checked 40 days ago.

No daemon runs: nothing of this is done by itself."""


def test_a_report_reads_as_written_here() -> None:
    assert text(overview_lines(WHOLE, look())) == TEXT


@pytest.mark.parametrize("case", CASES)
def test_the_answer_stands_on_top_in_the_tone_of_the_worry(case: str) -> None:
    one = CASES[case][0]
    lines = overview_lines(one, look(200))
    assert lines[0].text == answer(one)
    assert (
        lines[0].tone
        is {
            Worry.NONE: Tone.GOOD,
            Worry.SOON: Tone.WARN,
            Worry.NOW: Tone.BAD,
        }[one.worry]
    )


@pytest.mark.parametrize("width", [80, 40])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_it_keeps_to_its_width_but_for_what_is_to_be_copied(width: int, ascii_only: bool) -> None:
    for one in (WHOLE, WELL, *(case for case, _, _ in CASES.values())):
        lines = overview_lines(one, look(width, ascii_only=ascii_only))
        assert not ascii_only or text(lines).isascii()
        wide = [line.text for line in lines if len(line.text) > width]
        assert all("backupkeeper " in line or "Boatyard/Originals/" in line for line in wide), wide


@given(WORLDS)
def test_every_step_and_command_is_told_whole(
    world: tuple[GapReport, list[DriveLine], list[Harm]],
) -> None:
    one = overview(*world)
    lines = [line.text.strip() for line in overview_lines(one, look(40))]
    for step in one.steps:
        assert not step.command or step.command in lines
    whole = flat(overview_lines(one, look(10_000)))
    assert all(step.words in whole for step in one.steps)


def test_long_lists_are_cut_with_a_word_and_whole_where_that_is_wanted() -> None:
    many = gap_report(
        *(cover(head(f"2606{n:02} Boatyard"), cloud=CopyState.ABSENT) for n in range(1, 31))
    )
    few = flat(overview_lines(overview(many), look()))
    assert few.count("and 20 more (--all lists them)") == 2
    assert "260601 Boatyard" in flat(overview_lines(overview(many), look(most_paths=0)))


def test_a_hostile_name_reaches_no_terminal() -> None:
    line = drive(place=place(Role.PRIMARY, name=ESCAPING), in_doubt=True)
    report = replace(
        gap_report(cover(head(shoot=ESCAPING, source=ESCAPING), cloud=CopyState.ABSENT)),
        unfinished=(ESCAPING,),
        notes=(ESCAPING,),
    )
    one = overview(report, [line], [harm(place=ESCAPING, path=ESCAPING)])
    one = replace(
        one, notes=(ESCAPING,), drills=tuple(replace(d, shoot=ESCAPING) for d in WHOLE.drills)
    )
    assert all(line.text.isprintable() for line in overview_lines(one, look()))
    assert as_text(overview_json(one)).isascii()


def test_a_drive_that_was_never_looked_at_and_a_bucket_that_is_lost_are_told_as_that() -> None:
    bucket = replace(WHOLE.buckets[0], place=place(Role.CLOUD, standing=Standing.LOST))
    empty = replace(WHOLE.buckets[0], held_files=0, held_bytes=0, arrival=None, last_proven=None)
    line = drive(is_here=False, last_proven=NOW, oldest_proof=NOW)
    told = flat(overview_lines(replace(WELL, drives=(line,), buckets=(bucket, empty)), look()))
    assert "its free space was never looked at" in told
    assert "Last proven just now □" not in told
    assert "Off site (cloud bucket): lost" in told
    assert "□ Off site (cloud bucket) Holds 0 files, 0 bytes Nothing is there" in told


def test_a_daemon_is_told_with_its_next_report() -> None:
    with_it = replace(WELL, status=IDLE)
    assert flat(overview_lines(with_it, look())).endswith("it sends no weekly report.")
    due = replace(with_it, next_at=NOW)
    assert flat(overview_lines(due, look())).endswith("weekly report comes on 2026-06-14 09:12.")


def test_the_exit_code_is_0_for_no_worry_and_for_nothing_else() -> None:
    for one in (WHOLE, WELL, *(case for case, _, _ in CASES.values())):
        assert (of_overview(one) == ALL_WELL) == (one.worry is Worry.NONE)
        assert of_overview(one) in {ALL_WELL, ATTENTION}


# -- as an object


def test_the_object_holds_what_gaps_tells_unchanged() -> None:
    for one in (WHOLE, WELL):
        told = overview_json(one)
        for key, value in gaps_json(one.gaps).items():
            assert told[key] == value


def test_the_object_has_these_keys_and_is_json() -> None:
    told = json.loads(as_text(overview_json(WHOLE)))
    assert told.keys() == {
        "version", "at", "answer", "worry", "steps", "rolls", "summary", "unfinished", "snapshots",
        "notes", "drives", "buckets", "damage", "drills", "drill_due", "proof_ages", "levels",
        "daemon", "daemon_unheard", "next_report_at",
    }  # fmt: skip
    assert (told["version"], told["worry"], told["daemon"]) == (1, "now", None)
    assert told["steps"][0] == {
        "words": "Travel is in doubt as a whole: try another cable and port, then read it again",
        "command": "backupkeeper verify Travel",
        "rolls": 0,
        "worry": "now",
    }
    main, travel, old = told["drives"]
    assert (main["here"], main["free_bytes"], main["last_seen"]) == (
        True,
        812 * 10**9,
        "2026-06-14T07:12:00Z",
    )
    assert main["filling"] == {
        "shoots_left": 9.5,
        "earliest": "2026-09-12T07:12:00Z",
        "latest": "2026-12-31T07:12:00Z",
        "why": "",
    }
    assert travel["advice"] == {
        "level": "replace",
        "reasons": ["Its own check says that it fails."],
    }
    assert (old["standing"], old["free_bytes"], old["last_seen"]) == ("lost", None, None)
    (bucket,) = told["buckets"]
    assert bucket["arrival"]["to_go"] == 3_200_000_000
    assert bucket["cost"]["classes"] == [{"class": "STANDARD", "objects": 160, "bytes": 12 * 10**9}]
    assert [one["mended_at"] for one in told["damage"]] == ["2026-05-26T07:12:00Z", None]
    assert [one["result"] for one in told["drills"]] == ["right", "wrong"]
    assert told["levels"][-1]["proven"] == {
        "primary": 16 * 10**9,
        "secondary": 12 * 10**9,
        "cloud": 0,
    }
    assert told["proof_ages"][-1] == {
        "role": "secondary",
        "from": None,
        "to": None,
        "files": 2,
        "bytes": 10**9,
    }


def test_the_daemons_status_is_its_own_object_and_what_is_not_there_is_null() -> None:
    told = overview_json(replace(WELL, status=IDLE, next_at=NOW))
    assert told["daemon"] == status_json(IDLE)
    assert told["next_report_at"] == "2026-06-14T07:12:00Z"
    bare = replace(WELL.buckets[0], arrival=None, cost=None)
    found = json.loads(as_text(overview_json(replace(WELL, buckets=(bare,)))))
    assert (found["buckets"][0]["arrival"], found["buckets"][0]["cost"]) == (None, None)


def test_the_whole_is_what_it_says() -> None:
    assert isinstance(WHOLE, Overview)
    assert (WHOLE.worry, WELL.worry) == (Worry.NOW, Worry.NONE)
