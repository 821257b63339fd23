"""``run``, ``status``, ``pause`` and ``resume`` as a person types them."""

import json
import os
import pty
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from backupkeeper.cli.main import main
from backupkeeper.core.errors import OutOfReachError, UsageError
from backupkeeper.report.status import status_json
from tests.cli.hand_keeper import HandKeeper
from tests.report.test_status import IDLE


def typed(answer: Any, *words: str, **environ: str) -> tuple[Result, HandKeeper]:
    keeper = HandKeeper(answer=answer)
    return CliRunner().invoke(main, [*words], obj=keeper.session(**environ)), keeper


def test_status_is_told_in_words_and_as_one_object() -> None:
    done, keeper = typed(IDLE, "status")
    assert (done.exit_code, keeper.asked) == (0, [("status",)])
    assert done.stdout.startswith("The daemon runs (process 4711")
    done, _ = typed(IDLE, "status", "--json")
    assert (done.exit_code, json.loads(done.stdout)) == (0, status_json(IDLE))


def test_what_needs_a_person_exits_with_one() -> None:
    for status in (replace(IDLE, process=None), replace(IDLE, damage=("Roll 01 on Main",))):
        assert typed(status, "status")[0].exit_code == 1
        assert typed(status, "status", "--json")[0].exit_code == 1


@pytest.mark.parametrize(
    ("words", "asked", "text"),
    [
        (["pause"], ("pause", None), "Paused. To go on, type: backupkeeper resume"),
        (["pause", "--hours", "1.5"], ("pause", 5400.0), "Paused."),
        (["resume"], ("resume",), "It goes on."),
        (["pause", "--uploads"], ("pause", None, "uploads"), "Uploads are paused. To go on"),
        (["resume", "--uploads"], ("resume", "uploads"), "Uploads may go on."),
    ],
)
def test_a_pause_is_asked_for_and_ended(
    words: list[str], asked: tuple[Any, ...], text: str
) -> None:
    done, keeper = typed(True, *words)
    assert (done.exit_code, keeper.asked) == (0, [asked])
    assert text in done.stdout
    done, _ = typed(True, *words, "--json")
    assert json.loads(done.stdout) == {"version": 1, "paused": words[0] == "pause"}


@pytest.mark.parametrize("words", [["pause"], ["resume"]])
def test_without_a_daemon_a_pause_says_so(words: list[str]) -> None:
    done, _ = typed(False, *words)
    assert done.exit_code == 3
    assert "No daemon runs on this catalog." in done.stderr


@pytest.mark.parametrize("hours", ["0", "-1", "x"])
def test_a_pause_of_no_length_is_wrong_usage(hours: str) -> None:
    assert typed(True, "pause", "--hours", hours)[0].exit_code == 2


ADDRESS = "http://127.0.0.1:4711/token/"


def test_the_live_pages_address_stands_alone_on_a_line() -> None:
    done, keeper = typed(ADDRESS, "page")
    assert (done.exit_code, done.stdout, keeper.asked) == (0, f"{ADDRESS}\n", [("page",)])
    done, _ = typed(ADDRESS, "page", "--json")
    assert json.loads(done.stdout) == {"version": 1, "address": ADDRESS}


def test_the_live_page_is_opened_where_that_is_asked_for() -> None:
    done, keeper = typed(ADDRESS, "page", "--open")
    assert (done.exit_code, done.stdout, keeper.asked) == (0, f"{ADDRESS}\n", [("open page",)])


@pytest.mark.parametrize(
    ("error", "code"),
    [(UsageError("It is off.", advice="Turn it on."), 2), (OutOfReachError("No daemon runs."), 3)],
)
def test_where_there_is_no_live_page_it_is_said_why(error: Exception, code: int) -> None:
    done, _ = typed(error, "page", "--open")
    assert (done.exit_code, done.stdout) == (code, "")
    assert str(error) in done.stderr


def test_run_hands_over_and_exits_as_the_daemon_did() -> None:
    keeper = HandKeeper(answer=0)
    done = CliRunner().invoke(main, ["--config", "c.toml", "run"], obj=keeper.session())
    assert (done.exit_code, keeper.named, keeper.asked) == (0, "c.toml", [("run",)])


def _environ(home: Path) -> dict[str, str]:
    return {**os.environ, "HOME": str(home), "TERM": "xterm", "COLUMNS": "60"}


WATCH = [sys.executable, "-m", "backupkeeper", "status", "--watch"]
PATIENCE_S = 30.0


def test_watching_draws_over_itself_on_a_terminal_until_it_is_stopped(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        WATCH, env=_environ(tmp_path), stdin=theirs, stdout=theirs, stderr=subprocess.PIPE
    ) as watch:
        os.close(theirs)
        seen, end = b"", time.monotonic() + PATIENCE_S
        while seen.count(b"\x1b[H") < 2:
            assert time.monotonic() < end
            seen += os.read(ours, 4096)
        watch.send_signal(signal.SIGINT)
        assert watch.wait(PATIENCE_S) == 3
        assert watch.stderr is not None
        assert b"Traceback" not in watch.stderr.read()
    os.close(ours)
    assert b"The daemon is not running" in seen


def test_watching_into_a_pipe_writes_one_after_the_other_and_ends_with_its_reader(
    tmp_path: Path,
) -> None:
    with subprocess.Popen(
        WATCH, env=_environ(tmp_path), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as watch:
        assert watch.stdout is not None
        assert watch.stderr is not None
        seen, end = b"", time.monotonic() + PATIENCE_S
        while seen.count(b"not running") < 2:
            assert time.monotonic() < end
            seen += os.read(watch.stdout.fileno(), 4096)
        assert b"\x1b" not in seen
        watch.stdout.close()
        assert watch.wait(PATIENCE_S) == 1
        assert b"Traceback" not in watch.stderr.read()
