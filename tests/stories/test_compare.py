"""Two drives, or two folders, held against each other, as a person types it."""

import os
from pathlib import Path

import pytest

from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, rot

CARD = {"DCIM/WIDE0001.MP4": clip(1), "DCIM/WIDE0002.MP4": clip(2), "DCIM/A.XML": b"<a/>"}
ROLL = f"{SHOOT}/Originals/Wide/Roll 01"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    made = yard_of_today(tmp_path)
    made.drives()
    assert offloaded(made, made.card("card", CARD)).code == 0
    return made


def everything(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {
        str(path): (path.read_bytes(), path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_two_drives_with_the_same_on_them(yard: Yard) -> None:
    main, travel = yard.root / "Main", yard.root / "Travel"
    before = everything(main) | everything(travel)
    for more in ([], ["--read"]):
        said = typed(yard, "compare", "main", "Travel", *more)
        assert said.code == 0, said.all
        assert said.out.startswith("■ No difference.\n    Main\n    Travel\n")
        assert "3 files" in said.out
    assert everything(main) | everything(travel) == before
    told = typed(yard, "compare", "Main", "Travel", "--json").json
    assert (told["same"], told["same_files"], told["read"]) == (True, 3, False)
    assert all(count > 0 for count in told["left_out"])


def test_every_kind_of_difference_is_told(yard: Yard) -> None:
    main, travel = roll_folder(yard.root / "Main"), roll_folder(yard.root / "Travel")
    (main / "DCIM/WIDE0001.MP4").rename(main / "DCIM/RENAMED.MP4")
    os.truncate(travel / "DCIM/A.XML", 2)
    (yard.root / "Main" / "notes.txt").write_text("mine")
    (yard.root / "Travel" / "notes.txt").write_text("ours")
    (yard.root / "Travel" / "list.txt").write_text("theirs")
    told = typed(yard, "compare", "Main", "Travel", "--json")
    assert told.code == 1
    assert [pair[0]["path"] for pair in told.json["other_content"]] == [f"{ROLL}/DCIM/A.XML"]
    assert [pair[0]["path"] for pair in told.json["content_not_known"]] == ["notes.txt"]
    only = [[one["path"] for one in side] for side in told.json["only"]]
    assert only == [[f"{ROLL}/DCIM/RENAMED.MP4"], [f"{ROLL}/DCIM/WIDE0001.MP4", "list.txt"]]
    assert told.json["only"][0][0]["blake3"] is None  # nobody knows what a renamed file is
    read = typed(yard, "compare", "Main", "Travel", "--read", "--json").json
    assert [[one["path"] for one in side] for side in read["only"]] == [[], ["list.txt"]]
    assert [[one["path"] for one in pair] for pair in read["other_name"]] == [
        [f"{ROLL}/DCIM/RENAMED.MP4", f"{ROLL}/DCIM/WIDE0001.MP4"]
    ]
    assert [pair[0]["path"] for pair in read["other_content"]] == [
        f"{ROLL}/DCIM/A.XML",
        "notes.txt",
    ]
    assert read["content_not_known"] == []


def test_rot_that_nobody_found_yet_shows_only_when_read(yard: Yard) -> None:
    rot(roll_folder(yard.root / "Travel") / "DCIM/WIDE0002.MP4", 1000, b"rotten")
    assert typed(yard, "compare", "Main", "Travel").code == 0
    read = typed(yard, "compare", "Main", "Travel", "--read")
    assert read.code == 1
    assert "Other content under the same name: 1 file" in read.out
    assert typed(yard, "verify", "Travel").code == 1
    known = typed(yard, "compare", "Main", "Travel", "--json")
    assert known.code == 1
    assert len(known.json["content_not_known"]) == 1


def test_two_plain_folders_and_a_folder_of_a_drive(yard: Yard) -> None:
    one, two = yard.root / "one", yard.root / "two"
    for folder in (one, two):
        folder.mkdir()
        (folder / "a.wav").write_bytes(clip(5))
    said = typed(yard, "compare", str(one), str(two))
    assert said.code == 1
    assert "Not all of it is known." in said.out
    assert typed(yard, "compare", str(one), str(two), "--read").code == 0
    halves = [str(roll_folder(yard.root / name)) for name in ("Main", "Travel")]
    assert typed(yard, "compare", *halves).code == 0
    assert typed(yard, "compare", f"{halves[0]}/DCIM", f"{halves[1]}/DCIM").code == 0


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["Mian", "Travel"], 2, "Did you mean Main?"),
        (["Main", "main"], 2, "one and the same"),
        (["Main", "/nowhere/at/all"], 2, "There is nothing at"),
    ],
)
def test_what_can_not_be_compared(yard: Yard, words: list[str], code: int, said: str) -> None:
    told = typed(yard, "compare", *words)
    assert (told.code, said in told.err) == (code, True), told.all


def test_a_drive_that_is_away_and_a_folder_in_another(yard: Yard) -> None:
    inner = str(roll_folder(yard.root / "Main"))
    assert typed(yard, "compare", "Main", inner).code == 2
    assert typed(yard, "compare", str(yard.root / "config.toml"), inner).code == 2
    (yard.root / "Travel").rename(yard.root / "away")
    assert typed(yard, "compare", "Main", "Travel").code == 3
    typed(yard, "place", "lost", "Main", "--yes")
    assert typed(yard, "compare", "Main", str(yard.root / "away")).code == 3


def test_what_is_no_file_and_what_can_not_be_read_is_told(yard: Yard) -> None:
    (yard.root / "Main" / "link").symlink_to("/etc/hostname")
    told = typed(yard, "compare", "Main", "Travel", "--json")
    assert told.code == 1
    assert [one["path"] for one in told.json["not_compared"][0]] == ["link"]
    assert "Not compared on Main" in typed(yard, "compare", "Main", "Travel").out


@pytest.mark.parametrize("width", [40, 80])
def test_many_paths_are_folded_and_it_fits_the_window(
    yard: Yard, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    for number in range(40):
        (yard.root / "Main" / f"n{number:02}.txt").write_text("x")
    said = typed(yard, "compare", "Main", "Travel")
    assert "and 30 more" in said.out
    assert "n39.txt" not in said.out
    assert all(len(line) <= width for line in said.out.splitlines()), said.out
    assert "n39.txt" in typed(yard, "compare", "Main", "Travel", "--all").out
