"""What stands under a final or temporary name already, when the pipeline comes to it."""

import pytest

from backupkeeper.core.errors import NameTakenError
from backupkeeper.transfer.durable import temp_name
from backupkeeper.transfer.pipeline import Copied, Landed
from tests.transfer.made_up_drives import SECOND, Stand, copy, some

pytestmark = pytest.mark.usefixtures("sizes")
DATA = some(1, 9_000)


def landed(copied: Copied) -> set[str]:
    return {str(place) for place, what in copied.places.items() if isinstance(what, Landed)}


def standing(stand: Stand, data: bytes) -> str:
    stand.make_folder("/second/Roll 01")
    return stand.put("/second/Roll 01/one", data)


def test_the_same_file_under_the_final_name_counts_when_it_was_read() -> None:
    stand = Stand()
    path = standing(stand, DATA)
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert landed(copied) == {"main", "second"}
    assert ("write_at", temp_name(path)) not in stand.calls


def test_another_file_under_the_final_name_is_left_as_it_is() -> None:
    stand = Stand()
    path = standing(stand, b"somebody's work")
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert isinstance(copied.places[SECOND], NameTakenError)
    assert landed(copied) == {"main"}
    assert stand.seen()[path] == b"somebody's work"


@pytest.mark.parametrize(("data", "lands"), [(DATA, True), (b"somebody's work", False)])
def test_a_name_taken_at_the_last_moment_is_treated_alike(data: bytes, lands: bool) -> None:
    stand = Stand()
    path = "/second/Roll 01/one"

    def take() -> None:
        if stand.calls[-1][1] == temp_name(path) and path not in stand.seen():
            stand.put(path, data)

    stand.after["set_times"] = take
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert isinstance(copied.places[SECOND], Landed) is lands
    assert stand.seen()[path] == data
    assert len(stand.seen()) == 3


@pytest.mark.parametrize("left", [DATA[:5_000], DATA + b"too much", b"x" * 9_000, DATA, b""])
def test_a_left_over_temporary_file_is_continued(left: bytes) -> None:
    stand = Stand()
    stand.make_folder("/main/Roll 01")
    temp = stand.put(temp_name("/main/Roll 01/one"), left)
    (copied,) = copy(stand, [stand.job("one", DATA)])
    assert landed(copied) == {"main", "second"}
    assert stand.on_medium("/main/Roll 01/one") == DATA
    assert (("write_at", temp) not in stand.calls) is left.startswith(DATA)
