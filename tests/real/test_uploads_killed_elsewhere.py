"""Two machines, one drive, one bucket: whichever is killed in the middle, the other goes on.

The second machine has a catalog of its own, made of the drive (or of an older snapshot in the bucket). Of
the upload it knows what the bucket says.
"""

import os
import random
import shutil
import sys
import zlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from backupkeeper.core.model import CopyState, Role
from backupkeeper.core.rebuilding import RebuildWish
from tests.cloud.line import Line
from tests.real.store import Server
from tests.real.test_uploads_killed import CLIP, KEY, MIB, begun, noise
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, HandClock

pytest_plugins = ["tests.real.store_fixtures"]

SIZE = 96 * MIB
PARALLEL = 4
PART = 16 * MIB
CHATTER = 256 * 1024
"""Bytes of one run that are no part."""


def machine(root: Path) -> ScopedYard:
    root.mkdir()
    return ScopedYard(
        root,
        policy=f"distinct_devices = false\n[upload]\nparallel_parts = {PARALLEL}",
        clock=HandClock(at=datetime.now(UTC)),
    )


@pytest.fixture
def bucket(server: Server) -> str:
    return server.new_bucket()


def take_in(yard: ScopedYard, line: Line, bucket: str) -> None:
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage", role=Role.CLOUD, name="Off site", endpoint=line.url,
            profile=None,
        )  # fmt: skip


@pytest.fixture
def machines(
    tmp_path: Path,
    wire: Line,
    bucket: str,
    credentials: None,
    request: pytest.FixtureRequest,
) -> tuple[ScopedYard, ScopedYard]:
    """The first with its catalog, the second with one made of what there is without the first."""
    first, second = machine(tmp_path / "first"), machine(tmp_path / "second")
    first.drives()
    take_in(first, wire, bucket)
    drive = first.root / "Main"
    if request.param:  # what the bucket keeps is older than the clip
        first.offload(first.card("before", {"NOTES.TXT": b"wind\n"}), source="Recorder")
        with first.keeper() as keeper:
            keeper.upload(progress=QUIET)
    noise(first.root / "card" / CLIP, SIZE)
    os.utime(first.root / "card" / CLIP, (1_781_000_000, 1_781_000_000))  # not written just now
    assert first.offload(first.root / "card").sealed
    shutil.rmtree(drive / ".backupkeeper" / "catalog")
    sources = (f"s3://{bucket}/footage", str(drive)) if request.param else (str(drive),)
    with second.keeper() as keeper:
        wish = RebuildWish(
            sources=sources, endpoint=wire.url if request.param else None, take_in=True
        )
        outcome = keeper.rebuild(wish, progress=QUIET)
    assert [one.taken_in for one in outcome.unknown] == [True], outcome.unknown
    assert len(outcome.taken) == int(bool(request.param))
    if not request.param:
        take_in(second, wire, bucket)
    return first, second


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize(
    ("server", "machines"),
    [
        pytest.param("moto", False, id="mock, an empty catalog"),
        pytest.param("strict", False, id="strict, an empty catalog"),
        pytest.param("radosgw", False, id="an empty catalog", marks=pytest.mark.real("store")),
        pytest.param("radosgw", True, id="an older snapshot", marks=pytest.mark.real("store")),
    ],
    indirect=True,
)
def test_whichever_machine_is_killed_the_other_goes_on(
    machines: tuple[ScopedYard, ScopedYard],
    wire: Line,
    server: Server,
    bucket: str,
    request: pytest.FixtureRequest,
) -> None:
    chance = random.Random(zlib.crc32(request.node.nodeid.encode()))
    wire.forget()
    kills = 0
    for turn in range(3):
        wire.watch(chance.randrange(PART + CHATTER, SIZE // 3))
        with begun(machines[turn % 2]) as program:
            assert wire.reached.wait(120)
            program.kill()
            kills += 1
        (upload,) = server.client.list_multipart_uploads(Bucket=bucket)["Uploads"]
        assert upload["Key"] == KEY
    with begun(machines[1]) as last:
        out, _ = last.communicate(timeout=600)
    assert last.returncode == 0, out.decode()
    twice = (wire.sent - SIZE) / PART / kills
    sys.stdout.write(
        f"{kills} kills in turn, {wire.sent:,} bytes for {SIZE:,}: {twice:.2f} parts each\n"
    )
    assert wire.sent <= SIZE + kills * PARALLEL * PART + (kills + 1) * CHATTER
    stored = server.client.get_object(Bucket=bucket, Key=KEY)["Body"].read()
    assert stored == (machines[0].root / "card" / CLIP).read_bytes()
    assert server.uploads(bucket) == []
    (copy,) = machines[1].copies("Off site").values()
    assert copy.state is CopyState.PROVEN
    wire.forget()
    with begun(machines[0]) as first:  # it finds its own upload ended by the other
        out, _ = first.communicate(timeout=600)
    assert first.returncode == 0, out.decode()
    assert wire.sent < PART // 2
