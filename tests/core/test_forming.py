"""A verdict as it forms: it counts, names a few, and is never an answer."""

import pytest

from backupkeeper.core.forming import MOST_TOLD, Against, Forming, with_file
from backupkeeper.core.model import Blake3, CardFile, Role

CLIP = CardFile(path="DCIM/WIDE0001.MP4", size=7, content=Blake3("ab" * 32))
LOST = CardFile(path="DCIM/WIDE0002.MP4", size=5, content=None, error="a read error")
BOTH = (Role.PRIMARY, Role.SECONDARY)


def after(
    file: CardFile = CLIP,
    *,
    filled: tuple[Role, ...] = BOTH,
    asked: tuple[Role, ...] = BOTH,
    is_sealed: bool = True,
) -> Forming:
    return with_file(Forming(), file, filled=filled, asked=asked, is_sealed=is_sealed)


def test_a_file_that_fills_all_roles_counts_as_proven() -> None:
    assert after() == Forming(files_read=1, bytes_read=7, proven_files=1)
    assert after(filled=tuple(Role)).proven_files == 1, "more than was asked for"


@pytest.mark.parametrize(
    ("found", "against"),
    [
        (after(filled=(Role.PRIMARY,)), Against(path=CLIP.path, lacks=(Role.SECONDARY,))),
        (after(filled=()), Against(path=CLIP.path, lacks=BOTH)),
        (after(is_sealed=False), Against(path=CLIP.path)),
        (after(LOST), Against(path=LOST.path, error="a read error")),
        (after(asked=()), Against(path=CLIP.path)),
    ],
    ids=[
        "a role lacks",
        "all roles lack",
        "in no sealed roll",
        "it can't be read",
        "nothing is asked for",
    ],
)
def test_whatever_speaks_against_a_file_is_named(found: Forming, against: Against) -> None:
    assert (found.files_read, found.proven_files, found.against_files) == (1, 0, 1)
    assert found.against[0].path == against.path
    assert found.against[0].error == against.error
    if against.lacks:
        assert found.against[0].lacks == against.lacks


def test_a_file_that_can_not_be_read_adds_no_bytes() -> None:
    assert after(LOST).bytes_read == 0


def test_of_many_only_the_first_are_named_and_all_are_counted() -> None:
    forming = Forming()
    for _ in range(MOST_TOLD + 5):
        forming = with_file(forming, CLIP, filled=(), asked=BOTH, is_sealed=True)
    assert (len(forming.against), forming.against_files) == (MOST_TOLD, MOST_TOLD + 5)
