"""Somebody asks the running daemon whether a card may be wiped, and watches the answer form."""

from pathlib import Path
from typing import Any

import pytest

from backupkeeper.daemon.control import ask
from tests.real.daemon_stand import Daemon, DaemonStand
from tests.stories.yard import clip

pytestmark = [pytest.mark.real("ext4", "xfs"), pytest.mark.slow]
BY_HAND = '[[sources]]\nname = "Close"\nfolders = ["PRIVATE"]\n'
CLIPS = {"PRIVATE/CLIP1.MP4": clip(1), "PRIVATE/CLIP2.MP4": clip(2)}


def cards_of(stand: DaemonStand) -> list[Any]:
    told = ask(f"{stand.root}/catalog.sqlite.locks", "status")
    found: list[Any] = [] if told is None or "status" not in told else told["status"]["cards"]
    return found


def card_of(stand: DaemonStand) -> dict[str, Any]:
    (card,) = cards_of(stand)
    assert isinstance(card, dict)
    return card


def answered(stand: DaemonStand, daemon: Daemon, *, stop: bool = False) -> dict[str, Any]:
    locks = f"{stand.root}/catalog.sqlite.locks"
    token = card_of(stand)["token"]
    assert ask(locks, "judge", card=token) == {"asked": True}
    if stop:
        daemon.wait_for("verdict Close begins: You asked")
        ask(locks, "judge", card=token, stop=True)
    daemon.until(
        lambda: not card_of(stand)["asked"] and card_of(stand)["heard_at"] is not None,
        "never answered",
    )
    return card_of(stand)


def test_an_early_no_comes_with_its_reasons_and_does_not_take_the_cards_turn(
    tmp_path: Path,
) -> None:
    with DaemonStand(tmp_path, more=BY_HAND) as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        card = stand.card("ext4", CLIPS)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("A card is here: Close")
            found = answered(stand, daemon)
            assert (found["heard"], found["may_wipe"]) == (False, None)
            (reason,) = found["reasons"]
            assert reason.startswith("2 files were never offloaded. (PRIVATE/CLIP1.MP4, ")
            assert "backupkeeper offload" in reason
            said = [one for one in daemon.said() if "do not wipe" in one]
            assert said == [], "whoever asked has the answer: nobody is alarmed"
            stand.typed("offload", card.point, "--shoot", "260612 Boatyard", "--source", "Close")
            daemon.wait_for("Close: this card may be wiped")
            found = card_of(stand)
            assert (found["heard"], found["may_wipe"]) == (True, True)
            (limit,) = found["reasons"]
            assert "no proof that counts in the cloud (2 of 2 files)" in limit
            assert answered(stand, daemon)["heard"] is True, "asked again, it is read again"
            assert ask(f"{stand.root}/catalog.sqlite.locks", "judge", card="another") == {
                "asked": False
            }


def test_who_does_not_want_to_know_any_more_is_left_in_peace(tmp_path: Path) -> None:
    files = {f"PRIVATE/C{n}.MP4": clip(n, 60_000_000) for n in range(6)}
    with DaemonStand(tmp_path, more=BY_HAND) as stand:
        card = stand.card("ext4", files, 500)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("A card is here: Close")
            found = answered(stand, daemon, stop=True)
            assert found["heard"] in {None, False}
            assert found["heard"] is not None or found["failure"] == "Stopped."


def test_a_yes_is_told_with_what_it_lacks_and_one_of_an_earlier_run_is_to_be_asked_for_again(
    tmp_path: Path,
) -> None:
    with DaemonStand(tmp_path, more=BY_HAND) as stand:
        stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        card = stand.card("ext4", CLIPS)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("A card is here: Close")
            stand.typed("offload", card.point, "--shoot", "260612 Boatyard", "--source", "Close")
            daemon.wait_for("Close: this card may be wiped, as far as was asked for")
            (said,) = [one for one in daemon.said() if "Close: this card may be wiped" in one]
            assert "no proof that counts in the cloud (2 of 2 files)" in said
            told = stand.typed("status", code=None)
            assert "no proof that counts in the cloud" in " ".join(told.split())
        with stand.running() as daemon:
            daemon.wait_for("Running as process")
            daemon.until(lambda: cards_of(stand) != [], "the card was not seen")
            found = card_of(stand)
            assert (found["may_wipe"], found["heard"], found["reasons"]) == (True, None, [])
            told = stand.typed("status", code=None)
            assert "Ask again before you wipe it." in " ".join(told.split())
