"""When the daemon thins old facts: once in a while, when nothing else is to be done."""

from datetime import timedelta
from typing import Any

from backupkeeper.core.deeds import Deed, DeedKind, Running
from backupkeeper.core.model import PlaceId
from backupkeeper.core.planner import plan
from tests.core.made_up_copies import MAIN, NOW, VAULT
from tests.core.made_up_views import AGEING, THIRD, card, drive, view

THIN = Deed(kind=DeedKind.THIN, why="")


def begun(**changes: Any) -> list[DeedKind]:
    return [one.kind for one in plan(view(thinning_due=True, **changes)).start]


def under_way(kind: DeedKind, place: PlaceId | None = MAIN) -> Running:
    return Running(deed=Deed(kind=kind, why="", place=place), since=NOW - timedelta(hours=1))


def test_when_nothing_else_is_to_be_done() -> None:
    assert begun() == [DeedKind.THIN]
    assert plan(view()).start == ()


def test_beside_nothing_but_uploads_for_these_take_days() -> None:
    assert begun(needs=(AGEING,)) == [DeedKind.PROVE]
    assert begun(running=(under_way(DeedKind.PROVE),)) == []
    assert begun(needs=(THIRD,)) == [DeedKind.UPLOAD, DeedKind.THIN]
    assert begun(running=(under_way(DeedKind.UPLOAD, VAULT),)) == [DeedKind.THIN]


def test_once() -> None:
    assert begun(running=(Running(deed=THIN, since=NOW),)) == []


def test_it_is_in_nobodys_way() -> None:
    thinning = Running(deed=THIN, since=NOW)
    made = plan(view(cards=(card(),), drives={MAIN: drive(MAIN)}, running=(thinning,)))
    assert [one.kind for one in made.start] == [DeedKind.OFFLOAD]
    assert made.stop == ()


def test_not_in_a_pause_which_ends_it_too() -> None:
    assert begun(paused=True) == []
    made = plan(view(paused=True, running=(Running(deed=THIN, since=NOW),)))
    assert made.stop == (THIN.key,)
