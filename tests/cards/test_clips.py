"""Hurt bytes of real clips, named in seconds: held against where the packets are known to lie.

Where each packet lies and when it is shown is read from the good clip by PyAV here; which seconds
are hurt then is worked out from the list by hand, not by the code under test.
"""

import io
import os
from typing import BinaryIO

import pytest

from backupkeeper.cards.clips import look_into
from backupkeeper.cards.demuxing import format_of, harm_in
from backupkeeper.core.clip_harm import ClipHarm
from backupkeeper.core.ranges import Ranges
from tests.cards.made_up_clips import (
    AVI,
    BIG_WAV,
    INDEX_FIRST,
    MOV,
    MP4,
    MXF,
    RECIPES,
    SECONDS,
    WAV,
    Known,
    Recipe,
    known,
    made,
    on_disk,
)

KLV_HEADER = 20
"""Of the library's MXF: a key of 16 bytes and a length of 4 (seen in its bytes)."""
LABEL = bytes.fromhex("060e2b34")


def harm(clip: bytes, name: str, ranges: Ranges, *, from_good: bool = True) -> ClipHarm:
    """What hurt bytes of a clip are, looked into here."""
    kind = format_of(name)
    assert kind is not None
    return harm_in(lambda: io.BytesIO(clip), kind, ranges, from_good=from_good)


def payload(clip: bytes, packet: Known) -> tuple[int, int]:
    """First byte of what a packet carries, and the one after the last."""
    is_triplet = clip[packet.pos : packet.pos + 4] == LABEL
    begin = packet.pos + (KLV_HEADER if is_triplet else 0)
    return begin, begin + packet.size


def expected(packets: list[Known], hurt: Known, *, is_coded: bool = False) -> tuple[float, float]:
    """The seconds that one hurt packet costs, worked out from the list of all packets."""
    mine = [one for one in packets if one.stream == hurt.stream]
    if hurt.kind != "video":
        times = 2 if is_coded else 1  # coded sound is laid half over the next packet
        end = max(one.time + one.lasts for one in mine)
        return max(0.0, hurt.time), min(hurt.time + hurt.lasts * times, end)
    at = mine.index(hurt)
    keys = [n for n in range(at + 1, len(mine)) if mine[n].is_key]
    last = max(one.time + one.lasts for one in mine)
    if not keys:
        return min(one.time for one in mine[at:]), last
    after = [one for one in mine[keys[0] :] if one.time < mine[keys[0]].time]
    return min(one.time for one in mine[at : keys[0]] + after), mine[keys[0]].time


def spans_are(found: ClipHarm, stream: int, span: tuple[float, float], slack: float = 1e-5) -> bool:
    """Whether exactly this span of a stream was named."""
    return len(found.streams[stream].spans) == 1 and found.streams[stream].spans[
        0
    ] == pytest.approx(span, abs=slack)


def chosen(packets: list[Known]) -> list[Known]:
    """Of each stream the first, some in the middle of everything, and the last."""
    found = []
    for stream in sorted({one.stream for one in packets}):
        mine = [one for one in packets if one.stream == stream]
        middle = len(mine) // 2
        found += [mine[0], *mine[middle : middle + 9 : 4], mine[-1]]
    return found


@pytest.mark.slow
@pytest.mark.parametrize("called", RECIPES)
def test_one_hurt_byte_names_the_seconds_of_its_packet_and_of_no_other_stream(called: str) -> None:
    recipe = RECIPES[called]
    clip = made(recipe)
    packets = known(clip, recipe)
    for packet in chosen(packets):
        begin, end = payload(clip, packet)
        for at in {begin, end - 1}:
            found = harm(clip, f"WIDE0007{recipe.ending}", ((at, at + 1),))
            assert found.opened
            assert found.sure
            assert found.index == ()
            spans = [one.spans for one in found.streams]
            if packet.time + packet.lasts <= 0:  # what players leave out, heard over the beginning
                assert spans[packet.stream][0][0] == 0
            else:
                assert spans_are(
                    found, packet.stream, expected(packets, packet, is_coded=recipe.sound == "aac")
                )
            assert not any(one for n, one in enumerate(spans) if n != packet.stream)


@pytest.mark.parametrize("called", RECIPES)
def test_streams_are_numbered_by_kind(called: str) -> None:
    recipe = RECIPES[called]
    found = harm(made(recipe), f"WIDE0007{recipe.ending}", ((0, 1),))
    told = [(one.kind, one.number) for one in found.streams]
    pictures = [("picture", 1)] if recipe.picture else []
    assert told == [
        *pictures,
        *(("sound", n + 1) for n in range(recipe.tracks if recipe.sound else 0)),
    ]


@pytest.mark.parametrize("called", RECIPES)
def test_a_clip_that_is_hurt_all_over_is_named_from_end_to_end(called: str) -> None:
    recipe = RECIPES[called]
    clip = made(recipe)
    found = harm(clip, f"WIDE0007{recipe.ending}", ((0, len(clip)),))
    packets = known(clip, recipe)
    for number in sorted({one.stream for one in packets}):
        mine = [one for one in packets if one.stream == number]
        first = max(0.0, min(one.time for one in mine))
        last = max(one.time + one.lasts for one in mine)
        assert spans_are(found, number, (first, last), 0.05)
    assert found.index[0][0] == 0
    outside = sum(end - begin for begin, end in (*found.index, *found.padding))
    assert 0 < outside <= len(clip) - sum(one.size for one in packets)


@pytest.mark.parametrize("called", RECIPES)
def test_the_very_first_byte_is_the_header_s(called: str) -> None:
    recipe = RECIPES[called]
    found = harm(made(recipe), f"WIDE0007{recipe.ending}", ((0, 1),))
    assert (found.opened, found.sure, found.index) == (True, True, ((0, 1),))
    assert not any(one.spans for one in found.streams)


@pytest.mark.parametrize("called", RECIPES)
def test_the_very_last_byte_is_the_index_s_or_the_last_packet_s(called: str) -> None:
    recipe = RECIPES[called]
    clip = made(recipe)
    found = harm(clip, f"WIDE0007{recipe.ending}", ((len(clip) - 1, len(clip)),))
    assert found.opened
    packets = known(clip, recipe)
    holders = [one.stream for one in packets if payload(clip, one)[1] >= len(clip)]
    assert [n for n, one in enumerate(found.streams) if one.spans] == holders
    assert bool(found.index or found.padding) is not bool(holders)
    if holders:
        assert found.streams[holders[0]].spans[-1][1] == pytest.approx(SECONDS, abs=0.05)


def boxes(clip: bytes) -> dict[str, tuple[int, int]]:
    """The top-level boxes of an MP4 or MOV (STANDARDS section 8.2)."""
    found, at = {}, 0
    while at < len(clip):
        size = int.from_bytes(clip[at : at + 4], "big")
        found[clip[at + 4 : at + 8].decode()] = (at, at + size)
        at += size
    return found


@pytest.mark.parametrize("recipe", [MP4, MOV, INDEX_FIRST], ids=["mp4", "mov", "index first"])
def test_the_boxes_around_the_media_are_index_or_header(
    recipe: Recipe,
) -> None:
    clip = made(recipe)
    there = boxes(clip)
    header = there["mdat"][0]
    for begin, end in (there["ftyp"], there["moov"], (header, header + 8)):
        for at in (begin, (begin + end) // 2, end - 1):
            found = harm(clip, "WIDE0007.MP4", ((at, at + 1),))
            assert found.index == ((at, at + 1),)
            assert not any(one.spans for one in found.streams)
            assert (found.opened, found.sure) == (True, True)


def partitions(clip: bytes) -> list[int]:
    """Where MXF partition packs begin (STANDARDS section 8.3)."""
    key, found, at = bytes.fromhex("060e2b34020501010d01020101"), [], -1
    while (at := clip.find(key, at + 1)) >= 0:
        found.append(at)
    return found


def test_an_mxf_s_partitions_and_index_are_index_or_header() -> None:
    clip = made(MXF)
    packets = known(clip, MXF)
    first, last = packets[0].pos, max(payload(clip, one)[1] for one in packets)
    header, *_, footer, listed = partitions(clip)
    assert header < first
    assert footer >= last
    for at in (header, header + 20, header + 200, footer, footer + 40, listed + 8, len(clip) - 1):
        found = harm(clip, "WIDE0007.MXF", ((at, at + 1),))
        assert found.index == ((at, at + 1),)
        assert not any(one.spans for one in found.streams)


def test_what_fills_up_behind_an_mxf_s_packets_is_told_apart() -> None:
    clip = made(MXF)
    packets = sorted(known(clip, MXF), key=lambda one: one.pos)
    end, after = payload(clip, packets[100])[1], packets[101].pos
    assert after - end > 20
    found = harm(clip, "WIDE0007.MXF", ((end, after),))
    assert (found.index, found.padding) == ((), ((end, after),))
    assert not any(one.spans for one in found.streams)


def test_what_a_camera_notes_between_pictures_is_data_of_that_time_and_no_index() -> None:
    clip = made(MXF)
    packets = known(clip, MXF)
    at = clip.index(bytes.fromhex("0d01030104010100"), packets[60].pos)  # a system item's key
    after = min(
        (one for one in packets if one.kind == "audio" and one.pos > at), key=lambda one: one.pos
    )
    found = harm(clip, "WIDE0007.MXF", ((at, at + 20),))
    assert (found.index, found.padding) == ((), ())
    assert [(one.kind, bool(one.spans)) for one in found.streams] == [
        ("picture", False), ("sound", False), ("sound", False), ("data", True),
    ]  # fmt: skip
    assert spans_are(found, 3, (after.time, after.time + after.lasts))


def test_the_key_and_length_of_a_triplet_are_its_packet_s() -> None:
    clip = made(MXF)
    packets = known(clip, MXF)
    picture = [one for one in packets if one.kind == "video"][30]
    for at in (picture.pos, picture.pos + KLV_HEADER - 1):
        found = harm(clip, "WIDE0007.MXF", ((at, at + 1),))
        assert spans_are(found, 0, expected(packets, picture))
        assert found.index == ()


def test_the_name_and_length_of_a_chunk_are_its_packet_s() -> None:
    clip = made(AVI)
    packets = known(clip, AVI)
    picture = [one for one in packets if one.kind == "video"][30]
    found = harm(clip, "WIDE0007.AVI", ((picture.pos - 8, picture.pos - 7),))
    assert spans_are(found, 0, expected(packets, picture))
    assert found.index == ()


@pytest.mark.parametrize(("recipe", "called"), [(WAV, "wav"), (BIG_WAV, "rf64")])
def test_sound_files_are_a_header_and_samples(recipe: Recipe, called: str) -> None:
    clip = made(recipe)
    begin = clip.index(b"data") + 8  # RIFF: a chunk's name and 4 bytes of length
    a_second = 48_000 * 3
    found = harm(clip, "RECORDER01.WAV", ((begin + 4 * a_second, begin + 5 * a_second),))
    ((first, last),) = found.streams[0].spans
    assert 4 - 4096 / 48_000 < first <= 4
    assert 5 <= last < 5 + 4096 / 48_000
    assert harm(clip, "RECORDER01.WAV", ((begin - 1, begin),)).index == ((begin - 1, begin),)


@pytest.mark.slow
@pytest.mark.parametrize("called", ["mp4", "mxf", "wav"])
def test_the_process_of_its_own_says_the_same(called: str, tmp_path: os.PathLike[str]) -> None:
    recipe = RECIPES[called]
    clip = made(recipe)
    name = f"WIDE0007{recipe.ending}"
    ranges = ((0, 3), (200_000, 204_096), (250_000, 250_001))
    opens = on_disk(os.fspath(tmp_path), clip, name)
    assert look_into(opens, name, ranges) == harm(clip, name, ranges)
    found = look_into(opens, name, ranges, from_good=False)
    assert found == harm(clip, name, ranges, from_good=False)
    assert found is not None
    assert not found.sure


@pytest.mark.parametrize(
    "name", ["A001.RAW", "NOTES", ".mp4x", "WIDE0007.MP4.txt", "mp4", "DSC_0001.JPG"]
)
def test_what_is_no_clip_by_its_name_is_not_opened(name: str) -> None:
    def opened() -> BinaryIO:
        raise AssertionError(name)

    assert look_into(opened, name, ((0, 1),)) is None
