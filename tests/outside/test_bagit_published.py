"""Bags held against what no one here wrote: every bag of the conformance suite, a checksum tool, an example.

Sources: ``bagit-conformance-suite`` of the Library of Congress, commit 9ab4870 (CC0), read from
``../shared/standards/bagit-conformance``: the folder that a bag lies in names the result. RFC 8493.
"""

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from backupkeeper.core.errors import ManifestError
from backupkeeper.manifests.bagit_read import Bag, read_bag
from backupkeeper.manifests.bagit_write import declaration, info, manifest
from tests.conftest import STANDARDS

SUITE = Path(STANDARDS) / "bagit-conformance"
BAGS = sorted(str(path.relative_to(SUITE)) for path in SUITE.glob("*/*/*") if path.is_dir())
NEVER_ALIKE = {
    # In this copy of the suite the file that it is about is not there, and nothing like it.
    "v0.97/warning/special-system-files": "data/.DS_Store",
}
PLAIN = frozenset({"valid", "warning"})


def sizes(root: Path) -> dict[str, int]:
    found = (path for path in root.rglob("*") if path.is_file())
    return {str(path.relative_to(root)): path.stat().st_size for path in found}


def read(root: Path) -> Bag:
    return read_bag(sizes(root), lambda path: (root / path).read_bytes())


def wrong(root: Path, bag: Bag) -> list[str]:
    return [
        path
        for path, said in bag.said.items()
        for kind, digest in said.items()
        if hashlib.new(kind, (root / path).read_bytes()).hexdigest() != digest
    ]


def is_valid(root: Path) -> bool:
    try:
        bag = read(root)
    except ManifestError:
        return False
    return not (bag.faults or bag.missing or bag.extra or wrong(root, bag))


@pytest.mark.real("standards")
def test_the_suite_is_all_there() -> None:
    assert len(BAGS) == 46


@pytest.mark.real("standards")
@pytest.mark.parametrize("name", BAGS or ["not there"])
def test_each_bag_is_judged_as_the_suite_says(name: str, tmp_path: Path) -> None:
    expected = name.split("/")[1]
    root = tmp_path / "bag"
    shutil.copytree(SUITE / name, root)
    if name in NEVER_ALIKE:
        assert not is_valid(root), "what is not there is missing"
        (root / NEVER_ALIKE[name]).write_bytes(b"")
    assert is_valid(root) is (expected in PLAIN)
    if expected == "warning" and name not in NEVER_ALIKE:
        assert read(root).warnings


def test_the_worked_bag_and_a_checksum_tool(tmp_path: Path) -> None:
    """STANDARDS section 2: ``hello\\n``, its sha512, Oxum 6.1; Debian's ``sha512sum`` and ``sha256sum``."""
    digest = (
        "e7c22b994c59d9cf2b48e549b1e24666636045930d3da7c1acb299d1c3b7f931"
        "f94aae41edda2c2b207a36e10f8bcb8d45223e54878f5b316e7ce3b6bc019629"
    )
    (tmp_path / "data").mkdir()
    (tmp_path / "data/hello.txt").write_bytes(b"hello\n")
    tags = {
        "bagit.txt": declaration(),
        "bag-info.txt": info([("Payload-Oxum", "6.1"), ("Contact-Name", "")]),
        "manifest-sha512.txt": manifest({"data/hello.txt": digest}),
    }
    sums = {path: hashlib.sha256(data).hexdigest() for path, data in tags.items()}
    for path, data in {**tags, "tagmanifest-sha256.txt": manifest(sums)}.items():
        (tmp_path / path).write_bytes(data)
    assert tags["bag-info.txt"] == b"Payload-Oxum: 6.1\n"
    assert is_valid(tmp_path)
    for tool, listed in (
        ("sha512sum", "manifest-sha512.txt"),
        ("sha256sum", "tagmanifest-sha256.txt"),
    ):
        subprocess.run([tool, "--strict", "-c", listed], cwd=tmp_path, check=True, env=os.environ)
