"""The log: one line an action, nothing secret, nothing forged, in the journal's own protocol too."""

import io
import json
import os
import socket
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.errors import BrokenPromiseError
from backupkeeper.daemon import notes
from backupkeeper.daemon.notes import FileSink, JournalSink, Log, StreamSink, sink_for


class Clock:
    def now(self) -> datetime:
        return datetime(2026, 6, 12, 18, tzinfo=UTC)

    def monotonic(self) -> float:
        return 0.0


def parsed(data: bytes) -> dict[str, bytes]:
    """An entry, read by the published description (systemd, "Native Journal Protocol")."""
    found = {}
    while data:
        line, _, rest = data.partition(b"\n")
        name, equals, value = line.partition(b"=")
        if equals:
            found[name.decode()], data = value, rest
            continue
        size = int.from_bytes(rest[:8], "little")
        found[line.decode()] = rest[8 : 8 + size]
        assert rest[8 + size : 9 + size] == b"\n"
        data = rest[9 + size :]
    return found


def test_the_journal_gets_the_sentence_and_the_fields(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as journal:
        journal.bind(str(tmp_path / "socket"))
        log = Log(JournalSink(str(tmp_path / "socket")))
        log.note("Main is here.\nMESSAGE=forged", point="/media/a\nPRIORITY=0", bytes=7, error="")
        log.note("Damage.", urgent=True)
        first, second = parsed(journal.recv(65536)), parsed(journal.recv(65536))
    assert first == {
        "MESSAGE": b"Main is here.\\nMESSAGE=forged",
        "PRIORITY": b"6",
        "SYSLOG_IDENTIFIER": b"backupkeeper",
        "BACKUPKEEPER_POINT": b"/media/a\nPRIORITY=0",
        "BACKUPKEEPER_BYTES": b"7",
    }
    assert second["PRIORITY"] == b"4"


def test_a_file_gets_lines_of_json_and_is_turned_over(tmp_path: Path) -> None:
    path = tmp_path / "log/keeper.jsonl"
    sink = FileSink(str(path), size_mb=1, keep=2, clock=Clock())
    log = Log(sink)
    log.note("odd \udc80 \x1b[31m", deed="a|b")
    (line,) = path.read_text().splitlines()
    assert json.loads(line) == {
        "at": "2026-06-12T18:00:00+00:00",
        "level": "info",
        "message": "odd \\x80 \\x1b[31m",
        "deed": "a|b",
    }
    for _ in range(40):
        log.note("x" * 100_000)
    sink.close()
    assert sorted(one.name for one in path.parent.iterdir()) == [
        "keeper.jsonl",
        "keeper.jsonl.1",
        "keeper.jsonl.2",
    ]
    assert all(one.stat().st_mode & 0o077 == 0 for one in path.parent.iterdir())


@given(st.text())
def test_whatever_is_said_is_one_line(text: str) -> None:
    stream = io.StringIO()
    Log(StreamSink(stream, Clock())).note(text, urgent=True)
    assert stream.getvalue().count("\n") == 1
    assert "\x1b" not in stream.getvalue()


@pytest.mark.parametrize("name", ["password", "secret_key", "token", "aws_access", "Upper", "a b"])
def test_a_field_that_looks_like_a_secret_is_a_mistake_of_ours(name: str) -> None:
    fields: dict[str, Any] = {name: "hunter2"}
    with pytest.raises(BrokenPromiseError, match="was given a field called"):
        Log(StreamSink(io.StringIO(), Clock())).note("x", **fields)


def test_a_log_that_can_not_be_written_stops_nothing(tmp_path: Path) -> None:
    Log(JournalSink(str(tmp_path / "nobody"))).note("x")
    closed = io.StringIO()
    closed.close()
    Log(StreamSink(closed, Clock())).note("x")


def test_the_log_goes_where_the_person_or_the_system_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def chosen(environ: dict[str, str], file: str = "") -> notes.Sink:
        return sink_for(environ, file=file, size_mb=1, keep=1, clock=Clock())

    assert isinstance(chosen({}, str(tmp_path / "x/y.log")), FileSink)
    with (tmp_path / "stderr").open("w") as stream:
        monkeypatch.setattr(sys, "stderr", stream)
        found = os.fstat(stream.fileno())
        journal = f"{found.st_dev}:{found.st_ino}"
        assert isinstance(chosen({"JOURNAL_STREAM": journal}), JournalSink)
        assert isinstance(chosen({"JOURNAL_STREAM": "1:2"}), StreamSink)
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    assert isinstance(chosen({"JOURNAL_STREAM": "1:2"}), StreamSink)
