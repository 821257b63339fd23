"""The format age, held against a program that no one here wrote: Debian's ``age``."""

import subprocess
from pathlib import Path

import pytest

from backupkeeper.core.age import CHUNK_BYTES, is_recipient
from backupkeeper.transfer import age
from tests.transfer.made_up_drives import some

pytestmark = pytest.mark.real("age")

SIZES = [0, 1, CHUNK_BYTES - 1, CHUNK_BYTES, CHUNK_BYTES + 1, 5 * CHUNK_BYTES + 7]


def key_of(folder: Path, name: str) -> tuple[Path, str]:
    file = folder / name
    subprocess.run(["age-keygen", "-o", file], check=True, capture_output=True)
    said = subprocess.run(["age-keygen", "-y", file], check=True, capture_output=True, text=True)
    return file, said.stdout.strip()


def test_it_reads_what_is_written_here_with_either_key(tmp_path: Path) -> None:
    (one, first), (two, second) = key_of(tmp_path, "one"), key_of(tmp_path, "two")
    assert is_recipient(first)
    assert is_recipient(second)
    for size in SIZES:
        data = some(size, size)
        made = age.encrypted(data, [first, second, age.new_identity().recipient])
        for key in (one, two):
            done = subprocess.run(
                ["age", "-d", "-i", key], input=made, check=True, capture_output=True
            )
            assert done.stdout == data


def test_what_it_writes_is_read_here(tmp_path: Path) -> None:
    file, recipient = key_of(tmp_path, "one")
    keys = age.identities_from(file.read_bytes(), "one")
    for size in SIZES:
        data = some(size, size)
        made = subprocess.run(
            ["age", "-r", recipient], input=data, check=True, capture_output=True
        ).stdout
        assert age.decrypted(made, keys, "x") == data
