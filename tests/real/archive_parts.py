"""An archive from before this program: the same footage laid out by three habits, as large as is wished.

``Main`` has all of it in dated folders with originals, as we lay it out; ``Travel`` the first half by another
person's pattern; ``Shelf`` the other half but its last roll, under other folders and other names of
files, with checksum lists and a history. Lists are made by libraries alone, not by our own code.
"""

import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import xxhash
from blake3 import blake3

from tests.manifests.made_history import Folder, made_file, made_generation
from tests.stories.yard import clip

MIB = 1 << 20
OLD_NS = 1_781_000_000_000_000_000
SOURCES = ("Wide", "Close", "Drone", "Recorder")
LISTS: dict[str, Callable[[bytes], str]] = {
    "MD5SUMS": lambda data: hashlib.md5(data, usedforsecurity=False).hexdigest(),
    "card.xxh64": lambda data: xxhash.xxh64(data).hexdigest(),
    "B3SUMS": lambda data: blake3(data).hexdigest(),
}
KINDS = (*LISTS, "history")


@dataclass(frozen=True, kw_only=True)
class Scale:
    """How many files lie on the three drives, all told: each is there twice, but the last roll's."""

    small: int
    large: int
    large_bytes: int
    rolls: int

    @property
    def image_mib(self) -> int:
        """Room for all of the footage, and a little more than that."""
        pieces = self.small // 2 * 40_960 + self.large // 2 * self.large_bytes
        return 96 + pieces * 5 // 4 // MIB


@dataclass(frozen=True, kw_only=True)
class Footage:
    """What one card gave: its name, and name and bytes of each file by its number."""

    number: int
    small: range
    large: range
    large_bytes: int

    @property
    def shoot(self) -> str:
        """Its dated folder."""
        return ("260612 Boatyard", "260613 Boatyard")[self.number % 2]

    @property
    def source(self) -> str:
        """Its source."""
        return SOURCES[self.number // 2 % len(SOURCES)]

    @property
    def roll(self) -> str:
        """What it is called as a roll."""
        return f"Roll {self.number:02}"

    @property
    def shelf_folder(self) -> str:
        """Where it lies on the shelf."""
        shoot = f"20{self.shoot[:2]}-{self.shoot[2:4]}-{self.shoot[4:6]} boats"
        return f"{shoot}/{self.source} camera/Card {self.number:02}"

    @property
    def kind(self) -> str:
        """Which old hashes lie beside it on the shelf."""
        return KINDS[self.number % len(KINDS)]

    @property
    def count(self) -> int:
        """How many files it has."""
        return len(self.small) + len(self.large)

    def files(self) -> Iterator[tuple[str, bytes]]:
        """Name below the card, and bytes."""
        for number in self.small:
            yield (
                f"DCIM/{100 + number // 1000}BOATY/BOAT{number:06}.MP4",
                clip(number, 900 + number % 3000),
            )
        for number in self.large:
            yield f"DCIM/100BOATY/LONG{number:06}.MP4", clip(1 << 40 | number, self.large_bytes)


def footage_of(scale: Scale) -> list[Footage]:
    """All of the archive's footage, card by card."""
    return [
        Footage(
            number=number,
            small=_share(scale.small // 2, number, scale.rolls),
            large=_share(scale.large // 2, number, scale.rolls),
            large_bytes=scale.large_bytes,
        )
        for number in range(scale.rolls)
    ]


def _share(count: int, number: int, parts: int) -> range:
    return range(count * number // parts, count * (number + 1) // parts)


def put_card(folder: Path, card: Footage) -> None:
    """The card itself, as it was shot."""
    _put(folder, card.files())


def put_on_main(drive: Path, footage: list[Footage]) -> None:
    """Dated folders with originals."""
    for card in footage:
        _put(drive / card.shoot / "Originals" / card.source / card.roll, card.files())


def put_on_travel(drive: Path, footage: list[Footage]) -> None:
    """Another person's pattern."""
    for card in footage:
        folder = drive / "Copies" / f"{card.shoot[:6]}_boats" / f"{card.source[0]}{card.number:03}"
        _put(folder, card.files())


def put_on_shelf(drive: Path, footage: list[Footage]) -> str:
    """Other folders and names, with old hashes; one file went bad after them: its path is returned."""
    bad = ""
    for card in footage:
        at = card.shelf_folder
        files = [(_other_name(path), path) for path, _ in card.files()]
        _put(drive / at, ((_other_name(path), data) for path, data in card.files()))
        _put_old_hashes(drive / at, card)
        if card.kind in LISTS and not bad:
            bad = f"{at}/{files[0][0]}"
            _spoil(drive / bad)
    return bad


def _other_name(path: str) -> str:
    folder, name = path.split("/")[1:]
    return f"clips {folder[:3]}/boat_{name[:4].lower()}-{name[4:]}"


def _put(folder: Path, files: Iterator[tuple[str, bytes]]) -> None:
    made = set()
    for path, data in files:
        file = folder / path
        if file.parent not in made:
            file.parent.mkdir(parents=True, exist_ok=True)
            made.add(file.parent)
        file.write_bytes(data)
        os.utime(file, ns=(OLD_NS, OLD_NS))


def _put_old_hashes(folder: Path, card: Footage) -> None:
    named = ((_other_name(path), data) for path, data in card.files())
    if card.kind in LISTS:
        digest = LISTS[card.kind]
        text = "".join(f"{digest(data)}  {path}\n" for path, data in named)
        (folder / card.kind).write_text(text)
        os.utime(folder / card.kind, ns=(OLD_NS, OLD_NS))
        return
    history = Folder()
    history.add(
        made_generation((made_file(path, data) for path, data in named), folder_name=folder.name)
    )
    (folder / "ascmhl").mkdir()
    for name, data in history.files.items():
        (folder / "ascmhl" / name).write_bytes(data)


def _spoil(file: Path) -> None:
    with file.open("r+b") as opened:
        opened.seek(100)
        opened.write(b"rust")
    os.utime(file, ns=(OLD_NS, OLD_NS))
