"""The program ``backupkeeper``: its commands, its exit codes, its last word on errors.

Promises (DESIGN section 9):
1. Exit codes: 0 yes / all well, 1 attention needed, 2 wrong usage or configuration, 3 could not
   finish. Nothing but a command's own answer gives 0 or 1.
2. No traceback reaches a person, unless ``BACKUPKEEPER_TRACE=1`` asks for it.
"""

import sys
import traceback
from collections.abc import Sequence
from typing import Any, NoReturn

import click

from backupkeeper import __version__
from backupkeeper.cli.copies import mirror, upload
from backupkeeper.cli.demo import demo
from backupkeeper.cli.gaps import gaps
from backupkeeper.cli.keeper import Desk, open_real
from backupkeeper.cli.manifest import manifest
from backupkeeper.cli.offload import offload
from backupkeeper.cli.output import tell_error, tell_known_error
from backupkeeper.cli.places import place
from backupkeeper.cli.screen import variable
from backupkeeper.cli.verdict import may_wipe
from backupkeeper.cli.verify import verify
from backupkeeper.core.errors import BackupkeeperError

WRONG_USAGE = 2
COULD_NOT_FINISH = 3


class Program(click.Group):
    """A group of commands whose return values are exit codes."""

    def main(  # type: ignore[override]  # click overloads it on standalone_mode; here it always exits
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        **extra: Any,  # noqa: ANN401 - what click's own main takes
    ) -> NoReturn:
        """Run the command that ``args`` name, and end the process with its exit code."""
        words = list(sys.argv[1:] if args is None else args)
        options = words[: words.index("--")] if "--" in words else words
        extra["standalone_mode"] = False

        def run() -> object:
            return super(Program, self).main(
                words, prog_name or "backupkeeper", complete_var, **extra
            )

        sys.exit(_exit_code(run, json="--json" in options))


def _exit_code(run: Any, *, json: bool) -> int:  # noqa: ANN401 - any callable without arguments
    try:
        told = run()
    except BackupkeeperError as error:
        tell_known_error(error, json=json)
        return error.exit_code
    except click.ClickException as error:
        tell_error(*_usage(error), json=json)
        return WRONG_USAGE
    except (click.Abort, KeyboardInterrupt):
        tell_error("Stopped.", "Repeat the same command to go on.", json=json)
        return COULD_NOT_FINISH
    except Exception as error:  # noqa: BLE001 - the last stop before a person: one line, no traceback
        if variable("BACKUPKEEPER_TRACE") == "1":
            traceback.print_exc()
        _tell_unexpected(error, json=json)
        return COULD_NOT_FINISH
    # A command that returns no code came to no answer; --help and --version return 0.
    return told if isinstance(told, int) else COULD_NOT_FINISH


def _usage(error: click.ClickException) -> tuple[str, str]:
    """What was wrong, and what would be right."""
    context = error.ctx if isinstance(error, click.UsageError) else None
    if context is None:
        return error.format_message(), "Try: backupkeeper --help"
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        names = (
            ", ".join(context.command.list_commands(context))
            if isinstance(context.command, click.Group)
            else ""
        )
        return f"Which command? There are: {names}.", f"Try: {context.command_path} --help"
    usage = context.command.get_usage(context).removeprefix("Usage: ")
    return (
        error.format_message(),
        f"Usage: {' '.join(usage.split())}. Try: {context.command_path} --help",
    )


def _tell_unexpected(error: Exception, *, json: bool) -> None:
    told = f"Something unforeseen happened ({type(error).__name__}: {error})."
    advice = "Nothing that was proven is lost. BACKUPKEEPER_TRACE=1 shows where it happened."
    try:
        tell_error(told, advice, json=json)
    except OSError:  # standard output itself is what failed
        tell_error(told, advice, json=False)


@click.group(cls=Program, epilog="Example: backupkeeper may-wipe /media/me/CARD")
@click.option(
    "--config",
    metavar="FILE",
    help="Configuration to use, instead of BACKUPKEEPER_CONFIG or the usual place.",
)
@click.version_option(__version__, message="backupkeeper %(version)s", help="Tell the version.")
@click.pass_context
def main(context: click.Context, config: str | None) -> None:
    """Keep every card in three proven places, and know when it may be wiped.

    Exit codes: 0 yes, all well; 1 attention needed; 2 wrong usage or configuration; 3 could not
    finish.
    """
    context.obj = Desk(config=config, opener=context.obj or open_real)


for _command in (place, offload, mirror, upload, verify, may_wipe, gaps, manifest, demo):
    main.add_command(_command)
