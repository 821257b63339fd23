"""What is written is read back as it was; what is not a manifest raises nothing but ManifestError."""

import contextlib
import time

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.errors import ManifestError
from backupkeeper.manifests import hostile_xml
from backupkeeper.manifests.formats import Format
from backupkeeper.manifests.hostile_xml import Limits
from backupkeeper.manifests.mhl_chain import extend_chain, read_chain
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import CHAIN_NAME, Action, ManifestFile
from backupkeeper.manifests.mhl_read import read_manifest
from backupkeeper.manifests.mhl_write import build_manifest
from backupkeeper.manifests.names import unsafe_path
from tests.manifests.made_history import ROLL, START, Folder, made_file, made_generation
from tests.manifests.names_of_files import NAMES, PATHS


def files_of(paths: list[str]) -> list[ManifestFile]:
    """Records that can stand side by side: no path is a folder of another."""
    taken: list[str] = []
    for path in paths:
        if not any(f"{p}/".startswith(f"{path}/") or path.startswith(f"{p}/") for p in taken):
            taken.append(path)
    return [made_file(path, path.encode(errors="replace"), hashed_at=START) for path in taken]


@pytest.mark.slow
@given(
    paths=st.lists(PATHS, min_size=1, max_size=8, unique=True),
    patterns=st.lists(NAMES, max_size=4),
    forms=st.sets(st.sampled_from(list(Format)), min_size=1),
    mtime_ns=st.integers(-(10**19), 10**19),
    action=st.sampled_from(list(Action)),
)
@settings(max_examples=150, deadline=None)
def test_every_legal_name_comes_back_from_a_manifest_without_a_fault(
    paths: list[str],
    patterns: list[str],
    forms: set[Format],
    mtime_ns: int,
    action: Action,
) -> None:
    files = files_of(paths)
    files[0] = made_file(
        files[0].path, b"1", formats=forms, mtime_ns=mtime_ns, action=action, hashed_at=START
    )
    data, apart = build_manifest(made_generation(files, ignore=tuple(patterns), comment="\x01\r\n"))
    manifest = read_manifest(data)
    assert manifest.faults == ()
    assert manifest.apart == set(apart)
    back = {file.path: file for file in manifest.files}
    assert back.keys() == {file.path for file in files}
    for file in files:
        read = back[file.path]
        assert {made.format.value: made.text for made in read.hashes} == file.hashes
        assert {made.action for made in read.hashes} == {file.action}
        assert {made.hashed_at for made in read.hashes} == {START}
        assert (read.size, read.blake3) == (file.size, file.blake3)
        if file.mtime_ns is not None and 0 <= file.mtime_ns < 10**19:
            assert read.mtime_ns == file.mtime_ns
    folder = Folder()
    folder.add_bytes("0001.mhl", data)
    assert folder.history().faults == ()


GOOD, _ = build_manifest(made_generation(ROLL, folders=("EMPTY",)))
CHAIN = extend_chain(None, "0001.mhl", GOOD)


@pytest.mark.slow
@given(
    at=st.integers(0, len(GOOD)),
    cut=st.integers(0, 40),
    put=st.one_of(
        st.binary(max_size=12),
        st.sampled_from([b"<", b"/", b"&#0;", b"&x;", b"<!DOCTYPE a>", b'="', b"<hash>", b"\xff"]),
    ),
)
@settings(max_examples=400, deadline=None)
def test_a_manifest_changed_anywhere_raises_nothing_but_manifest_error(
    at: int, cut: int, put: bytes
) -> None:
    changed = GOOD[:at] + put + GOOD[at + cut :]
    with contextlib.suppress(ManifestError):
        for file in read_manifest(changed).files:
            assert unsafe_path(file.path) is None or file.path in read_manifest(changed).apart
    where = at % len(CHAIN)
    with contextlib.suppress(ManifestError):
        read_chain(CHAIN[:where] + put + CHAIN[where + cut :])
    folder = Folder()
    folder.add_bytes("0001.mhl", changed)
    assert read_history(folder.files, folder.read) is not None


@given(st.binary(max_size=200))
def test_no_bytes_at_all_raise_anything_but_manifest_error(data: bytes) -> None:
    for read in (read_manifest, read_chain):
        with contextlib.suppress(ManifestError):
            read(data)
    assert read_history([CHAIN_NAME], lambda name: data) is not None


@pytest.mark.parametrize(
    "limits",
    [
        pytest.param(Limits(size_bytes=100), id="bytes"),
        pytest.param(Limits(depth=3), id="depth"),
        pytest.param(Limits(elements=10), id="elements"),
        pytest.param(Limits(children=3), id="children of one record"),
        pytest.param(Limits(attributes=1), id="attributes"),
        pytest.param(Limits(text=5), id="text"),
        pytest.param(Limits(ancestry=5), id="names of folders"),
    ],
)
def test_a_manifest_beyond_a_limit_is_refused(limits: Limits) -> None:
    read_manifest(GOOD)
    with pytest.raises(ManifestError):
        read_manifest(GOOD, limits=limits)


def test_a_manifest_that_breaks_too_many_rules_is_refused() -> None:
    wrong = GOOD.replace(b' action="original"', b"")
    assert len(read_manifest(wrong).faults) == 3
    with pytest.raises(ManifestError, match="more rules"):
        read_manifest(wrong, limits=Limits(faults=2))
    entry = b'<hashlist sequencenr="x"><path>a</path></hashlist>'
    chain = CHAIN.replace(b"</ascmhldirectory>", entry * 3 + b"</ascmhldirectory>")
    with pytest.raises(ManifestError, match="more rules"):
        read_chain(chain, limits=Limits(faults=2))


def test_the_limits_leave_room_for_a_day_of_stills() -> None:
    assert hostile_xml.LIMITS.elements >= 500_000 * 5


def test_what_stands_between_records_is_not_counted_as_one_text() -> None:
    """Or a roll of some 200,000 files has a manifest, by its indentation alone, that is refused."""
    data, _ = build_manifest(made_generation([made_file(f"C{n}.MOV") for n in range(200)]))
    assert len(read_manifest(data, limits=Limits(text=100)).files) == 200


@pytest.mark.parametrize(
    "bomb",
    [
        b'<!DOCTYPE h [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;">]>' + GOOD[39:],
        b'<!DOCTYPE h SYSTEM "file:///etc/passwd">' + GOOD[39:],
        GOOD.replace(b"<hostname>edit", b"<hostname>&xxe;"),
    ],
    ids=["entities", "a file", "an unknown entity"],
)
def test_definitions_of_its_own_are_refused(bomb: bytes) -> None:
    with pytest.raises(ManifestError):
        read_manifest(bomb)


def test_any_prefix_either_order_missing_hashes_upper_case_and_a_trailing_slash_are_read() -> None:
    manifest = read_manifest(
        b"""<m:hashlist xmlns:m="urn:ASC:MHL:v2.0" version="2.0"><m:metadata/>
        <m:processinfo><m:process>in-place</m:process></m:processinfo>
        <m:hashes><m:hash><m:path> a </m:path>
        <m:xxh64 action="original">0EA03B369A463D9D</m:xxh64></m:hash>
        <m:directoryhash><m:path>Clips/</m:path>
        <m:content><m:xxh64>ef46db3751d8e999</m:xxh64></m:content>
        <m:structure><m:xxh64>ef46db3751d8e999</m:xxh64></m:structure></m:directoryhash>
        </m:hashes></m:hashlist>"""
    )
    assert manifest.faults == ()
    assert manifest.files[0].path == " a "
    assert manifest.files[0].hashes[0].text == "0ea03b369a463d9d"
    assert manifest.folders[0].path == "Clips"
    bare = read_manifest(b'<hashlist xmlns="urn:ASC:MHL:v2.0" version="2.0"/>')
    assert (bare.files, bare.process) == ((), None)


@pytest.mark.slow
def test_ten_thousand_files_are_written_and_read_in_a_few_seconds() -> None:
    files = [made_file(f"DCIM/{n // 500:03}/C{n:06}.MOV", b"%d" % n) for n in range(10_000)]
    start = time.perf_counter()
    data, _ = build_manifest(made_generation(files))
    folder = Folder()
    folder.add_bytes("0001.mhl", data)
    history = folder.history()
    assert len(history.reference) == 10_000
    assert history.faults == ()
    assert time.perf_counter() - start < 60, "a few seconds, with room for a busy machine"
