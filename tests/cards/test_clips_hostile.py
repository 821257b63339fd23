"""Clips that are broken or made to harm: they end as a value, never as a hang or a dead caller.

The reader's own process is tried by other commands in its place that do what a library gone wrong
does: end, hang, babble, ask for nonsense.
"""

import errno
import io
import json
import os
import resource
import signal
import struct
import subprocess
import sys
import threading
from pathlib import Path
from typing import BinaryIO, cast

import av
import psutil
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from backupkeeper.cards import apart, demuxing
from backupkeeper.cards.clip_reader import ANSWERS, ASKS, MEMORY_BYTES, QUESTION, Asked
from backupkeeper.cards.clips import ENDED, NOT_READ, look_into
from backupkeeper.core.clip_harm import not_understood
from tests.cards.made_up_clips import (
    AVI,
    FRAGMENTS,
    MOV,
    MP4,
    MXF,
    RECIPES,
    WAV,
    Recipe,
    known,
    made,
    on_disk,
)
from tests.cards.test_clips import boxes, harm, payload

HERE = ((0, 8), (100_000, 100_512))


class Faulty(io.BytesIO):
    """A file on a drive that will not give some of its bytes."""

    def __init__(self, clip: bytes, lost: tuple[int, int]) -> None:
        super().__init__(clip)
        self._lost = lost

    def read(self, size: int | None = -1, /) -> bytes:
        """Fail where a lost byte would be among them."""
        at = self.tell()
        if at < self._lost[1] and at + (size or 0) > self._lost[0]:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().read(size)


def test_a_clip_cut_off_before_its_index_is_not_understood() -> None:
    clip = made(MP4)[:200_000]
    found = look_into(lambda: io.BytesIO(clip), "WIDE0007.MP4", HERE)
    assert found == not_understood(HERE, demuxing.UNREADABLE)


@pytest.mark.parametrize("called", RECIPES)
def test_zeros_and_nothing_are_not_understood(called: str) -> None:
    name = f"WIDE0007{RECIPES[called].ending}"
    for clip in (b"", bytes(1), bytes(100_000)):
        found = harm(clip, name, HERE)
        assert not found.opened
        assert found.why
        assert found.index == HERE


@pytest.mark.parametrize(
    "recipe", [FRAGMENTS, MXF, WAV, AVI], ids=["fragments", "mxf", "wav", "avi"]
)
def test_a_hurt_clip_with_a_tail_of_zeros_never_calls_the_tail_unharmed(recipe: Recipe) -> None:
    clip = made(recipe)
    at = len(clip) * 3 // 5
    ranges = ((at, len(clip)),)
    found = harm(
        clip[:at] + bytes(len(clip) - at), f"WIDE0007{recipe.ending}", ranges, from_good=False
    )
    assert not found.opened or not found.sure or all(one.spans for one in found.streams)


def test_a_hurt_clip_whose_index_is_whole_tells_what_a_good_one_does() -> None:
    clip = made(MOV)
    packet = [one for one in known(clip, MOV) if one.kind == "video"][33]
    ranges = (payload(clip, packet),)
    zeros = clip[: ranges[0][0]] + bytes(packet.size) + clip[ranges[0][1] :]
    assert harm(zeros, "WIDE0007.MOV", ranges, from_good=False) == harm(
        clip, "WIDE0007.MOV", ranges
    )


def test_a_hurt_index_without_a_good_copy_leaves_open_what_else_is_hurt() -> None:
    clip = made(MP4)
    begin, end = boxes(clip)["moov"]
    for at in range(begin + 200, end, 1499):
        ranges = ((at, at + 1),)
        broken = clip[:at] + bytes([clip[at] ^ 0xFF]) + clip[at + 1 :]
        found = harm(broken, "WIDE0007.MP4", ranges, from_good=False)
        assert not found.sure
        assert found.why


def test_a_hurt_triplet_s_key_without_a_good_copy_leaves_open_what_else_is_hurt() -> None:
    clip = made(MXF)
    for packet in known(clip, MXF)[100:103]:
        for at in (packet.pos, packet.pos + 17):
            broken = clip[:at] + bytes([clip[at] ^ 0xFF]) + clip[at + 1 :]
            assert not harm(broken, "WIDE0007.MXF", ((at, at + 1),), from_good=False).sure


@pytest.mark.parametrize("ending", [".mp4", ".mxf", ".avi", ".wav"])
def test_a_list_of_files_that_calls_itself_a_clip_opens_none_of_them(
    ending: str, tmp_path: os.PathLike[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    on_disk(os.fspath(tmp_path), made(MP4), "other.mp4")
    monkeypatch.chdir(tmp_path)
    listed = b"ffconcat version 1.0\nfile other.mp4\n"
    # The library by itself falls for it:
    with av.open(io.BytesIO(listed), "r") as fooled:
        assert len(fooled.streams) == 2
    found = harm(listed, f"WIDE0007{ending}", HERE)
    assert found == not_understood(HERE, demuxing.UNREADABLE)


def test_a_clip_with_neither_pictures_nor_sound_is_said_so() -> None:
    # STANDARDS section 8.2; the movie header's fields are from memory.
    header = (
        struct.pack(">I4s", 108, b"mvhd") + bytes(12) + struct.pack(">II", 1000, 1000) + bytes(80)
    )
    clip = struct.pack(">I4s8s", 16, b"ftyp", b"isom") + struct.pack(">I4s", 116, b"moov") + header
    assert harm(clip, "WIDE0007.MP4", HERE) == not_understood(HERE, demuxing.EMPTY)


def test_bytes_that_do_not_lie_where_the_index_says_are_not_believed() -> None:
    clip = made(MP4)
    begin, end = boxes(clip)["mdat"]
    other = clip[: begin + 8] + bytes(end - begin - 8) + clip[end:]
    answers = iter([clip, other])  # a file that is not the same when it is looked at again
    found = demuxing.harm_in(lambda: io.BytesIO(next(answers)), "mov", HERE, from_good=True)
    assert found == not_understood(HERE, demuxing.ELSEWHERE)


@pytest.mark.slow
@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(
    called=st.sampled_from(sorted(RECIPES)),
    edits=st.lists(st.tuples(st.floats(0, 0.999), st.binary(min_size=1, max_size=64)), max_size=6),
    head=st.lists(st.tuples(st.integers(0, 400), st.binary(min_size=1, max_size=8)), max_size=4),
    kept=st.floats(0.01, 1),
)
def test_no_broken_clip_raises(
    called: str, edits: list[tuple[float, bytes]], head: list[tuple[int, bytes]], kept: float
) -> None:
    recipe = RECIPES[called]
    clip = bytearray(made(recipe))
    places = [(int(part * len(clip)), what) for part, what in edits] + head
    for at, what in places:
        clip[at : at + len(what)] = what
    broken = bytes(clip[: int(len(clip) * kept)])
    for from_good in (True, False):
        found = harm(broken, f"WIDE0007{recipe.ending}", HERE, from_good=from_good)
        assert found.opened or found.index == HERE


def test_a_very_long_clip_is_read_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demuxing, "MOST_PACKETS", 100)
    found = harm(made(MP4), "WIDE0007.MP4", ((250_000, 250_001),))
    assert (found.opened, found.sure, found.why) == (True, False, demuxing.NOT_TO_THE_END)


def test_a_good_copy_that_can_not_be_read_to_its_end_is_said_so() -> None:
    clip = made(MP4)
    lost = (150_000, 150_001)
    here = demuxing.harm_in(lambda: Faulty(clip, lost), "mov", ((50_000, 50_001),), from_good=True)
    assert (here.opened, here.sure, here.why) == (True, False, demuxing.NOT_TO_THE_END)
    found = look_into(lambda: Faulty(clip, (150_000, 150_001)), "WIDE0007.MP4", ((50_000, 50_001),))
    assert found is not None
    assert (found.opened, found.sure, found.why) == (True, False, demuxing.NOT_TO_THE_END)


def test_a_hurt_clip_is_told_though_the_drive_will_not_give_the_hurt_sector() -> None:
    clip = made(MP4)
    packet = [one for one in known(clip, MP4) if one.kind == "video"][100]
    ranges = ((packet.pos, packet.pos + 1),)
    found = look_into(lambda: Faulty(clip, ranges[0]), "WIDE0007.MP4", ranges, from_good=False)
    assert found == harm(clip, "WIDE0007.MP4", ranges)


def test_an_index_that_the_drive_will_not_give_is_not_understood() -> None:
    clip = made(MP4)
    at, _ = boxes(clip)["moov"]
    found = look_into(lambda: Faulty(clip, (at, at + 1)), "WIDE0007.MP4", HERE)
    assert found == not_understood(HERE, demuxing.UNREADABLE)


def test_what_opening_raises_leaves_as_it_is() -> None:
    def gone() -> BinaryIO:
        raise FileNotFoundError(errno.ENOENT, "gone")

    with pytest.raises(FileNotFoundError):
        look_into(gone, "WIDE0007.MP4", HERE)


def test_without_the_library_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    clip = made(MP4)  # before, for it is made by the library
    monkeypatch.setitem(sys.modules, "av", None)
    assert look_into(lambda: io.BytesIO(clip), "WIDE0007.MP4", HERE) is None


def test_with_something_else_under_the_library_s_name_nothing_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clip = made(MP4)
    monkeypatch.setitem(sys.modules, "av", type(sys)("av"))  # it has no specification
    assert look_into(lambda: io.BytesIO(clip), "WIDE0007.MP4", HERE) is None


def test_with_a_library_that_can_not_be_loaded_nothing_is_said() -> None:
    code = (
        "sys.modules['av'] = None; "
        "from backupkeeper.cards.clip_reader import main; main(sys.stdin.buffer, sys.stdout.buffer)"
    )
    reader = [sys.executable, "-c", f"import sys; {code}"]
    assert look_into(lambda: io.BytesIO(made(MP4)), "WIDE0007.MP4", HERE, reader=reader) is None


def test_in_a_process_without_the_library_nothing_is_understood(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clip = made(MP4)
    monkeypatch.setitem(sys.modules, "av", None)
    found = harm(clip, "WIDE0007.MP4", HERE)
    assert found == not_understood(HERE, demuxing.NO_LIBRARY)


def instead(code: str) -> list[str]:
    """A command that does something else in the reader's place."""
    return [sys.executable, "-S", "-c", f"import os, sys, time\n{code}"]


def question(mark: bytes, at: int, size: int) -> str:
    """Python that writes one question."""
    return f"os.write(1, {QUESTION.pack(mark, at, size)!r})"


@pytest.mark.parametrize(
    "code",
    [
        "os.abort()",
        "sys.exit(0)",
        "os.close(0); " + question(ASKS, 0, 1 << 20) + "; time.sleep(0.1)",
        "os.write(1, b'[mxf] something odd, and more of it' * 100)",
        question(ASKS, 0, 0xFFFFFFFF),
        question(ANSWERS, 0, 0xFFFFFFFF),
        question(ANSWERS, 0, 10) + "; os.write(1, b'{}')",
        question(ANSWERS, 0, 2) + "; os.write(1, b'{}')",
        question(ANSWERS, 0, 1) + "; os.write(1, b'{')",
        question(ANSWERS, 0, 8) + "; os.write(1, b'Infinity')",
        "for _ in range(10**6): " + question(ASKS, 0, 0) + "; os.read(0, 1 << 16)",
    ],
    ids=[
        "dies", "ends", "does not listen", "babbles", "asks too much", "answers too much",
        "breaks off", "answers nothing", "answers half", "answers nonsense", "asks for ever",
    ],
)  # fmt: skip
def test_a_reader_gone_wrong_is_a_clip_not_understood(
    code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("backupkeeper.cards.apart.LEAST_QUESTIONS", 2000)
    found = look_into(lambda: io.BytesIO(bytes(4096)), "WIDE0007.MP4", HERE, reader=instead(code))
    assert found == not_understood(HERE, ENDED)


ENDLESS = b"""{"streams": [{"kind": "picture", "number": 1, "spans": [[0, 1e999]]}], "index": [],
"opened": true, "why": "", "padding": [], "sure": true}"""


@pytest.mark.parametrize(
    "said",
    [
        ENDLESS,
        ENDLESS.replace(b"1e999", b"1").replace(b'"index": []', b'"index": [[0, 1e999]]'),
        b"[" * 100_000,
    ],
    ids=["a time without end", "a byte without end", "without end"],
)
def test_an_answer_that_nobody_can_reckon_with_is_none(said: bytes) -> None:
    code = f"{question(ANSWERS, 0, len(said))}; os.write(1, {said!r})"
    found = look_into(lambda: io.BytesIO(bytes(4096)), "WIDE0007.MP4", HERE, reader=instead(code))
    assert found == not_understood(HERE, ENDED)


@pytest.mark.parametrize(
    "code", ["time.sleep(600)", question(ASKS, 0, 1 << 20) + "; time.sleep(600)"], ids=["asks nothing", "takes nothing"]
)  # fmt: skip
def test_a_reader_that_hangs_is_ended(code: str) -> None:
    clip = bytes(1 << 20)
    found = look_into(
        lambda: io.BytesIO(clip), "WIDE0007.MP4", HERE, reader=instead(code), silence_s=0.15
    )
    assert found == not_understood(HERE, ENDED)


def test_a_reader_is_not_handed_the_keys_of_a_bucket(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What hostile bytes make of the library can tell only what the process has."""
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "planted")
    code = f"import shutil; shutil.copyfile('/proc/self/environ', '{tmp_path}/environ')"
    look_into(lambda: io.BytesIO(bytes(4096)), "WIDE0007.MP4", HERE, reader=instead(code))
    found = (tmp_path / "environ").read_bytes()
    assert (b"PATH=" in found, b"planted" in found) == (True, False)


class Ticks(threading.Event):
    """Somebody waits in vain so many times."""

    def __init__(self, ticks: int) -> None:
        super().__init__()
        self._ticks = ticks

    def wait(self, timeout: float | None = None) -> bool:
        """Time is up at once."""
        self._ticks -= 1
        return self._ticks < 0


@pytest.mark.parametrize(("is_ours", "lives"), [(True, True), (False, False)])
def test_only_a_reader_that_is_not_waiting_for_the_drive_is_ended(
    is_ours: bool, lives: bool
) -> None:
    with subprocess.Popen(["/bin/sleep", "600"]) as process:
        apart.watch(process, Ticks(5), apart.Pulse(is_ours=is_ours), 1.0)
        if lives:
            assert process.poll() is None
            process.kill()
        assert process.wait(60) == -signal.SIGKILL


def test_a_reader_that_can_not_be_started_is_a_clip_not_understood() -> None:
    found = look_into(io.BytesIO, "WIDE0007.MP4", HERE, reader=["/nowhere/at/all"])
    assert found == not_understood(HERE, NOT_READ)


def test_the_reader_is_held_to_its_memory_and_ends_when_its_parent_does() -> None:
    command = [sys.executable, "-m", "backupkeeper.cards.clip_reader"]
    order = {"size": 1000, "kind": "mov", "ranges": [], "from_good": True}
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps(order).encode() + b"\n")
        process.stdin.flush()
        assert process.stdout.read(QUESTION.size)[:1] == ASKS
        if sys.platform == "linux":
            held = resource.prlimit(process.pid, resource.RLIMIT_AS)
            assert held[0] <= MEMORY_BYTES
        process.stdin.close()
        assert process.wait(60) is not None


def test_a_file_that_is_asked_for_reads_like_any_other() -> None:
    clip = bytes(range(256)) * 40
    asked = Asked(lambda at, size: clip[at : at + size], len(clip))
    assert (asked.readable(), asked.seekable(), asked.writable()) == (True, True, False)
    assert asked.seek(-6, io.SEEK_END) == len(clip) - 6
    assert (asked.read(100), asked.read(100), asked.tell()) == (clip[-6:], b"", len(clip))
    assert (asked.seek(300), asked.seek(2, io.SEEK_CUR)) == (300, 302)
    assert asked.read(4) == clip[302:306]
    with pytest.raises(ValueError, match="before the beginning"):
        asked.seek(-1)


@pytest.mark.slow
def test_no_thread_and_no_process_is_left_behind() -> None:
    before = set(threading.enumerate())  # one of another test may end meanwhile
    children = set(psutil.Process().children())  # others' too: a store, a browser
    for _ in range(3):
        look_into(lambda: cast("BinaryIO", io.BytesIO(made(WAV))), "RECORDER01.WAV", HERE)
    assert set(threading.enumerate()) <= before
    assert set(psutil.Process().children()) <= children
