"""Nothing secret reaches anybody who has no business with it: what is started, written, said and sent.

The secrets are planted as strings that stand nowhere else, in real runs of the program; then
everything that came of these runs is searched.
"""

import json
import os
import stat
from pathlib import Path

import pytest

from tests.real.daemon_stand import DaemonStand
from tests.real.store import ACCESS, SECRET

OPENER = """#!/bin/sh
tr '\\0' '\\n' < /proc/$$/cmdline > "$TOLD/arguments"
tr '\\0' '\\n' < /proc/$$/environ > "$TOLD/environ"
cp "$1" "$TOLD/page"
stat -c %a "$1" > "$TOLD/mode"
"""


def with_opener(stand: DaemonStand, monkeypatch: pytest.MonkeyPatch, script: str) -> Path:
    """``xdg-open`` is this script from now on; where it writes what it was told."""
    told, program = stand.root / "told", stand.root / "bin/xdg-open"
    told.mkdir()
    program.parent.mkdir()
    program.write_text(script)
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
    monkeypatch.setenv("TOLD", str(told))
    return told


@pytest.mark.slow
def test_a_browser_is_started_with_nothing_that_others_must_not_see(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The very arguments and environment of the process that ``page --open`` begins."""
    with DaemonStand(tmp_path, more="[page]\nenabled = true\n") as stand:
        told = with_opener(stand, monkeypatch, OPENER)
        with stand.running() as daemon:
            daemon.wait_for("Running as process")
            address = stand.typed("page").strip()
            token = address.split("/")[3]
            assert len(token) == 43
            assert stand.typed("page", "--open").strip() == address
            arguments = (told / "arguments").read_text().splitlines()
            door = Path(arguments[-1])
            assert token not in "\n".join(arguments)
            environ = (told / "environ").read_text()
            assert "PATH=" in environ
            assert not [one for one in (token, ACCESS, SECRET) if one in environ]
            assert (told / "mode").read_text().strip() == "600"
            assert stat.S_IMODE(door.parent.stat().st_mode) == 0o700
            assert f'url={address}"' in (told / "page").read_text()
            assert json.loads(stand.typed("page", "--open", "--json"))["address"] == address
        assert not door.exists()


@pytest.mark.slow
def test_a_page_that_nothing_shows_is_told_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with DaemonStand(tmp_path, more="[page]\nenabled = true\n") as stand:
        with_opener(stand, monkeypatch, "#!/bin/sh\nexit 3\n")
        with stand.running() as daemon:
            daemon.wait_for("Running as process")
            assert stand.typed("page", "--open", code=3) == ""
            monkeypatch.setenv("PATH", str(tmp_path))
            assert stand.typed("page", "--open", code=3) == ""
