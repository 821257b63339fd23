"""``drill``: bring a shoot back to see that it comes."""

from dataclasses import replace

import click

from backupkeeper.cli.restore import HINT, is_meant, show_plan
from backupkeeper.cli.session import Session, json_option
from backupkeeper.core.restoring import Asked, RestorePlan
from backupkeeper.report import exits
from backupkeeper.report.drill import drill_json, drill_lines


@click.command(short_help="Bring a shoot back into a scratch folder, to see that it comes.")
@click.argument("shoot", required=False)
@click.option("--to", "to", required=True, metavar="DIR", help="Where the scratch folder is made.")
@click.option("--from", "source", metavar="PLACE", help="Take from this place, not from a bucket.")
@click.option("--yes", is_flag=True, help="Don't ask, whatever it costs.")
@json_option
@click.pass_obj
def drill(
    session: Session, shoot: str | None, *, to: str, source: str | None, yes: bool, as_json: bool
) -> int:
    """Bring a shoot back from the bucket into a scratch folder, compare all of it, remove it again.

    Without SHOOT chance decides whose turn it is; none has its turn again before all others had theirs.
    What came of it is remembered, and stands in 'backupkeeper status' and in the weekly report. Only
    what was brought is removed, each file compared once more before.

    \b
    Example:
      backupkeeper drill --to /media/me/SCRATCH

    Exits 0 if all of it came back right, 1 if not, 3 if it could not be ended.
    """
    asked = Asked(what=shoot, to=to, source=source)

    def agree(plan: RestorePlan) -> bool:
        if not as_json:
            show_plan(session, plan)
        return yes or is_meant(plan, as_json=as_json)

    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.drill(asked, agree=agree, progress=progress)
    return session.tell(
        exits.of_drill(outcome),
        as_json=as_json,
        lines=lambda look: drill_lines(outcome, replace(look, hint=HINT)),
        told=lambda: drill_json(outcome),
    )
