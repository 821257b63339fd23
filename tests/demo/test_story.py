"""The whole job, end to end, as ``make demo`` plays it; and that a step gone astray is not hidden."""

import hashlib
import os
from pathlib import Path

import pytest

from backupkeeper.core.errors import BackupkeeperError, BucketUnreachableError
from backupkeeper.demo import run_demo, story
from backupkeeper.demo.stage import set_up
from backupkeeper.demo.typist import Typist


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.blake2b(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_whole_job_comes_out_as_told(tmp_path: Path) -> None:
    lines: list[str] = []
    world = tmp_path / "world"
    code = run_demo(str(world), lines.append)
    told = "\n".join(lines)
    assert code == 0, told
    assert "NOT AS IT SHOULD BE" not in told
    assert "Every step came out as it should" in told
    # Held here without our own code: both drives have every file of the camera's card but the one
    # that was spoiled, which differs on the second drive only.
    card = digests(world / "cards" / "Wide" / "DCIM")
    for drive, spoiled in (("main", []), ("second", ["100BOATY/BOAT0002.MP4"])):
        kept: dict[str, str] = {}
        for roll in ("Roll 01", "Roll 02"):
            shoot = world / "drives" / drive / "260612 Boatyard"
            kept |= digests(shoot / "Originals" / "Wide" / roll / "DCIM")
        assert kept.keys() == card.keys()
        assert [path for path in sorted(card) if kept[path] != card[path]] == spoiled


def test_a_store_that_does_not_answer_is_told() -> None:
    with pytest.raises(BucketUnreachableError, match="does not answer"):
        story._make_bucket("http://127.0.0.1:9")


def test_a_verdict_that_is_not_as_it_should_be_is_noted(tmp_path: Path) -> None:
    stage = set_up(str(tmp_path / "world"))
    lines: list[str] = []
    typist = Typist(stage=stage, echo=lines.append)
    os.makedirs(stage.card("Wide"))
    (Path(stage.card("Wide")) / "clip").write_bytes(b"footage")
    story._verdict(stage, typist, "Wide")
    story._look_around(stage, typist)
    assert any("is not yes" in wrong for wrong in typist.wrong)
    assert not any("came out as it should" in line for line in lines)
    assert any("exited" in wrong for wrong in typist.wrong)


@pytest.mark.parametrize("text", ["", "[]", "Traceback", '"yes"'])
def test_what_is_no_json_object_answers_nothing(text: str) -> None:
    assert story._object(text) == {}


def test_only_our_errors_leave_a_demo_in_a_folder_of_somebody_else(tmp_path: Path) -> None:
    (tmp_path / "footage").write_text("x")
    with pytest.raises(BackupkeeperError):
        run_demo(str(tmp_path), lambda line: None)
