"""Deliveries that were not taken in at once: what stands there by then, and what changed since."""

import os
import shutil
from pathlib import Path

import pytest

from tests.stories.deliveries import CARD, CLIP, flaws, history, imported, roll_at
from tests.stories.yard import Yard, rot

pytest_plugins = ["tests.stories.delivery_fixtures"]


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = Yard(tmp_path)
    yard.drives()
    return yard


def refused(yard: Yard, folder: Path) -> None:
    """What is right is on the drives now, and the roll is open."""
    (folder / "mine.txt").write_bytes(b"x")
    said = imported(yard, folder)
    assert (said.code, flaws(said)) == (1, {"mine.txt": "extra"})
    (folder / "mine.txt").unlink()


def test_what_stands_already_is_read_again_and_not_written(yard: Yard, delivery: Path) -> None:
    refused(yard, delivery)
    before = os.stat(roll_at(yard) / CLIP).st_ino
    said = imported(yard, delivery)
    assert said.code == 0, said.all
    assert os.stat(roll_at(yard) / CLIP).st_ino == before
    assert said.json["right_files"] == len(CARD)


def test_another_file_than_before_is_told_and_seals_nothing(yard: Yard, delivery: Path) -> None:
    refused(yard, delivery)
    rot(delivery / CLIP, 100, b"rotten")
    said = imported(yard, delivery, "--as-it-is")
    assert (said.code, said.json["sealed"]) == (1, False)
    assert "another file than was taken before" in said.all
    assert (roll_at(yard) / CLIP).read_bytes() == CARD[CLIP]
    rot(delivery / CLIP, 100, CARD[CLIP][100:106])
    assert imported(yard, delivery).code == 0


def test_a_history_that_was_laid_before_a_kill_is_gone_on_with(yard: Yard, delivery: Path) -> None:
    refused(yard, delivery)
    shutil.copytree(delivery / "ascmhl", roll_at(yard) / "ascmhl")
    said = imported(yard, delivery)
    assert (said.code, said.json["history_continued"]) == (0, True), said.all
    assert history(roll_at(yard)).faults == ()
    theirs = history(delivery)
    assert history(roll_at(yard)).chain[:-1] == theirs.chain


def test_other_manifests_that_stand_there_are_told_and_left(yard: Yard, delivery: Path) -> None:
    refused(yard, delivery)
    (roll_at(yard) / "ascmhl").mkdir()
    chain = roll_at(yard) / "ascmhl/ascmhl_chain.xml"
    chain.write_bytes(b"another's")
    said = imported(yard, delivery)
    assert said.json["sealed"], "the footage is there all the same"
    assert "the delivered history is not gone on with" in said.all
    assert chain.read_bytes() == b"another's"
    assert history(roll_at(yard, "Travel")).faults == ()


def test_empty_folders_come_along_or_it_is_told(yard: Yard, delivery: Path) -> None:
    (delivery / "SPARE/DEEP").mkdir(parents=True)
    (delivery / "OTHER").mkdir()
    refused(yard, delivery)
    (roll_at(yard) / "OTHER").write_bytes(b"no folder")
    said = imported(yard, delivery)
    assert (roll_at(yard) / "SPARE/DEEP").is_dir()
    assert "the empty folder OTHER was not made" in said.all
