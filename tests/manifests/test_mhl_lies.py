"""A history that lies, in every way of the verifier's recipe (STANDARDS section 1.13)."""

from collections.abc import Callable

import pytest

from backupkeeper.core.errors import ReadError
from backupkeeper.manifests.formats import c4_of
from backupkeeper.manifests.mhl_chain import extend_chain
from backupkeeper.manifests.mhl_model import CHAIN_NAME, Action, FaultKind, Process, Reference
from backupkeeper.manifests.mhl_verify import Finding, verify_folders, verify_history
from backupkeeper.manifests.mhl_write import build_manifest
from tests.manifests.made_history import ROLL, Folder, Tree, computed, made_file, made_generation

NAME = "0001_Roll 01_2026-06-12_174501Z.mhl"
GOOD, _ = build_manifest(made_generation(ROLL, folders=("EMPTY",)))
FIRST = b"DCIM/100WIDE/W0001.MOV"
HASH = computed(ROLL)[FIRST.decode()].digests["xxh128"].encode()


def told(data: bytes) -> set[FaultKind]:
    folder = Folder()
    folder.add_bytes(NAME, data)
    return {fault.kind for fault in folder.history().faults}


def swapped(old: bytes, new: bytes) -> bytes:
    assert old in GOOD
    return GOOD.replace(old, new, 1)


def test_a_history_without_a_lie_has_no_fault() -> None:
    assert told(GOOD) == set()


@pytest.mark.parametrize(
    ("chain", "fault"),
    [
        pytest.param(lambda good: b"no chain", FaultKind.CHAIN_BROKEN, id="no XML"),
        pytest.param(
            lambda good: good.replace(b'nr="1"', b'nr="2"'), FaultKind.SEQUENCE, id="a gap"
        ),
        pytest.param(
            lambda good: good.replace(b' sequencenr="1"', b""), FaultKind.SEQUENCE, id="no number"
        ),
        pytest.param(
            lambda good: good.replace(b"<path>", b"<path>../"), FaultKind.UNSAFE_PATH, id="upward"
        ),
        pytest.param(
            lambda good: good.replace(b"<path>", b"<path>x/"), FaultKind.UNSAFE_PATH, id="downward"
        ),
        pytest.param(
            lambda good: good.replace(b"<c4>c4", b"<c4>x4"), FaultKind.BAD_HASH, id="no C4"
        ),
        pytest.param(
            lambda good: good.replace(b"Roll 01", b"Roll 02"),
            FaultKind.MANIFEST_MISSING,
            id="another name",
        ),
        pytest.param(
            lambda good: extend_chain(None, NAME, b"other"),
            FaultKind.MANIFEST_ALTERED,
            id="another C4",
        ),
        pytest.param(
            lambda good: b'<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0"/>',
            FaultKind.SEQUENCE,
            id="empty",
        ),
    ],
)
def test_1_and_2_a_chain_that_lies_is_told(
    chain: Callable[[bytes], bytes], fault: FaultKind
) -> None:
    folder = Folder()
    folder.add_bytes(NAME, GOOD)
    changed = chain(folder.files[CHAIN_NAME])
    assert changed != folder.files[CHAIN_NAME]
    folder.files[CHAIN_NAME] = changed
    history = folder.history()
    assert fault in {found.kind for found in history.faults}


def test_2_not_a_word_of_an_altered_manifest_is_believed() -> None:
    folder = Folder()
    folder.add_bytes(NAME, GOOD)
    folder.files[NAME] = swapped(HASH, HASH[::-1])
    history = folder.history()
    assert [fault.kind for fault in history.faults] == [FaultKind.MANIFEST_ALTERED]
    assert not history.reference


def test_3_a_manifest_that_the_chain_does_not_name_is_told_and_not_believed() -> None:
    folder = Folder()
    folder.add_bytes(NAME, GOOD)
    folder.files["0002_Roll 01_2026-06-13_174501Z.mhl"] = GOOD
    history = folder.history()
    assert [fault.kind for fault in history.faults] == [FaultKind.MANIFEST_UNLISTED]
    assert history.unlisted == ("0002_Roll 01_2026-06-13_174501Z.mhl",)
    assert len(history.chain) == 1


def test_3_manifests_without_any_chain_are_told() -> None:
    history = Folder({NAME: GOOD}).history()
    assert {fault.kind for fault in history.faults} == {
        FaultKind.CHAIN_MISSING,
        FaultKind.MANIFEST_UNLISTED,
    }


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (b"<hashlist ", b"<hashes ", FaultKind.MANIFEST_BROKEN),
        (b'"urn:ASC:MHL:v2.0"', b'"urn:ASC:MHL:v1.0"', FaultKind.MANIFEST_BROKEN),
        (b'version="2.0"', b'version="1.0"', FaultKind.MANIFEST_BROKEN),
        (b"W0002.MOV", b"W0001.MOV", FaultKind.DUPLICATE_PATH),
        (FIRST, b"/etc/passwd", FaultKind.UNSAFE_PATH),
        (FIRST, b"../outside", FaultKind.UNSAFE_PATH),
        (FIRST, b"a/./b", FaultKind.UNSAFE_PATH),
        (FIRST, b"a//b", FaultKind.UNSAFE_PATH),
        (FIRST, b"", FaultKind.UNSAFE_PATH),
        (FIRST, b"C:clip", FaultKind.UNSAFE_PATH),
        (FIRST, b"\\\\server\\x", FaultKind.UNSAFE_PATH),
        (FIRST, b"a\\..\\b", FaultKind.UNSAFE_PATH),
        (FIRST, b"x" * 5000, FaultKind.UNSAFE_PATH),
        (FIRST, b"ascmhl/x", FaultKind.IGNORED_RECORD),
        (HASH, HASH[1:], FaultKind.BAD_HASH),
        (HASH, b"g" + HASH[1:], FaultKind.BAD_HASH),
        (b"</xxh128>\n", b"</xxh128><sha256>00</sha256>\n", FaultKind.UNKNOWN_FORMAT),
        (b"</xxh128>\n", b"</xxh128><xxh128>%b</xxh128>\n" % HASH, FaultKind.BAD_HASH),
        (b'<xxh128 action="original">%b</xxh128>' % HASH, b"", FaultKind.NO_HASH),
        (b' action="original"', b"", FaultKind.NO_ACTION),
        (b'"original"', b'"new"', FaultKind.BAD_VALUE),
        (b'size="22"', b'size="-1"', FaultKind.BAD_VALUE),
        (b"<process>transfer", b"<process>guess", FaultKind.BAD_VALUE),
        (b"<pattern>ascmhl<", b"<pattern>*.MOV<", FaultKind.IGNORED_RECORD),
        (b"<pattern>ascmhl<", b"<pattern>x\\<", FaultKind.BAD_PATTERN),
        (b"<blake3 ", b"<blake3 a='", FaultKind.MANIFEST_BROKEN),
        (b'manifest:1">', b'manifest:1">0', FaultKind.BAD_HASH),
        (HASH, HASH[::-1], FaultKind.DIRECTORY_HASH),
        (b"<structure>", b"<structure><c4/>", FaultKind.BAD_HASH),
        (b"<structure><xxh128>", b"<structure><xxh64>", FaultKind.MANIFEST_BROKEN),
        (b"<?xml", b"<!DOCTYPE hashlist [<!ENTITY a 'b'>]><?xml", FaultKind.MANIFEST_BROKEN),
        (b"<hashlist ", b"<!DOCTYPE hashlist []><hashlist ", FaultKind.MANIFEST_BROKEN),
    ],
)
def test_4_to_7_a_manifest_that_lies_gets_its_named_fault(
    old: bytes, new: bytes, fault: FaultKind
) -> None:
    assert fault in told(swapped(old, new))


def test_7_a_directory_with_only_one_of_its_two_hashes_is_told() -> None:
    start, end = GOOD.index(b"      <structure>"), GOOD.index(b"</structure>\n")
    assert FaultKind.NO_HASH in told(GOOD[:start] + GOOD[end + len(b"</structure>\n") :])


@pytest.mark.parametrize(
    ("change", "finding"),
    [
        ({"DCIM/INDEX.XML": b"<INDEX/>"}, Finding.FAILED),
        ({"DCIM/INDEX.XML": b"<index/>longer"}, Finding.FAILED),
        ({"DCIM/INDEX.XML": None}, Finding.MISSING),
        ({"new.mov": b""}, Finding.UNKNOWN),
    ],
)
def test_8_and_9_what_is_there_is_held_against_what_is_recorded(
    change: dict[str, bytes | None], finding: Finding
) -> None:
    folder = Folder()
    folder.add_bytes(NAME, GOOD)
    there = {p: d for p, d in (ROLL | change).items() if d is not None}
    found = verify_history(folder.history(), computed(there))
    (path,) = change
    assert {p: f for p, f in found.items() if f is not Finding.VERIFIED} == {path: finding}
    assert len(found) == len(ROLL | change)


def test_8_a_lie_about_the_size_fails_though_the_hash_is_right() -> None:
    folder = Folder()
    folder.add_bytes(NAME, swapped(b'size="22"', b'size="21"'))
    found = verify_history(folder.history(), computed(ROLL))
    assert found[FIRST.decode()] is Finding.FAILED


def test_9_a_later_generation_can_not_replace_a_hash() -> None:
    folder = Folder()
    folder.add_bytes(NAME, GOOD)
    lie = made_file(FIRST.decode(), b"something else", action=Action.VERIFIED)
    folder.add(made_generation([lie], number=2, process=Process.IN_PLACE, whole=False))
    history = folder.history()
    assert [fault.kind for fault in history.faults] == [FaultKind.CONTRADICTION]
    assert verify_history(history, computed(ROLL))[FIRST.decode()] is Finding.VERIFIED


def test_10_folders_that_differ_from_their_recorded_hashes_are_told() -> None:
    folder = Folder()
    folder.add_bytes(NAME, GOOD)
    history = folder.history()
    assert verify_folders(history, computed(ROLL), ["EMPTY"]) == ()
    moved = {path.replace("INDEX", "MOVED"): data for path, data in ROLL.items()}
    wrong = verify_folders(history, computed(moved), ["EMPTY"])
    assert {fault.path for fault in wrong} == {"", "DCIM"}
    assert {fault.path for fault in verify_folders(history, computed(ROLL))} == {"", "EMPTY"}


def nested(c4: str | None = None) -> Tree:
    inner = Folder()
    name = inner.add(made_generation({"W0001.MOV": b"1"}))
    outer = Folder()
    reference = Reference(path=f"Card/ascmhl/{name}", c4=c4 or c4_of(inner.files[name]))
    outer.add(made_generation({"notes.txt": b"2"}, references=(reference,), whole=False))
    files = {f"Card/ascmhl/{name}": data for name, data in inner.files.items()}
    return Tree(files | {f"ascmhl/{name}": data for name, data in outer.files.items()})


def test_11_references_are_resolved_and_a_nested_history_judges_what_is_its() -> None:
    history = nested().history()
    assert history.faults == ()
    found = verify_history(history, computed({"Card/W0001.MOV": b"1", "notes.txt": b"2"}))
    assert found == {"Card/W0001.MOV": Finding.VERIFIED, "notes.txt": Finding.VERIFIED}
    assert verify_history(history, {}) == {
        "Card/W0001.MOV": Finding.MISSING,
        "notes.txt": Finding.MISSING,
    }


def test_11_a_reference_to_other_bytes_or_to_nothing_is_told() -> None:
    altered = nested(c4_of(b"other")).history()
    assert [fault.kind for fault in altered.faults] == [FaultKind.REFERENCE_ALTERED]
    tree = nested()
    tree.files = {p: d for p, d in tree.files.items() if not p.startswith("Card/")}
    assert [f.kind for f in tree.history().faults] == [FaultKind.REFERENCE_MISSING]


def test_11_a_reference_that_leads_to_no_history_is_told() -> None:
    outer = Folder()
    reference = Reference(path="elsewhere.mhl", c4=c4_of(b""))
    outer.add(made_generation({"a": b""}, references=(reference,)))
    tree = Tree({f"ascmhl/{name}": data for name, data in outer.files.items()})
    assert [f.kind for f in tree.history().faults] == [FaultKind.REFERENCE_MISSING]


def test_12_a_fault_in_a_nested_chain_is_told_above() -> None:
    tree = nested()
    tree.files["Card/ascmhl/0009_x.mhl"] = b""
    (fault,) = tree.history().faults
    assert fault.kind is FaultKind.MANIFEST_UNLISTED
    assert fault.path == "Card/0009_x.mhl"


def test_12_a_nested_history_whose_folder_can_not_be_listed_is_told() -> None:
    class Closed(Tree):
        def names(self, folder: str) -> list[str]:
            if folder.startswith("Card"):
                raise ReadError(folder, 13)
            return super().names(folder)

    history = Closed(nested().files).history()
    assert history.nested == {}
    assert [(fault.kind, fault.path) for fault in history.faults] == [
        (FaultKind.REFERENCE_MISSING, "Card")
    ]


def test_a_reference_without_a_c4_or_with_a_path_outside_is_told() -> None:
    one = "<hashlistreference><path>{}</path><c4>{}</c4></hashlistreference>"
    pair = one.format("a/ascmhl/1.mhl", "c4") + one.format("../ascmhl/1.mhl", c4_of(b""))
    data = GOOD.replace(b"</hashlist>", f"<references>{pair}</references></hashlist>".encode())
    assert told(data) == {FaultKind.BAD_HASH, FaultKind.UNSAFE_PATH}
    data = GOOD.replace(b"<path>EMPTY</path>", b"<path>../EMPTY</path>")
    assert told(data) == {FaultKind.UNSAFE_PATH}


def test_a_hash_without_an_action_is_no_reference() -> None:
    folder = Folder()
    folder.add_bytes(NAME, GOOD.replace(b' action="original"', b""))
    assert not folder.history().reference
