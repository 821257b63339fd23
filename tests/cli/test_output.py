"""Standard output and error: colours, widths, encodings, readers that leave, disks that are full."""

import errno
import os
import pty
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO, TextIOWrapper

import pytest

from backupkeeper.cli import output
from backupkeeper.cli.output import (
    LocalZone,
    as_text,
    look_of,
    width_of,
    write_bytes_out,
    write_out,
)
from backupkeeper.core.errors import WriteError
from backupkeeper.report.lines import Line, Tone

CHECKOUT = os.path.join(os.path.dirname(__file__), "..", "..")
ASK = (
    "import os, sys\n"
    "from tests.cli.hand_keeper import HandKeeper\n"
    "from tests.report import boatyard as yard\n"
    "from backupkeeper.cli.main import main\n"
    "yes = yard.verdict(yard.judged('Bug größer.MP4'), warnings=('größer',))\n"
    "main(['may-wipe', '/c'], obj=HandKeeper(answer=yes).session(**os.environ))\n"
)


class Stream(TextIOWrapper):
    """A stream in memory with an encoding and perhaps a person."""

    def __init__(self, encoding: str = "utf-8", *, terminal: bool = False) -> None:
        super().__init__(BytesIO(), encoding=encoding, newline="")
        self.terminal = terminal

    def isatty(self) -> bool:
        return super().isatty() or self.terminal  # the first refuses a closed stream

    def got(self) -> bytes:
        self.flush()
        assert isinstance(self.buffer, BytesIO)
        return self.buffer.getvalue()


def on_a_terminal(**environ: str) -> tuple[int, str]:
    """Exit code of a yes asked for on a real terminal, and everything that the terminal got."""
    far, near = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", ASK],
        stdin=near,
        stdout=near,
        stderr=near,
        cwd=CHECKOUT,
        env={"PATH": os.environ["PATH"], **environ},
    ) as process:
        os.close(near)
        told = b"".join(_until_closed(far))
    os.close(far)
    return process.returncode, told.decode()


def _until_closed(far: int) -> Iterator[bytes]:
    while True:
        try:
            part = os.read(far, 65536)
        except OSError as error:  # how Linux tells that the other side is closed
            if error.errno != errno.EIO:
                raise
            return
        if not part:
            return
        yield part


@pytest.mark.slow
@pytest.mark.parametrize(
    ("environ", "colours", "blocks"),
    [
        ({"TERM": "xterm"}, True, True),
        ({"TERM": "xterm", "NO_COLOR": "1"}, False, True),
        ({"TERM": "xterm", "NO_COLOR": ""}, True, True),
        ({"TERM": "dumb"}, False, True),
        ({"TERM": "xterm", "LC_ALL": "C"}, True, False),
        ({"TERM": "dumb", "LC_ALL": "C"}, False, False),
    ],
    ids=str,
)
def test_a_terminal_gets_what_it_can_show(
    environ: dict[str, str], colours: bool, blocks: bool
) -> None:
    code, told = on_a_terminal(**environ)
    assert code == 0
    assert "This card may be wiped." in told
    # The bar moves by escapes of its own; colours are those that end in "m".
    assert ("\x1b[32m" in told) is colours
    assert ("█" in told) is blocks
    assert told.isascii() is not blocks
    assert (r"gr\xf6\xdfer" in told) is not blocks


def test_colours_are_only_ever_added() -> None:
    lines = [Line("text", tone) for tone in Tone] + [Line("")]
    assert as_text(lines, colours=False) == "text\n" * len(Tone) + "\n"
    coloured = as_text(lines, colours=True)
    for tone in (Tone.GOOD, Tone.BAD, Tone.WARN, Tone.HEAD, Tone.QUIET):
        assert as_text([Line("text", tone)], colours=True) in coloured
        assert as_text([Line("text", tone)], colours=True) != "text\n"


@pytest.mark.parametrize(
    ("columns", "width"),
    [("", 80), ("40", 40), ("3", 24), ("500", 110), ("wide", 80), ("-5", 80), ("9" * 30, 80)],
)
def test_the_width_is_what_was_told_within_what_can_be_read(columns: str, width: int) -> None:
    assert width_of(Stream(), {"COLUMNS": columns}) == width


@pytest.mark.parametrize(
    ("encoding", "locale", "unicode"),
    [
        ("utf-8", {}, True),
        ("UTF8", {"LANG": "de_DE.UTF-8"}, True),
        ("latin-1", {}, False),
        ("ascii", {"LC_ALL": "en_US.UTF-8"}, False),
        ("utf-8", {"LC_ALL": "C"}, False),
        ("utf-8", {"LANG": "POSIX"}, False),
        ("utf-8", {"LC_ALL": "C.UTF-8", "LANG": "C"}, True),
    ],
)
def test_only_what_the_output_can_hold_is_written(
    encoding: str, locale: dict[str, str], unicode: bool
) -> None:
    assert look_of(Stream(encoding), locale).unicode is unicode


def test_a_stream_that_names_no_real_encoding_gets_ascii() -> None:
    class Odd(Stream):
        encoding = "no-such-thing"

    assert not output.is_utf8(Odd())
    assert not output.is_utf8(None)


def test_a_closed_stream_is_no_terminal() -> None:
    stream = Stream(terminal=True)
    stream.close()
    assert not output.is_terminal(stream)
    assert not output.is_terminal(None)


@pytest.mark.parametrize(
    ("encoding", "got"),
    [("utf-8", "größer ■\n".encode()), ("latin-1", rb"gr\xf6\xdfer \u25a0" + b"\n")],
)
def test_what_an_encoding_lacks_is_escaped(
    monkeypatch: pytest.MonkeyPatch, encoding: str, got: bytes
) -> None:
    stream = Stream(encoding)
    monkeypatch.setattr("sys.stdout", stream)
    write_out("größer ■\n")
    assert stream.got() == got


def test_bytes_go_to_a_file_as_they_are_and_to_a_terminal_escaped(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    data = b"ab  odd\xff\x1b[2J\n"
    for terminal, got in ((False, data), (True, rb"ab  odd\xff\x1b[2J" + b"\n")):
        stream = Stream(terminal=terminal)
        monkeypatch.setattr("sys.stdout", stream)
        write_bytes_out(data)
        assert stream.got() == got


def test_a_program_without_standard_streams_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout", None)
    monkeypatch.setattr("sys.stderr", None)
    write_out("x")
    write_bytes_out(b"x")
    output.write_error("x")


class Failing(Stream):
    """A stream whose every write meets this error."""

    def __init__(self, error: Exception) -> None:
        super().__init__()
        self.error = error

    def write(self, text: str) -> int:
        raise self.error

    def fileno(self) -> int:
        raise OSError(errno.EBADF, "in memory")


def test_an_answer_that_can_not_be_written_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout", Failing(OSError(errno.ENOSPC, "full")))
    with pytest.raises(WriteError, match=r"standard output \(ENOSPC\)"):
        write_out("x")
    monkeypatch.setattr("sys.stdout", Failing(ValueError("closed")))
    with pytest.raises(WriteError):
        write_out("x")


def test_a_reader_that_left_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout", Failing(BrokenPipeError(errno.EPIPE, "gone")))
    write_out("x")


def test_nobody_listening_to_errors_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stderr", Failing(OSError(errno.ENOSPC, "full")))
    output.write_error("x")


@pytest.mark.slow
@pytest.mark.parametrize("clips", [1, 20, 200, 5_000])
@pytest.mark.parametrize(("reason", "code"), [("", 0), ("never-offloaded", 1)])
def test_a_reader_that_leaves_changes_no_exit_code_however_long_the_answer(
    clips: int, reason: str, code: int
) -> None:
    ask = (
        "from tests.cli.hand_keeper import HandKeeper\n"
        "from tests.report import boatyard as yard\n"
        "from backupkeeper.cli.main import main\n"
        "from backupkeeper.core.outcomes import Reason, ReasonCode\n"
        f"clips = [yard.judged(str(number)) for number in range({clips})]\n"
        f"why = [Reason(code=ReasonCode(c), role=None, paths=()) for c in {[reason]!r} if c]\n"
        "answer = yard.verdict(*clips, reasons=tuple(why))\n"
        "main(['may-wipe', '/c', '--json'], obj=HandKeeper(answer=answer).session())\n"
    )
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-c", ask],
        stdout=writer,
        stderr=subprocess.PIPE,
        check=False,
        cwd=CHECKOUT,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (code, b"")


@pytest.mark.slow
@pytest.mark.parametrize("words", [["--help"], ["may-wipe", "--help"], ["--version"]])
def test_help_that_can_not_be_written_is_told_in_one_line(words: list[str]) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "backupkeeper", *words],
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
            cwd=CHECKOUT,
        )
    assert done.returncode == 3
    assert done.stderr == b"Could not write standard output (ENOSPC).\n"


@pytest.fixture
def berlin(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The zone of this process, put back at the end."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("berlin")
def test_local_times_know_the_summer_time_of_their_own_date() -> None:
    summer = datetime(2026, 6, 12, 16, 4, tzinfo=UTC).astimezone(LocalZone())
    winter = datetime(2026, 1, 12, 16, 4, tzinfo=UTC).astimezone(LocalZone())
    assert [f"{at:%H:%M %Z}" for at in (summer, winter)] == ["18:04 CEST", "17:04 CET"]
    assert summer.astimezone(UTC).hour == winter.astimezone(UTC).hour == 16
    assert summer.dst() is None
    assert LocalZone().utcoffset(None) is None
    assert LocalZone().tzname(None) is None
