"""Notes on uploads, for other machines, and encryption: of what is encrypted none tells."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from backupkeeper.core.model import Role
from backupkeeper.core.upload_notes import FOLDER, read_note
from backupkeeper.ports.progress import Quiet
from tests.real.store import Server
from tests.real.test_encrypted_story import Stand
from tests.stories.yard import Yard, clip

pytest_plugins = ["tests.real.store_fixtures"]

MIB = 1024 * 1024
THEIRS = f"{FOLDER}/{'0' * 32}.json"


@dataclass
class AtBytes(Quiet):
    """Does something once so many bytes were done."""

    number: int
    deed: Callable[[], None]
    seen: int = field(default=0)

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        before = self.seen
        self.seen += byte_count
        if before < self.number <= self.seen:
            self.deed()


@pytest.fixture
def stand(tmp_path: Path, moto: Server, credentials: None) -> Stand:
    stand = Stand(Yard(tmp_path), moto, moto.new_bucket())
    stand.configure(hide=True)
    stand.yard.drives()
    with stand.yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{stand.bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=moto.url,
            profile=None,
        )
    stand.show()
    moto.client.put_object(Bucket=stand.bucket, Key=f"footage/{THEIRS}", Body=b"theirs")
    return stand


def interrupted(stand: Stand) -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    with stand.yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.upload(progress=AtBytes(40 * MIB, stop))


def notes(stand: Stand) -> dict[str, bytes]:
    return {key: data for key, data in stand.objects().items() if key.startswith(FOLDER)}


def test_no_note_tells_of_what_is_encrypted_also_once_nothing_is_any_more(stand: Stand) -> None:
    """Other machines could not go on with it, and its name may be hidden."""
    stand.yard.offload(stand.yard.card("card", {"DCIM/BOAT0001.MP4": clip(1, 49 * MIB)}))
    interrupted(stand)
    assert len(stand.store.uploads(stand.bucket)) == 1
    assert list(notes(stand)) == [THEIRS]
    with stand.yard.keeper() as keeper:
        place = next(one.place.id for one in keeper.places() if one.place.role is Role.CLOUD)
        (before,) = keeper.context.catalog.uploads(place)
    stand.configure(on=False)
    with (stand.yard.root / "config.toml").open("a") as config:
        config.write("plain_too = true\n")
    more = stand.yard.card("more", {"DCIM/BOAT0002.MP4": clip(2, 49 * MIB)})
    with stand.yard.keeper() as keeper:
        keeper.offload(
            str(more), shoot="260613 Boatyard", source="Wide", roll=None, progress=Quiet()
        )
    interrupted(stand)  # the newest shoot goes first
    with stand.yard.keeper() as keeper:
        assert len(keeper.context.catalog.uploads(place)) == 2
    (note,) = (data for key, data in notes(stand).items() if key != THEIRS)
    (told,) = read_note(note)
    assert told.begun.upload != before.upload
    assert "260613" in told.begun.key
