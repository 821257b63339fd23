"""The program: its commands, and the one place where its exit code is made.

Promise: ``main()`` leaves with 0, 1, 2 or 3 (DESIGN section 9), whatever happens below it.
"""

import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any, Final

import click

from backupkeeper import __version__
from backupkeeper.cli.failing import fail
from backupkeeper.cli.session import Session, real_session
from backupkeeper.report.exits import NOT_FINISHED

OBJECTS_BETWEEN: Final = 50_000
"""New objects, before Python looks for cycles among them."""
COMMANDS: Final = {
    "place": ("place_all", "place"),
    "offload": ("offload", "offload"),
    "mirror": ("copies", "mirror"),
    "upload": ("copies", "upload"),
    "verify": ("verify", "verify"),
    "repair": ("repair", "repair"),
    "restore": ("restore", "restore"),
    "export": ("export", "export"),
    "import": ("delivery", "bring_in"),
    "drill": ("drill", "drill"),
    "rebuild": ("rebuild", "rebuild"),
    "adopt": ("adopt", "adopt"),
    "may-wipe": ("verdict", "may_wipe"),
    "gaps": ("gaps", "gaps"),
    "report": ("report", "report"),
    "keys": ("keys", "keys"),
    "posters": ("posters", "posters"),
    "manifest": ("manifest", "manifest"),
    "run": ("run", "run"),
    "status": ("status", "status"),
    "page": ("page", "page"),
    "pause": ("run", "pause"),
    "resume": ("run", "resume"),
    "service": ("service", "service"),
    "demo": ("demo", "demo"),
    "mail": ("mail", "mail"),
    "compare": ("compare", "compare"),
    "catalog": ("catalog", "catalog"),
}
"""Each command: the file here that has it, and what it is called there. Loaded when it is asked for."""


class Program(click.Group):
    """A group whose ``main`` tells failures as ``cli.failing`` says, and that loads only what is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Their names, as a help text lists them."""
        return sorted({*super().list_commands(ctx), *COMMANDS})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """A command by its name."""
        if cmd_name in COMMANDS and cmd_name not in self.commands:
            module, name = COMMANDS[cmd_name]
            self.add_command(getattr(import_module(f"backupkeeper.cli.{module}"), name))
        return super().get_command(ctx, cmd_name)

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,  # noqa: ARG002 - always the same, also as python -m
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,  # noqa: ANN401 - click's own signature
    ) -> Any:  # noqa: ANN401 - click's own signature
        """Run, and leave with the exit code."""
        # Thousands of values are no garbage: looking for it so often took a tenth of a large report.
        gc.set_threshold(OBJECTS_BETWEEN)
        words = list(sys.argv[1:] if args is None else args)
        session = extra.pop("obj", None) or real_session(os.environ)  # noqa: TID251 - read once, handed on
        try:
            result = super().main(
                words,
                "backupkeeper",
                complete_var,
                standalone_mode=False,
                windows_expand_args=windows_expand_args,
                obj=session,
                **extra,
            )
        except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 - nothing may leave as a traceback
            code = fail(error, session.environ, as_json="--json" in words)
        else:
            code = result if isinstance(result, int) else NOT_FINISHED
        if standalone_mode:
            sys.exit(code)
        return code


@click.group(
    cls=Program,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit codes: 0 yes, all well; 1 attention needed; 2 wrong usage or configuration; "
    "3 could not finish.",
)
@click.option(
    "--config",
    metavar="FILE",
    help="The configuration (else BACKUPKEEPER_CONFIG, else the usual place).",
)
@click.option(
    "--identity",
    metavar="FILE",
    help="The file with the key that decrypts what stands encrypted in a bucket.",
)
@click.version_option(__version__, prog_name="backupkeeper", message="%(prog)s %(version)s")
@click.pass_context
def main(context: click.Context, config: str | None, identity: str | None) -> None:
    """Keeps every card in three proven places and answers: may I wipe this card?

    \b
    A day's work:
      backupkeeper offload /media/me/CARD --shoot "260612 Boatyard" --source Wide
      backupkeeper mirror
      backupkeeper upload
      backupkeeper may-wipe /media/me/CARD
    """
    session: Session = context.obj
    context.obj = session.with_config(config, identity)
