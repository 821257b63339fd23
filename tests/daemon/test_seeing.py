"""How a card is seen: what counts as taken, and when a yes is taken back."""

import json
from dataclasses import replace
from typing import Any

import pytest

from backupkeeper.actions.card_look import CardLook
from backupkeeper.core.deeds import CardHere
from backupkeeper.core.model import Event, EventKind, Role
from backupkeeper.daemon.seeing import card_here, still_fit
from backupkeeper.daemon.sights import Sight, SightKind
from tests.core.made_up_views import SECOND, card, need
from tests.daemon.made_up import NOON

FOLDER = "260612 Boatyard/Originals/Wide/Roll 01"
ROLES = (Role.PRIMARY, Role.SECONDARY)


def seen(*, taken: bool = False, verdict: str = "", **look: Any) -> CardHere:
    values: dict[str, Any] = {
        "point": "/media/card",
        "token": "card",
        "device": "reader",
        "label": "WIDE",
        "fs_type": "ext4",
        "source": "Wide",
        "auto_offload": True,
        "shoot": "260612 Boatyard",
        "file_count": 3,
        "size_bytes": 9,
        "new_files": 3,
        "new_bytes": 9,
    }
    text = CardLook(**{**values, **look}).to_json()
    assert json.loads(text)
    sight = Sight(kind=SightKind.CARD, token="card", point="/media/card", card=text, label="WIDE")
    judged = {"card": Event(at=NOON, kind=EventKind.CARD_JUDGED, subject="card", detail=verdict)}
    return card_here(sight, {"card": (FOLDER,)} if taken else {}, judged if verdict else {})


def test_a_new_card_is_not_taken() -> None:
    found = seen()
    assert (found.taken, found.may_wipe, found.source) == (False, None, "Wide")


def test_a_card_that_was_offloaded_is_taken_with_its_rolls() -> None:
    found = seen(taken=True, verdict="yes")
    assert (found.taken, found.folders, found.may_wipe) == (True, (FOLDER,), True)


def test_a_no_to_somebody_who_asked_early_does_not_take_the_cards_turn() -> None:
    found = seen(taken=True, verdict="not yet")
    assert (found.taken, found.judged_at, found.may_wipe) == (True, None, None)


def test_a_card_on_which_everything_looks_known_is_judged_not_offloaded_again() -> None:
    known: dict[str, Any] = {"new_files": 0, "new_bytes": 0, "folders": (FOLDER,)}
    assert seen(**known).taken
    assert not seen(**known, verdict="no").taken, "the verdict saw more: it is offloaded"
    assert seen(**known, verdict="not yet").taken, "it may have been offloaded since: it is judged"
    assert seen(**known, verdict="yes").taken
    assert not seen(**{**known, "folders": ()}).taken, "the look was cut short"
    assert not seen(**{**known, "file_count": 0}).taken


@pytest.mark.parametrize(("asked", "fit"), [(ROLES, False), ((Role.PRIMARY,), True)])
def test_a_yes_is_taken_back_where_what_it_rested_on_is_gone(
    asked: tuple[Role, ...], fit: bool
) -> None:
    wiped = card(taken=True, folders=(FOLDER,), may_wipe=True, judged_at=NOON)
    found = still_fit(wiped, [SECOND], asked)
    assert (found.may_wipe is True, found.withdrawn) == (fit, not fit)
    assert still_fit(wiped, [need("Roll 02", gaps=(Role.SECONDARY,))], ROLES) == wiped
    no = replace(wiped, may_wipe=False)
    assert still_fit(no, [SECOND], ROLES) == no
