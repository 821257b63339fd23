"""The uploading program is killed again and again during one upload, and it still arrives.

``BACKUPKEEPER_UPLOAD_KILLS=100`` kills so often during an upload of 2 GiB (some minutes).
"""

import hashlib
import os
import random
import subprocess
import sys
import zlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from backupkeeper.core.model import CopyState, Role, Way
from tests.cloud.line import Line, line_to
from tests.real.store import Server
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import SHOOT, HandClock

pytest_plugins = ["tests.real.store_fixtures"]

MIB = 1024 * 1024
KILLS = int(os.environ.get("BACKUPKEEPER_UPLOAD_KILLS", "5"))
SIZE = 2048 * MIB if KILLS > 20 else 96 * MIB
PARALLEL = 4 if KILLS > 20 else 8
PART = 16 * MIB if KILLS > 20 else 8 * MIB
CHATTER = 256 * 1024
"""Bytes of one run that are no part: questions, headers, what the bucket is tried with."""
CLIP = "DCIM/100BOATY/BOAT0001.MP4"
KEY = f"footage/{SHOOT}/Originals/Wide/Roll 01/{CLIP}"


def noise(path: Path, size: int) -> str:
    """Write a file in which no two parts are alike; its SHA-256."""
    path.parent.mkdir(parents=True)
    digest = hashlib.sha256()
    with path.open("wb") as file:
        for number in range(size // MIB):
            piece = random.Random(number).randbytes(MIB)
            file.write(piece)
            digest.update(piece)
    return digest.hexdigest()


def begun(yard: ScopedYard) -> subprocess.Popen[bytes]:
    """The program as a person starts it."""
    return subprocess.Popen(
        [
            sys.executable,
            "-m",
            "backupkeeper",
            "--config",
            str(yard.root / "config.toml"),
            "upload",
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )


def killed(yard: ScopedYard, line: Line, chance: random.Random) -> bool:
    """Begin an upload and kill it at a random instant; False: it was done before."""
    line.watch(chance.randrange(SIZE // KILLS))
    with begun(yard) as program:
        assert line.reached.wait(120)
        try:
            # On the way of a part, while its answer is awaited, while the catalog is written …
            program.wait(timeout=chance.random() * 0.05)
        except subprocess.TimeoutExpired:
            program.kill()
            return True
    return False


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    yard = ScopedYard(
        tmp_path,
        policy=f"distinct_devices = false\n[upload]\nparallel_parts = {PARALLEL}",
        clock=HandClock(at=datetime.now(UTC)),
    )
    yard.drives()
    return yard


@pytest.mark.slow
@pytest.mark.real("store")
@pytest.mark.timeout(3600)
def test_killed_at_random_it_arrives_and_little_is_sent_twice(
    yard: ScopedYard,
    radosgw: Server,
    credentials: object,
    request: pytest.FixtureRequest,
) -> None:
    bucket = radosgw.new_bucket()
    chance = random.Random(zlib.crc32(request.node.nodeid.encode()))
    digest = noise(yard.root / "card" / CLIP, SIZE)
    with line_to(radosgw.url) as line:
        with yard.keeper() as keeper:
            keeper.add_bucket(
                f"s3://{bucket}/footage",
                role=Role.CLOUD,
                name="Off site",
                endpoint=line.url,
                profile=None,
            )
        assert yard.offload(yard.root / "card").sealed
        line.forget()
        kills = sum(killed(yard, line, chance) for _ in range(KILLS))
        with begun(yard) as last:
            out, _ = last.communicate(timeout=600)
        assert last.returncode == 0, out.decode()
        again = (line.sent - SIZE) / PART / max(1, kills)
        told = f"{kills} kills, {line.sent:,} bytes for {SIZE:,}: {again:.2f} parts for each kill"
        sys.stdout.write(f"{told}\n")  # shown with -s
    assert kills >= KILLS * 0.8
    stored = radosgw.client.get_object(Bucket=bucket, Key=KEY)["Body"]
    fetched = hashlib.sha256()
    for piece in stored.iter_chunks(MIB):
        fetched.update(piece)
    assert fetched.hexdigest() == digest
    assert radosgw.uploads(bucket) == []
    (copy,) = yard.copies("Off site").values()
    assert (copy.state, copy.proof and copy.proof.way) == (CopyState.PROVEN, Way.ATTESTED)
    with yard.context() as context:
        assert context.catalog.uploads(copy.place) == ()
    assert line.sent <= SIZE + kills * PARALLEL * PART + (kills + 1) * CHATTER, told
