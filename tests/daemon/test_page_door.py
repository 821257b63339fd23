"""How a browser gets to the live page: by a file of its owner's, and in a window of its own."""

import os
import stat
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.daemon.page_door import PageDoor
from tests.daemon.page_stand import TOKEN, served


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_one_can_be_led_to_the_page_as_a_whole_and_to_nothing_else(site: str) -> None:
    """Fetch Metadata: ``navigate`` and ``document`` are said of a window of its own, never of a frame."""
    led: dict[str, Any] = {
        "sec_fetch_site": site,
        "sec_fetch_mode": "navigate",
        "sec_fetch_dest": "document",
    }
    with served() as stand:
        assert stand.send(**led).status == 200
        for path in ("feed", "live.js", "ask", "else"):
            assert stand.send(path=f"/{TOKEN}/{path}", **led).status == 403
        assert stand.send(method="POST", path=f"/{TOKEN}/", body=b"{}", **led).status == 403


def test_the_file_that_leads_there_is_its_owners_and_goes_with_the_page() -> None:
    old = os.umask(0)
    try:
        with served() as stand:
            door = stand.server.door
            assert stat.S_IMODE(os.stat(door).st_mode) == 0o600
            assert stat.S_IMODE(os.stat(os.path.dirname(door)).st_mode) == 0o700
            assert Path(door).read_text().count(f'url={stand.server.url}"') == 1
        assert (os.path.exists(door), stand.server.door) == (False, "")
    finally:
        os.umask(old)


def test_where_the_file_can_not_be_written_the_page_is_served_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    door = PageDoor(f"{tmp_path}/file/below")
    door.open("http://127.0.0.1:1/x/")
    assert door.path == ""


def test_a_link_in_the_files_place_leads_nobody_elsewhere(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_text("mine")
    (tmp_path / "page.html").symlink_to(tmp_path / "elsewhere")
    door = PageDoor(str(tmp_path))
    door.open("http://127.0.0.1:1/x/")
    assert (tmp_path / "elsewhere").read_text() == "mine"
    assert not Path(door.path).is_symlink()
