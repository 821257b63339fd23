r"""Writing what a command came to: words or one JSON object, errors in one sentence.

Promises:
1. Standard output holds the answer and nothing else; errors and progress go to standard error.
2. With ``--json`` it is exactly one object, also for an error: ``{"version": 1, "error":
   {"message", "advice", …}}`` (``report.objects``). Text is ASCII with ``\u`` escapes, so odd bytes of names survive.
3. A reader that went away (a closed pipe) is no error: the command keeps its own exit code.
"""

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import IO, Any

import click

from backupkeeper.cli.screen import look_of, stdout_look, wants_colour
from backupkeeper.core.errors import BackupkeeperError, ConfigError
from backupkeeper.report.lines import Line, Look, Tone
from backupkeeper.report.objects import as_text, error_json
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import told

_STYLES: Mapping[Tone, Mapping[str, Any]] = {
    Tone.GOOD: {"fg": "green", "bold": True},
    Tone.BAD: {"fg": "red", "bold": True},
    Tone.WARN: {"fg": "yellow"},
    Tone.HEAD: {"bold": True},
    Tone.QUIET: {"dim": True},
}

as_json = click.option("--json", "json", is_flag=True, help="Tell it as one JSON object.")
every_path = click.option(
    "--all", "every", is_flag=True, help="List every path, not the first few."
)


def tell(
    to_object: Callable[[], Json],
    to_lines: Callable[[Look], list[Line]],
    *,
    json: bool,
    every: bool = False,
) -> None:
    """Write what a command came to, in the form that was asked for."""
    if json:
        tell_object(to_object())
    else:
        tell_lines(to_lines(stdout_look(all_paths=every)))


def tell_object(value: Json) -> None:
    """Write one JSON object."""
    _write(as_text(value))


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
    _write(told(text) + "\n")


def tell_error(message: str, advice: str = "", *, json: bool) -> None:
    """Write what went wrong: to a person on standard error, to a script as an object."""
    if json:
        tell_object({"version": 1, "error": {"message": message, "advice": advice}})
        return
    _complain(f"backupkeeper: {message} {advice}".rstrip())


def tell_known_error(error: BackupkeeperError, *, json: bool) -> None:
    """Write an error of the program's own tree; all faults of a configuration, one to a line."""
    if json:
        tell_object(error_json(error))
        return
    if not isinstance(error, ConfigError):
        tell_error(error.message, error.advice, json=False)
        return
    _complain("backupkeeper: the configuration can't be used.")
    for fault in error.faults:
        _complain(f"  {error.file}: {fault.key} = {fault.value}: {fault.wanted}")


def _complain(text: str) -> None:
    with suppress(OSError, ValueError):  # nobody listens: the exit code still tells
        sys.stderr.write(fitting(told(text), sys.stderr) + "\n")
        sys.stderr.flush()


def _styled(line: Line) -> str:
    return click.style(line.text, **_STYLES[line.tone]) if line.tone in _STYLES else line.text


def fitting(text: str, stream: IO[str]) -> str:
    """The text with escapes for whatever this stream's screen or encoding can't hold."""
    if look_of(stream).unicode:
        return text
    return text.encode("ascii", "backslashreplace").decode("ascii")


def _write(text: str) -> None:
    with suppress(BrokenPipeError):
        sys.stdout.write(fitting(text, sys.stdout))
        sys.stdout.flush()
        return
    _nobody_reads()


def _nobody_reads() -> None:
    """Let nothing more be written to the closed pipe, also not by Python when it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
