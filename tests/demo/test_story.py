"""The whole job, end to end, as ``make demo`` plays it; and that a step gone astray is not hidden."""

import hashlib
import http.server
import json
import os
import threading
from pathlib import Path

import pytest

from backupkeeper.core.errors import BackupkeeperError, BucketUnreachableError, WriteError
from backupkeeper.demo import run_demo, story, sum_up
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
    # Held here without our own code: both drives have every file of the camera's card, the one that
    # was spoiled and mended too, whose spoiled bytes are kept beside.
    card = digests(world / "cards" / "Wide" / "DCIM")
    for drive in ("main", "second"):
        kept: dict[str, str] = {}
        for roll in ("Roll 01", "Roll 02"):
            shoot = world / "drives" / drive / "260612 Boatyard"
            kept |= digests(shoot / "Originals" / "Wide" / roll / "DCIM")
        assert kept == card
    page = (world / "report.html").read_text("utf-8")
    assert "Everything is proven in three places that may share one device." in page
    assert "YES" in (world / "Wide.html").read_text("utf-8")
    assert json.loads((world / "Wide.json").read_bytes())["verdict"] == "yes"
    aside = world / "drives" / "second" / ".backupkeeper" / "set-aside"
    (spoiled,) = aside.rglob("BOAT0002.MP4*")
    whole = world / "cards" / "Wide" / "DCIM" / "100BOATY" / "BOAT0002.MP4"
    assert spoiled.stat().st_size == whole.stat().st_size
    assert spoiled.read_bytes() != whole.read_bytes()


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


def test_a_step_that_went_astray_makes_the_demo_fail_and_is_told(tmp_path: Path) -> None:
    lines: list[str] = []
    typist = Typist(stage=set_up(str(tmp_path / "world")), echo=lines.append)
    assert sum_up(typist) == 0
    typist.expect(right=False, otherwise="the sky is green")
    assert sum_up(typist) == 3
    assert lines == ["NOT AS IT SHOULD BE: the sky is green"]


def test_cards_that_cannot_be_written_are_told(tmp_path: Path) -> None:
    stage = set_up(str(tmp_path / "world"))
    (Path(stage.cards) / "Wide").write_text("a file where the card should be")
    with pytest.raises(WriteError, match="Could not write"):
        story._set_the_stage(stage, Typist(stage=stage, echo=lambda line: None), "")


def test_a_card_that_cannot_be_recorded_on_is_told(tmp_path: Path) -> None:
    stage = set_up(str(tmp_path / "world"))
    (Path(stage.cards) / "Wide").write_text("a file where the card should be")
    with pytest.raises(WriteError, match="Could not write"):
        story._record_further(stage, Typist(stage=stage, echo=lambda line: None))


class _Refuser(http.server.BaseHTTPRequestHandler):
    def do_PUT(self) -> None:
        self.send_response(403)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Stay quiet."""


def test_a_store_that_makes_no_bucket_is_told() -> None:
    with http.server.HTTPServer(("127.0.0.1", 0), _Refuser) as server:
        thread = threading.Thread(target=server.handle_request)
        thread.start()
        with pytest.raises(BucketUnreachableError, match="makes no bucket \\(status 403\\)"):
            story._make_bucket(f"http://127.0.0.1:{server.server_port}")
        thread.join()


@pytest.mark.parametrize("text", ["", "[]", "Traceback", '"yes"'])
def test_what_is_no_json_object_answers_nothing(text: str) -> None:
    assert story._object(text) == {}


def test_only_our_errors_leave_a_demo_in_a_folder_of_somebody_else(tmp_path: Path) -> None:
    (tmp_path / "footage").write_text("x")
    with pytest.raises(BackupkeeperError):
        run_demo(str(tmp_path), lambda line: None)
