"""``place cost``: what the buckets hold and cost."""

import click

from backupkeeper.cli.session import Session, json_option
from backupkeeper.report import exits
from backupkeeper.report.costs import cost_json, cost_lines


@click.command(short_help="What the buckets hold, and what that costs.")
@click.argument("name", required=False)
@json_option
@click.pass_obj
def cost(session: Session, name: str | None, as_json: bool) -> int:
    """Show what a bucket holds by storage class, what a month of it costs, and fetching it all back.

    NAME is the name of a bucket; without it, all. The bucket is listed, nothing is fetched. Costs are
    told by the prices that you wrote under [prices] in the configuration; without them, only sizes.

    \b
    Example:
      backupkeeper place cost "Off site"
    """
    with session.keeper() as keeper:
        found = keeper.costs(name)
    return session.tell(
        exits.of_costs(found),
        as_json=as_json,
        lines=lambda look: cost_lines(found, look),
        told=lambda: cost_json(found),
    )
