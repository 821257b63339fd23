"""``place add`` and ``place list``."""

import click

from backupkeeper.cli.keeper import Desk
from backupkeeper.cli.output import as_json, tell
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import Role
from backupkeeper.report.objects import added_json, places_json
from backupkeeper.report.places import added_lines, places_lines

BUCKET_PREFIX = "s3://"


@click.group(epilog="Example: backupkeeper place list")
def place() -> None:
    """Take in places for copies, and list them."""


@place.command(
    epilog="Examples: backupkeeper place add /media/me/MAIN --role primary --name Main; "
    'backupkeeper place add s3://my-bucket/footage --role cloud --name "Off site"'
)
@click.argument("location", metavar="PATH_OR_S3")
@click.option(
    "--role",
    required=True,
    type=click.Choice([role.value for role in Role]),
    help="What it is for; cloud is for buckets.",
)
@click.option("--name", required=True, metavar="NAME", help="What you call it.")
@click.option("--folder", is_flag=True, help="Take a folder that is no drive of its own.")
@click.option("--endpoint", metavar="URL", help="Address of the object store (buckets only).")
@click.option("--profile", metavar="NAME", help="Profile of the credentials (buckets only).")
@as_json
@click.pass_obj
def add(
    desk: Desk,
    location: str,
    role: str,
    name: str,
    folder: bool,
    endpoint: str | None,
    profile: str | None,
    json: bool,
) -> int:
    """Take in a drive (its mount point) or a bucket (s3://BUCKET/PREFIX).

    A drive gets one small file, .backupkeeper/place.json; nothing else on it changes.
    """
    bucket = location.startswith(BUCKET_PREFIX)
    if bucket and folder:
        raise UsageError("--folder is for a folder, and this is a bucket.", advice="Leave it out.")
    if not bucket and (endpoint or profile):
        raise UsageError(
            "--endpoint and --profile are for buckets, and this is a path.",
            advice="Leave them out, or name s3://BUCKET/PREFIX.",
        )
    with desk.open() as keeper:
        if bucket:
            taken = keeper.add_bucket(
                location, role=Role(role), name=name, endpoint=endpoint, profile=profile
            )
        else:
            taken = keeper.add_drive(location, role=Role(role), name=name, folder=folder)
    tell(lambda: added_json(taken), lambda look: added_lines(taken, look), json=json)
    return 0


@place.command("list", epilog="Example: backupkeeper place list --json")
@as_json
@click.pass_obj
def list_places(desk: Desk, json: bool) -> int:
    """List the places: what is connected, what each holds."""
    with desk.open() as keeper:
        reports = keeper.places()
    tell(lambda: places_json(reports), lambda look: places_lines(reports, look), json=json)
    return 0
