"""A manifest that a bucket still lacks: when it is brought, and what it waits for."""

from datetime import timedelta

from backupkeeper.core.deeds import Deed, DeedKind, Hours, Setback, Unlisted
from backupkeeper.core.line import WAITS_FOR_HOURS
from backupkeeper.core.patience import subject_of_line
from backupkeeper.core.planner import plan
from tests.core.made_up_copies import NOW, VAULT
from tests.core.made_up_views import THIRD, WRITTEN_IN_THE_CLOUD, need, view

OWED = Unlisted(roll=need().roll, place=VAULT)
OTHER = Unlisted(roll=need("Roll 02").roll, place=VAULT)
DEED = Deed(
    kind=DeedKind.UPLOAD,
    why="Its files are there, but not its manifest.",
    place=VAULT,
    roll=OWED.roll.id,
    folder=OWED.roll.folder,
)


def test_it_is_brought_and_needs_no_drive() -> None:
    assert plan(view(unlisted=(OWED,), drives={})).start == (DEED,)


def test_it_comes_after_the_files_of_other_rolls() -> None:
    made = plan(view(unlisted=(OTHER,), needs=(THIRD,)))
    assert [one.folder for one in made.start] == [THIRD.roll.folder]
    assert [one.deed.folder for one in made.waiting] == [OTHER.roll.folder]


def test_a_roll_with_an_upload_of_its_own_has_no_second_one() -> None:
    for one in (THIRD, WRITTEN_IN_THE_CLOUD):
        made = plan(view(unlisted=(OWED,), needs=(one,)))
        (deed,) = made.start
        assert deed.files == 2
        assert made.waiting == ()
    (deed,) = plan(view(unlisted=(OWED,), needs=(need(),))).start
    assert deed == DEED  # that need is nothing of the bucket's


def test_it_waits_for_the_hours_of_the_line() -> None:
    opens = NOW + timedelta(hours=5)
    hours = Hours(may_upload=False, changes_at=opens)
    made = plan(view(unlisted=(OWED,), hours=hours))
    assert made.start == ()
    assert [one.why for one in made.waiting] == [WAITS_FOR_HOURS]
    assert made.wake_at == opens
    said = plan(view(unlisted=(OWED,), hours=Hours(may_upload=False, no_upload="It costs.")))
    assert [one.why for one in said.waiting] == ["It costs."]


def test_it_is_left_alone_in_a_pause_and_after_it_failed() -> None:
    assert plan(view(unlisted=(OWED,), paused=True)).start == ()
    failed = Setback(count=2, last_at=NOW - timedelta(seconds=90), message="No.")
    for subject in (DEED.key, VAULT, subject_of_line(VAULT)):
        made = plan(view(unlisted=(OWED,), setbacks={subject: failed}))
        assert made.start == ()
        assert made.wake_at == NOW + timedelta(seconds=30)
