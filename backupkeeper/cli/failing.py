"""How a failure reaches a person: one sentence, an exit code, never a traceback.

Promises:
1. Errors of ours: their sentence and advice on standard error, their exit code; with ``--json``
   also an object on standard output, without any of the keys of an answer.
2. Wrong usage: what is wrong and what would be right; exit code 2.
3. An interruption: how to go on; exit code 3.
4. No more open files, memory or threads: that, in words; exit code 3.
5. Anything else is a bug of ours: one line that says what to report, exit code 3. The traceback is
   shown only where BACKUPKEEPER_TRACE=1.
"""

import contextlib
import errno
import os
import traceback
from collections.abc import Mapping

import click
from click.exceptions import NoArgsIsHelpError

from backupkeeper import __version__
from backupkeeper.cli.output import write_error, write_out
from backupkeeper.core.errors import (
    SHORT,
    BackupkeeperError,
    BrokenPromiseError,
    ConfigError,
    SystemShortError,
    UsageError,
    WriteError,
)
from backupkeeper.report import exits
from backupkeeper.report.words import told

TRACE_VARIABLE = "BACKUPKEEPER_TRACE"


class StoppedError(BackupkeeperError):
    """The person stopped the work (Ctrl-C)."""

    def __init__(self) -> None:
        super().__init__(
            "Stopped.", advice="What is proven stays proven; repeat the same command to go on."
        )


def fail(error: BaseException, environ: Mapping[str, str], *, as_json: bool) -> int:
    """Tell a failure; return the exit code."""
    code = exits.WRONG_USAGE
    match error:
        case NoArgsIsHelpError():
            write_error(error.format_message())
        case click.ClickException():
            code = _tell(_as_ours(error), as_json=as_json, hint=_hint(error))
        case BackupkeeperError():
            code = _tell(error, as_json=as_json)
        case click.Abort() | KeyboardInterrupt():
            code = _tell(StoppedError(), as_json=as_json)
        case MemoryError() | OSError() | RuntimeError() if _is_short(error):
            number = error.errno if isinstance(error, OSError) else errno.ENOMEM
            code = _tell(SystemShortError("The rest", number or errno.ENOMEM), as_json=as_json)
        case OSError() if not _own_frames(error):
            # Only click itself was at work: it could not write its help, or the version.
            code = _tell(WriteError("standard output", error.errno or 0), as_json=False)
        case _:
            code = _tell(BrokenPromiseError(_bug(error)), as_json=as_json)
    if not isinstance(error, click.ClickException | click.Abort):
        _trace(error, environ)
    return code


def _is_short(error: BaseException) -> bool:
    """Whether the system gave us no more open files, memory or threads (which is memory)."""
    if isinstance(error, OSError):
        return error.errno in SHORT
    return isinstance(error, MemoryError) or "can't start new thread" in str(error)


def _as_ours(error: click.ClickException) -> BackupkeeperError:
    # click breaks some of its sentences and indents them.
    message = " ".join(error.format_message().split())
    if isinstance(error, click.UsageError | click.FileError):
        return UsageError(message)
    return BackupkeeperError(message)


def _hint(error: click.ClickException) -> str:
    context = error.ctx if isinstance(error, click.UsageError) else None
    return f"\nSee: {context.command_path} --help" if context is not None else ""


def _tell(error: BackupkeeperError, *, as_json: bool, hint: str = "") -> int:
    write_error(sentence(error) + hint)
    if as_json:
        # If that fails too, standard error and the exit code have told it already.
        with contextlib.suppress(BackupkeeperError):
            from backupkeeper.report import objects  # noqa: PLC0415 - only here is so much needed

            write_out(objects.as_text(objects.error_json(error)))
    return error.exit_code


def sentence(error: BackupkeeperError) -> str:
    """An error in words, each line fit for a terminal."""
    if isinstance(error, ConfigError):
        faults = [
            f"  {told(one.key)} = {told(one.value)}\n    would be right: {told(one.wanted)}"
            for one in error.faults
        ]
        return "\n".join([f"The configuration {told(error.file)} can't be used:", *faults])
    return told(str(error))


def _own_frames(error: BaseException) -> list[str]:
    """``file:line`` of each of our own frames below ``main``, outermost first."""
    ours = f"{os.sep}backupkeeper{os.sep}"
    spots = [
        f"{frame.filename.rpartition(ours)[2]}:{frame.lineno}"
        for frame in traceback.extract_tb(error.__traceback__)
        if ours in frame.filename
    ]
    return [spot for spot in spots if not spot.startswith(f"cli{os.sep}main.py:")]


def _bug(error: BaseException) -> str:
    frames = _own_frames(error)
    spot = frames[-1] if frames else "cli/main.py"
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return (
        f"This should not happen, and nothing was shown to be proven by it. Please report this "
        f"line: {what} (at {spot}, backupkeeper {__version__}). {TRACE_VARIABLE}=1 shows more."
    )


def _trace(error: BaseException, environ: Mapping[str, str]) -> None:
    if environ.get(TRACE_VARIABLE) == "1":
        write_error("".join(traceback.format_exception(error)).rstrip())
