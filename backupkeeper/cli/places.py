"""``place add``, ``place list`` and ``place set-aside``."""

import sys

import click

from backupkeeper.cli.session import Session, all_option, json_option
from backupkeeper.core.errors import UsageError
from backupkeeper.core.mending import KeptAside
from backupkeeper.core.model import Role
from backupkeeper.report import exits
from backupkeeper.report.objects import added_json, places_json
from backupkeeper.report.places import added_lines, places_lines
from backupkeeper.report.repair import aside_json, aside_lines

BUCKET_SCHEME = "s3://"


@click.group()
def place() -> None:
    """The drives and buckets where copies live."""


@place.command()
@click.argument("where", metavar="PATH_OR_S3")
@click.option(
    "--role",
    required=True,
    type=click.Choice([role.value for role in Role]),
    help="What the place is for.",
)
@click.option("--name", required=True, help="What you call it, as on its label.")
@click.option("--folder", is_flag=True, help="PATH is a folder on a larger drive, and is meant.")
@click.option("--endpoint", metavar="URL", help="Address of the store, if it is not the usual one.")
@click.option("--profile", metavar="NAME", help="Profile with the bucket's credentials.")
@json_option
@click.pass_obj
def add(
    session: Session,
    where: str,
    role: str,
    name: str,
    folder: bool,
    endpoint: str | None,
    profile: str | None,
    as_json: bool,
) -> int:
    """Take in a drive (its mount point) or a bucket (s3://BUCKET/PREFIX).

    A drive gets one small file, .backupkeeper/place.json; a bucket is asked what it can do.

    \b
    Examples:
      backupkeeper place add /media/me/MAIN --role primary --name Main
      backupkeeper place add s3://boatyard/originals --role cloud --name "Off site"
    """
    is_bucket = where.startswith(BUCKET_SCHEME)
    if is_bucket and folder:
        raise UsageError(
            "--folder is for drives; an s3:// address is a bucket.", advice="Leave it out."
        )
    if not is_bucket and (endpoint or profile):
        raise UsageError(
            "--endpoint and --profile are for buckets.",
            advice="Leave them out, or give an address like s3://BUCKET/PREFIX.",
        )
    with session.keeper() as keeper:
        if is_bucket:
            with session.progress(as_json=as_json) as progress:
                taken = keeper.add_bucket(
                    where,
                    role=Role(role),
                    name=name,
                    endpoint=endpoint,
                    profile=profile,
                    progress=progress,
                )
        else:
            taken = keeper.add_drive(where, role=Role(role), name=name, folder=folder)
    return session.tell(
        exits.WELL,
        as_json=as_json,
        lines=lambda look: added_lines(taken, look),
        told=lambda: added_json(taken),
    )


@place.command("list")
@json_option
@click.pass_obj
def list_places(session: Session, as_json: bool) -> int:
    """Show the places: which are here, what each holds, what to know about it.

    \b
    Example:
      backupkeeper place list
    """
    with session.keeper() as keeper:
        places = keeper.places()
    return session.tell(
        exits.WELL,
        as_json=as_json,
        lines=lambda look: places_lines(places, look),
        told=lambda: places_json(places),
    )


@place.command("set-aside")
@click.argument("name", required=False)
@click.option(
    "--delete", is_flag=True, help="Delete what was replaced by a copy that is proven now."
)
@click.option("--yes", is_flag=True, help="Don't ask before deleting.")
@all_option
@json_option
@click.pass_obj
def set_aside(
    session: Session, name: str | None, *, delete: bool, yes: bool, all_paths: bool, as_json: bool
) -> int:
    """Show, or delete, the damaged files that repairs have set aside on a drive.

    They are of use to somebody who wants to know what happened, or to rescue what no copy has right.
    Nothing deletes them but this, or you.

    \b
    Examples:
      backupkeeper place set-aside
      backupkeeper place set-aside Main --delete
    """
    if delete and name is None:
        raise UsageError("--delete wants the name of a drive.")
    with session.keeper() as keeper:
        kept = keeper.kept_aside(name)
        if name is not None and delete and any(map(_may_go, kept)):
            _must_be_meant(sum(map(_may_go, kept)), name, yes=yes)
            kept = keeper.delete_aside(name)
        elif delete:
            kept = ()
    return session.tell(
        exits.WELL,
        as_json=as_json,
        lines=lambda look: aside_lines(kept, look, deleted=delete),
        told=lambda: aside_json(kept, deleted=delete),
        all_paths=all_paths,
    )


def _may_go(one: KeptAside) -> bool:
    return one.is_replaced and not one.is_edit


def _must_be_meant(files: int, name: str, *, yes: bool) -> None:
    """Ask at a terminal; elsewhere only ``--yes`` will do."""
    if yes:
        return
    if not sys.stdin.isatty():
        raise UsageError("Deleting wants your word.", advice="Add --yes.")
    if not click.confirm(f"Delete {files} damaged files that are kept on {name}?", err=True):
        raise UsageError("Nothing was deleted.")
