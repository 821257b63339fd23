"""What an edit, a new name and a move do to directory hashes (ASC MHL Guide §2.5)."""

import pytest
from hypothesis import given, strategies as st

from backupkeeper.manifests.directory_hashes import DirectoryHash, directory_hashes
from backupkeeper.manifests.formats import Format, canonical, digest_of, raw

TREE = {"a/1.mov": b"1", "a/b/2.mov": b"2", "c/3.mov": b"3", "4.mov": b"4"}


def hashes(files: dict[str, bytes], form: Format = Format.XXH128) -> dict[str, DirectoryHash]:
    digests = {path: digest_of(form, [data]) for path, data in files.items()}
    return directory_hashes(digests, ["a", "a/b", "c", "empty"], form)


forms = pytest.mark.parametrize("form", list(Format))


@forms
def test_an_edit_changes_both_values_of_every_folder_above_and_of_no_other(form: Format) -> None:
    before, after = hashes(TREE, form), hashes(TREE | {"a/b/2.mov": b"edited"}, form)
    for folder in ("a/b", "a", ""):
        assert before[folder].content != after[folder].content
        assert before[folder].structure != after[folder].structure
    assert before["c"] == after["c"]


@forms
def test_a_new_name_changes_structure_only(form: Format) -> None:
    renamed = {path.replace("2.mov", "two.mov"): data for path, data in TREE.items()}
    before, after = hashes(TREE, form), hashes(renamed, form)
    for folder in ("a/b", "a", ""):
        assert before[folder].content == after[folder].content
        assert before[folder].structure != after[folder].structure


def test_a_new_name_of_a_folder_changes_the_structure_above_it_only() -> None:
    renamed = {path.replace("c/", "d/"): data for path, data in TREE.items()}
    form = Format.XXH128
    digests = {path: digest_of(form, [data]) for path, data in renamed.items()}
    after = directory_hashes(digests, ["empty"], form)
    before = hashes(TREE)
    assert before["c"] == after["d"]
    assert before[""].content == after[""].content
    assert before[""].structure != after[""].structure


@forms
def test_a_move_changes_both_values(form: Format) -> None:
    moved = {path.replace("a/1.mov", "c/1.mov"): data for path, data in TREE.items()}
    before, after = hashes(TREE, form), hashes(moved, form)
    for folder in ("a", "c", ""):
        assert before[folder].content != after[folder].content
        assert before[folder].structure != after[folder].structure


def test_two_files_of_the_same_bytes_both_count() -> None:
    form = Format.MD5
    one = directory_hashes({"a": digest_of(form, [b"x"])}, (), form)
    two = directory_hashes(dict.fromkeys(("a", "b"), digest_of(form, [b"x"])), (), form)
    assert one[""].content != two[""].content


def test_a_nested_root_hash_stands_for_what_is_below_it() -> None:
    form = Format.XXH128
    whole = hashes(TREE)
    rest = {path: data for path, data in TREE.items() if not path.startswith("a/")}
    digests = {path: digest_of(form, [data]) for path, data in rest.items()}
    found = directory_hashes(digests, ["c", "empty"], form, {"a": whole["a"]})
    assert found[""] == whole[""]


@given(st.permutations(list(TREE)))
def test_the_order_of_files_changes_nothing(order: list[str]) -> None:
    assert hashes({path: TREE[path] for path in order}) == hashes(TREE)


@forms
@given(st.lists(st.binary(max_size=9), min_size=2, max_size=9, unique=True))
def test_texts_sort_as_their_bytes_do(form: Format, pieces: list[bytes]) -> None:
    texts = [digest_of(form, [piece]) for piece in pieces]
    assert [raw(form, text) for text in sorted(texts)] == sorted(raw(form, text) for text in texts)
    assert all(canonical(form, text) == text for text in texts)
