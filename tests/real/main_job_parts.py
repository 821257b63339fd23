"""What fills real cards and takes in real drives; the fixtures stand in ``main_job_fixtures``."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.real.loopdev import LoopFs
from tests.stories.typed import typed
from tests.stories.yard import Yard, clip

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 9_000_001),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
}
MiB = 1 << 20
Fs = Callable[..., LoopFs]


def fill(card: LoopFs, files: dict[str, bytes] = CARD) -> Path:
    point = Path(card.point)
    for path, data in files.items():
        (point / path).parent.mkdir(parents=True, exist_ok=True)
        (point / path).write_bytes(data)
    card.remount()  # nothing of it is cached, as after plugging it in
    return point


def take_in(yard: Yard, drive: LoopFs, role: str, name: str) -> Path:
    said = typed(yard, "place", "add", drive.point, "--role", role, "--name", name)
    assert said.code == 0, said.all
    return Path(drive.point)


def kinds(*names: str) -> object:
    return pytest.param(*names, marks=pytest.mark.real(*sorted(set(names))))
