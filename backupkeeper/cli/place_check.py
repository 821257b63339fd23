"""``place check``: what a bucket can do."""

import sys

import click

from backupkeeper.cli.output import write_out
from backupkeeper.cli.session import Session, json_option
from backupkeeper.core.errors import UsageError
from backupkeeper.report import exits
from backupkeeper.report.bucket import check_json, check_lines, rule_json
from backupkeeper.report.objects import as_text


@click.command()
@click.argument("name")
@click.option(
    "--lifecycle-rule",
    "show_rule",
    is_flag=True,
    help="Only print the rule that ends unfinished uploads, as JSON; asks nobody.",
)
@click.option(
    "--set-lifecycle",
    "set_rule",
    is_flag=True,
    help="Add that rule to the bucket; all rules that are there stay.",
)
@click.option("--yes", is_flag=True, help="Don't ask before adding the rule.")
@json_option
@click.pass_obj
def check(
    session: Session, name: str, *, show_rule: bool, set_rule: bool, yes: bool, as_json: bool
) -> int:
    """Try what a bucket can do, and say what that means.

    It makes a few small objects below .backupkeeper, and removes them where that is allowed. The
    findings are remembered for 30 days.

    \b
    Examples:
      backupkeeper place check "Off site"
      backupkeeper place check "Off site" --set-lifecycle
    """
    if show_rule and (set_rule or yes):
        raise UsageError("--lifecycle-rule only shows the rule.", advice="Leave one of them out.")
    if yes and not set_rule:
        raise UsageError("--yes goes with --set-lifecycle.", advice="Leave it out.")
    with session.keeper() as keeper:
        if show_rule:
            write_out(as_text(rule_json(keeper.lifecycle_rule(name))))
            return exits.WELL
        added = None
        with session.progress(as_json=as_json) as progress:
            if set_rule:
                _must_be_meant(name, yes=yes)
                added, found = keeper.set_lifecycle_rule(name, progress=progress)
            else:
                found = keeper.check_place(name, progress=progress)
    return session.tell(
        exits.of_check(found),
        as_json=as_json,
        lines=lambda look: check_lines(found, look, added=added),
        told=lambda: check_json(found, added=added),
    )


def _must_be_meant(name: str, *, yes: bool) -> None:
    """Ask at a terminal; elsewhere only ``--yes`` will do."""
    if yes:
        return
    if not sys.stdin.isatty():
        raise UsageError("Changing the bucket's rules wants your word.", advice="Add --yes.")
    if not click.confirm(
        f"Add a rule that ends unfinished uploads to the bucket {name}?", err=True
    ):
        raise UsageError("Nothing was changed.")
