"""Failures: a person gets one sentence and an exit code; a bug says what to report."""

import errno
import json

import click
import pytest
from click.testing import CliRunner, Result

from backupkeeper import __version__
from backupkeeper.cli.failing import fail
from backupkeeper.cli.main import main
from backupkeeper.core.errors import BrokenPromiseError, DriveGoneError
from tests.cli.hand_keeper import HandKeeper


def run(error: BaseException, *words: str, **environ: str) -> Result:
    return CliRunner().invoke(main, words, obj=HandKeeper(answer=error).session(**environ))


def test_a_bug_says_in_one_line_what_to_report() -> None:
    told = run(KeyError("no\x1bsuch"), "gaps").stderr
    assert told.count("\n") == 1
    assert "Please report this line: KeyError: 'no\\x1bsuch' (at cli/gaps.py:" in told
    assert f"backupkeeper {__version__}" in told


def test_a_bug_without_words_is_named_by_its_kind() -> None:
    assert "this line: KeyError (at cli/gaps.py:" in run(KeyError(), "gaps").stderr


@pytest.mark.parametrize(
    ("error", "lacking"),
    [
        (MemoryError(), "memory (ENOMEM)"),
        (RuntimeError("can't start new thread"), "memory (ENOMEM)"),
        (OSError(errno.EMFILE, "Too many open files"), "open files (EMFILE)"),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), "memory (ENOMEM)"),
    ],
)
def test_what_the_system_has_no_more_of_is_told_and_is_no_bug(
    error: Exception, lacking: str
) -> None:
    told = run(error, "gaps")
    assert f"the system gives this program no more {lacking}" in " ".join(told.stderr.split())
    assert "should not happen" not in told.stderr
    assert told.exit_code == 3


@pytest.mark.parametrize("error", [RuntimeError("boom"), BrokenPromiseError("A bug of ours.")])
def test_the_traceback_comes_only_when_it_is_asked_for(error: Exception) -> None:
    assert "Traceback" not in run(error, "gaps", BACKUPKEEPER_TRACE="0").stderr
    told = run(error, "gaps", BACKUPKEEPER_TRACE="1")
    assert "Traceback (most recent call last):" in told.stderr
    assert told.exit_code == 3


def test_an_error_of_the_system_below_our_code_is_a_bug_and_not_a_full_disk() -> None:
    told = run(OSError(5, "Input/output error"), "gaps")
    assert told.exit_code == 3
    assert "This should not happen" in told.stderr


def test_an_error_object_has_none_of_the_keys_of_an_answer() -> None:
    told = run(DriveGoneError("The card", "/c"), "may-wipe", "/c", "--json")
    assert told.exit_code == 3
    assert json.loads(told.stdout).keys() == {"version", "error"}
    assert told.stderr.startswith("The card is not there any more (/c).")


def test_wrong_usage_is_an_object_too_where_one_is_asked_for() -> None:
    told = run(AssertionError("not reached"), "may-wipe", "--json")
    assert told.exit_code == 2
    error = json.loads(told.stdout)["error"]
    assert error["code"] == "usage"
    assert "CARD" in error["message"]


def test_an_error_object_that_can_not_be_written_leaves_the_exit_code(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with open("/dev/full", "w", encoding="utf-8") as full:
        monkeypatch.setattr("sys.stdout", full)
        code = fail(DriveGoneError("The card", "/c"), {}, as_json=True)
        monkeypatch.undo()
    assert code == 3


def test_other_failures_of_the_command_line_are_told_as_they_are() -> None:
    assert fail(click.ClickException("Something else."), {}, as_json=False) == 3
    assert fail(click.FileError("x", "not there"), {}, as_json=False) == 2


@pytest.mark.parametrize("words", [(), ("place",), ("manifest",)])
def test_a_word_too_few_shows_the_help_and_is_wrong_usage(words: tuple[str, ...]) -> None:
    told = run(AssertionError("not reached"), *words)
    assert (told.exit_code, told.stdout) == (2, "")
    assert told.stderr.startswith("Usage: backupkeeper")


def test_a_stop_is_told_to_programs_by_its_own_code() -> None:
    told = run(KeyboardInterrupt(), "mirror", "--json")
    assert told.exit_code == 3
    assert json.loads(told.stdout)["error"]["code"] == "stopped"
    assert "Stopped. What is proven stays proven; repeat the same command to go on." in told.stderr
