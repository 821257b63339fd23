"""ASC MHL held against what no one here wrote, and against values worked out by hand.

Sources: the schema and examples of the ASC MHL Specification v1.0 (Appendix A, B, E, F), read from
``../shared/standards``; the worked history of STANDARDS section 1.8 and ``vectors.json``
(``ascmhl_directory_hash``), DERIVED there from the wording: no directory hash that can be checked
is published. C4 values: STANDARDS section 1.7.
"""

import json
import os
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st
from lxml import etree

from backupkeeper.manifests.directory_hashes import DirectoryHash, directory_hashes
from backupkeeper.manifests.formats import Format, c4_of, digest_of
from backupkeeper.manifests.mhl_chain import extend_chain, read_chain
from backupkeeper.manifests.mhl_model import Generation, Reference
from backupkeeper.manifests.mhl_read import read_manifest
from backupkeeper.manifests.mhl_verify import Computed, Finding, verify_folders, verify_history
from backupkeeper.manifests.mhl_write import build_manifest
from tests.conftest import STANDARDS
from tests.manifests.made_history import ROLL, Tree, made_file, made_generation
from tests.manifests.names_of_files import NAMES, PATHS

real_standards = pytest.mark.real("standards")
WORKED = {
    "A002R2EC/Clips/A002C006_141024_R2EC.mov": b"abcd\n",
    "A002R2EC/Clips/A002C007_141024_R2EC.mov": b"def\n",
    "A002R2EC/Sidecar.txt": b"hello\n",
    "Report.txt": b"report\n",
}
VECTOR_TREE = {
    "Clips/A002C006_141024_R2EC.mov": b"abcd\n",
    "Clips/A002C007_141024_R2EC.mov": b"efgh\n",
    "Sidecar.txt": b"hello\n",
}


def standard(name: str) -> bytes:
    with open(os.path.join(STANDARDS, name), "rb") as file:
        return file.read()


def schema(name: str) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(os.path.join(STANDARDS, name)))


def hashed(files: dict[str, bytes], form: Format) -> dict[str, str]:
    return {path: digest_of(form, [data]) for path, data in files.items()}


def assert_valid(generation: Generation, against: etree.XMLSchema) -> bytes:
    data, _ = build_manifest(generation)
    tree = etree.fromstring(data)
    assert against.validate(tree), against.error_log
    return data


@real_standards
@pytest.mark.slow
@given(
    paths=st.lists(PATHS, min_size=1, max_size=6, unique=True),
    folders=st.lists(PATHS, max_size=3, unique=True),
    patterns=st.lists(NAMES, max_size=3),
    forms=st.sets(st.sampled_from(list(Format)), min_size=1),
    text=st.text(max_size=20),
)
@settings(max_examples=60, deadline=None)
def test_whatever_we_write_is_valid_against_the_schema(
    paths: list[str],
    folders: list[str],
    patterns: list[str],
    forms: set[Format],
    text: str,
) -> None:
    files = [made_file(path, b"x", formats=forms) for path in (*paths, "one plain name")]
    generation = made_generation(
        {file.path: file for file in files}.values(),
        folders=tuple(path for path in folders if path not in {file.path for file in files}),
        ignore=tuple(patterns),
        author=text,
        location=text,
        comment=text,
        references=(Reference(path="Card/ascmhl/1.mhl", c4=c4_of(b"")),),
    )
    assert_valid(generation, schema("ASCMHL.xsd"))


@real_standards
def test_our_chain_is_valid_against_the_schema() -> None:
    chain = extend_chain(extend_chain(None, "0001_é & <x>.mhl", b"1"), "0002.mhl", b"2")
    against = schema("ASCMHLDirectory.xsd")
    assert against.validate(etree.fromstring(chain)), against.error_log


@real_standards
def test_the_schema_catches_an_element_in_the_wrong_place() -> None:
    data, _ = build_manifest(made_generation(ROLL))
    wrong = data.replace(b"  <hashes>", b"  <metadata/><hashes>")
    assert not schema("ASCMHL.xsd").validate(etree.fromstring(wrong))


@real_standards
def test_the_example_manifest_of_the_specification_is_read() -> None:
    manifest = read_manifest(standard("example_manifest.mhl"))
    assert manifest.faults == ()
    assert [file.path for file in manifest.files] == [
        "Clips/A002C006_141024_R2EC.mov",
        "Clips/A002C007_141024_R2EC.mov",
        "Sidecar.txt",
    ]
    assert [folder.path for folder in manifest.folders] == ["Clips"]
    assert [made.text for file in manifest.files for made in file.hashes][:2] == [
        "0ea03b369a463d9d",
        "7680e5f98f4a80fd",
    ]
    assert manifest.creator.hostname == "donkey.local"
    assert len(manifest.creator.authors) == 2
    assert manifest.ignore == ("*.DS_Store", "/tmp")
    assert len(manifest.references) == 2


@real_standards
def test_the_example_chain_of_the_specification_is_read() -> None:
    chain = read_chain(standard("example_chain.xml"))
    assert chain.faults == ()
    assert [entry.number for entry in chain.entries] == [1, 2]


def worked_tree() -> Tree:
    root = os.path.join(STANDARDS, "worked_mhl", "Day01")
    files = {}
    for folder, _, names in os.walk(root):
        for name in names:
            path = os.path.join(folder, name)
            with open(path, "rb") as file:
                files[os.path.relpath(path, root)] = file.read()
    return Tree(files)


@real_standards
def test_the_worked_history_of_two_levels_is_read_and_verified() -> None:
    tree = worked_tree()
    history = tree.history()
    assert history.faults == ()
    assert len(history.nested["A002R2EC"].chain) == 2
    there = {
        path: Computed(size=len(data), digests={"xxh64": digest_of(Format.XXH64, [data])})
        for path, data in tree.files.items()
    }
    found = verify_history(history, there)
    assert found == dict.fromkeys(WORKED, Finding.VERIFIED)
    assert verify_folders(history, there) == ()


@real_standards
def test_a_bit_flipped_anywhere_in_the_worked_history_is_told() -> None:
    for name in [name for name in worked_tree().files if name.endswith(".mhl")]:
        tree = worked_tree()
        changed = bytearray(tree.files[name])
        changed[len(changed) // 2] ^= 1
        tree.files[name] = bytes(changed)
        assert tree.history().faults != ()


def test_the_directory_hashes_of_the_worked_history_are_reproduced() -> None:
    # STANDARDS section 1.8, DERIVED, xxh64.
    found = directory_hashes(hashed(WORKED, Format.XXH64), (), Format.XXH64)
    assert found == {
        "A002R2EC/Clips": DirectoryHash(content="4c226b42e27d7af3", structure="906faa843d591a9f"),
        "A002R2EC": DirectoryHash(content="84e2011d0d24389b", structure="fe6ca5decc2efa44"),
        "": DirectoryHash(content="5e0cfdb9e1c6ca87", structure="57f759f177049660"),
    }


@pytest.mark.parametrize(
    ("form", "root", "with_empty"),
    [
        # vectors.json, ascmhl_directory_hash: (content, structure); DERIVED.
        ("xxh64", ("7565a3bdde09531e", "82516dba7c553fc9"), "a7e14ed8bf91e952"),
        ("xxh3", ("5380f6879e03e454", "6e48a1774adcb90c"), "258595cf872e584a"),
        (
            "xxh128",
            ("021ab8f6cbf63458eff242a6e08a0af5", "269887ac9955e6da38462e728a331668"),
            "5b8d60e48b7e09d817e9b7d50f839f58",
        ),
        (
            "md5",
            ("ead3ddc7c878bd729d9f1b7030b02fe0", "07be458e1e97ba473240711b1c2267ad"),
            "76c4a112a856f63a9bbde89c48239712",
        ),
        (
            "sha1",
            (
                "cc45b742d3ba5726fbb29804f2c87f337b19988b",
                "feb45913bd4ede00c00ca71dd145e8e30b2ddd77",
            ),
            "6c964c143ea9cd2c2ef6bbb6f76755c9b764c2ce",
        ),
        (
            "c4",
            (
                "c43d6EtT4Wg6xePcYnvjhQ2dNvNzDsksZXymgqsbpim79b2UmcgHDr4C5QvWE6EUNbQszg1TZ6Et8DdYv6eRu8nArK",
                "c442SEGDssik26tuocoGaAgCGFug8wo7556S3dvS14yybHXErBk3t6n61AzFKnp988EgxMpjyKu6J4jhwCA4Tse7ea",
            ),
            "c43Ey9unb6Fot8xwr3WCKrDsNtLfPYYJYwY4nDqZ29H1s86DmfirAVKBfMgU3YpQS29WBHBLQEUd5zQ2H3Yz3eHtBT",
        ),
    ],
)
def test_the_directory_hashes_of_all_six_formats_are_reproduced(
    form: str, root: tuple[str, str], with_empty: str
) -> None:
    files = hashed(VECTOR_TREE, Format(form))
    found = directory_hashes(files, (), Format(form))
    assert (found[""].content, found[""].structure) == root
    found = directory_hashes(files, ["Empty"], Format(form))
    assert found[""].content == with_empty
    assert found["Empty"] == DirectoryHash(
        content=digest_of(Format(form), []), structure=digest_of(Format(form), [])
    )


@real_standards
def test_every_value_of_the_vectors_is_reproduced() -> None:
    vectors: Any = json.loads(standard("vectors.json"))["ascmhl_directory_hash"]
    for name, values in vectors["values"].items():
        form = Format(name)
        files = {path: digests[name] for path, digests in vectors["file_hashes"].items()}
        assert files == hashed(VECTOR_TREE, form)
        without = directory_hashes(files, (), form)
        full = directory_hashes(files, ["Empty"], form)
        for place, made in (
            ("Clips", full["Clips"]),
            ("Empty", full["Empty"]),
            ("root_without_Empty", without[""]),
            ("root_with_Empty", full[""]),
        ):
            assert {"content": made.content, "structure": made.structure} == values[place]


def test_the_c4_of_published_inputs_is_reproduced() -> None:
    # STANDARDS section 1.7, published and verified there.
    assert c4_of(b"alfa") == (
        "c43zYcLni5LF9rR4Lg4B8h3Jp8SBwjcnyyeh4bc6gTPHndKuKdjUWx1kJPYhZxYt3zV6tQXpDs2shPsPYjgG81wZM1"
    )
