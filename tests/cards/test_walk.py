"""What a walk tells of a card, whatever is on it."""

import errno

import pytest
from hypothesis import given, strategies as st

from backupkeeper.cards.walk import DEEPEST, list_card
from backupkeeper.core.errors import DriveGoneError, ListingError, ReadError, UsageError
from backupkeeper.core.model import CardListing
from backupkeeper.ports.files import EntryKind
from tests.cards.made_up_card import ROOT, EndlessCard, MadeUpCard


def listing_of(card: MadeUpCard) -> CardListing:
    return list_card(card.files, ROOT)


def paths_of(listing: CardListing) -> list[str]:
    return [entry.path for entry in listing.files]


def test_a_camera_card_is_listed_folder_by_folder_in_the_order_of_bytes() -> None:
    card = MadeUpCard()
    for path in ("DCIM/101BOATY/WIDE0002.MOV", "a.txt", "DCIM/100BOATY/WIDE0001.MOV", "DCIM.txt"):
        card.put(path, size=len(path))
    card.put("é")
    card.put("\udcff")
    card.put("😀")
    card.put("A\n\x1b[31m")
    listing = listing_of(card)
    assert paths_of(listing) == [
        "A\n\x1b[31m",
        "DCIM/100BOATY/WIDE0001.MOV",
        "DCIM/101BOATY/WIDE0002.MOV",
        "DCIM.txt",
        "a.txt",
        "é",
        "😀",
        "\udcff",
    ]
    assert listing.files[3].size == len("DCIM.txt")
    assert listing.files[3].mtime_ns == 1_781_222_400_000_000_000
    assert listing.root == ROOT


def test_an_empty_card_is_no_error() -> None:
    assert listing_of(MadeUpCard()) == CardListing(root=ROOT, files=())


def test_a_slash_at_the_end_of_the_root_makes_no_difference() -> None:
    card = MadeUpCard()
    card.put("x")
    assert list_card(card.files, ROOT + "/") == listing_of(card)


def test_a_card_that_is_not_there_is_told() -> None:
    with pytest.raises(DriveGoneError, match="The card is not there"):
        list_card(MadeUpCard().files, "/media/other")


@pytest.mark.parametrize("kind", [kind for kind in EntryKind if kind is not EntryKind.FOLDER])
def test_a_card_that_is_no_folder_is_refused(kind: EntryKind) -> None:
    card = MadeUpCard()
    card.put("x", kind)
    with pytest.raises(UsageError, match=f"no folder .{kind.value}."):
        list_card(card.files, f"{ROOT}/x")


@pytest.mark.parametrize("where", ["stat", "list"])
def test_a_card_whose_root_fails_is_an_error_that_says_so(where: str) -> None:
    card = MadeUpCard()
    (card.stat_errors if where == "stat" else card.list_errors)[ROOT] = errno.EIO
    with pytest.raises(ReadError, match="EIO"):
        listing_of(card)


def test_folders_without_files_are_kept_and_only_the_lowest_are_named() -> None:
    card = MadeUpCard()
    card.put("full/clip.mov")
    card.put("full/empty", EntryKind.FOLDER)
    card.put("a/b/c", EntryKind.FOLDER)
    card.put("a.b", EntryKind.FOLDER)
    assert listing_of(card).empty_folders == ("a/b/c", "a.b", "full/empty")


def test_entries_that_are_no_files_are_named_for_what_they_are_and_never_followed() -> None:
    card = MadeUpCard()
    specials = [
        EntryKind.LINK,
        EntryKind.FIFO,
        EntryKind.SOCKET,
        EntryKind.DEVICE,
        EntryKind.UNKNOWN,
    ]
    for kind in specials:
        card.put(f"odd/{kind.name}", kind)
    listing = listing_of(card)
    told = dict(listing.specials)
    assert set(told) == {f"odd/{kind.name}" for kind in specials}
    assert told["odd/FIFO"] == "named pipe"
    assert "may lead off the card" in told["odd/LINK"]
    assert listing.files == ()
    assert listing.empty_folders == ("odd",)


def test_what_can_not_be_looked_at_is_named_and_the_rest_is_listed() -> None:
    card = MadeUpCard()
    card.put("a/clip.mov")
    card.put("b/clip.mov")
    card.put("c.mov")
    card.list_errors[f"{ROOT}/a"] = errno.EACCES
    card.stat_errors[f"{ROOT}/b/clip.mov"] = errno.EIO
    listing = listing_of(card)
    assert paths_of(listing) == ["c.mov"]
    assert listing.unreadable == (
        ("a", "can't be read (EACCES)"),
        ("b/clip.mov", "can't be read (EIO)"),
    )
    assert listing.empty_folders == ()


def test_a_name_that_is_gone_when_it_is_looked_at_is_unreadable_not_absent() -> None:
    card = MadeUpCard()
    card.put("x.mov")
    card.stat_errors[f"{ROOT}/x.mov"] = errno.ENOENT
    assert listing_of(card).unreadable == (("x.mov", "can't be read (ENOENT)"),)


def test_another_file_system_on_the_card_is_named_and_not_walked() -> None:
    card = MadeUpCard()
    card.put("mnt", EntryKind.FOLDER, device=8)
    card.put("mnt/secret.mov", device=8)
    card.put("bound.mov", device=8)
    listing = listing_of(card)
    assert [path for path, _ in listing.specials] == ["bound.mov", "mnt"]
    assert listing.files == ()
    assert f"{ROOT}/mnt/secret.mov" not in card.asked


def test_a_folder_that_leads_back_to_one_above_it_ends_the_walk_there() -> None:
    card = MadeUpCard()
    card.put("a", EntryKind.FOLDER, inode=50)
    card.put("a/b", EntryKind.FOLDER)
    card.put("a/b/again", EntryKind.FOLDER, inode=50)
    assert listing_of(card).unreadable == (
        ("a/b/again", "a folder that leads back to one above it"),
    )


def test_a_card_without_end_is_given_up() -> None:
    with pytest.raises(ListingError, match="more entries than a card can have"):
        list_card(EndlessCard().files, ROOT, most_entries=5_000)


def test_a_card_without_end_in_depth_is_named_where_it_was_given_up() -> None:
    card = MadeUpCard()
    card.put("/".join(["d"] * (DEEPEST + 1)) + "/clip.mov")
    listing = listing_of(card)
    assert [why for _, why in listing.unreadable] == [f"more than {DEEPEST} folders deep"]


def test_depth_costs_no_stack() -> None:
    card = MadeUpCard()
    deep = "/".join(["d"] * 900) + "/clip.mov"
    card.put(deep)
    assert paths_of(listing_of(card)) == [deep]


@pytest.mark.slow
def test_a_hundred_thousand_files_in_one_folder_are_listed() -> None:
    card = MadeUpCard()
    for number in range(100_000):
        card.put(f"DCIM/{number * 7919 % 100_000:05d}.jpg")
    assert paths_of(listing_of(card)) == [f"DCIM/{number:05d}.jpg" for number in range(100_000)]


def test_what_systems_leave_behind_is_left_out_and_listed() -> None:
    card = MadeUpCard()
    for path in (
        "DCIM/.DS_Store",
        "DCIM/clip.mov",
        "DCIM/._clip.mov",
        ".Spotlight-V100/Store/index.db",
        "System Volume Information/IndexerVolumeGuid",
        ".Trashes/501/notes.txt",
    ):
        card.put(path)
    card.put("lost+found", EntryKind.FOLDER)
    listing = listing_of(card)
    assert paths_of(listing) == ["DCIM/._clip.mov", "DCIM/clip.mov"]
    assert [path for path, _ in listing.left_out] == [
        ".Spotlight-V100",
        ".Trashes",
        "DCIM/.DS_Store",
        "System Volume Information",
        "lost+found",
    ]
    assert all(why for _, why in listing.left_out)
    assert listing.empty_folders == ()
    assert listing.warnings == ()


def test_a_clip_in_the_trash_is_still_footage_and_told() -> None:
    card = MadeUpCard()
    card.put(".Trashes/501/clip.MOV")
    card.put(".Trashes/501/notes.txt")
    card.put(".Trashes/502/x.txt")
    listing = listing_of(card)
    assert paths_of(listing) == [".Trashes/501/clip.MOV"]
    assert [path for path, _ in listing.left_out] == [".Trashes/501/notes.txt", ".Trashes/502"]
    assert len(listing.warnings) == 1
    assert "kept as footage" in listing.warnings[0]


def test_a_trash_that_can_not_be_looked_into_is_unreadable_not_left_out() -> None:
    card = MadeUpCard()
    card.put(".Trashes/501/clip.mov")
    card.list_errors[f"{ROOT}/.Trashes/501"] = errno.EACCES
    listing = listing_of(card)
    assert listing.unreadable == ((".Trashes/501", "can't be read (EACCES)"),)
    assert listing.left_out == ()


def test_rescued_files_in_lost_and_found_are_footage_as_any() -> None:
    card = MadeUpCard()
    card.put("lost+found/#12")
    assert paths_of(listing_of(card)) == ["lost+found/#12"]
    assert listing_of(card).left_out == ()


def test_lost_and_found_with_anything_in_it_is_not_called_empty() -> None:
    card = MadeUpCard()
    card.put("lost+found/#13", EntryKind.FIFO)
    assert listing_of(card).left_out == ()
    assert listing_of(card).empty_folders == ("lost+found",)


def test_a_place_that_is_given_as_a_card_is_told() -> None:
    card = MadeUpCard()
    card.put(".backupkeeper/place.json")
    listing = listing_of(card)
    assert "looks like a place" in listing.warnings[0]
    assert paths_of(listing) == [".backupkeeper/place.json"]


NAMES = st.sampled_from(
    ["a", "B", ".DS_Store", ".Trashes", "clip.mov", "lost+found", "\udcff", "x y", "Thumbs.db"]
)
TREES = st.dictionaries(
    st.lists(NAMES, min_size=1, max_size=4).map("/".join),
    st.sampled_from(list(EntryKind)),
    max_size=12,
)


@given(TREES)
def test_every_entry_is_told_in_exactly_one_place(tree: dict[str, EntryKind]) -> None:
    card = MadeUpCard()
    for path, kind in sorted(tree.items()):
        above = ["/".join(path.split("/")[:depth]) for depth in range(1, path.count("/") + 1)]
        if all(tree.get(one, EntryKind.FOLDER) is EntryKind.FOLDER for one in above) and (
            f"{ROOT}/{path}" not in card.stats
        ):
            card.put(path, kind)
    listing = listing_of(card)
    told = [*paths_of(listing), *(path for path, _ in listing.specials)]
    left = [path for path, _ in listing.left_out]
    assert len(told) == len(set(told))
    for absolute, stat in card.stats.items():
        path = absolute[len(ROOT) + 1 :]
        if not path or absolute not in card.asked:
            assert not path
        elif stat.kind is EntryKind.FILE:
            within = any(path == one or path.startswith(one + "/") for one in left)
            assert (path in told) != within
        elif stat.kind is not EntryKind.FOLDER:
            assert path in told
        else:
            kept = [*told, *left, *listing.empty_folders]
            assert any(one == path or one.startswith(path + "/") for one in kept) or any(
                path.startswith(one + "/") for one in left
            )
