"""What is litter, what is footage, and how it is told to readers of a manifest."""

import pytest
from hypothesis import given, strategies as st
from pathspec import GitIgnoreSpec

from backupkeeper.cards.leaveout import file_litter, folder_litter, is_clip, mhl_ignore_patterns

TEXT = st.text(
    st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"], exclude_characters="/"),
    min_size=1,
    max_size=12,
).filter(lambda name: name not in {".", ".."})


@pytest.mark.parametrize(
    "path",
    [
        ".DS_Store",
        "a/b/.DS_Store",
        "DCIM/Thumbs.db",
        "THUMBS.DB",
        "a/Desktop.ini",
        ".apdisk",
        ".VolumeIcon.icns",
        ".fuse_hidden0000001200000001",
        "a/.nfs000000000123abcd00000001",
    ],
)
def test_files_that_systems_leave_are_litter(path: str) -> None:
    assert file_litter(path)


@pytest.mark.parametrize(
    "path",
    [
        "._clip.mov",
        "a/._clip.mov",
        "clip.mov",
        "DS_Store",
        "x.DS_Store",
        "a/.apdisk",
        ".nfs-notes",
        "desktop.ini.mov",
        ".fuse_hidden",
        "a/.VolumeIcon.icns",
        "Thumbs.db/x",
        ".nfs",
    ],
)
def test_files_that_may_carry_something_are_taken(path: str) -> None:
    assert file_litter(path) is None


@pytest.mark.parametrize(
    "path",
    [
        ".Spotlight-V100",
        ".fseventsd",
        ".Trashes",
        ".TemporaryItems",
        ".DocumentRevisions-V100",
        "System Volume Information",
        "$RECYCLE.BIN",
        "$Recycle.Bin",
        ".Trash-1000",
        ".Trash",
    ],
)
def test_folders_that_systems_make_are_litter_at_the_root_only(path: str) -> None:
    assert folder_litter(path)
    assert folder_litter(f"DCIM/{path}") is None


@pytest.mark.parametrize("path", ["DCIM", "lost+found", ".Trash-me", ".backupkeeper", "PRIVATE"])
def test_folders_of_cameras_and_people_are_taken(path: str) -> None:
    assert folder_litter(path) is None


@pytest.mark.parametrize(
    "path", ["a.mov", "a/b.MP4", "x.WAV", ".hidden.mxf", "$R12AB.mov", "a.b.jpg"]
)
def test_clips_are_known_by_their_extension(path: str) -> None:
    assert is_clip(path)


@pytest.mark.parametrize("path", ["mov", ".mov", "a.mov/b", "a.txt", "a.mov.tmp", "a.", ""])
def test_what_has_no_clips_extension_is_none(path: str) -> None:
    assert not is_clip(path)


@given(
    st.lists(TEXT, min_size=1, max_size=3).map("/".join),
    st.lists(TEXT, min_size=1, max_size=3).map("/".join),
)
def test_a_pattern_matches_its_own_entry_and_no_other(path: str, other: str) -> None:
    # Held against pathspec, a reader of gitignore lines that is not ours.
    (line,) = mhl_ignore_patterns([(path, "litter")])
    spec = GitIgnoreSpec.from_lines([line])
    assert spec.match_file(path)
    assert spec.match_file(other) == (other == path or other.startswith(path + "/"))


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (".Trashes", "/.Trashes"),
        ("a/.DS_Store", "/a/.DS_Store"),
        ("a b /Thumbs.db", "/a b /Thumbs.db"),
        ("x  ", "/x\\ \\ "),
        ("$RECYCLE.BIN/[a]*?\\", "/$RECYCLE.BIN/\\[a\\]\\*\\?\\\\"),
        ("a\nb\x7f\udcff/.DS_Store", "/a?b??/.DS_Store"),
    ],
)
def test_patterns_are_written_as_gitignore_lines(path: str, line: str) -> None:
    assert mhl_ignore_patterns([(path, "litter")]) == (line,)
