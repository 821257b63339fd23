"""Where packets lie, on bytes written by hand from STANDARDS sections 8.2 and 8.3 (AVI: from memory)."""

import io
import struct

import pytest

from backupkeeper.cards.clip_layouts import LAYOUTS, Chunks, Lies, Plain, Triplets, media_of
from backupkeeper.core.clip_harm import Near
from backupkeeper.core.ranges import Ranges
from tests.cards.made_up_clips import AVI, MP4, made
from tests.cards.test_clips import boxes, harm

PICTURE = bytes.fromhex("060e2b34010201010d01030115010500")
FILL = bytes.fromhex("060e2b34010101020301021001000000")
EVERYWHERE = Near(((0, 1 << 40),))
NOWHERE = Near(())


def triplet(key: bytes, length: bytes, value: int) -> bytes:
    """A KLV triplet with its length written as given."""
    return key + length + bytes(value)


@pytest.mark.parametrize(
    ("length", "header"),
    [(b"\x64", 17), (b"\x81\x64", 18), (b"\x83\0\0\x64", 20), (b"\x87" + bytes(6) + b"\x64", 24),
     (b"\x88" + bytes(7) + b"\x64", 25)],
)  # fmt: skip
def test_a_triplet_is_a_key_a_length_in_any_form_and_what_it_carries(
    length: bytes, header: int
) -> None:
    file = io.BytesIO(b"run-in" + triplet(PICTURE, length, 100))
    lies = Triplets(file, EVERYWHERE).lies(6, 100, look=False)
    assert lies == Lies(begin=6, payload=6 + header, end=6 + header + 100, is_known=True)


def test_what_fills_up_behind_a_triplet_is_found_however_many_there_are() -> None:
    one = triplet(FILL, b"\x83\0\0\x0a", 10)
    file = io.BytesIO(triplet(PICTURE, b"\x64", 100) + one * 2 + triplet(PICTURE, b"\x05", 5))
    assert Triplets(file, EVERYWHERE).lies(0, 100, look=False).fills == ((117, 177),)
    for_ever = io.BytesIO(triplet(PICTURE, b"\x64", 100) + triplet(FILL, b"\x00", 0) * 1000)
    ((_, end),) = Triplets(for_ever, EVERYWHERE).lies(0, 100, look=False).fills
    assert end < 117 + 20 * 17


@pytest.mark.parametrize(
    "item", ["060e2b34020501010d01030104010100", "060e2b34020501010d01030114010100"]
)
def test_what_a_camera_notes_for_the_next_picture_is_told_apart(item: str) -> None:
    # A partition pack may come between; it is the index's.
    partition = triplet(bytes.fromhex("060e2b34020501010d01020101030400"), b"\x0a", 10)
    notes = triplet(bytes.fromhex(item), b"\x08", 8) + triplet(FILL, b"\x03", 3)
    more = partition + notes + triplet(PICTURE, b"\x05", 5) + triplet(FILL, b"\x03", 3)
    lies = Triplets(io.BytesIO(triplet(PICTURE, b"\x64", 100) + more), EVERYWHERE).lies(
        0, 100, look=False
    )
    assert (lies.notes, lies.fills) == (((144, 169),), ((169, 189),))


@pytest.mark.parametrize(
    "head",
    [b"", PICTURE, b"\0" * 40, PICTURE + b"\x80" + bytes(20), PICTURE + b"\x89" + bytes(20), PICTURE + b"\x84\0"],
    ids=["nothing", "no length", "no key", "length without end", "too long a length", "cut off"],
)  # fmt: skip
def test_what_is_no_triplet_lies_where_the_library_says(head: bytes) -> None:
    lies = Triplets(io.BytesIO(head), EVERYWHERE).lies(0, 100, look=False)
    assert lies == Lies(begin=0, payload=0, end=100)


def test_far_from_hurt_bytes_nothing_is_read() -> None:
    class Closed(io.BytesIO):
        def seek(self, offset: int, whence: int = 0, /) -> int:
            raise AssertionError(offset)

    for layout in (Plain, Chunks, Triplets):
        assert layout(Closed(), NOWHERE).lies(50, 100, look=False).end == 150


def test_only_the_first_packet_of_a_chunk_has_its_name_and_length() -> None:
    file = io.BytesIO(b"01wb" + struct.pack("<I", 300) + bytes(300))
    chunks = Chunks(file, EVERYWHERE)
    assert chunks.lies(8, 200, look=False) == Lies(begin=0, payload=8, end=208)
    assert chunks.lies(208, 100, look=False) == Lies(begin=208, payload=208, end=308)


def box(kind: bytes, content: bytes = b"", *, size: int | None = None) -> bytes:
    """A box; its size can be told wrong."""
    return struct.pack(">I4s", 8 + len(content) if size is None else size, kind) + content


LARGE = struct.pack(">I4sQ", 1, b"mdat", 16 + 50) + bytes(50)


@pytest.mark.parametrize(
    ("clip", "media"),
    [
        (box(b"ftyp", bytes(8)) + box(b"mdat", bytes(50)) + box(b"moov", bytes(9)), ((24, 74),)),
        (box(b"wide") + LARGE + box(b"moov"), ((24, 74),)),
        (box(b"moov", bytes(8)) + box(b"mdat", bytes(50), size=0), ((24, 74),)),
        (box(b"moof") + box(b"mdat", bytes(2)) + box(b"moof") + box(b"mdat", bytes(3)), ((16, 18), (34, 37))),
        (box(b"mdat", bytes(5)) + box(b"moov", bytes(80), size=7) + box(b"mdat", bytes(5)), ((8, 13),)),
        (box(b"mdat", bytes(50))[:20], ((8, 58),)),
        (b"", ()),
    ],
    ids=["small", "large", "to the end", "fragments", "illegal size", "cut off", "nothing"],
)  # fmt: skip
def test_media_lie_in_mdat_boxes(clip: bytes, media: Ranges) -> None:
    assert media_of(io.BytesIO(clip), "mov") == media


def test_endless_boxes_end() -> None:
    assert media_of(io.BytesIO(box(b"free") * 200_000 + box(b"mdat", b"x")), "mov") == ()


def riff(kind: bytes, *parts: bytes) -> bytes:
    """A RIFF chunk of chunks."""
    content = kind + b"".join(parts)
    return b"RIFF" + struct.pack("<I", len(content)) + content


def chunk(name: bytes, content: bytes) -> bytes:
    """A chunk, filled up to an even length."""
    return name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2)


def test_media_lie_in_the_movi_lists_of_every_riff_chunk() -> None:
    header, index = chunk(b"LIST", b"hdrl" + bytes(7)), chunk(b"idx1", bytes(16))
    movi = chunk(b"LIST", b"movi" + bytes(20))
    clip = riff(b"AVI ", header, movi, index) + riff(b"AVIX", movi)
    begin, again = clip.index(b"movi") + 4, clip.rindex(b"movi") + 4
    assert media_of(io.BytesIO(clip), "avi") == ((begin, begin + 20), (again, again + 20))
    assert media_of(io.BytesIO(b""), "avi") == ()


def test_other_containers_have_no_such_walls() -> None:
    assert media_of(io.BytesIO(bytes(100)), "mxf") == ((0, 100),)
    assert set(LAYOUTS) == {"mov", "avi", "mxf", "wav"}


def test_a_real_clip_s_media_are_found() -> None:
    clip = made(MP4)
    begin, end = boxes(clip)["mdat"]
    assert media_of(io.BytesIO(clip), "mov") == ((begin + 8, end),)


def test_a_hurt_avi_without_a_good_copy_is_sure_within_its_packets_only() -> None:
    clip = made(AVI)
    ((begin, end),) = media_of(io.BytesIO(clip), "avi")
    assert harm(clip, "WIDE0007.AVI", ((begin + 40, begin + 41),), from_good=False).sure
    for at in (begin, begin - 20, end + 20):
        assert not harm(clip, "WIDE0007.AVI", ((at, at + 1),), from_good=False).sure
