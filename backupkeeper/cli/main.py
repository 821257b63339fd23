"""The program: its commands, and the one place where its exit code is made.

Promise: ``main()`` leaves with 0, 1, 2 or 3 (DESIGN section 9), whatever happens below it.
"""

import gc
import os
import sys
from collections.abc import Sequence
from typing import Any, Final

import click

from backupkeeper import __version__
from backupkeeper.cli.adopt import adopt
from backupkeeper.cli.catalog import catalog
from backupkeeper.cli.compare import compare
from backupkeeper.cli.copies import mirror, upload
from backupkeeper.cli.costs import cost
from backupkeeper.cli.delivery import bring_in
from backupkeeper.cli.demo import demo
from backupkeeper.cli.drill import drill
from backupkeeper.cli.export import export
from backupkeeper.cli.failing import fail
from backupkeeper.cli.gaps import gaps
from backupkeeper.cli.keys import keys
from backupkeeper.cli.mail import mail
from backupkeeper.cli.manifest import manifest
from backupkeeper.cli.offload import offload
from backupkeeper.cli.page import page
from backupkeeper.cli.place_check import check
from backupkeeper.cli.place_standing import found, lost, rename, replace_place, retire
from backupkeeper.cli.places import place
from backupkeeper.cli.posters import posters
from backupkeeper.cli.rebuild import rebuild
from backupkeeper.cli.repair import repair
from backupkeeper.cli.report import report
from backupkeeper.cli.restore import restore
from backupkeeper.cli.run import pause, resume, run
from backupkeeper.cli.service import service
from backupkeeper.cli.session import Session, real_session
from backupkeeper.cli.status import status
from backupkeeper.cli.verdict import may_wipe
from backupkeeper.cli.verify import verify
from backupkeeper.report.exits import NOT_FINISHED

OBJECTS_BETWEEN: Final = 50_000
"""New objects, before Python looks for cycles among them."""


class Program(click.Group):
    """A group whose ``main`` tells failures as ``cli.failing`` says."""

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


place.add_command(check)
for command in (
    place, offload, mirror, upload, verify, repair, restore, export, bring_in, drill, rebuild, adopt, may_wipe, gaps, report, keys, posters, manifest, run, status, page, pause, resume, service, demo,
):  # fmt: skip
    main.add_command(command)
for command in (cost, lost, retire, found, rename, replace_place):
    place.add_command(command)
main.add_command(mail)
main.add_command(compare)
main.add_command(catalog)
