"""Made-up views of the boat yard, for the tests of the planner and of what is told."""

from typing import Any

from backupkeeper.core.deeds import CardHere, DriveHere, Hours, RollNeed, Standing, View, Want
from backupkeeper.core.model import PlaceId, Role, RollHead, RollId
from tests.core.made_up_copies import MAIN, NOW, PLACES, TRAVEL, VAULT

GB = 10**9


def drive(ident: PlaceId, **changes: Any) -> DriveHere:
    values = {
        "place": ident,
        "token": f"token of {ident}",
        "point": f"/media/{ident}",
        "device": f"device of {ident}",
        "free_bytes": 1000 * GB,
    }
    return DriveHere(**{**values, **changes})


BOTH = {MAIN: drive(MAIN), TRAVEL: drive(TRAVEL)}


def view(**changes: Any) -> View:
    values: dict[str, Any] = {
        "now": NOW,
        "places": PLACES,
        "drives": BOTH,
        "hours": Hours(proof_s=3600.0),
        "wipe_needs": tuple(Role),
    }
    return View(**{**values, **changes})


def card(**changes: Any) -> CardHere:
    values: dict[str, Any] = {
        "token": "card",
        "point": "/media/card",
        "device": "reader",
        "label": "WIDE",
        "source": "Wide",
        "auto_offload": True,
        "shoot": "260612 Boatyard",
        "size_bytes": 64 * GB,
        "file_count": 9,
    }
    return CardHere(**{**values, **changes})


def need(name: str = "Roll 01", shoot: str = "260612 Boatyard", **changes: Any) -> RollNeed:
    head = RollHead(
        id=RollId(f"{shoot} {name}"),
        shoot=shoot,
        source="Wide",
        name=name,
        folder=f"{shoot}/Originals/Wide/{name}",
        sealed_at=NOW,
        file_count=2,
        size_bytes=10 * GB,
    )
    values: dict[str, Any] = {"roll": head, "gaps": (), "fewest": 1, "wants": {}, "at": {}}
    return RollNeed(**{**values, **changes})


def want(*sources: PlaceId) -> Want:
    return Want(files=2, size_bytes=10 * GB, sources=dict.fromkeys(sources, 2))


SECOND = need(gaps=(Role.SECONDARY,), wants={TRAVEL: want(MAIN)})
THIRD = need(gaps=(Role.CLOUD,), wants={VAULT: want(MAIN)})
UNPROVEN = need(
    gaps=(Role.PRIMARY,),
    at={MAIN: Standing(files=2, size_bytes=GB, unproven_files=2, unproven_bytes=GB)},
)
AGEING = need(at={MAIN: Standing(files=2, size_bytes=GB, ageing_files=2, ageing_bytes=GB)})
NEVER = need(
    gaps=(Role.PRIMARY,),
    at={MAIN: Standing(files=2, size_bytes=GB, unproven_files=2, never_proven=True)},
)
WRITTEN_IN_THE_CLOUD = need(
    gaps=(Role.CLOUD,), at={VAULT: Standing(files=2, size_bytes=GB, unproven_files=2)}
)
