"""Names that a file system can't hold: changed, told apart, given back."""

import random
import unicodedata

import pytest
from hypothesis import example, given, strategies as st

from backupkeeper.core.errors import HostileInputError, ListingError
from backupkeeper.core.fitting import fit_names, possible_paths, unfit_name
from backupkeeper.core.naming import EXFAT, POSIX, STRICTEST, FsLimits, limits_of

ALL = [POSIX, EXFAT, STRICTEST]
LIMITS = st.sampled_from(ALL)
# Close to what hurts: marks of our own, case, accents, odd bytes, lengths.
BITS = st.sampled_from(
    [
        "a",
        "A",
        "\u017f",
        "S",
        "ß",
        "é",
        "e\u0301",
        "É",
        "%",
        "%~",
        "%3A",
        "%25",
        "%~2",
        ":",
        "?",
        ".",
        " ",
        "�",
        "��",
        "~",
        "~2",
        "25",
        "3A",
        "\n",
        "\x1b",
        "😀",
        ".MOV",
        ".mov",
        "K",
        "k",
        "%~~" + "0" * 32,
        "x" * 120,
        "é" * 70,
        "ascmhl",
        ".backupkeeper",
    ]
)
NAMES = (
    st.lists(BITS, min_size=1, max_size=5)
    .map("".join)
    # Two odd bytes may meet and be a character: then it is that character's text.
    .map(lambda name: name.encode("utf-8", "surrogateescape").decode("utf-8", "surrogateescape"))
)
PART = (
    NAMES | st.binary(min_size=1, max_size=20).map(lambda b: b.decode("utf-8", "surrogateescape"))
).filter(lambda name: name not in {".", ".."} and "/" not in name and "\0" not in name)
PATHS = st.sets(st.lists(PART, min_size=1, max_size=3).map("/".join), max_size=8)


@given(PATHS, LIMITS)
@example({"a:", "a%3A"}, EXFAT)
@example({"a%3a", "a%3A", "a:"}, EXFAT)
@example({"A/x", "a/x", "a/X"}, EXFAT)
@example({"ascmhl/x", "ASCMHL/x"}, EXFAT)
def test_no_two_names_become_one_and_the_file_system_can_hold_each(
    paths: set[str], limits: FsLimits
) -> None:
    fitted = fit_names(paths, limits)
    assert set(fitted) == paths
    assert len(set(fitted.values())) == len(paths)
    assert len({"/".join(map(limits.key, p.split("/"))) for p in fitted.values()}) == len(paths)
    for path in fitted.values():
        assert all(limits.holds(part) for part in path.split("/"))
        assert limits.key(path.split("/")[0]) != limits.key("ascmhl")


@given(PATHS, LIMITS)
def test_folders_stay_folders(paths: set[str], limits: FsLimits) -> None:
    fitted = fit_names(paths, limits)
    folders = {path: path.rpartition("/")[0] for path in paths}
    for one in paths:
        for other in paths:
            same = folders[one] == folders[other]
            assert (fitted[one].rpartition("/")[0] == fitted[other].rpartition("/")[0]) == same


@given(PATHS, LIMITS, st.integers())
def test_the_order_in_which_names_come_does_not_matter(
    paths: set[str], limits: FsLimits, seed: int
) -> None:
    shuffled = sorted(paths)
    random.Random(seed).shuffle(shuffled)
    assert fit_names(shuffled, limits) == fit_names(sorted(paths), limits)


@given(st.sets(PART, max_size=8), LIMITS)
def test_every_name_is_given_back_unless_it_was_shortened(
    names: set[str], limits: FsLimits
) -> None:
    for name, fit in fit_names(names, limits).items():
        back = unfit_name(fit, limits)
        assert back == name or (back is None and len(name.encode("utf-8", "surrogateescape")) > 60)


@given(PATHS)
def test_names_that_can_be_held_and_collide_with_nothing_stay_as_they_are(paths: set[str]) -> None:
    for limits in ALL:
        plain = {
            path
            for path in paths
            if "%" not in path
            and ".backupkeeper" not in path.lower()
            and all(limits.holds(part) for part in path.split("/"))
        }
        keys = {"/".join(limits.key(part) for part in path.split("/")) for path in plain}
        parts = {part for path in plain for part in path.split("/")}
        lonely = len({limits.key(part) for part in parts}) == len(parts) and len(keys) == len(plain)
        if lonely and "ascmhl" not in map(str.lower, parts):
            assert fit_names(plain, limits) == {path: path for path in plain}


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["12:30.mov"], ["12%3A30.mov"]),
        (["100% wood.mov"], ["100% wood.mov"]),
        (["100%41.mov"], ["100%2541.mov"]),
        (["CLIP.MOV", "clip.mov"], ["CLIP.MOV", "clip%~2.mov"]),
        (["A", "a", "á", "A\u0301"], ["A", "a%~2", "á%~2", "A\u0301"]),
        (["end.", "end ", "end"], ["end%2E", "end%20", "end"]),
        (["\udcff.wav"], ["%FF.wav"]),
        (["a\nb\x1b"], ["a%0Ab%1B"]),
        (["ascmhl", "x/ascmhl"], ["ascmhl%~2", "x/ascmhl"]),
        (["a:", "a%3a"], ["a%3A%~2", "a%3a"]),
        (["\n", "%0a"], ["%0A%~2", "%0a"]),
        (["Über/x", "über/y"], ["Über/x", "über%~2/y"]),
    ],
)
def test_on_exfat(names: list[str], expected: list[str]) -> None:
    assert list(fit_names(names, EXFAT).values()) == expected


def test_on_ext4_only_length_and_our_own_marks_change_a_name() -> None:
    names = ["12:30", "a", "A", "end.", "\udcff", "a\nb", "100%41", "é", "e\u0301", "x" * 255]
    assert fit_names(names, POSIX) == {name: name for name in names}
    assert fit_names(["a%~b", "a%25~b"], POSIX) == {"a%~b": "a%25~b", "a%25~b": "a%2525~b"}


def test_a_long_name_from_exfat_is_shortened_for_ext4_and_keeps_its_extension() -> None:
    one, other = "船" * 250 + "1.MOV", "船" * 250 + "2.MOV"
    fitted = fit_names([one, other], POSIX)
    assert fitted[one] != fitted[other]
    for name in fitted.values():
        assert name.startswith("船船")
        assert name.endswith(".MOV")
        assert len(name.encode()) in range(250, 256)
        assert unfit_name(name, POSIX) is None


def test_a_name_of_255_utf16_units_fits_exfat_and_one_more_does_not() -> None:
    # Beyond the basic plane a character takes two units (STANDARDS section 8.4).
    assert fit_names(["😀" * 127 + "x"], EXFAT) == {"😀" * 127 + "x": "😀" * 127 + "x"}
    assert fit_names(["😀" * 128], EXFAT)["😀" * 128] != "😀" * 128


def test_a_colliding_name_that_has_no_room_for_a_mark_is_shortened() -> None:
    names = ["X" * 255, "x" * 255, "x" * 254 + "X"]
    fitted = fit_names(names, EXFAT)
    assert fitted["X" * 255] == "X" * 255
    assert len({name.upper() for name in fitted.values()}) == 3
    assert unfit_name(fitted["x" * 255], EXFAT) is None


@pytest.mark.parametrize(
    "path", ["", "/a", "a/", "a//b", ".", "..", "a/../b", "a/./b", "a\0b", "\ud800", "\udcc3\udca9"]
)
def test_what_is_no_path_below_a_folder_is_refused(path: str) -> None:
    with pytest.raises(ListingError):
        fit_names(["ok", path], EXFAT)


@given(st.lists(st.text(max_size=10), max_size=4), LIMITS)
def test_nothing_but_our_error_leaves_whatever_the_paths(
    paths: list[str], limits: FsLimits
) -> None:
    try:
        fit_names(paths, limits)
    except HostileInputError as error:
        assert str(error).isprintable()  # noqa: PT017 - any path may be refused, none must be


@pytest.mark.parametrize(
    ("fs_type", "limits"),
    [
        ("ext4", POSIX),
        ("xfs", POSIX),
        ("exfat", EXFAT),
        ("vfat", EXFAT),
        ("fuseblk", EXFAT),
        ("fuse.exfat", EXFAT),
        ("fuse.unheard-of", STRICTEST),
        ("", STRICTEST),
    ],
)
def test_limits_follow_the_type_in_the_mount_table(fs_type: str, limits: FsLimits) -> None:
    assert limits_of(fs_type) == limits


def test_composed_and_decomposed_are_one_name_for_systems_that_read_the_drive() -> None:
    composed = unicodedata.normalize("NFC", "é.wav")
    decomposed = unicodedata.normalize("NFD", "é.wav")
    fitted = fit_names([composed, decomposed], EXFAT)
    assert fitted == {decomposed: decomposed, composed: "é%~2.wav"}


def test_a_hundred_thousand_colliding_names_are_told_apart() -> None:
    names = [f"{n:05d}:{case}" for n in range(25_000) for case in ("a", "A", "b", "B")]
    assert len({name.upper() for name in fit_names(names, EXFAT).values()}) == 100_000


def test_a_name_of_nothing_but_marks_is_shortened_to_its_hash() -> None:
    (fit,) = fit_names(["%" * 300], POSIX).values()
    assert len(fit) == len("%~~") + 32
    assert unfit_name(fit, POSIX) is None


def test_a_file_may_stand_where_any_kind_of_place_would_have_put_it() -> None:
    long = "船" * 250 + ".MOV"
    paths = ["clip.mov", "a:b", long]
    possible = possible_paths("260612 Boatyard/Originals/Wide/Roll 01", paths)
    folder = "260612 Boatyard/Originals/Wide/Roll 01"
    assert set(possible["clip.mov"]) == {f"{folder}/clip.mov"}
    assert set(possible["a:b"]) == {f"{folder}/a:b", f"{folder}/a%3Ab"}
    assert set(possible[long]) == {f"{folder}/{fit_names(paths, kind)[long]}" for kind in ALL}
    assert len(possible[long]) == 2


@pytest.mark.parametrize("limits", ALL)
def test_a_file_of_the_cards_never_gets_the_name_of_one_of_our_own(limits: FsLimits) -> None:
    # A card that is the left-over of an earlier copy holds our temporary files: written under its
    # own name such a file would be taken for another file's unfinished copy, and written over.
    names = [".backupkeeper-0a1b.part", "x/.BackupKeeper-0a1b.part", ".backupkeeper/place.json"]
    fitted = fit_names(names, limits)
    assert list(fitted.values()) == [
        ".backupkeeper-0a1b%~2.part",
        "x/.BackupKeeper-0a1b%~2.part",
        ".backupkeeper%~2/place.json",
    ]
    assert unfit_name(".backupkeeper-0a1b%~2.part", limits) == names[0]
