"""Promise 3 over a bad line: a restore from the bucket alone ends with right bytes or with none.

Each seed is a story: the same restore, again and again, over a line that flips, cuts, drops, repeats
and lies, then over a good one. After every run each final name holds the right bytes, and in the end
all of it is there. What the line spoiled is fetched once more before the bucket is blamed.

``BACKUPKEEPER_BAD_LINES=500`` tells so many stories.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import pytest

from backupkeeper.cloud.bucket import open_bucket
from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.cloud.tuning import Tuning
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import BLOCK_BYTES, Role
from backupkeeper.core.restoring import Asked, RestoreOutcome
from tests.real.store import Server
from tests.stories.yard import QUIET, Yard, clip, roll_folder, tree
from tests.world.bad_line import BadLine, bad_line_to
from tests.world.misfortunes import Fates

pytest_plugins = ["tests.real.store_fixtures"]

STORIES = int(os.environ.get("BACKUPKEEPER_BAD_LINES", "12"))
RUNS = 3
CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": b"".join(clip(n, BLOCK_BYTES) for n in (1, 2)) + clip(3, 70_001),
    "DCIM/100BOATY/BOAT0002.MP4": clip(4, 90_000),
    "DCIM/100BOATY/odd + %41 & é #.XML": b"<clip/>\n",
    "MISC/EMPTY.DAT": b"",
}
HURRIED = Tuning(connect_timeout=2, read_timeout=0.15, attempts=2)
PATIENT = Tuning(connect_timeout=20, read_timeout=60, attempts=3)


@dataclass
class Shore:
    """A yard whose drives are gone, and a bucket at the other end of a line."""

    yard: Yard
    line: BadLine
    catalog: bytes

    def restore(self) -> RestoreOutcome:
        asked = Asked(what=None, to=str(self.yard.root / "back"))
        with self.yard.keeper() as keeper:
            return keeper.restore(asked, agree=lambda _: True, progress=QUIET)

    def start_again(self) -> None:
        for ending in ("-wal", "-shm"):
            (self.yard.root / f"catalog.sqlite{ending}").unlink(missing_ok=True)
        (self.yard.root / "catalog.sqlite").write_bytes(self.catalog)
        shutil.rmtree(self.yard.root / "back", ignore_errors=True)

    def holds_true(self) -> None:
        back = roll_folder(self.yard.root / "back")
        for path, data in tree(back).items() if back.exists() else ():
            assert path.endswith(".part") or data == CARD[path], f"wrong bytes under {path}"


@pytest.fixture(scope="module")
def made(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[Shore]:
    server: Server = request.getfixturevalue("strict")
    root = tmp_path_factory.mktemp("shore")
    with bad_line_to(server.url) as line, pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ACCESS_KEY_ID", "testaccess")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "testsecret")
        yard = Yard(root, policy="distinct_devices = false")
        main = yard.drive("Main", Role.PRIMARY)
        yard.offload(yard.card("card", CARD))
        bucket = server.new_bucket()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                f"s3://{bucket}/f",
                role=Role.CLOUD,
                name="Off site",
                endpoint=line.url,
                profile=None,
            )
            (sent,) = keeper.upload(progress=QUIET)
            assert not sent.troubles
        shutil.rmtree(main)
        yield Shore(yard=yard, line=line, catalog=(root / "catalog.sqlite").read_bytes())


@pytest.fixture
def shore(
    made: Shore,
    credentials: pytest.MonkeyPatch,
    at_once: None,
    one_loader: None,
) -> Shore:
    def opened(location: str, **more: Any) -> S3Bucket:
        tuning = HURRIED if made.line.fates else PATIENT
        return open_bucket(location, **more | {"tuning": tuning})

    credentials.setattr("backupkeeper.cloud.bucket.open_bucket", opened)
    made.start_again()
    return made


@pytest.mark.parametrize("seed", range(STORIES))
def test_a_name_holds_the_right_bytes_or_is_free_and_at_last_all_is_there(
    shore: Shore, seed: int
) -> None:
    fates = Fates(seed)
    shore.line.fates = fates
    try:
        for _ in range(RUNS):
            with suppress(BackupkeeperError):
                shore.restore()
            shore.holds_true()
    finally:
        shore.line.turn_good()
    outcome = shore.restore()
    assert not outcome.not_there, fates.told
    assert tree(roll_folder(shore.yard.root / "back")) == CARD
    assert shore.yard.verify(str(shore.yard.root / "back")).all_well
