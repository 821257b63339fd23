"""What is plugged in is looked at once, by others, and a place that is there twice is not there."""

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from datetime import timedelta

from backupkeeper.core.model import Place, PlaceKind, Role, Standing
from backupkeeper.daemon.crew import Ended
from backupkeeper.daemon.errand import Failed, Finished
from backupkeeper.daemon.sights import Sight, SightKind, encode_sight
from backupkeeper.daemon.surroundings import ASK_AGAIN, LOOK_S, PREFIX, Surroundings
from backupkeeper.ports.mounts import Mount
from tests.daemon.made_up import MAIN, NOON, PLACES, mount, place

FOLDER = place(MAIN, "Main", Role.PRIMARY, PlaceKind.FOLDER, "/srv/main")
SEEN = Sight(
    kind=SightKind.PLACE,
    token="m1",
    point="/media/a",
    place=MAIN,
    device="disk",
    disk="8:17",
    label="Main",
    free_bytes=5,
)


@dataclass
class Stand:
    sent: list[tuple[str, str]] = field(default_factory=list)
    ended: list[str] = field(default_factory=list)
    at: float = 0.0

    def __post_init__(self) -> None:
        self.around = Surroundings(
            lambda key, point: self.sent.append((key, point)), self.ended.append, lambda: self.at
        )

    def notice(
        self, *mounts: Mount, later: timedelta = timedelta(0), places: Collection[Place] = ()
    ) -> set[str]:
        return self.around.notice(mounts, places or PLACES.values(), NOON + later)

    def answer(self, sight: Sight, name: str | None = None) -> str | None:
        key = PREFIX + (name or sight.token)
        came = Finished(said="", sight=encode_sight(sight))
        return self.around.heard(Ended(key=key, came=came))


def test_a_mount_is_looked_at_once() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    stand.notice(mount("m1", "/media/a"))
    assert stand.sent == [(f"{PREFIX}m1", "/media/a")]
    assert stand.answer(SEEN) == "m1"
    stand.notice(mount("m1", "/media/a"), later=timedelta(days=1))
    assert len(stand.sent) == 1
    here, twice = stand.around.drives()
    assert here[MAIN].token == "m1"
    assert here[MAIN].free_bytes == 5
    assert twice == []
    assert stand.around.tokens == ("m1",)


def test_what_gave_a_deed_no_answer_is_silent_and_asked_again_in_ten_minutes() -> None:
    stand = Stand()
    stand.notice(mount("m0", "/media"), mount("m1", "/media/a"))
    stand.answer(replace(SEEN, token="m0", point="/media", place=None, kind=SightKind.OTHER))
    stand.answer(SEEN)
    for path in ("/media/b/x.mp4", ""):
        stand.around.gave_no_answer(path, NOON)
    assert stand.around.drives()[0].keys() == {MAIN}
    stand.around.gave_no_answer("/media/a/x.mp4", NOON)
    silent = stand.around.sights["m1"]
    assert (silent.kind, silent.place) == (SightKind.SILENT, MAIN), "it counts as gone when it is"
    assert stand.around.drives()[0] == {}
    assert "m1" not in stand.around.tokens
    both = (mount("m0", "/media"), mount("m1", "/media/a"))
    stand.notice(*both, later=ASK_AGAIN - timedelta(seconds=1))
    assert len(stand.sent) == 2
    stand.notice(*both, later=ASK_AGAIN)
    assert stand.sent[2:] == [(f"{PREFIX}m1", "/media/a")]


def test_what_is_no_device_or_a_folder_of_one_is_not_looked_at() -> None:
    stand = Stand()
    stand.notice(mount("t", "/tmp", source="tmpfs"), mount("b", "/b", root="/home"))
    assert stand.sent == []


def test_the_same_disk_mounted_elsewhere_under_the_same_number_is_looked_at_anew() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    stand.answer(SEEN)
    assert stand.notice(mount("m1", "/elsewhere")) == {"m1"}
    assert stand.around.sights == {}
    assert stand.sent == [(f"{PREFIX}m1", "/media/a"), (f"{PREFIX}m1", "/elsewhere")]


def test_a_mount_that_moved_while_it_was_looked_at_is_looked_at_where_it_is() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/elsewhere"))
    stand.notice(mount("m1", "/media/a"))
    stand.answer(replace(SEEN, token="another", point="/elsewhere"), "m1")
    stand.notice(mount("m1", "/media/a"))
    assert stand.sent[-1] == (f"{PREFIX}m1", "/media/a")
    assert stand.answer(SEEN) == "m1"
    assert stand.around.sights["m1"].kind is SightKind.PLACE


def test_what_is_unmounted_is_gone_and_a_new_mount_is_looked_at_anew() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    stand.answer(SEEN)
    assert stand.notice(mount("m2", "/media/a")) == {"m1"}
    assert not stand.around.is_here("m1")
    assert stand.around.is_here("m2")
    assert [key for key, _ in stand.sent] == [f"{PREFIX}m1", f"{PREFIX}m2"]
    assert stand.around.drives()[0] == {}


def test_a_look_that_takes_too_long_is_ended_and_asked_again_after_a_while() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    assert stand.around.tend() == LOOK_S
    stand.at = LOOK_S
    assert stand.around.tend() is None
    assert stand.ended == [f"{PREFIX}m1"]
    (sight,) = stand.around.sights.values()
    assert (sight.kind, sight.token) == (SightKind.SILENT, "m1")
    assert stand.around.tokens == ()
    assert stand.answer(SEEN) is None, "an answer after it was given up is not believed"
    stand.notice(mount("m1", "/media/a"), later=ASK_AGAIN - timedelta(seconds=1))
    assert len(stand.sent) == 1
    stand.notice(mount("m1", "/media/a"), later=ASK_AGAIN)
    assert len(stand.sent) == 2
    assert stand.answer(SEEN) == "m1"


def test_a_look_that_failed_is_a_silence_with_its_reason() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    failed = Failed(error="ReadError", message="Could not read it.")
    assert stand.around.heard(Ended(key=f"{PREFIX}m1", came=failed)) == "m1"
    assert stand.around.sights["m1"].said == "Could not read it."


def test_an_answer_that_nobody_understands_is_a_silence() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    came = Finished(said="", sight='{"kind": "drive"}')
    stand.around.heard(Ended(key=f"{PREFIX}m1", came=came))
    assert stand.around.sights["m1"].kind is SightKind.SILENT


def test_a_mount_that_was_covered_by_another_meanwhile_is_not_believed() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    stand.answer(replace(SEEN, token="m2"), name="m1")
    assert stand.around.sights["m1"].kind is SightKind.SILENT


def test_a_place_that_is_there_twice_is_not_there_and_that_is_told() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"), mount("m2", "/media/b"))
    stand.answer(SEEN)
    stand.answer(replace(SEEN, token="m2", point="/media/b", disk="8:33"))
    here, (told,) = stand.around.drives()
    assert here == {}
    assert "twice, at /media/a and /media/b" in told


def test_a_place_without_its_marker_is_not_here_is_told_and_looked_at_when_it_counts_anew() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    stand.answer(Sight(kind=SightKind.BARE, token="m1", point="/media/a", place=MAIN, said="Bare."))
    assert stand.around.drives() == ({}, [])
    assert stand.around.bare() == {MAIN: "Bare."}
    assert stand.around.tokens == ()
    stand.notice(mount("m1", "/media/a"), later=timedelta(days=1))
    assert len(stand.sent) == 1
    anew = [replace(one, counts_from=NOON) for one in PLACES.values()]
    stand.notice(mount("m1", "/media/a"), places=anew)
    assert len(stand.sent) == 2
    stand.answer(SEEN)
    assert stand.around.bare() == {}


def test_one_file_system_mounted_twice_is_one_place() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"), mount("m2", "/media/b"))
    stand.answer(SEEN)
    stand.answer(replace(SEEN, token="m2", point="/media/b"))
    here, twice = stand.around.drives()
    assert (list(here), twice) == ([MAIN], [])


def test_a_folder_is_looked_at_now_and_then_while_its_place_is_active() -> None:
    stand = Stand()
    around = stand.around

    def notice(later: timedelta) -> set[str]:
        return around.notice([], [FOLDER], NOON + later)

    notice(timedelta(0))
    assert stand.sent == [(f"{PREFIX}{MAIN}", "/srv/main")]
    stand.answer(replace(SEEN, point="/srv/main", token="root"), name=MAIN)
    assert around.is_here("root")
    notice(timedelta(minutes=4))
    assert len(stand.sent) == 1
    notice(timedelta(minutes=5))
    assert len(stand.sent) == 2
    retired = replace(FOLDER, standing=Standing.RETIRED)
    assert around.notice([], [retired], NOON) == {MAIN}


def test_room_that_a_worker_found_is_known_at_once() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    stand.answer(SEEN)
    stand.around.note_free([(MAIN, 3), ("other", 4)])
    assert stand.around.drives()[0][MAIN].free_bytes == 3


def test_looking_again_is_asked_for_by_name() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    stand.answer(SEEN)
    stand.around.look_again(["m1", "unknown"], NOON)
    stand.around.look_again(["m1"], NOON)
    assert [key for key, _ in stand.sent] == [f"{PREFIX}m1"] * 2
    assert stand.answer(SEEN) is None, "nothing is new"


def with_main(standing: Standing) -> list[Place]:
    return [replace(one, standing=standing) if one.id == MAIN else one for one in PLACES.values()]


def test_a_place_that_is_lost_while_it_is_here_is_out_at_once_and_looked_at_when_it_is_back() -> (
    None
):
    stand = Stand()
    stand.notice(mount("m1", "/media/a"))
    stand.answer(SEEN)
    assert MAIN in stand.around.drives()[0]
    stand.notice(mount("m1", "/media/a"), places=with_main(Standing.LOST))
    assert stand.around.drives()[0] == {}
    assert len(stand.sent) == 2
    stand.answer(replace(SEEN, kind=SightKind.OTHER, said="It counts as lost."))
    assert stand.around.drives()[0] == {}
    stand.notice(mount("m1", "/media/a"), places=with_main(Standing.LOST))
    assert len(stand.sent) == 2
    stand.notice(mount("m1", "/media/a"), places=with_main(Standing.ACTIVE))
    assert len(stand.sent) == 3
    stand.answer(SEEN)
    assert MAIN in stand.around.drives()[0]


def test_what_was_taken_for_a_card_is_looked_at_again_once_the_places_are_others() -> None:
    stand = Stand()
    stand.notice(mount("m1", "/media/a"), places=with_main(Standing.LOST))
    stand.answer(replace(SEEN, kind=SightKind.CARD, place=None))
    stand.notice(mount("m1", "/media/a"), places=with_main(Standing.ACTIVE))
    assert len(stand.sent) == 2
    assert stand.answer(SEEN) == "m1"


def test_a_look_that_began_before_the_places_changed_is_made_once_more() -> None:
    """It may have missed the marker that was written meanwhile."""
    stand = Stand()
    stand.notice(mount("m1", "/media/a"), places=with_main(Standing.LOST))
    stand.notice(mount("m1", "/media/a"), places=with_main(Standing.ACTIVE))
    assert len(stand.sent) == 1
    stand.answer(replace(SEEN, kind=SightKind.CARD, place=None))
    assert len(stand.sent) == 2
    assert stand.answer(SEEN) == "m1"
    assert len(stand.sent) == 2
