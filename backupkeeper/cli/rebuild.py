"""``rebuild``: the catalog from what lies on drives and in buckets."""

from typing import Any

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.core.rebuilding import RebuildWish
from backupkeeper.report import exits
from backupkeeper.report.rebuild import rebuild_json, rebuild_lines


@click.command(short_help="The catalog anew, from drives and buckets.")
@click.option(
    "--from",
    "sources",
    multiple=True,
    metavar="PATH_OR_S3",
    help="A drive's mount point, a folder with snapshots, or s3://BUCKET/PREFIX; as often as you like. "
    "Without it: every drive that is here.",
)
@click.option("--endpoint", metavar="URL", help="Address of the store, if it is not the usual one.")
@click.option("--profile", metavar="NAME", help="Profile with the bucket's credentials.")
@click.option("--merge", is_flag=True, help="Add what is found to a catalog that holds something.")
@click.option(
    "--take-in",
    is_flag=True,
    help="Also read the rolls that no snapshot knows and take them in; those in a bucket are "
    "downloaded for that.",
)
@click.option("--dry-run", is_flag=True, help="Only say what the snapshots there would give.")
@all_option
@json_option
@click.pass_obj
def rebuild(session: Session, /, *, all_paths: bool, as_json: bool, **wanted: Any) -> int:  # noqa: ANN401 - click's
    """Put the catalog together again: a new machine, a lost disk, a second machine.

    Snapshots of the catalog lie on every drive and in the bucket. Of every computer's the newest that
    is whole is taken over; then rolls are looked for that none of them knew. Nothing on the drives or
    in the bucket is changed; --take-in adds manifests on drives.

    \b
    Examples:
      backupkeeper rebuild
      backupkeeper rebuild --from s3://boatyard/originals --profile footage

    Exits 0 if all is known again, 1 if something is left to see to, 2 if the catalog holds something
    already, 3 if no drive is here or a bucket does not answer.
    """
    wish = RebuildWish(**wanted)
    with session.keeper() as keeper, session.progress(as_json=as_json) as progress:
        outcome = keeper.rebuild(wish, progress=progress)
    return session.tell(
        exits.of_rebuild(outcome),
        as_json=as_json,
        lines=lambda look: rebuild_lines(outcome, look),
        told=lambda: rebuild_json(outcome),
        all_paths=all_paths,
    )
