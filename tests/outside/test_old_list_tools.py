"""Lists that real tools write are read: coreutils, Debian's ``xxhsum`` and ``b3sum``."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from backupkeeper.manifests.old_list import SHA256, kind_of_list, read_old_list
from backupkeeper.transfer.hashing import Hasher

NAMES = ["DCIM/W0001.MOV", " lead and trail ", "* star", "-n", "e\u0301", "(round) = ", "x" * 200]
ESCAPED = ["a\\b", "a\nb"]
"""``xxhsum`` 0.8.1 does not escape; the others do."""

TOOLS = [
    pytest.param(["md5sum"], "card.md5", "md5", True, id="md5sum"),
    pytest.param(["md5sum", "--binary"], "card.md5", "md5", True, id="md5sum -b"),
    pytest.param(["md5sum", "--tag"], "MD5SUMS", "md5", True, id="md5sum --tag"),
    pytest.param(["sha1sum"], "card.sha1", "sha1", True, id="sha1sum"),
    pytest.param(["sha1sum", "--tag"], "sums.sha1", "sha1", True, id="sha1sum --tag"),
    pytest.param(["sha256sum"], "card.sha256", SHA256, True, id="sha256sum"),
    pytest.param(["sha256sum", "--tag"], "SHA256SUMS", SHA256, True, id="sha256sum --tag"),
    pytest.param(["b3sum"], "B3SUMS", "blake3", True, id="b3sum", marks=pytest.mark.real("b3sum")),
    *(
        pytest.param(
            ["xxhsum", f"-H{number}", *tag],
            name,
            kind,
            False,
            id=f"xxhsum -H{number}{''.join(tag)}",
            marks=pytest.mark.real("xxhsum"),
        )
        for number, name, kind in ((1, "card.xxh64", "xxh64"), (2, "XXH128SUMS", "xxh128"))
        for tag in ([], ["--tag"])
    ),
    pytest.param(
        ["xxhsum", "-H3"],
        "x.xxh3",
        "xxh3",
        False,
        id="xxhsum -H3",
        marks=pytest.mark.real("xxhsum"),
    ),
]


@pytest.mark.parametrize(("tool", "name", "kind", "escapes"), TOOLS)
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_what_it_writes_is_read_and_is_what_we_compute(
    tmp_path: Path, tool: list[str], name: str, kind: str, escapes: bool, ends: str
) -> None:
    if shutil.which(tool[0]) is None:
        pytest.skip(f"needs {tool[0]}")
    assert kind_of_list(name) == kind
    names = [*NAMES, *(ESCAPED if escapes else [])]
    expected = {}
    for one in names:
        path = tmp_path / one
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(one.encode() * 9)
        hasher = Hasher([kind] if kind not in {"blake3", "xxh128"} else [])
        hasher.update(one.encode() * 9)
        content = hasher.content()
        every = {**content.digests, "xxh128": content.xxh128, "blake3": content.blake3}
        expected[one] = (kind, every[kind])
    environment = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"}
    asked = [f"./{one}" if one.startswith("-") else one for one in names]
    done = subprocess.run(
        [*tool, *asked], cwd=tmp_path, env=environment, capture_output=True, check=True
    )
    data = done.stdout.replace(b"\n", ends.encode()) if not escapes or ends == "\n" else done.stdout
    assert read_old_list(b"\xef\xbb\xbf" + data, name).said == expected
