"""The daemon makes posters by itself, from a drive, after a card was offloaded; and never from the card."""

import json
from pathlib import Path

import pytest

from backupkeeper.catalog.posters import PosterShelf, posters_folder
from backupkeeper.core.model import Blake3
from backupkeeper.core.posters import NOT_UNDERSTOOD, Poster
from backupkeeper.system.files import RealFiles
from tests.cards.picture_clips import QUARTERS, Shot, alike, seen, shot
from tests.real.daemon_stand import CARD, Daemon, DaemonStand

pytestmark = [pytest.mark.real("ext4", "xfs"), pytest.mark.slow]
SHOWN = {**CARD, "DCIM/100BOATY/BOAT0003.MP4": shot(Shot())}
ROLL = "260612 Boatyard/Originals/Wide/Roll 01"


def all_posters(stand: DaemonStand) -> list[Poster]:
    catalog = f"{stand.root}/catalog.sqlite"
    shelf = PosterShelf(RealFiles(), catalog)
    names = [path.stem for path in Path(posters_folder(catalog)).rglob("*.json")]
    return [poster for name in names if (poster := shelf.get(Blake3(name))) is not None]


def begun(daemon: Daemon, what: str) -> int:
    return next(n for n, one in enumerate(daemon.said()) if one.startswith(what))


def test_a_card_s_clips_have_posters_without_another_keystroke(tmp_path: Path) -> None:
    with DaemonStand(tmp_path) as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        card = stand.card("ext4", SHOWN)
        with stand.running() as daemon:
            daemon.wait_for("Main is here", "Travel is here")
            card.mount(options="ro")
            daemon.wait_for(": Made 3 posters.", "this card may be wiped")
            offloaded = begun(daemon, "offload Wide to Main and Travel: Offloaded 5")
            assert offloaded < begun(daemon, f"posters {ROLL} on ")
            found = all_posters(stand)
            shown = [one.jpeg for one in found if one.jpeg is not None]
            assert [one.note for one in found].count(NOT_UNDERSTOOD) == 2
            assert all(alike(a, b) for a, b in zip(seen(shown[0]).quarters, QUARTERS, strict=True))
            told = json.loads(stand.typed("status", "--json"))
            assert not [one for one in told["waiting"] if "posters" in str(one)]
        with stand.running() as daemon:  # after a restart it is not done again
            daemon.wait_for("Main is here", "Travel is here")
            daemon.until(
                lambda: json.loads(stand.typed("status", "--json"))["under_way"] == [], "busy"
            )
            assert not [one for one in daemon.said() if one.startswith("posters")]
        assert json.loads(stand.typed("posters", "--json"))["known"] == 3


def test_a_card_goes_first_and_posters_go_on_afterwards(tmp_path: Path) -> None:
    """Many clips that are none: a second card comes while their posters are being made."""
    many = {f"DCIM/100BOATY/BOAT{n:04}.MP4": bytes([n]) * 2000 for n in range(40)}
    with DaemonStand(tmp_path) as stand:
        stand.drive("ext4", "primary", "Main")
        first, second = stand.card("ext4", many), stand.card("ext4", CARD)
        with stand.running() as daemon:
            first.mount(options="ro")
            daemon.wait_for(f"posters {ROLL} on Main begins")
            first.unmount()
            second.mount(options="ro")
            daemon.wait_for(
                f"posters {ROLL} on Main makes way for something more urgent.",
                "Offloaded 4 new files",
                f"posters {ROLL} on Main: Made",
                f"posters {ROLL[:-1]}2 on Main: Made 2 posters.",
            )
        told = json.loads(stand.typed("posters", "--json", code=0))
        assert (told["known"], told["made"]) == (42, 0)


def test_turned_off_there_are_none(tmp_path: Path) -> None:
    with DaemonStand(tmp_path, more="[report]\nposters = false\n") as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        card = stand.card("ext4", SHOWN)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
            assert not [one for one in daemon.said() if "posters" in one]
        assert all_posters(stand) == []
