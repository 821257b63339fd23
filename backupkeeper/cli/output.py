r"""Writing what a command came to: words or one JSON object, errors in one sentence.

Promises:
1. Standard output holds the answer and nothing else; errors and progress go to standard error.
2. With ``--json`` it is exactly one object, also for an error: ``{"version": 1, "error":
   {"message", "advice"}}``. Text is ASCII with ``\u`` escapes, so odd bytes of names survive.
3. A reader that went away (a closed pipe) is no error: the command keeps its own exit code.
"""

import json
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any

import click

from backupkeeper.cli.screen import stdout_look, wants_colour
from backupkeeper.core.errors import BackupkeeperError, ConfigError
from backupkeeper.report.lines import Line, Look, Tone
from backupkeeper.report.words import escape_sentence

_COLOURS = {Tone.GOOD: "green", Tone.BAD: "red"}

as_json = click.option("--json", "json", is_flag=True, help="Tell it as one JSON object.")


def tell(json: bool, to_object: Callable[[], Any], to_lines: Callable[[Look], list[Line]]) -> None:
    """Write what a command came to, in the form that was asked for."""
    if json:
        tell_object(to_object())
    else:
        tell_lines(to_lines(stdout_look()))


def tell_object(value: Any) -> None:  # noqa: ANN401 - whatever JSON can hold
    """Write one JSON object."""
    _write(json.dumps(value, indent=2) + "\n")


def tell_lines(lines: Sequence[Line]) -> None:
    """Write the lines of a report."""
    colour = wants_colour(sys.stdout)
    _write("".join(f"{_styled(line) if colour else line.text}\n" for line in lines))


def tell_bytes(data: bytes) -> None:
    """Write bytes as they are."""
    with suppress(BrokenPipeError):
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
        return
    _nobody_reads()


def tell_plain(text: str) -> None:
    """Write one line that may hold anything."""
    ascii_only = stdout_look().ascii_only
    _write(escape_sentence(text, ascii_only=ascii_only) + "\n")


def tell_error(message: str, advice: str = "", *, json: bool) -> None:
    """Write what went wrong: to a person on standard error, to a script as an object."""
    if json:
        tell_object({"version": 1, "error": {"message": message, "advice": advice}})
        return
    _complain(f"backupkeeper: {message} {advice}".rstrip())


def tell_known_error(error: BackupkeeperError, *, json: bool) -> None:
    """Write an error of the program's own tree; all faults of a configuration, one to a line."""
    if json or not isinstance(error, ConfigError):
        tell_error(error.message, error.advice, json=json)
        return
    _complain("backupkeeper: the configuration can't be used.")
    for fault in error.faults:
        _complain(f"  {error.file}: {fault.key} = {fault.value}: {fault.wanted}")


def _complain(text: str) -> None:
    with suppress(OSError, ValueError):  # nobody listens: the exit code still tells
        sys.stderr.write(escape_sentence(text, ascii_only=True) + "\n")
        sys.stderr.flush()


def _styled(line: Line) -> str:
    if line.tone is Tone.HEAD:
        return click.style(line.text, bold=True)
    if line.tone in _COLOURS:
        return click.style(line.text, fg=_COLOURS[line.tone], bold=True)
    return line.text


def _write(text: str) -> None:
    with suppress(BrokenPipeError):
        sys.stdout.write(text)
        sys.stdout.flush()
        return
    _nobody_reads()


def _nobody_reads() -> None:
    """Let nothing more be written to the closed pipe, also not by Python when it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
