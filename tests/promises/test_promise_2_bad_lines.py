"""Promise 2 and 4 over a bad line: whatever happens on it, nothing false is believed, nothing lost.

Each seed is a story of its own: an upload (small files, one in parts) and a fetching of everything
over a line that flips, cuts, drops, repeats and lies, then a good line. Held at every step:

1. Every fact that counts as proof is true: the store, asked past the line, has the file's bytes.
2. What was once whole in the store stays whole; what is not ours is never touched.
3. Only errors of ours leave.

And at last, over the good line, everything is there and proven, and nothing is left half done.

``BACKUPKEEPER_BAD_LINES=500`` tells so many stories to each store.
"""

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.cloud.bucket import open_bucket
from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.cloud.tuning import Tuning
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import Result, Role, Way
from backupkeeper.manifests.mhl_history import read_history
from tests.real.store import Server
from tests.stories.yard import QUIET, SHOOT, Yard, clip
from tests.world.bad_line import BadLine, bad_line_to
from tests.world.misfortunes import Fates

pytest_plugins = ["tests.real.store_fixtures"]

STORIES = int(os.environ.get("BACKUPKEEPER_BAD_LINES", "0"))
SEEDS = {
    "strict": range(STORIES or 40),
    "radosgw": range(STORIES or 20),
}
CASES = [
    pytest.param(
        store,
        seed,
        id=f"{store}-{seed}",
        marks=[pytest.mark.real("store")] if store == "radosgw" else [],
    )
    for store, seeds in SEEDS.items()
    for seed in seeds
]
MIB = 1024 * 1024
CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 8 * MIB + 70_001),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2, 90_000),
    "DCIM/100BOATY/odd + %41 & é #.XML": b"<clip/>\n",
    "DCIM/100BOATY/THEIRS.DAT": b"ours, but their object stands there",
    "MISC/EMPTY.DAT": b"",
}
FOLDER = f"footage/{SHOOT}/Originals/Wide/Roll 01/"
SCRATCH = "/.backupkeeper/scratch"
FOREIGN = f"{FOLDER}DCIM/100BOATY/THEIRS.DAT"


def key_of(path: str) -> str:
    """The key of a file of the card; what marks an escape is escaped."""
    return FOLDER + path.replace("%", "%25")


HURRIED = Tuning(connect_timeout=2, read_timeout=0.15, attempts=3, usual_part=8 * MIB)
PATIENT = Tuning(connect_timeout=20, read_timeout=60, attempts=3, usual_part=8 * MIB)


@dataclass
class Shore:
    """One yard with a roll on a drive, and a bucket at the other end of a line. Told anew each time."""

    yard: Yard
    line: BadLine
    server: Server
    bucket: str
    catalog: bytes
    whole: set[str] = field(default_factory=set)
    foreign: set[str] = field(default_factory=set)

    def start_again(self, *, foreign: bool) -> None:
        """As it was before anything was sent. ``foreign``: an object that is not ours stands there."""
        for ending in ("-wal", "-shm"):
            (self.yard.root / f"catalog.sqlite{ending}").unlink(missing_ok=True)
        (self.yard.root / "catalog.sqlite").write_bytes(self.catalog)
        client = self.server.client
        for key in self.server.keys(self.bucket):
            client.delete_object(Bucket=self.bucket, Key=key)
        for one in client.list_multipart_uploads(Bucket=self.bucket).get("Uploads", []):
            client.abort_multipart_upload(
                Bucket=self.bucket, Key=one["Key"], UploadId=one["UploadId"]
            )
        self.whole = set()
        self.foreign = {FOREIGN} if foreign else set()
        for key in self.foreign:
            client.put_object(Bucket=self.bucket, Key=key, Body=b"theirs")

    def stored(self, key: str) -> bytes:
        answer = self.server.client.get_object(Bucket=self.bucket, Key=key)
        return answer["Body"].read()

    def holds_true(self) -> None:
        """The laws, looked at past the line and past our own code."""
        keys = set(self.server.keys(self.bucket))
        for key in self.foreign:
            assert self.stored(key) == b"theirs"
        assert self.whole <= keys
        for path, data in CARD.items():
            key = key_of(path)
            if key in keys - self.foreign:
                assert self.stored(key) == data, f"wrong bytes under {key}"
                self.whole.add(key)
        for path in self.believed():
            assert key_of(path) in self.whole, f"{path} is believed to be proven"

    def nothing_is_left_half_done(self) -> None:
        """Only an upload whose id never arrived here may stay, or a scratch one: they hold nothing."""
        client = self.server.client
        for one in client.list_multipart_uploads(Bucket=self.bucket).get("Uploads", []):
            parts = client.list_parts(
                Bucket=self.bucket, Key=one["Key"], UploadId=one["UploadId"]
            ).get("Parts", [])
            assert SCRATCH in one["Key"] or parts == [], f"parts of {one['Key']} are left"

    def listed_by_manifests(self) -> set[str]:
        """What the roll's own manifests in the bucket list, read as anybody would."""
        folder = f"{FOLDER}ascmhl/"
        data = {
            key.removeprefix(folder): self.stored(key)
            for key in self.server.keys(self.bucket)
            if key.startswith(folder)
        }
        history = read_history(data, data.__getitem__)
        return set() if history is None else set(history.reference)

    def believed(self) -> set[str]:
        """Paths on the card of which any fact ever said that the bucket has them, proven."""
        found = set()
        with self.yard.keeper() as keeper:
            catalog = keeper.context.catalog
            place = next(one.id for one in catalog.places() if one.name == "Off site")
            (head,) = catalog.rolls()
            for fact in catalog.facts_of_roll(head.id):
                is_proof = fact.way in {Way.ATTESTED, Way.DOWNLOADED}
                if fact.place == place and is_proof and fact.result is Result.MATCHES:
                    found.add(fact.path.removeprefix(FOLDER.removeprefix("footage/")))
        return found

    def try_all(self) -> None:
        """Upload, fetch everything back, upload what is left; what leaves is one of our errors."""
        for deed in (self.upload, self.fetch, self.upload):
            with suppress(BackupkeeperError):
                deed()
            self.holds_true()

    def upload(self) -> Any:
        with self.yard.keeper() as keeper:
            return keeper.upload(progress=QUIET)

    def fetch(self) -> Any:
        with self.yard.keeper() as keeper:
            return keeper.verify("Off site", progress=QUIET)


def made_shore(root: Path, server: Server, line: BadLine) -> Shore:
    """A roll on a drive, and a bucket at the other end of the line."""
    yard = Yard(root, policy="distinct_devices = false")
    yard.drive("Main", Role.PRIMARY)
    yard.offload(yard.card("card", CARD))
    bucket = server.new_bucket()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=line.url,
            profile=None,
        )
    catalog = (root / "catalog.sqlite").read_bytes()
    return Shore(yard=yard, line=line, server=server, bucket=bucket, catalog=catalog)


@dataclass
class Shores:
    """One shore for each store, made when it is first wanted."""

    root: Path
    ends: ExitStack
    made: dict[str, Shore] = field(default_factory=dict)

    def at(self, server: Server) -> Shore:
        if server.name not in self.made:
            line = self.ends.enter_context(bad_line_to(server.url))
            root = self.root / server.name
            root.mkdir()
            self.made[server.name] = made_shore(root, server, line)
        return self.made[server.name]


@pytest.fixture(scope="module")
def shores(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shores]:
    with ExitStack() as ends:
        yield Shores(root=tmp_path_factory.mktemp("shores"), ends=ends)


@pytest.fixture
def shore(
    request: pytest.FixtureRequest,
    shores: Shores,
    credentials: pytest.MonkeyPatch,
    at_once: None,
    one_loader: None,
    no_thread_left: None,
) -> Shore:
    shore = shores.at(request.getfixturevalue(request.getfixturevalue("store")))

    def opened(location: str, **more: Any) -> S3Bucket:
        tuning = HURRIED if shore.line.fates else PATIENT
        return open_bucket(location, **more | {"tuning": tuning})

    credentials.setattr("backupkeeper.cloud.bucket.open_bucket", opened)
    shore.start_again(foreign=request.getfixturevalue("seed") % 2 == 0)
    return shore


@contextmanager
def telling(fates: Fates) -> Iterator[None]:
    """A failure comes with what happened on the line."""
    try:
        yield
    except BaseException as error:
        error.add_note("\n".join(("What happened on the line:", *fates.told)))
        raise


@pytest.mark.parametrize(("store", "seed"), CASES)
def test_nothing_false_is_believed_and_nothing_lost(shore: Shore, store: str, seed: int) -> None:
    fates = Fates(seed)
    shore.line.fates = fates
    with telling(fates):
        try:
            shore.try_all()
        finally:
            shore.line.turn_good()
        shore.holds_true()
        shore.upload()
        if shore.fetch().checked:  # what the bad line made look damaged is read anew
            shore.upload()
        shore.holds_true()
        assert shore.whole == {key_of(path) for path in CARD} - shore.foreign
        assert shore.believed() == {path for path in CARD if key_of(path) not in shore.foreign}
        assert shore.foreign or shore.listed_by_manifests() == set(CARD)
        shore.nothing_is_left_half_done()
