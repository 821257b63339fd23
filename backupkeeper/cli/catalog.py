"""``catalog merge``: what another machine knows, added to what this one knows."""

from typing import Any

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.core.merging import MergeWish
from backupkeeper.report import exits
from backupkeeper.report.merging import merge_json, merge_lines


@click.group()
def catalog() -> None:
    """What this machine knows of all copies."""


@catalog.command()
@click.argument("sources", nargs=-1, required=True, metavar="SOURCE...")
@click.option("--endpoint", metavar="URL", help="Address of the store, if it is not the usual one.")
@click.option("--profile", metavar="NAME", help="Profile with the bucket's credentials.")
@click.option("--dry-run", is_flag=True, help="Only say what would be added.")
@all_option
@json_option
@click.pass_obj
def merge(session: Session, /, *, all_paths: bool, as_json: bool, **wanted: Any) -> int:  # noqa: ANN401 - click's
    """Add what other machines know of the same drives and buckets.

    SOURCE is a catalog's file, a snapshot of one, a folder, a drive or bucket by its name, or
    s3://BUCKET/PREFIX. Nothing that this catalog knows is lost; where the two say different things of
    a copy, the newest fact counts. A source that can't be believed is left out whole.

    \b
    Examples:
      backupkeeper catalog merge "Off site"
      backupkeeper catalog merge "Main" "Travel" --dry-run

    Exits 0 if all was added, 1 if something could not be used, 2 if a source is none, 3 if a drive is
    not here or a bucket does not answer.
    """
    wish = MergeWish(**wanted)
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.merge(wish, progress=progress)
    return session.tell(
        exits.of_merge(outcome),
        as_json=as_json,
        lines=lambda look: merge_lines(outcome, look),
        told=lambda: merge_json(outcome),
        all_paths=all_paths,
    )
