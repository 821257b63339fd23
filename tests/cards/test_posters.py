"""The process that makes a poster, against clips and readers that mean harm.

As in ``test_clips_hostile`` other commands stand in the reader's place and do what a library gone wrong
does. That real clips are shown as they are: ``test_picturing``.
"""

import errno
import io
import json
import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any, BinaryIO

import pytest

from backupkeeper.cards import clips, poster_reader
from backupkeeper.cards.apart import Limits
from backupkeeper.cards.clip_reader import ANSWERS, ASKS, LENGTH, MEMORY_BYTES, QUESTION
from backupkeeper.cards.posters import READER, is_pictured, make_poster
from backupkeeper.core.posters import ENDED, NOT_UNDERSTOOD, Poster, decode_poster, encode_poster
from tests.cards.picture_clips import QUARTERS, Shot, alike, seen, shot

NAME = "cd" * 32
OTHER = encode_poster(Poster(content="ef" * 32))
ENDED_BY_IT = Poster(content=NAME, note=ENDED)


def made(clip: bytes, name: str = "WIDE0007.MP4", **how: object) -> Poster | None:
    """The poster of a clip, by the process of its own."""
    return make_poster(lambda: io.BytesIO(clip), name, NAME, **how)[0]  # type: ignore[arg-type]  # the test's own words


def instead(code: str) -> list[str]:
    """A command that does something else in the reader's place."""
    return [sys.executable, "-S", "-c", f"import os, sys, time\n{code}"]


def question(mark: bytes, at: int, size: int) -> str:
    """Python that writes one question."""
    return f"os.write(1, {QUESTION.pack(mark, at, size)!r})"


def limited(code: str) -> list[str]:
    """The reader's own process, limits and all, with other work: ``code`` is tried, and its end told."""
    text = (
        "import ctypes, os, socket, subprocess, sys\n"
        "from backupkeeper.cards import poster_reader as reader\n"
        "from backupkeeper.core.posters import Poster, encode_poster\n"
        "mouth = reader.begin(cpu_s=1)\n"
        "def work(order, open_clip):\n"
        f"    try:\n        {code}\n        told = 'done'\n"
        "    except (OSError, MemoryError) as error:\n        told = type(error).__name__\n"
        "    return encode_poster(Poster(content=order['content'], coding=told))\n"
        "reader.answer(sys.stdin.buffer, mouth, work)\n"
    )
    return [sys.executable, "-P", "-c", text]


@pytest.mark.slow
def test_a_clip_is_shown_and_little_of_it_is_read() -> None:
    clip = shot(Shot(muxer="mov", codec="mjpeg", pixels="yuvj420p", width=640, height=360))
    clip += bytes(20_000_000)  # a long tail
    poster, read = make_poster(lambda: io.BytesIO(clip), "WIDE0007.MOV", NAME)
    assert poster is not None
    assert poster.jpeg is not None
    assert poster.content == NAME
    assert all(
        alike(one, other) for one, other in zip(seen(poster.jpeg).quarters, QUARTERS, strict=True)
    )
    assert 0 < read < len(clip) // 4


@pytest.mark.parametrize(
    "clip", [b"", b"No clip at all.\n", shot(Shot())[:5000]], ids=["nothing", "text", "cut off"]
)
def test_what_is_no_clip_has_a_poster_that_says_so(clip: bytes) -> None:
    assert made(clip) == Poster(content=NAME, note=NOT_UNDERSTOOD)


class Faulty(io.BytesIO):
    """A file on a drive that gives nothing."""

    def read(self, size: int | None = -1, /) -> bytes:
        """Fail."""
        raise OSError(errno.EIO, os.strerror(errno.EIO))


def test_a_clip_that_the_drive_does_not_give_has_none() -> None:
    clip = shot(Shot())
    assert make_poster(lambda: Faulty(clip), "WIDE0007.MP4", NAME)[0] is None


def test_what_opening_raises_leaves_as_it_is() -> None:
    def gone() -> BinaryIO:
        raise FileNotFoundError(errno.ENOENT, "gone")

    with pytest.raises(FileNotFoundError):
        make_poster(gone, "WIDE0007.MP4", NAME)


def test_a_process_that_can_not_be_started_is_told() -> None:
    with pytest.raises(OSError, match="nowhere"):
        made(b"", reader=["/nowhere/at/all"])


@pytest.mark.parametrize(
    "code",
    [
        "os.abort()",
        "sys.exit(0)",
        "os.write(1, b'babble' * 1000)",
        question(ASKS, 0, 0xFFFFFFFF),
        question(ANSWERS, 0, 1 << 20) + "; os.write(1, bytes(1 << 20))",
        question(ANSWERS, 0, 2) + "; os.write(1, b'{}')",
        f"told = {OTHER!r}; " + question(ANSWERS, 0, len(OTHER)) + "; os.write(1, told)",
        "\nfor _ in range(10**6): " + question(ASKS, 0, 1 << 12) + "; os.read(0, 1 << 16)",
    ],
    ids=[
        "dies", "ends", "babbles", "asks too much", "answers too much", "answers nothing",
        "answers for another clip", "asks for ever",
    ],
)  # fmt: skip
def test_a_reader_gone_wrong_is_a_clip_that_ended_it(code: str) -> None:
    limits = Limits(silence_s=10, thought_s=30, most_bytes=1 << 20, most_answer=1 << 17)
    assert made(bytes(4096), reader=instead(code), limits=limits) == ENDED_BY_IT


def test_a_reader_that_hangs_is_ended() -> None:
    limits = Limits(silence_s=0.15)
    assert made(bytes(10), reader=instead("time.sleep(600)"), limits=limits) == ENDED_BY_IT


def test_a_reader_that_asks_now_and_then_but_thinks_for_ever_is_ended() -> None:
    ask = question(ASKS, 0, 16) + "; os.read(0, 64); time.sleep(0.05)"
    limits = Limits(silence_s=30.0, thought_s=0.3)
    assert made(bytes(64), reader=instead(f"while True: {ask}"), limits=limits) == ENDED_BY_IT


def test_no_more_of_a_clip_is_handed_out_than_the_bound() -> None:
    ask = question(ASKS, 0, 1 << 12) + "; os.read(0, 1 << 16)"
    limits = Limits(silence_s=30.0, most_bytes=10_000)
    poster, read = make_poster(
        lambda: io.BytesIO(bytes(4096)), "A.MP4", NAME,
        reader=instead(f"while True: {ask}"), limits=limits,
    )  # fmt: skip
    assert poster == ENDED_BY_IT
    assert read == 8192


@pytest.mark.slow
@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("pass", "done"),
        ("open('/proc/self/status').close()", "OSError"),
        ("socket.socket()", "OSError"),
        ("subprocess.run(['/bin/true'])", "OSError"),
        ("os.write(os.open('/dev/null', os.O_WRONLY), b'x')", "OSError"),
        ("bytearray(3 << 30)", "MemoryError"),
    ],
)
def test_the_process_has_no_file_no_line_and_little_memory(code: str, told: str) -> None:
    poster = made(b"", reader=limited(code))
    assert poster is not None
    assert poster.coding == told


@pytest.mark.slow
@pytest.mark.parametrize(
    "code",
    ["[0 for _ in iter(int, 1)]", "ctypes.string_at(0)"],
    ids=["computes for ever", "crashes"],
)
def test_what_the_library_may_do_at_worst_ends_its_process_only(code: str) -> None:
    assert made(b"", reader=limited(code)) == ENDED_BY_IT


@pytest.mark.slow
def test_a_picture_that_unpacks_to_more_than_there_is_is_not_decoded() -> None:
    """By its frames 65,500 by 65,500 pixels: 6 GB of them, from a few kB."""
    clip = shot(Shot(muxer="avi", codec="mjpeg", pixels="yuvj420p", frames=3))
    # ITU-T T.81, B.2.2: marker, length, bits, then lines and samples a line.
    huge = clip.replace(
        b"\xff\xc0\x00\x11\x08\x00\xb4\x01\x40", b"\xff\xc0\x00\x11\x08\xff\xdc\xff\xdc"
    )
    assert huge != clip
    poster = made(huge, "WIDE0007.AVI")
    assert poster is not None
    assert poster.jpeg is None
    assert poster.note


class Pipes(io.BytesIO):
    """Both ends of a talk: what is asked on one is answered on the other."""

    def __init__(self, order: bytes, clip: bytes) -> None:
        super().__init__()
        self._order, self._clip = order, clip
        self._next = b""
        self.answer = b""

    def readline(self, size: int | None = -1, /) -> bytes:
        return self._order

    def read(self, size: int | None = -1, /) -> bytes:
        got, self._next = self._next[:size], self._next[size or 0 :]
        return got

    def write(self, told: Any, /) -> int:
        data = bytes(told)
        mark, at, size = QUESTION.unpack(data[: QUESTION.size])
        if mark == ASKS:
            found = self._clip[at : at + size]
            self._next = LENGTH.pack(len(found)) + found
        else:
            self.answer = data[QUESTION.size :]
        return len(data)


def test_its_talk_is_the_one_of_the_other_reader() -> None:
    clip = shot(Shot(frames=3))
    order = json.dumps({"size": len(clip), "kind": "mov", "content": NAME}).encode()
    pipes = Pipes(order, clip)
    poster_reader.main(pipes, pipes)
    told = decode_poster(pipes.answer, NAME)
    assert told is not None
    assert told.jpeg is not None


@pytest.mark.parametrize("reader", [READER, clips.READER], ids=["posters", "clips"])
def test_nothing_of_the_folder_that_one_is_in_is_run(
    reader: tuple[str, ...], tmp_path: Path
) -> None:
    """A card may hold a file that is called like a part of the language."""
    for name in ("json", "av", "struct"):
        (tmp_path / f"{name}.py").write_text("print('owned', flush=True)\nraise SystemExit(7)\n")
    done = subprocess.run(reader, cwd=tmp_path, input=b"", capture_output=True, check=False)
    assert b"owned" not in done.stdout + done.stderr
    assert done.returncode != 7


def test_it_ends_with_its_parent() -> None:
    with subprocess.Popen(
        READER, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(b'{"size": 1000, "kind": "mov", "content": "ab"}\n')
        process.stdin.flush()
        assert process.stdout.read(QUESTION.size)[:1] == ASKS
        held = resource.prlimit(process.pid, resource.RLIMIT_AS)
        assert held == (MEMORY_BYTES, MEMORY_BYTES)
        assert resource.prlimit(process.pid, resource.RLIMIT_FSIZE) == (0, 0)
        process.stdin.close()
        assert process.wait(60) is not None


@pytest.mark.parametrize(
    ("name", "wanted"), [("A.MP4", True), ("R01.WAV", True), ("A.XML", False), ("A", False)]
)
def test_which_files_get_one(name: str, wanted: bool) -> None:
    assert is_pictured(name) is wanted
