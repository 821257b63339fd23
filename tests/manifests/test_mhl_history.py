"""How generations add up, and how a history is continued."""

from collections.abc import Iterable, Mapping
from dataclasses import replace

import pytest

from backupkeeper.core.errors import DriveGoneError, ManifestError, UsageError
from backupkeeper.manifests import ignoring
from backupkeeper.manifests.formats import Format, digest_of
from backupkeeper.manifests.mhl_chain import extend_chain, read_chain
from backupkeeper.manifests.mhl_history import DEEPEST_NESTING, read_history
from backupkeeper.manifests.mhl_model import (
    CHAIN_NAME,
    Action,
    FaultKind,
    Generation,
    ManifestFile,
    Process,
)
from backupkeeper.manifests.mhl_read import read_manifest
from backupkeeper.manifests.mhl_verify import (
    Computed,
    Finding,
    compare,
    next_generation,
    verify_folders,
    verify_history,
)
from backupkeeper.manifests.mhl_write import build_manifest
from tests.manifests.made_history import ROLL, Folder, Tree, computed, made_file, made_generation

W1 = "DCIM/100WIDE/W0001.MOV"


def check(files: Mapping[str, bytes] | Iterable[ManifestFile], **more: object) -> Generation:
    return replace(made_generation(files, process=Process.IN_PLACE), **more)  # type: ignore[arg-type]  # fields by name


def go_on(folder: Folder, wanted: Generation) -> tuple[Generation, tuple[str, ...]]:
    history = folder.history() if folder.files else None
    generation, left = next_generation(history, wanted)
    folder.add(generation)
    return generation, left


def actions(generation: Generation) -> dict[str, Action]:
    return {file.path: file.action for file in generation.files}


def test_there_is_no_history_where_there_is_nothing() -> None:
    assert read_history(["README.txt"], Folder().read) is None


def test_first_original_then_verified_then_failed_then_verified_again() -> None:
    folder = Folder()
    generation, _ = go_on(folder, check(ROLL))
    assert set(actions(generation).values()) == {Action.ORIGINAL}
    generation, _ = go_on(folder, check(ROLL))
    assert set(actions(generation).values()) == {Action.VERIFIED}
    generation, _ = go_on(folder, check(ROLL | {W1: b"rotten"}))
    assert actions(generation)[W1] is Action.FAILED
    history = folder.history()
    assert history.faults == ()
    assert history.failed == {W1}
    assert history.reference[W1]["xxh128"] == digest_of(Format.XXH128, [ROLL[W1]])
    generation, _ = go_on(folder, check(ROLL))
    assert actions(generation)[W1] is Action.VERIFIED
    history = folder.history()
    assert history.failed == frozenset()
    assert generation.number == 4
    assert [entry.number for entry in history.chain] == [1, 2, 3, 4]


def test_a_file_added_later_is_original_and_leaves_the_others_alone() -> None:
    folder = Folder()
    go_on(folder, check(ROLL))
    generation, _ = go_on(folder, check({"late.wav": b"wind"}))
    assert actions(generation) == {"late.wav": Action.ORIGINAL}
    assert set(generation.not_hashed) == set(ROLL)
    history = folder.history()
    assert set(history.reference) == {*ROLL, "late.wav"}


def test_a_check_of_a_part_records_hashes_of_whole_folders_only() -> None:
    folder = Folder()
    go_on(folder, check(ROLL))
    part = {path: data for path, data in ROLL.items() if "100WIDE" in path}
    generation, _ = go_on(folder, check(part))
    manifest = read_manifest(build_manifest(generation)[0])
    assert [found.path for found in manifest.folders] == ["DCIM/100WIDE"]
    assert manifest.root is None


def test_another_format_beside_the_one_compared_is_verified_too() -> None:
    folder = Folder()
    folder.add(made_generation(ROLL))
    both = [
        made_file(path, data, formats=(Format.XXH128, Format.MD5)) for path, data in ROLL.items()
    ]
    generation, _ = go_on(folder, check(both))
    assert set(actions(generation).values()) == {Action.VERIFIED}
    assert set(folder.history().reference[W1]) == {"xxh128", "md5"}


def test_what_has_no_digest_in_common_is_handed_back_and_not_recorded() -> None:
    folder = Folder()
    folder.add(made_generation(ROLL))
    other = made_file(W1, ROLL[W1], formats=(Format.SHA1,), blake3=None)
    rest = made_file("new", b"")
    generation, left = go_on(folder, check([other, rest]))
    assert left == (W1,)
    assert actions(generation) == {"new": Action.ORIGINAL}
    assert W1 in generation.not_hashed


def test_a_path_that_only_ever_failed_has_no_reference() -> None:
    folder = Folder()
    folder.add(made_generation([made_file("a", b"1", action=Action.FAILED)]))
    history = folder.history()
    assert compare(history, "a", computed({"a": b"1"})["a"]) is Finding.NOT_COMPARABLE
    assert verify_history(history, {}) == {"a": Finding.MISSING}


def test_blake3_alone_can_tell_a_difference() -> None:
    folder = Folder()
    folder.add(made_generation({"a": b"1"}))
    found = computed({"a": b"1"})["a"]
    lie = Computed(size=1, digests={**found.digests, "blake3": "0" * 64})
    assert compare(folder.history(), "a", found) is Finding.VERIFIED
    assert compare(folder.history(), "a", lie) is Finding.FAILED


def renamed(pairs: dict[str, str], data: dict[str, bytes], **more: object) -> Generation:
    files = tuple(
        made_file(new, data[old], action=Action.VERIFIED, previous_path=old)
        for new, old in pairs.items()
    )
    return check(files, number=2, **more)


@pytest.mark.parametrize(
    ("old", "new"), [("b", "a2"), ("b", "odd\x01"), ("od\udcffd", "a2"), ("od\udcffd", "c\x02")]
)
def test_a_new_name_takes_along_what_is_known(old: str, new: str) -> None:
    folder = Folder()
    folder.add(made_generation({old: b"1", "other": b"2"}))
    folder.add(renamed({new: old}, {old: b"1"}, whole=False))
    history = folder.history()
    assert history.faults == ()
    assert verify_history(history, computed({new: b"1", "other": b"2"})) == {
        new: Finding.VERIFIED,
        "other": Finding.VERIFIED,
    }


def test_two_files_can_swap_their_names() -> None:
    folder = Folder()
    folder.add(made_generation({"a": b"1", "b": b"2"}))
    folder.add(renamed({"a": "b", "b": "a"}, {"a": b"1", "b": b"2"}))
    history = folder.history()
    assert history.faults == ()
    found = verify_history(history, computed({"a": b"2", "b": b"1"}))
    assert set(found.values()) == {Finding.VERIFIED}


def test_a_new_name_for_what_is_not_known_or_was_taken_is_told() -> None:
    folder = Folder()
    folder.add(made_generation({"a": b"1"}))
    folder.add(renamed({"b": "a", "c": "a", "d": "nothing"}, {"a": b"1", "nothing": b""}))
    assert [fault.kind for fault in folder.history().faults] == [FaultKind.UNKNOWN_PREVIOUS] * 2


def test_a_renamed_folder_takes_along_what_is_below_it() -> None:
    folder = Folder()
    folder.add(made_generation({"old/x/1": b"1", "older": b"2"}))
    data, _ = build_manifest(check({"new/x/1": b"1", "older": b"2"}, number=2))
    line = b"<path>new</path>\n"
    at = data.index(b"</directoryhash>", data.index(line))
    data = data[:at] + b"<previousPath>old/</previousPath>" + data[at:]
    folder.add_bytes("0002.mhl", data.replace(b"original", b"verified"))
    history = folder.history()
    assert history.faults == ()
    assert set(history.reference) == {"new/x/1", "older"}


def test_an_ignore_pattern_that_was_taken_back_is_told() -> None:
    folder = Folder()
    folder.add(made_generation(ROLL, ignore=("*.tmp",)))
    folder.add(check(ROLL, number=2))
    faults = folder.history().faults
    assert [fault.kind for fault in faults] == [FaultKind.IGNORE_SHRUNK]


def test_an_ignore_pattern_that_would_match_a_new_file_may_go() -> None:
    folder = Folder()
    go_on(folder, check(ROLL, ignore=("*.tmp", "*.bak")))
    go_on(folder, check(ROLL | {"late.tmp": b""}))
    history = folder.history()
    assert history.faults == ()
    assert list(history.manifests.values())[1].ignore == (".DS_Store", "ascmhl", "*.bak")
    assert verify_history(history, computed(ROLL | {"late.tmp": b"", "x.bak": b""})) == (
        dict.fromkeys([*ROLL, "late.tmp"], Finding.VERIFIED)
    )


def test_a_pattern_that_became_too_costly_to_try_may_go(monkeypatch: pytest.MonkeyPatch) -> None:
    folder = Folder()
    go_on(folder, check(ROLL, ignore=("*.tmp", "*.bak", "*.old")))
    cost = ignoring._Recorded(ROLL, ()).steps("*.tmp")
    monkeypatch.setattr(ignoring, "MOST_STEPS", 2 * cost)
    go_on(folder, check(ROLL))
    history = folder.history()
    assert list(history.manifests.values())[1].ignore == (".DS_Store", "ascmhl", "*.tmp", "*.bak")
    assert history.faults == ()


def test_names_that_stand_apart_are_verified_like_all_others() -> None:
    odd = {"\x01.mov": b"1", "ascmhl/0001.mhl": b"2", "x/\udcff": b"3", "C:x": b"4", "y/z": b"5"}
    data, apart = build_manifest(made_generation(odd, folders=("e\x02",)))
    assert set(apart) == {*odd, "e\x02"} - {"y/z"}
    folder = Folder()
    folder.add_bytes("0001.mhl", data)
    history = folder.history()
    assert history.faults == ()
    assert set(verify_history(history, computed(odd)).values()) == {Finding.VERIFIED}
    assert set(history.folders) == {"y"}
    assert verify_folders(history, computed(odd)) == ()


def test_folders_without_all_their_hashes_are_not_judged() -> None:
    folder = Folder()
    folder.add(made_generation(ROLL))
    lacking = computed(ROLL) | {W1: Computed(size=1, digests={"md5": "0" * 32})}
    assert verify_folders(folder.history(), lacking) == ()


def test_a_drive_that_went_away_is_no_fault_of_the_history() -> None:
    def gone(name: str) -> bytes:
        raise DriveGoneError("main", name)

    with pytest.raises(DriveGoneError):
        read_history([CHAIN_NAME], gone)


def test_histories_nested_without_end_are_not_followed() -> None:
    files: dict[str, bytes] = {}
    top = Folder()
    name = top.add(made_generation({"a": b""}))
    for depth in range(DEEPEST_NESTING + 3):
        inner = "x/" * (DEEPEST_NESTING + 2 - depth)
        files |= {f"{inner}ascmhl/{n}": data for n, data in top.files.items()}
        from_below = read_chain(top.files[CHAIN_NAME]).entries[0].c4
        top = Folder()
        data, _ = build_manifest(made_generation({"a": b""}, whole=False))
        link = f"<path>x/ascmhl/{name}</path><c4>{from_below}</c4>"
        reference = f"<references><hashlistreference>{link}</hashlistreference></references>"
        top.add_bytes(name, data.replace(b"</hashlist>", reference.encode() + b"</hashlist>"))
    files = {f"{path}": data for path, data in files.items()}
    faults = Tree(files).history().faults
    assert [fault.message.rpartition(": ")[2] for fault in faults] == [
        "histories are nested deeper than is looked at"
    ]


def test_a_broken_chain_is_not_continued() -> None:
    chain = extend_chain(None, "0001.mhl", b"1")
    with pytest.raises(ManifestError, match="broken"):
        extend_chain(chain.replace(b'"1"', b'"2"', 1).replace(b'nr="1"', b'nr="2"'), "2.mhl", b"")
    with pytest.raises(ManifestError, match="already"):
        extend_chain(chain, "0001.mhl", b"2")
    for name in ("a/b", "", "..", "\x01", "/x"):
        with pytest.raises(UsageError):
            extend_chain(None, name, b"")


def test_a_chain_that_repeats_itself_hands_on_the_first_entry_only() -> None:
    chain = extend_chain(extend_chain(None, "1.mhl", b"1"), "2.mhl", b"2")
    for twice in (chain.replace(b"2.mhl", b"1.mhl"), chain.replace(b'nr="2"', b'nr="1"')):
        read = read_chain(twice)
        assert [entry.name for entry in read.entries] == ["1.mhl"]
        assert [fault.kind for fault in read.faults] == [FaultKind.SEQUENCE]
