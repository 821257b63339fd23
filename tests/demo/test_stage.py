"""The demo's folder: nobody else's folder is ever replaced, and rot looks like rot."""

import os
import sys
import urllib.request
from pathlib import Path

import pytest

from backupkeeper.core.errors import UsageError, WriteError
from backupkeeper.demo.stage import set_up, spoil
from backupkeeper.demo.store import made_up_store


def test_a_former_demo_is_replaced(tmp_path: Path) -> None:
    world = tmp_path / "demo-world"
    set_up(str(world))
    (world / "drives" / "main" / "old").write_text("old")
    stage = set_up(str(world))
    assert os.listdir(stage.main_drive) == []
    assert os.listdir(stage.second_drive) == []


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    stage = set_up(str(tmp_path))
    assert os.path.isdir(stage.cards)
    assert stage.root == str(tmp_path)


@pytest.mark.parametrize(
    "mark", [None, "not what the demo writes"], ids=["no mark", "another's mark"]
)
def test_a_folder_of_somebody_else_is_refused_and_stays(tmp_path: Path, mark: str | None) -> None:
    (tmp_path / "BOAT0001.MP4").write_text("footage")
    if mark is not None:
        (tmp_path / "made-by-backupkeeper-demo.txt").write_text(mark)
    with pytest.raises(UsageError, match="was not made by the demo; it was left as it is"):
        set_up(str(tmp_path))
    assert (tmp_path / "BOAT0001.MP4").read_text() == "footage"


def test_a_link_to_a_former_demo_is_refused(tmp_path: Path) -> None:
    set_up(str(tmp_path / "real"))
    os.symlink("real", tmp_path / "link")
    with pytest.raises(UsageError, match="is no folder"):
        set_up(str(tmp_path / "link"))
    assert (tmp_path / "real" / "cards").is_dir()


def test_a_link_in_place_of_the_mark_is_no_mark(tmp_path: Path) -> None:
    world = set_up(str(tmp_path / "real"))
    other = tmp_path / "other"
    other.mkdir()
    name = "made-by-backupkeeper-demo.txt"
    os.symlink(os.path.join(world.root, name), other / name)
    with pytest.raises(UsageError, match="was not made by the demo"):
        set_up(str(other))


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="is no folder"):
        set_up(str(tmp_path / "file"))


@pytest.mark.parametrize("name", ["a\nb", "a\udcffb", "a\x1b[1mb"], ids=["line", "bytes", "escape"])
def test_a_name_that_no_configuration_can_hold_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match="can't hold"):
        set_up(str(tmp_path / name))
    assert os.listdir(tmp_path) == []


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(WriteError, match="ENOTDIR"):
        set_up(str(tmp_path / "file" / "world"))


def test_a_spoiled_byte_changes_no_size_and_no_time(tmp_path: Path) -> None:
    path = tmp_path / "clip"
    path.write_bytes(bytes(10_000))
    os.utime(path, ns=(1_000_000_000, 2_000_000_002))
    spoil(str(path), 7_000)
    assert path.stat().st_mtime_ns == 2_000_000_002
    data = path.read_bytes()
    assert len(data) == 10_000
    assert [at for at, byte in enumerate(data) if byte] == [7_000]


def test_spoiling_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="ENOENT"):
        spoil(str(tmp_path / "none"), 0)


@pytest.mark.slow
def test_the_made_up_store_answers_on_loopback_and_then_stops() -> None:
    with made_up_store() as address:
        assert address.startswith("http://127.0.0.1:")
        with urllib.request.urlopen(address, timeout=10) as answer:
            assert b"ListAllMyBucketsResult" in answer.read()
    with pytest.raises(OSError, match="refused"):
        urllib.request.urlopen(address, timeout=10)


def test_a_machine_without_the_mock_is_told_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "moto.server", None)
    with pytest.raises(UsageError, match="pip install"), made_up_store():
        pytest.fail("there is no store")
