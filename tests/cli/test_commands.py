"""The commands: what they ask for, what they write where, and the exit code."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from backupkeeper import __version__
from backupkeeper.cli.main import main
from backupkeeper.core.adopting import AdoptAll, AdoptPlan, FoundRoll, Named
from backupkeeper.core.errors import (
    BucketUnreachableError,
    ConfigError,
    ConfigFault,
    DriveGoneError,
    UsageError,
)
from backupkeeper.core.keys import KeysReport
from backupkeeper.core.mending import RepairOutcome
from backupkeeper.core.merging import MergeOutcome
from backupkeeper.core.model import CopyState, Role
from backupkeeper.core.outcomes import Finding, Reason, ReasonCode, Verdict
from backupkeeper.core.rebuilding import PlaceNow, RebuildOutcome, TakenSnapshot
from backupkeeper.core.receipt import Receipted
from tests.cli.hand_keeper import HandKeeper
from tests.report import day

OFFLOAD = ("offload", day.CARD, "--shoot", "260612 Boatyard", "--source", "Wide")
ADD = ("place", "add", "/media/me/MAIN", "--role", "primary", "--name", "Main")
KEYS = KeysReport(recipients=(), hide_names=False, identity_file="", buckets=())
REPAIRED = RepairOutcome(what="Main", dry_run=False)
ADOPTED = AdoptPlan(
    place="Main",
    path="",
    rolls=(
        FoundRoll(
            folder="260612 Boatyard/Wide/Card 1",
            named=Named(shoot="260612 Boatyard", source="Wide", roll="Card 1", why="named by you"),
            files=2,
            clips=1,
            size_bytes=8,
        ),
    ),
)
REBUILT = RebuildOutcome(
    dry_run=False,
    sources=("Main (/media/me/MAIN)",),
    taken=(
        TakenSnapshot(
            where="Main",
            name="x",
            taken_at=datetime(2026, 6, 12, tzinfo=UTC),
            catalog="c" * 32,
            rolls=2,
            facts=9,
        ),
    ),
    unusable=(),
    places=(PlaceNow(place=day.PLACES[0], here=True, looked_at=True),),
    rolls=2,
    files=4,
    size_bytes=5,
)
MERGED = MergeOutcome(
    dry_run=False, sources=("s3://b/p",), taken=REBUILT.taken, unusable=(), troubles=()
)
NEW = Reason(code=ReasonCode.NEVER_OFFLOADED, role=None, paths=(day.CLIP,))


def run(answer: Any, *words: str, **environ: str) -> Result:
    return CliRunner().invoke(main, words, obj=HandKeeper(answer=answer).session(**environ))


@pytest.mark.parametrize(
    ("answer", "words", "code"),
    [
        (day.yes(), ("may-wipe", "/c"), 0),
        (day.yes_on_the_road(), ("may-wipe", "/c"), 0),
        (day.no(NEW), ("may-wipe", "/c"), 1),
        (day.report(day.cover()), ("gaps",), 0),
        (day.report(day.cover({Role.CLOUD: CopyState.DUE})), ("gaps",), 1),
        (day.report(day.cover(), unfinished=("x",)), ("gaps",), 1),
        (day.offloaded(), OFFLOAD, 0),
        (day.offloaded(proven=1), OFFLOAD, 1),
        (day.offloaded(sealed=False), OFFLOAD, 3),
        (day.mirrored(), ("mirror",), 0),
        (day.mirrored(waiting=("x",)), ("mirror",), 1),
        ((day.uploaded(),), ("upload",), 0),
        ((), ("upload",), 1),
        (day.verified(), ("verify",), 0),
        (day.verified(day.checked(Finding.DAMAGED)), ("verify", "Travel"), 1),
        (day.verified(matching=0, skipped=("x",)), ("verify", "Travel"), 3),
        (REPAIRED, ("repair", "Main", "--edited", "--in-doubt"), 0),
        (replace(REPAIRED, left=("x",)), ("repair", "--dry-run"), 1),
        (KEYS, ("keys",), 0),
        (replace(KEYS, recipients=("age1",)), ("keys",), 1),
        (KEYS, ("keys", "--kept", "key.txt", "--where", "in the safe"), 0),
        (REBUILT, ("rebuild", "--from", "/media/me/MAIN"), 0),
        (replace(REBUILT, taken=()), ("rebuild", "--merge", "--take-in"), 1),
        (MERGED, ("catalog", "merge", "Off site"), 0),
        (replace(MERGED, taken=()), ("catalog", "merge", "/media/me/MAIN"), 1),
        (AdoptAll(plan=ADOPTED, dry_run=True), ("adopt", "Main", "--dry-run", "--rate", "150"), 0),
        (AdoptAll(plan=replace(ADOPTED, rolls=()), dry_run=False), ("adopt", "Main", "Old"), 1),
        (day.place_reports(), ("place", "list"), 0),
        (day.PLACES[0], ADD, 0),
    ],
)
def test_every_answer_has_its_exit_code_in_words_and_as_json(
    answer: Any, words: tuple[str, ...], code: int
) -> None:
    in_words, as_object = run(answer, *words), run(answer, *words, "--json")
    assert in_words.exit_code == as_object.exit_code == code
    assert in_words.stdout.strip()
    assert json.loads(as_object.stdout)["version"] == 1
    assert as_object.stderr == ""
    assert in_words.stdout.isprintable() or "\x1b" not in in_words.stdout


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (UsageError("There is no card at /c.", advice="Is it mounted?"), 2),
        (DriveGoneError("Travel", "/media/me/TRAVEL"), 3),
        (BucketUnreachableError("The bucket did not answer."), 3),
        (ConfigError("c.toml", [ConfigFault(key="a", value="1", wanted="text")]), 2),
        (RuntimeError("boom\x1b[2J"), 3),
        (KeyboardInterrupt(), 3),
        (EOFError(), 3),
    ],
)
def test_an_error_never_gives_a_yes_and_is_one_clear_sentence(
    error: BaseException, code: int
) -> None:
    done = run(error, "may-wipe", "/c")
    assert (done.exit_code, done.stdout) == (code, "")
    assert done.stderr.strip()
    assert "Traceback" not in done.stderr
    assert "\x1b" not in done.stderr
    told = json.loads(run(error, "may-wipe", "/c", "--json").stdout)
    assert told["version"] == 1
    assert {"message", "advice"} <= set(told["error"])


def test_an_interruption_says_how_to_go_on() -> None:
    assert "repeat the same command to go on" in run(KeyboardInterrupt(), *OFFLOAD).stderr


def test_every_fault_of_a_configuration_has_a_line_of_its_own() -> None:
    faults = [ConfigFault(key=key, value="1", wanted="text") for key in ("a", "b")]
    told = run(ConfigError("c.toml", faults), "gaps").stderr.splitlines()
    assert told == [
        "The configuration c.toml can't be used:",
        "  a = 1",
        "    would be right: text",
        "  b = 1",
        "    would be right: text",
    ]


def test_a_traceback_is_shown_only_when_asked_for() -> None:
    told = run(RuntimeError("boom"), "gaps", BACKUPKEEPER_TRACE="1").stderr
    assert "Traceback" in told
    assert "boom" in told


@pytest.mark.parametrize(
    ("words", "right"),
    [
        ((), "may-wipe"),
        (("wipe",), "Did you mean"),
        (("may-wipe",), "CARD"),
        (("offload", "/c", "--shoot", "x"), "--source"),
        (("place",), "list"),
        (("place", "add", "/m", "--role", "main", "--name", "x"), "'primary'"),
        (("place", "add", "s3://b/p", "--role", "cloud", "--name", "x", "--folder"), "--folder"),
        (("place", "add", "/m", "--role", "primary", "--name", "x", "--profile", "p"), "--profile"),
        (("manifest", "export", "r", "--format", "sums"), "b3sums"),
        (("manifest", "export", "r"), "Choose from: b3sums"),
        (("gaps", "--no\x1bsuch"), "No such option"),
    ],
)
def test_wrong_usage_says_what_would_be_right(words: tuple[str, ...], right: str) -> None:
    done = run(None, *words)
    assert (done.exit_code, done.stdout) == (2, "")
    assert right in done.stderr
    assert "\x1b" not in done.stderr


def test_what_a_person_typed_reaches_the_keeper() -> None:
    keeper = HandKeeper(answer=day.offloaded())
    CliRunner().invoke(
        main, ("--config", "c.toml", *OFFLOAD, "--roll", "Roll 07"), obj=keeper.session()
    )
    assert keeper.asked[0] == ("offload", day.CARD, "260612 Boatyard", "Wide", "Roll 07")
    assert keeper.named == "c.toml"
    assert keeper.closed


def test_a_bucket_is_told_from_a_path() -> None:
    keeper = HandKeeper(answer=day.PLACES[2])
    words = ("place", "add", "s3://b/p", "--role", "cloud", "--name", "B", "--endpoint", "http://x")
    assert CliRunner().invoke(main, words, obj=keeper.session()).exit_code == 0
    assert keeper.asked == [("bucket", "s3://b/p", Role.CLOUD, "B", "http://x", None)]


def test_a_checksum_list_goes_out_byte_for_byte(tmp_path: Path) -> None:
    data = b"ab" * 32 + b"  odd\xff name\n"
    assert run(data, "manifest", "export", "r", "--format", "b3sums").stdout_bytes == data
    file = tmp_path / "roll.b3"
    words = ("manifest", "export", "r", "--format", "b3sums", "--output", str(file))
    assert run(data, *words).exit_code == 0
    assert file.read_bytes() == data
    again = run(b"other", *words)
    assert again.exit_code == 2
    assert "is there already" in again.stderr
    assert file.read_bytes() == data
    nowhere = run(
        data,
        "manifest",
        "export",
        "r",
        "--format",
        "b3sums",
        "--output",
        str(tmp_path / "no" / "roll"),
    )
    assert nowhere.exit_code == 3
    assert "ENOENT" in nowhere.stderr


def test_progress_is_kept_off_standard_output_and_quiet_for_programs() -> None:
    assert "Reading the card: 2 files, 8 bytes" in run(day.yes(), "may-wipe", "/c").stderr
    assert run(day.yes(), "may-wipe", "/c", "--json").stderr == ""


def test_the_width_of_the_screen_is_kept() -> None:
    narrow = run(day.yes(), "may-wipe", "/c", COLUMNS="40").stdout
    assert max(map(len, narrow.splitlines())) <= 40


def test_a_receipt_is_told_below_the_verdict_and_one_that_is_missing_is_no_success() -> None:
    there = Receipted(verdict=day.yes(), page="/r.html", data="/r.json")
    said = run(there, "may-wipe", "/c", "--receipt", "r.html", COLUMNS="40")
    assert said.exit_code == 0
    assert said.stdout.index("may be wiped") < said.stdout.index("    /r.html\n")
    assert max(map(len, said.stdout.splitlines())) <= 40
    told = json.loads(run(there, "may-wipe", "/c", "--receipt", "r.html", "--json").stdout)
    assert told["receipt"] == {"page": "/r.html", "json": "/r.json", "trouble": None}
    assert "receipt" not in json.loads(run(day.yes(), "may-wipe", "/c", "--json").stdout)


@pytest.mark.parametrize("verdict", [day.yes(), day.no(NEW)])
def test_a_receipt_that_was_not_written_ends_with_3_and_the_answer_is_told(
    verdict: Verdict,
) -> None:
    lost = Receipted(verdict=verdict, page=None, data=None, trouble="No room.\x1b[2J")
    said = run(lost, "may-wipe", "/c", "--receipt", "r.html")
    assert said.exit_code == 3
    assert "No room.\\x1b[2J" in said.stderr
    assert ("This card may be wiped." in said.stdout) is verdict.may_wipe


def test_all_lists_every_path() -> None:
    many = Reason(
        code=ReasonCode.NEVER_OFFLOADED, role=None, paths=tuple(f"clip{n}" for n in range(40))
    )
    assert "clip39" not in run(day.no(many), "may-wipe", "/c").stdout
    assert "clip39" in run(day.no(many), "may-wipe", "/c", "--all").stdout


def test_the_version_and_the_help_need_no_keeper() -> None:
    assert run(None, "--version").stdout == f"backupkeeper {__version__}\n"
    assert run(None, "may-wipe", "--help").exit_code == 0


@pytest.mark.slow
def test_help_loads_none_of_the_real_parts() -> None:
    code = (
        "import sys\nfrom backupkeeper.cli.main import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "sys.exit(any(n.startswith(('boto', 'backupkeeper.wiring', 'backupkeeper.catalog')) for n in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.slow
@pytest.mark.parametrize(("sink", "code"), [("closed pipe", 0), ("/dev/full", 3)])
def test_a_reader_that_went_away_changes_no_answer_and_a_full_disk_does(
    sink: str, code: int
) -> None:
    """``--help`` style output is click's; here our own: a list that nobody takes."""
    program = (
        "from tests.cli.hand_keeper import HandKeeper\nfrom tests.report import day\n"
        "from backupkeeper.cli.main import main\n"
        "main(['may-wipe', '/c'], obj=HandKeeper(answer=day.yes()).session())"
    )
    if sink == "closed pipe":
        reader, writer = os.pipe()
        os.close(reader)
    else:
        writer = os.open(sink, os.O_WRONLY)
    done = subprocess.run(
        [sys.executable, "-c", program], stdout=writer, stderr=subprocess.PIPE, check=False
    )
    os.close(writer)
    assert done.returncode == code, done.stderr
    assert b"Traceback" not in done.stderr
    assert b"BrokenPipe" not in done.stderr
