"""The third place: our upload beside boto3's own, and how much memory a large one takes.

Ours reads cold from the drive, compares every block with its block map, hashes every part, asks the
store to refuse wrong ones, and looks at what came of it. boto3's own reads and sends. Both send as
many parts of the same size at once, from the same drive to the same real store, in the same run;
the order changes from round to round. Each round has a store of its own: a real one gives the room
of deleted objects back late.

Where client and store share the processors the rates depend on whatever else runs there; what the
client itself takes of them (user and system, per MiB) does not.
"""

import contextlib
import os
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
import xxhash
from blake3 import blake3
from boto3.s3.transfer import TransferConfig

from backupkeeper.cloud.bucket import open_bucket
from backupkeeper.core.model import BLOCK_BYTES, Blake3, Content, Xxh128
from backupkeeper.core.parts import MOST_AT_ONCE, USUAL_PART
from backupkeeper.system.clock import RealClock
from backupkeeper.system.entropy import RealEntropy
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer.coldpolicy import ColdPolicy, cold_policy
from backupkeeper.transfer.coldread import checked_blocks
from tests.benchmarks.conftest import Row
from tests.benchmarks.stand import MIB, Stand, cool, fill
from tests.real.store import Server, raw_client, running_store

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = pytest.mark.real("store")

MakeStand = Callable[[int], Stand]
SIZE = int(os.environ.get("BENCH_UPLOAD_MIB", "512")) * MIB
ROUNDS = int(os.environ.get("BENCH_UPLOAD_ROUNDS", "4"))
CONFIG = TransferConfig(
    multipart_threshold=USUAL_PART,
    multipart_chunksize=USUAL_PART,
    max_concurrency=MOST_AT_ONCE,
)


def content_of_file(path: str) -> Content:
    """What the catalog would say of a file."""
    long, short, blocks = blake3(), xxhash.xxh3_128(), []
    with open(path, "rb") as file:
        while block := file.read(BLOCK_BYTES):
            long.update(block)
            short.update(block)
            blocks.append(xxhash.xxh3_128_digest(block))
    return Content(
        blake3=Blake3(long.hexdigest()),
        xxh128=Xxh128(short.hexdigest()),
        size=os.path.getsize(path),
        block_map=b"".join(blocks),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Cost:
    """What an upload of ``SIZE`` took: time on the clock, and of this process on the processors."""

    seconds: float
    cpu_seconds: float

    @property
    def rate(self) -> float:
        """MiB a second."""
        return SIZE / MIB / self.seconds

    @property
    def cpu_ms(self) -> float:
        """Milliseconds of processor for each MiB."""
        return 1000 * self.cpu_seconds / (SIZE / MIB)


@contextlib.contextmanager
def costs() -> Iterator[list[Cost]]:
    """What is done in here costs so much; told in the list at the end."""
    told: list[Cost] = []
    begun, worked = time.perf_counter(), time.process_time()
    yield told
    told.append(Cost(seconds=time.perf_counter() - begun, cpu_seconds=time.process_time() - worked))


def ours(server: Server, bucket: str, path: str, content: Content, cold: ColdPolicy) -> Cost:
    """What our upload takes; what the bucket can do was found out before, as always."""
    there = open_bucket(
        f"s3://{bucket}/ours",
        endpoint=server.url,
        profile=None,
        clock=RealClock(),
        entropy=RealEntropy(),
    )
    there.capabilities()
    cool(os.path.dirname(path))
    with costs() as told:
        sent = there.send("A001.MP4", content, checked_blocks(RealFiles(), path, content, cold))
    assert sent.attested_by
    return told[0]


def theirs(server: Server, bucket: str, path: str) -> Cost:
    """What boto3's own takes, with its own defaults."""
    client = raw_client(server.url, checksums="when_supported")
    client.list_objects_v2(Bucket=bucket)  # what it loads at its first call is not counted
    cool(os.path.dirname(path))
    with costs() as told:
        client.upload_file(path, bucket, "theirs/A001.MP4", Config=CONFIG)
    return told[0]


@pytest.mark.usefixtures("credentials")
def bench_a_large_file_beside_boto3_s_own_upload(make_stand: MakeStand, row: Row) -> None:
    at = make_stand(SIZE // (1024 * MIB) + 2)
    fill(at.path("main"), files=1, size=SIZE)
    path = at.path("main", "DCIM", "100BOATY", "BOAT0001.MP4")
    content = content_of_file(path)
    kind = "ext4" if at.loops else "unknown"
    cold = cold_policy(kind, at.loops.get("main"), stopwatch=time.monotonic)
    pairs: list[tuple[Cost, Cost]] = []
    for number in range(ROUNDS):
        with running_store() as server:
            bucket = server.new_bucket()
            if number % 2:
                his = theirs(server, bucket, path)
                mine = ours(server, bucket, path, content, cold)
            else:
                mine = ours(server, bucket, path, content, cold)
                his = theirs(server, bucket, path)
        pairs.append((mine, his))
    ratio = statistics.median(his.seconds / mine.seconds for mine, his in pairs)
    row(
        f"upload of {SIZE // MIB} MiB, {MOST_AT_ONCE} parts at once; ours/boto3's own, MiB/s: "
        + ", ".join(f"{mine.rate:.0f}/{his.rate:.0f}" for mine, his in pairs),
        f"{ratio:.2f} times as fast (median of {ROUNDS})",
        "≥ 0.95",
        "upload_file, same parts, same store",
    )
    our_ms = statistics.median(mine.cpu_ms for mine, _ in pairs)
    his_ms = statistics.median(his.cpu_ms for _, his in pairs)
    row(
        "the same, processor for each MiB; ours/boto3's own, ms: "
        + ", ".join(f"{mine.cpu_ms:.2f}/{his.cpu_ms:.2f}" for mine, his in pairs),
        f"{our_ms:.2f} ms to {his_ms:.2f} ms (medians)",
        "no more",
        "upload_file, same parts, same store",
    )


@pytest.mark.usefixtures("credentials")
def bench_memory_of_an_upload(make_stand: MakeStand, row: Row) -> None:
    """The whole program, as a person runs it: its peak does not grow with the file."""
    peaks = {}
    for mib in (64, SIZE // MIB):
        at = make_stand(mib // 1024 + 2)
        fill(at.path("card"), files=1, size=mib * MIB)
        at.add_drives()
        at.offload()
        with running_store() as server:
            location = f"s3://{server.new_bucket()}/footage"
            words = ("--role", "cloud", "--name", "Off site", "--endpoint", server.url)
            at.keeper("place", "add", location, *words)
            peaks[mib] = at.keeper("upload").peak_bytes / 1e6
    small, large = peaks.values()
    row(
        f"peak memory of `upload` with a file of {SIZE // MIB} MiB; of 64 MiB: {small:.0f} MB",
        f"{large:.0f} MB",
        "no more for a larger file",
        "upload, whole process",
    )
