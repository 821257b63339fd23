"""Drives, bucket, rolls and deeds of the boat yard, for tests of the daemon's parts."""

from datetime import UTC, datetime

from backupkeeper.core.deeds import Deed, DeedKind, DriveHere
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role, RollId
from backupkeeper.ports.mounts import Mount

NOON = datetime(2026, 6, 12, 12, tzinfo=UTC)
MAIN, TRAVEL, OFF_SITE = PlaceId("main"), PlaceId("travel"), PlaceId("off-site")
ROLL = RollId("roll")


def place(
    ident: PlaceId, name: str, role: Role, kind: PlaceKind = PlaceKind.DRIVE, location: str = "/m"
) -> Place:
    return Place(
        id=ident, name=name, role=role, kind=kind, created_at=NOON, location=location, device=name
    )


PLACES = {
    MAIN: place(MAIN, "Main", Role.PRIMARY),
    TRAVEL: place(TRAVEL, "Travel", Role.SECONDARY),
    OFF_SITE: place(OFF_SITE, "Off site", Role.CLOUD, PlaceKind.BUCKET, "s3://b/p"),
}


def drive(ident: PlaceId, token: str = "") -> DriveHere:
    return DriveHere(
        place=ident,
        token=token or f"token of {ident}",
        point=f"/media/{ident}",
        device=f"disk of {ident}",
        free_bytes=10**12,
    )


DRIVES = {MAIN: drive(MAIN), TRAVEL: drive(TRAVEL)}


def mount(token: str, point: str, *, source: str = "/dev/sdb1", root: str = "/") -> Mount:
    return Mount(
        mount_id=7,
        point=point,
        root=root,
        fs_type="ext4",
        source=source,
        device_number=(8, 17),
        read_only=False,
        token=token,
    )


OFFLOAD = Deed(
    kind=DeedKind.OFFLOAD,
    why="It is nowhere else.",
    onto=(MAIN, TRAVEL),
    card="card",
    shoot="260612 Boatyard",
    source_name="Wide",
)
MIRROR = Deed(
    kind=DeedKind.MIRROR,
    why="Travel lacks it.",
    place=TRAVEL,
    source=MAIN,
    roll=ROLL,
    folder="260612 Boatyard/Originals/Wide/Roll 01",
)
UPLOAD = Deed(
    kind=DeedKind.UPLOAD, why="It is not off site.", place=OFF_SITE, source=MAIN, roll=ROLL
)
PROVE = Deed(kind=DeedKind.PROVE, why="It is due.", place=MAIN, roll=ROLL, folder="f")
JUDGE = Deed(kind=DeedKind.JUDGE, why="It may be wiped?", card="card", source_name="Wide")
LOOK = Deed(kind=DeedKind.LOOK, why="Something changed.", place=MAIN, folders=("",))
