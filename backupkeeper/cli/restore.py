"""``restore``: bring originals back."""

import sys
from collections.abc import Callable
from dataclasses import replace

import click

from backupkeeper.cli.output import as_text, look_of, write_error
from backupkeeper.cli.session import Session, json_option
from backupkeeper.core.errors import UsageError
from backupkeeper.core.restoring import Asked, RestorePlan
from backupkeeper.report import exits
from backupkeeper.report.restore import plan_lines, restore_json, restore_lines

HINT = "--json lists them"
"""What lists the rest of many paths."""


_OPTIONS = (
    click.option("--from", "source", metavar="PLACE", help="Take from this place only."),
    click.option("--dry-run", is_flag=True, help="Only tell what would come from where."),
    click.option("--wait", is_flag=True, help="Wait for what the store has to thaw first."),
    click.option(
        "--tier",
        type=click.Choice(["Bulk", "Standard", "Expedited"]),
        default="Standard",
        show_default=True,
        help="How urgently the store thaws; faster costs more.",
    ),
    click.option(
        "--thawed-days",
        type=click.IntRange(1, 365),
        default=7,
        show_default=True,
        help="For how many days the store keeps what it thawed.",
    ),
    click.option("--yes", is_flag=True, help="Don't ask, whatever it costs."),
)


def restoring_options(command: Callable[..., int]) -> Callable[..., int]:
    """What a restore can be asked beside what and whereto."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


@click.command(short_help="Bring a file, a roll, a shoot or everything back.")
@click.argument("what", required=False)
@click.option("--all", "everything", is_flag=True, help="Everything that is known.")
@click.option("--to", "to", required=True, metavar="DIR", help="The folder to restore to.")
@restoring_options
@json_option
@click.pass_obj
def restore(  # noqa: PLR0913 - click hands in each option by name
    session: Session,
    what: str | None,
    *,
    everything: bool,
    to: str,
    source: str | None,
    dry_run: bool,
    wait: bool,
    tier: str,
    thawed_days: int,
    yes: bool,
    as_json: bool,
) -> int:
    """Bring originals back into a folder, from the cheapest copies that are right.

    WHAT is a shoot, a roll or a file, named as in 'backupkeeper gaps'; --all is everything. Below DIR
    stands the same tree as on a drive, with the manifests of each whole roll. Every file is compared
    while it comes and read back before it gets its name. What is there already is never written over.
    What was interrupted goes on where it was: repeat the same command.

    \b
    Examples:
      backupkeeper restore "260612 Boatyard" --to /media/me/New --dry-run
      backupkeeper restore --all --to /media/me/New --from "Off site"

    Exits 0 if all of it is there, proven; 1 if something is not what it should be; 3 if something could
    not be reached, or is being thawed: come again.
    """
    if everything == (what is not None):
        raise UsageError("Name what to restore, or --all for everything; not both.")
    asked = Asked(what=what, to=to, source=source, tier=tier, keep_days=thawed_days, wait=wait)

    def agree(plan: RestorePlan) -> bool:
        if dry_run:
            return False
        if not as_json:
            show_plan(session, plan)
        return yes or is_meant(plan, as_json=as_json)

    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.restore(asked, agree=agree, progress=progress)
    return session.tell(
        exits.of_restore(outcome),
        as_json=as_json,
        lines=lambda look: (
            (plan_lines(outcome.plan, replace(look, hint=HINT)) if dry_run else [])
            + restore_lines(outcome, replace(look, hint=HINT))
        ),
        told=lambda: restore_json(outcome),
    )


def show_plan(session: Session, plan: RestorePlan, deed: str = "Restore") -> None:
    """The plan, before the question: on standard error, for standard output is for the answer."""
    look = replace(look_of(sys.stderr, session.environ), hint=HINT)
    lines = as_text(plan_lines(plan, look, deed), colours=False)
    write_error(lines.rstrip("\n"))


def is_meant(plan: RestorePlan, *, as_json: bool, question: str = "Restore it?") -> bool:
    """Ask at a terminal; elsewhere only ``--yes`` will do for what costs money or has to be thawed."""
    if not sys.stdin.isatty() or as_json:
        if plan.wants_word:
            raise UsageError(
                "It costs money, or is not known not to, or has to be thawed first.",
                advice="Add --yes.",
            )
        return True
    if not click.confirm(question, err=True):
        raise UsageError("Nothing was done.")
    return True
