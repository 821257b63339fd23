"""Files in groups, judged by hand (that all comes to the same is held in actions/test_covers.py)."""

from itertools import permutations

from backupkeeper.core.covers import FileGroup, Judge
from backupkeeper.core.model import CopyState, PlaceId, Role
from backupkeeper.core.policy import Policy
from tests.core.made_up_copies import CLIP, MAIN, PLACES, TRAVEL, VAULT, mapped, place, roll

HEAD = roll(("DCIM/CLIP0001.MP4", CLIP, 100)).head
SHARED = PLACES | mapped(place(TRAVEL, Role.SECONDARY, device=PLACES[MAIN].device))


def group(*where: PlaceId) -> FileGroup:
    return FileGroup(
        stands=tuple((one, CopyState.PROVEN) for one in where),
        files=1,
        size_bytes=10,
        oldest={},
        is_plain=True,
    )


def test_one_group_on_a_shared_device_is_enough_to_tell_it_wherever_it_comes() -> None:
    judge = Judge(SHARED, Policy())
    on_both, on_one, nowhere = group(MAIN, TRAVEL, VAULT), group(MAIN, VAULT), group()
    for groups in permutations([on_both, on_one, nowhere]):
        found = judge.quick_cover(HEAD, groups)
        assert found is not None
        assert (found.same_device, found.fewest, found.bytes_at_risk) == (True, 0, 30)
    apart = judge.quick_cover(HEAD, [on_one, nowhere])
    assert apart is not None
    assert not apart.same_device
