"""Checksum lists read by tools that no one here wrote: Debian's ``b3sum`` and coreutils."""

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from blake3 import blake3

from backupkeeper.manifests.checksum_list import read_list, write_list

NAMES = [
    "DCIM/W0001.MOV",
    " lead and trail ",
    "a\\b",
    "a\nb",
    "a\rb",
    "\\",
    "-n",
    "* star",
    "é",
    "e\u0301",
    "\x1b[31mred",
    "x" * 255,
    "\u2028",
]
UNDECODABLE = "und\udcff\udcfe"


def made(root: Path, names: list[str]) -> dict[str, bytes]:
    """Files with these names and some bytes."""
    files = {name: os.fsencode(name) * 3 for name in names}
    for name, data in files.items():
        path = os.path.join(root, name)
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(path, "wb") as file:
            file.write(data)
    return files


def run(root: Path, *command: str, data: bytes) -> subprocess.CompletedProcess[bytes]:
    """A tool in the folder of the files, with the list on its standard input."""
    environment = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"}
    return subprocess.run(
        command, cwd=root, input=data, capture_output=True, check=False, env=environment
    )


@pytest.mark.real("b3sum")
def test_b3sum_checks_our_list_odd_names_and_all(tmp_path: Path) -> None:
    files = made(tmp_path, NAMES)
    data = write_list((blake3(content).hexdigest(), name) for name, content in files.items())
    done = run(tmp_path, "b3sum", "--check", data=data)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(b": OK") == len(NAMES)
    (tmp_path / "DCIM/W0001.MOV").write_bytes(b"rotten")
    done = run(tmp_path, "b3sum", "--check", data=data)
    assert done.returncode != 0
    assert b"DCIM/W0001.MOV: FAILED" in done.stdout


@pytest.mark.real("b3sum")
def test_we_read_what_b3sum_writes(tmp_path: Path) -> None:
    files = made(tmp_path, NAMES)
    done = run(tmp_path, "b3sum", "--", *NAMES, data=b"")
    assert done.returncode == 0, done.stderr
    expected = tuple((blake3(content).hexdigest(), name) for name, content in files.items())
    assert read_list(done.stdout) == expected
    assert write_list(expected) == done.stdout


@pytest.mark.real("b3sum")
def test_b3sum_can_not_check_a_name_that_is_not_utf_8(tmp_path: Path) -> None:
    # Seen of 1.2.0; README and ``manifest export`` have to say it.
    files = made(tmp_path, [UNDECODABLE])
    data = write_list((blake3(content).hexdigest(), name) for name, content in files.items())
    assert run(tmp_path, "b3sum", "--check", data=data).returncode != 0


needs_sha256sum = pytest.mark.skipif(
    shutil.which("sha256sum") is None, reason="needs sha256sum of coreutils"
)


@needs_sha256sum
def test_sha256sum_checks_our_list_undecodable_names_too(tmp_path: Path) -> None:
    files = made(tmp_path, [*NAMES, UNDECODABLE, "ends in cr\r"])
    data = write_list(
        ((hashlib.sha256(content).hexdigest(), name) for name, content in files.items()),
        escape_cr=True,
    )
    done = run(tmp_path, "sha256sum", "--check", "--strict", data=data)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(b": OK") == len(files)


@needs_sha256sum
@pytest.mark.parametrize("form", ["--text", "--binary", "--tag"])
def test_we_read_what_sha256sum_writes(tmp_path: Path, form: str) -> None:
    files = made(tmp_path, [*NAMES, UNDECODABLE])
    names = [os.fsencode(name) for name in files]
    done = subprocess.run(
        [b"sha256sum", form.encode(), b"--", *names], cwd=tmp_path, capture_output=True, check=True
    )
    assert read_list(done.stdout) == tuple(
        (hashlib.sha256(content).hexdigest(), name) for name, content in files.items()
    )
