"""The demo's three cards: a camera, a drone and a sound recorder at a wooden-boat yard.

Promises:
1. Folders and names follow the design rule for camera file systems where a camera would
   (STANDARDS section 8.1): ``DCIM``, three digits and five characters, four characters and four
   digits; the recorder has folders of its own.
2. The camera's card carries what a computer leaves behind, and a clip inside a trash folder.
3. Every file has the time at which it would have been recorded, on 12 June 2026.

    write_cards("demo-world/cards")
"""

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import Enum, auto

from backupkeeper.demo.media import MIB, clip_bytes, noise, photo_bytes, sound_bytes

DAY = datetime(2026, 6, 12, 7, 0, tzinfo=UTC)


class _Kind(Enum):
    CLIP = auto()
    SOUND = auto()
    PHOTO = auto()
    TEXT = auto()
    NOISE = auto()
    FOLDER = auto()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Item:
    path: str
    kind: _Kind
    size: int = 0
    minute: int = 0
    """Minutes after seven in the morning."""
    text: str = ""


def _clip(path: str, mib: int, minute: int) -> _Item:
    return _Item(path=path, kind=_Kind.CLIP, size=mib * MIB, minute=minute)


def _text(path: str, text: str, minute: int) -> _Item:
    return _Item(path=path, kind=_Kind.TEXT, text=text, minute=minute)


def _sidecar(number: int, minute: int) -> _Item:
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<clip name="BOAT{number:04}"><frames-per-second>25</frames-per-second>'
        f"<lens>35 mm</lens><recorded>{DAY + timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}"
        "</recorded></clip>\n"
    )
    return _text(f"DCIM/100BOATY/BOAT{number:04}.XML", text, minute)


def _flight(number: int, minute: int) -> _Item:
    lines = (
        f"{second + 1}\n00:00:{second:02},000 --> 00:00:{second + 1:02},000\n"
        f"height {12 + second % 30} m, shutter 1/100\n"
        for second in range(40)
    )
    return _text(f"DCIM/101FLYER/FLYR{number:04}.SRT", "\n".join(lines), minute)


def _take(number: int, minute: int) -> _Item:
    return _Item(
        path=f"TAKES/260612/T{number:03}.WAV", kind=_Kind.SOUND, size=12 * MIB, minute=minute
    )


_TAKES = "take  what\n" + "".join(
    f"T{number:03}  {what}\n"
    for number, what in enumerate(
        ("planks and adze", "steam box", "caulking mallet", "yard, wild track", "the owner talks"),
        start=1,
    )
)

CARDS: dict[str, tuple[_Item, ...]] = {
    "Wide": (
        _clip("DCIM/100BOATY/BOAT0001.MP4", 64, 12),
        _sidecar(1, 12),
        _clip("DCIM/100BOATY/BOAT0002.MP4", 40, 47),
        _sidecar(2, 47),
        _clip("DCIM/100BOATY/BOAT0003.MP4", 22, 95),
        _sidecar(3, 95),
        _Item(path="MISC", kind=_Kind.FOLDER),
        _Item(path=".DS_Store", kind=_Kind.NOISE, size=6148, minute=100),
        _clip(".Trashes/501/BOAT0009.MP4", 1, 30),
    ),
    "Drone": (
        _clip("DCIM/101FLYER/FLYR0001.MP4", 56, 130),
        _flight(1, 130),
        _clip("DCIM/101FLYER/FLYR0002.MP4", 48, 151),
        _flight(2, 151),
        _Item(
            path="DCIM/101FLYER/FLYR0003.JPG", kind=_Kind.PHOTO, size=640 * 1024 + 4711, minute=155
        ),
    ),
    "Recorder": (
        *(_take(number, 8 + 31 * number) for number in range(1, 6)),
        _text("TAKES/260612/TAKES.TXT", _TAKES, 170),
        _Item(path="SETTINGS", kind=_Kind.FOLDER),
    ),
}
"""What lies on the card of each source."""

LATER: dict[str, tuple[_Item, ...]] = {
    "Wide": (_clip("DCIM/100BOATY/BOAT0004.MP4", 16, 240), _sidecar(4, 240)),
}
"""What the camera records after its card was taken off once."""


def write_cards(directory: str) -> None:
    """Make the three cards as folders ``Wide``, ``Drone`` and ``Recorder`` below ``directory``.

    Args:
        directory: Folder that exists and holds none of the three.
    """
    for source, items in CARDS.items():
        _write(os.path.join(directory, source), items)


def record_further(directory: str, source: str) -> None:
    """Record on: put onto the card of ``source`` what ``LATER`` holds for it.

    Args:
        directory: The folder that ``write_cards`` was given.
        source: Name of the card.
    """
    _write(os.path.join(directory, source), LATER[source])


def size_of_cards() -> int:
    """How many bytes the clips, sound and photographs of all cards hold, later ones included."""
    every = (*CARDS.values(), *LATER.values())
    return sum(item.size for items in every for item in items)


def _write(root: str, items: Iterable[_Item]) -> None:
    for item in items:
        path = os.path.join(root, item.path)
        if item.kind is _Kind.FOLDER:
            os.makedirs(path)
            continue
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(path, "xb") as file:
            file.writelines(_pieces(os.path.basename(root), item))
        seconds = (DAY + timedelta(minutes=item.minute)).timestamp()
        os.utime(path, (seconds, seconds))


def _pieces(seed: str, item: _Item) -> Iterator[bytes]:
    made_at = DAY + timedelta(minutes=item.minute)
    match item.kind:
        case _Kind.CLIP:
            return clip_bytes(seed=seed, name=item.path, size=item.size, made_at=made_at)
        case _Kind.SOUND:
            return sound_bytes(seed=seed, name=item.path, size=item.size, made_at=made_at)
        case _Kind.PHOTO:
            return photo_bytes(seed=seed, name=item.path, size=item.size)
        case _Kind.NOISE:
            return noise(seed=seed, name=item.path, size=item.size)
        case _Kind.TEXT | _Kind.FOLDER:
            return iter([item.text.encode()])
