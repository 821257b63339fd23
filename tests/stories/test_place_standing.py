"""A drive is lost, another takes its place, the old one comes back: as a person types it."""

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from backupkeeper.core.model import Role, Standing
from tests.stories.typed import Said, judged, offloaded, typed, yard_of_today
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, tree

CARD = {"DCIM/WIDE0001.MP4": clip(1), "DCIM/WIDE0002.MP4": clip(2)}
FOLDER = f"{SHOOT}/Originals/Wide/Roll 01"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path)


def put_in(yard: Yard) -> Path:
    """One card on both drives."""
    yard.drives()
    card = yard.card("card", CARD)
    assert offloaded(yard, card).code == 0
    return card


def new(yard: Yard, name: str = "New") -> Path:
    path = yard.root / name
    path.mkdir()
    return path


def stands(yard: Yard) -> dict[str, str]:
    said = typed(yard, "place", "list", "--json").json
    return {one["name"]: one["standing"] for one in said["places"]}


def replaced(yard: Yard, *more: str) -> Said:
    where = yard.root / "New"
    return typed(
        yard, "place", "replace", "Main", str(where), "--name", "Main 2", "--folder", *more
    )


def test_lost_replaced_filled_and_the_old_one_counts_only_after_it_was_read(yard: Yard) -> None:
    card = put_in(yard)
    assert judged(yard, card) == ("yes", set())
    target = new(yard)
    assert replaced(yard, "--yes").code == 1
    assert stands(yard) == {"Main": "lost", "Travel": "active", "Main 2": "active"}
    assert judged(yard, card) == ("no", {"out-of-reach"})
    assert typed(yard, "mirror").code == 0
    assert tree(roll_folder(target)) == CARD
    assert judged(yard, card) == ("yes", set())
    status = typed(yard, "status")
    assert "place found Main" in " ".join(status.out.split())
    # Now the new one goes, and the old one is found in a drawer.
    assert typed(yard, "place", "lost", "Main 2", "--yes").code == 1
    back = typed(yard, "place", "found", "main", "--json")
    assert back.code == 1
    assert back.json["to_be_proven"] == {"files": 2, "bytes": 600_000}
    word, reasons = judged(yard, card)
    assert (word, reasons) == ("no", {"not-proven"})
    assert typed(yard, "verify", "Main").code == 0
    assert judged(yard, card) == ("yes", set())


def test_what_it_means_is_told_first_and_nothing_is_done_without_a_word(yard: Yard) -> None:
    put_in(yard)
    dry = typed(yard, "place", "lost", "Main", "--dry-run")
    assert dry.code == 1
    assert "To be copied: 2 files (600 kB)." in dry.out
    assert "from Travel: 2 files (600 kB)" in dry.out
    assert FOLDER in dry.out
    assert "Nothing was changed." in dry.out
    unasked = typed(yard, "place", "lost", "Main")
    assert unasked.code == 2
    assert "from Travel" in unasked.out
    assert "Add --yes" in unasked.err
    as_json = typed(yard, "place", "lost", "Main", "--json")
    assert (as_json.code, as_json.json["error"]["code"]) == (2, "usage")
    assert stands(yard)["Main"] == "active"
    done = typed(yard, "place", "lost", "Main", "--yes", "--json")
    told = done.json
    assert (told["recorded"], told["rolls_with_gaps"], told["to"]) == (True, 1, [])
    assert told["from"] == [{"place": "Travel", "files": 2, "bytes": 600_000}]
    assert told["rolls"][0]["opens_gap"]
    assert stands(yard)["Main"] == "lost"
    again = typed(yard, "place", "lost", "Main", "--yes")
    assert again.code == 2
    assert "lost already" in again.err


@pytest.mark.parametrize("width", [40, 80])
def test_it_fits_the_window(yard: Yard, width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    put_in(yard)
    monkeypatch.setenv("COLUMNS", str(width))
    said = typed(yard, "place", "lost", "Main", "--dry-run")
    for line in said.out.splitlines():
        assert len(line) <= width or FOLDER in line, line


def test_a_drive_is_not_retired_while_something_stands_only_there(yard: Yard) -> None:
    yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    assert offloaded(yard, card).code in {0, 1}
    refused = typed(yard, "place", "retire", "Main", "--yes")
    assert refused.code == 1
    assert "NOT recorded" in refused.out
    assert stands(yard) == {"Main": "active"}
    told = typed(yard, "place", "retire", "Main", "--yes", "--json").json
    assert (told["refused"], told["recorded"]) == (True, False)
    assert told["alone"] == told["rolls"][0]["no_other_copy"] == {"files": 2, "bytes": 600_000}
    assert typed(yard, "place", "retire", "Main", "--yes", "--even-so").code == 1
    assert stands(yard) == {"Main": "retired"}


def test_a_drive_of_which_everything_is_elsewhere_is_retired_without_a_gap(yard: Yard) -> None:
    card = put_in(yard)
    yard.drive("Spare", Role.PRIMARY)
    assert typed(yard, "place", "lost", "Main", "--yes").code == 1
    assert typed(yard, "mirror").code == 0
    assert typed(yard, "place", "found", "Main").code == 1
    assert typed(yard, "verify", "Main").code == 0
    said = typed(yard, "place", "retire", "Main", "--yes")
    assert said.code == 0, said.all
    assert "No roll has a gap in the role primary then." in said.out
    assert judged(yard, card) == ("yes", set())


def test_a_retired_drive_gets_nothing_and_gives_nothing(yard: Yard) -> None:
    put_in(yard)
    assert typed(yard, "place", "retire", "Travel", "--yes").code == 1
    before = tree(yard.root / "Travel")
    other = yard.card("other", {"DCIM/A.MP4": clip(7)})
    assert offloaded(yard, other).code in {0, 1}
    typed(yard, "mirror")
    assert tree(yard.root / "Travel") == before
    assert typed(yard, "verify", "Travel").code == 3


def test_a_lost_drive_can_not_be_taken_in_under_its_old_name_but_found(yard: Yard) -> None:
    put_in(yard)
    typed(yard, "place", "lost", "Main", "--yes")
    said = typed(
        yard,
        "place",
        "add",
        str(yard.root / "Main"),
        "--role",
        "primary",
        "--name",
        "Main",
        "--folder",
    )
    assert said.code == 2
    assert "place found Main" in said.err
    assert stands(yard)["Main"] == "lost"


def test_what_was_never_away_can_not_be_found_and_what_is_not_known_is_answered(yard: Yard) -> None:
    put_in(yard)
    assert "neither lost nor retired" in typed(yard, "place", "found", "Main").err
    for words in (("lost", "Mian"), ("retire", "Mian"), ("found", "Mian"), ("rename", "Mian", "X")):
        said = typed(yard, "place", *words)
        assert (said.code, "Did you mean Main?" in said.err) == (2, True)


@pytest.mark.parametrize(
    ("more", "wrong"),
    [
        (["--name", "Travel"], "There is a place called Travel already"),
        (["--name", " "], "name"),
    ],
)
def test_a_replacement_that_can_not_be_taken_in_leaves_the_old_one(
    yard: Yard, more: list[str], wrong: str
) -> None:
    put_in(yard)
    where = str(new(yard))
    said = typed(yard, "place", "replace", "Main", where, "--folder", "--yes", *more)
    assert said.code == 2
    assert wrong in said.err
    assert stands(yard) == {"Main": "active", "Travel": "active"}
    assert os.listdir(where) == []


def test_a_bucket_does_not_take_the_place_of_a_drive_nor_a_folder_that_of_a_bucket(
    yard: Yard,
) -> None:
    put_in(yard)
    said = typed(yard, "place", "replace", "Main", "s3://yard/x", "--name", "New", "--yes")
    assert (said.code, "a bucket that of a bucket" in said.err) == (2, True)


def test_replacing_only_told_changes_nothing(yard: Yard) -> None:
    put_in(yard)
    where = new(yard)
    said = replaced(yard, "--dry-run")
    assert "They go to Main 2." in said.out
    assert os.listdir(where) == []
    assert replaced(yard, "--retire", "--yes", "--json").json["standing"] == "retired"
    assert stands(yard) == {"Main": "retired", "Travel": "active", "Main 2": "active"}


def marker(drive: Path) -> str:
    told = json.loads((drive / ".backupkeeper/place.json").read_text())
    return str(told["name"])


def test_a_drive_that_is_here_gets_its_new_name_at_once(yard: Yard) -> None:
    card = put_in(yard)
    main = yard.root / "Main"
    assert typed(yard, "place", "rename", "Main", "Main 2026", "--dry-run").code == 0
    assert marker(main) == "Main"
    said = typed(yard, "place", "rename", "main", "Main 2026", "--json")
    assert (said.code, said.json["was"], said.json["marker_waits"]) == (0, "Main", "")
    assert marker(main) == "Main 2026"
    assert judged(yard, card) == ("yes", set())
    assert typed(yard, "verify", "Main 2026").code == 0
    for taken in ("TRAVEL", "Main 2026", " "):
        assert typed(yard, "place", "rename", "Main 2026", taken).code == 2
    assert typed(yard, "place", "rename", "Main 2026", "MAIN 2026").code == 0


def test_a_drive_that_is_away_gets_its_new_name_when_it_is_worked_on_again(yard: Yard) -> None:
    put_in(yard)
    main, away = yard.root / "Main", yard.root / "away"
    main.rename(away)
    said = typed(yard, "place", "rename", "Main", "Old")
    assert said.code == 0
    assert "still tells the old name" in " ".join(said.out.split())
    away.rename(main)
    assert marker(main) == "Main"
    assert typed(yard, "verify", "Old").code == 0
    assert marker(main) == "Old"


def test_a_name_is_not_written_back_by_who_does_not_know_the_new_one(yard: Yard) -> None:
    """Another machine renamed it; ours has not heard of it, and leaves the marker as it is."""
    put_in(yard)
    main = yard.root / "Main"
    path = main / ".backupkeeper/place.json"
    path.write_text(path.read_text().replace('"Main"', '"Theirs"'))
    assert typed(yard, "verify", "Main").code == 0
    assert marker(main) == "Theirs"


def test_proofs_of_a_wrong_clock_do_not_count_when_their_time_comes(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.drives()
    card = yard.card("card", CARD)
    right = yard.clock.at
    yard.clock.at = right.replace(hour=right.hour + 5)  # ran ahead
    yard.offload(card)
    ahead = yard.clock.at
    yard.clock.at = right
    with yard.keeper() as keeper:
        leaving = keeper.look_at_leaving("Main", Standing.LOST, progress=QUIET)
        keeper.leave(leaving)
        keeper.find_again("Main")
    yard.clock.at = ahead.replace(minute=ahead.minute + 30)
    assert not yard.verdict(card).may_wipe
    yard.verify("Main")
    assert yard.verdict(card).may_wipe


def answered(yard: Yard, answer: str, *words: str) -> Said:
    """Type a command at a real terminal, and a line when it asks."""
    ours, theirs = pty.openpty()
    config = str(yard.root / "config.toml")
    with subprocess.Popen(
        [sys.executable, "-m", "backupkeeper", "--config", config, *words],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        os.close(theirs)
        os.write(ours, f"{answer}\n".encode())
        out, err = process.communicate(timeout=60)
    os.close(ours)
    return Said(code=process.returncode, out=out, err=err)


def test_at_a_terminal_it_tells_then_asks_and_a_no_is_a_no(yard: Yard) -> None:
    put_in(yard)
    no = answered(yard, "n", "place", "lost", "Main")
    assert no.code == 2
    assert "To be copied: 2 files (600 kB)." in no.out
    assert "Is Main lost?" in no.err
    assert "Nothing was changed." in no.err
    assert stands(yard)["Main"] == "active"
    yes = answered(yard, "y", "place", "lost", "Main")
    assert yes.code == 1
    assert yes.out.index("To be copied") < yes.out.index("Recorded: Main is lost.")
    assert yes.out.count("To be copied") == 1
    assert stands(yard)["Main"] == "lost"
