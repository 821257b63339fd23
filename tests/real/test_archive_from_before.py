"""An archive from before, laid out by three habits: the same answers through all that happens to it.

It is adopted, compared, mirrored and sent; its main drive is lost and replaced; the catalog is deleted and rebuilt,
from one drive and then from the bucket. ``BACKUPKEEPER_ARCHIVE=200000,200`` makes it so many small and large
files (large ones of 40 MiB; 30 GB of disk, 12 GB of memory for the store), each command a process of its
own; seconds and peak memory of each are printed.
"""

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3

from tests.real.archive_parts import (
    MIB,
    Footage,
    Scale,
    footage_of,
    put_card,
    put_on_main,
    put_on_shelf,
    put_on_travel,
)
from tests.real.loopdev import LoopFs, loop_fs
from tests.real.store import Server
from tests.stories.typed import typed, yard_of_today
from tests.stories.yard import Yard

pytest_plugins = ["tests.real.store_fixtures"]
ASKED = os.environ.get("BACKUPKEEPER_ARCHIVE", "")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.real("ext4", "exfat", *(["store"] if ASKED else [])),
    pytest.mark.timeout(6 * 3600 if ASKED else 300),
]
RUNS = """
import os, resource, subprocess, sys
code = subprocess.call([sys.executable, *sys.argv[1:]], stderr=subprocess.DEVNULL)
print(code, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, file=sys.stderr)
"""
"""Runs a command, then tells its exit code and its peak of memory in kB."""
CARDS = ("known", "went bad", "with one more")
"""Of a roll, of the one of which a copy went bad, and one with a file that nobody saw before."""
MOMENT = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+(Z|[+-][\d:]+)")


def wished() -> Scale:
    if not ASKED:
        return Scale(small=400, large=10, large_bytes=9 * MIB, rolls=10)
    small, large = map(int, ASKED.split(","))
    return Scale(small=small, large=large, large_bytes=40 * MIB, rolls=40)


@dataclass
class Person:
    """Types commands; says how long each took, and with how much memory."""

    yard: Yard

    def types(self, *words: str, code: int = 0) -> Any:
        begun = time.perf_counter()
        found, out, memory = self._run(*words, "--json")
        took = time.perf_counter() - begun
        if ASKED:
            print(f"{took:8.1f} s {memory:6} MB  {' '.join(words[:4])}", flush=True)  # noqa: T201 - for a person
        assert found == code, out[-4000:]
        return json.loads(out)

    def _run(self, *words: str) -> tuple[int, str, int]:
        if not ASKED:
            said = typed(self.yard, *words)
            return said.code, said.out or said.err, 0
        config = ["--config", str(self.yard.root / "config.toml")]
        # By a small process between: what this one had in memory would count as its child's peak.
        done = subprocess.run(
            [sys.executable, "-S", "-c", RUNS, "-m", "backupkeeper", *config, *words],
            capture_output=True,
            text=True,
            check=True,
        )
        code, peak = done.stderr.split()
        return int(code), done.stdout, int(peak) // 1024


@dataclass
class Archive:
    """The three drives, what lies on them, and the one who asks."""

    person: Person
    drives: dict[str, LoopFs]
    footage: list[Footage]
    bad: str
    """The file of the shelf that went bad before anybody looked."""

    def point(self, name: str) -> Path:
        return Path(self.drives[name].point)

    @property
    def elsewhere(self) -> dict[str, list[Footage]]:
        """What the two further drives had."""
        half = len(self.footage) // 2
        return {"Travel": self.footage[:half], "Shelf": self.footage[half:-1]}

    def answers(self, main: str, *, gaps: int) -> dict[str, Any]:
        """All that a person may ask: gaps, how drives compare, and whether a card may be wiped."""
        return {
            "gaps": without_times(self.person.types("gaps", code=gaps)),
            **{
                name: without_times(self.person.types("compare", main, name, code=1))
                for name in self.elsewhere
            },
            "cards": {card: self.verdict(card) for card in CARDS},
        }

    def verdict(self, card: str, *, nothing_is_off_site: bool = False) -> tuple[str, list[str]]:
        """The word, and its reasons."""
        code = 1 if nothing_is_off_site or card == "with one more" else 0
        said = self.person.types("may-wipe", str(self.person.yard.root / card), code=code)
        return said["verdict"], sorted({reason["code"] for reason in said["reasons"]})


def without_times(told: Any) -> Any:
    """An answer without the moments in it, and without what is said of snapshots, or counts them."""
    if isinstance(told, dict):
        return {
            key: without_times(value) for key, value in told.items() if not _is_time(key, value)
        }
    if isinstance(told, list):
        return [without_times(one) for one in told]
    return told


def _is_time(key: str, value: object) -> bool:
    return key in {"snapshots", "left_out"} or (
        isinstance(value, str) and MOMENT.fullmatch(value) is not None
    )


@pytest.fixture
def store(request: pytest.FixtureRequest, credentials: None) -> Server:
    server: Server = request.getfixturevalue("radosgw" if ASKED else "strict")
    return server


@pytest.fixture
def archive(tmp_path: Path, store: Server) -> Iterator[Archive]:
    scale = wished()
    footage = footage_of(scale)
    half = len(footage) // 2
    kinds = {"Main": "ext4", "Travel": "exfat", "Shelf": "ext4", "Main 2": "ext4"}
    with ExitStack() as stack:
        drives = {
            name: stack.enter_context(loop_fs(kind, scale.image_mib, within=str(tmp_path)))
            for name, kind in kinds.items()
        }
        put_on_main(Path(drives["Main"].point), footage)
        put_on_travel(Path(drives["Travel"].point), footage[:half])
        bad = put_on_shelf(Path(drives["Shelf"].point), footage[half:-1])
        yard = yard_of_today(tmp_path, "distinct_devices = false")
        put_card(tmp_path / "known", footage[0])
        put_card(tmp_path / "went bad", footage[half])
        put_card(tmp_path / "with one more", footage[1])
        (tmp_path / "with one more" / "DCIM/NEW.MP4").write_bytes(b"shot a minute ago")
        store.client.create_bucket(Bucket="archive-from-before")
        person = Person(yard)
        os.sync()
        for name, role in (("Main", "primary"), ("Travel", "secondary"), ("Shelf", "secondary")):
            drives[name].remount()
            take_in(person, drives[name].point, role, name)
        bucket = ("s3://archive-from-before/footage", "cloud", "Off site", "--endpoint", store.url)
        take_in(person, *bucket)
        yield Archive(person=person, drives=drives, footage=footage, bad=bad)


def take_in(person: Person, where: str, role: str, name: str, *more: str) -> None:
    said = typed(person.yard, "place", "add", where, "--role", role, "--name", name, *more)
    assert said.code == 0, said.all


def test_the_same_answers_through_all_that_happens(archive: Archive, store: Server) -> None:
    adopted(archive)
    compared(archive)
    gaps_are_right(archive)
    everything_everywhere(archive)
    lost_and_replaced(archive)
    answers = archive.answers("Main 2", gaps=0)
    assert [answers["cards"][card][0] for card in CARDS] == ["yes", "yes", "no"]
    rebuilt(archive, archive.drives["Main 2"].point)
    assert archive.answers("Main 2", gaps=0) == answers
    # That of a large catalog goes to the bucket once a day; this new one has none there yet.
    archive.person.types("upload")
    rebuilt(archive, "s3://archive-from-before/footage", "--endpoint", store.url)
    assert archive.answers("Main 2", gaps=0) == answers


def rebuilt(archive: Archive, *words: str) -> None:
    """The catalog is gone, and comes back from one place alone."""
    for file in archive.person.yard.root.glob("catalog.sqlite*"):
        if file.is_file():
            file.unlink()
    archive.person.types("rebuild", "--from", *words)


def adopted(archive: Archive) -> None:
    """Every file is proven where it lies, and known footage is no second roll."""
    main = archive.person.types("adopt", "Main")["taken_in"]
    homes = [f"{card.shoot}/Originals/{card.source}/{card.roll}" for card in archive.footage]
    assert sorted(one["roll_folder"] for one in main) == sorted(homes)
    words = ("Copies", "--layout", "{shoot}/{roll}", "--source", "Cam")
    travel = archive.person.types("adopt", "Travel", *words)["taken_in"]
    shelf = archive.person.types("adopt", "Shelf", code=1)["taken_in"]
    half = len(archive.footage) // 2
    assert {one["roll_folder"] for one in travel} == set(homes[:half])
    assert {one["roll_folder"] for one in shelf} == set(homes[half:-1])
    for one in (*main, *travel, *shelf):
        assert (one["proven"], one["not_cold"]) == (one["files"], ""), one["folder"]
    assert sum(one["files"] for one in main) == sum(card.count for card in archive.footage)
    (trouble,) = (trouble for one in shelf for trouble in one["troubles"])
    assert trouble["path"] == archive.bad
    told = {one["roll_folder"]: one["confirmed"] for one in shelf}
    for card, home in zip(archive.footage[half:-1], homes[half:-1], strict=True):
        is_bad = archive.bad.startswith(f"{card.shelf_folder}/")
        assert told[home] == card.count - is_bad, home


def compared(archive: Archive) -> None:
    """What the catalog knows of both is told, whatever it is called there."""
    for name, cards in archive.elsewhere.items():
        said = archive.person.types("compare", "Main", name, code=1)
        count = sum(card.count for card in cards) - (name == "Shelf")
        assert len(said["other_name"]) == count, name
        assert (said["same_files"], said["other_content"], said["content_not_known"]) == (0, [], [])
        here, there = said["only"]
        assert len(here) == sum(card.count for card in archive.footage) - count
        names = {one["path"].rpartition("/")[2] for one in there}
        assert names <= {"MD5SUMS", "card.xxh64", "B3SUMS", archive.bad.rpartition("/")[2]}


def gaps_are_right(archive: Archive) -> None:
    """Nothing is off site; of the second role the last roll is lacking, and what went bad."""
    said = archive.person.types("gaps", code=1)
    half = len(archive.footage) // 2
    for number, card in enumerate(archive.footage):
        (roll,) = (one for one in said["rolls"] if one["roll"] == card.roll)
        is_bad = number == half and archive.bad
        lacking = ["secondary"] if is_bad or card is archive.footage[-1] else []
        assert roll["gaps"] == [*lacking, "cloud"], roll
    assert archive.verdict("known", nothing_is_off_site=True)[0] == "no"


def everything_everywhere(archive: Archive) -> None:
    """Only what is lacking is copied, and what lies elsewhere is left there."""
    said = archive.person.types("mirror")
    assert said["copied_files"] == 1 + archive.footage[-1].count  # what went bad, and the last roll
    archive.person.types("upload")
    archive.person.types("gaps")


def lost_and_replaced(archive: Archive) -> None:
    """The new main drive gets every file, from wherever it lies, under the roll's own name."""
    before = hashes(archive.point("Main"))
    archive.drives["Main"].detach()
    point = archive.drives["Main 2"].point
    archive.person.types("place", "replace", "Main", point, "--name", "Main 2", "--yes", code=1)
    said = archive.person.types("gaps", code=1)
    assert {tuple(roll["gaps"]) for roll in said["rolls"]} == {("primary",)}
    archive.person.types("mirror")
    archive.drives["Main 2"].remount()
    assert hashes(archive.point("Main 2")) == before
    archive.person.types("upload")


def hashes(drive: Path) -> dict[str, str]:
    """Every file on a drive but what is ours, by the library alone."""
    found = {}
    for folder, folders, names in os.walk(drive):
        folders[:] = [
            name for name in folders if name not in {".backupkeeper", "ascmhl", "lost+found"}
        ]
        for name in names:
            file = Path(folder) / name
            found[str(file.relative_to(drive))] = blake3(file.read_bytes()).hexdigest()
    return found
