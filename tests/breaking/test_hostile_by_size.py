"""Made by hand to be long, deep or many: each is read, or refused, in bounded memory and time.

Each in a process of its own, which the system holds to its limits. What is more than a person's own
files could be is smaller in the short form.
"""

from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

import pytest

from backupkeeper.config import parse_config
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.upload_notes import read_note
from backupkeeper.drives.marker import decode_marker
from backupkeeper.drives.mount_table import parse_mountinfo
from backupkeeper.drives.smart_answer import understood
from backupkeeper.manifests import bagit_write
from backupkeeper.manifests.bagit_read import read_bag
from backupkeeper.manifests.checksum_list import read_list
from backupkeeper.manifests.formats import Format, c4_of, digest_of
from backupkeeper.manifests.mhl_chain import read_chain, write_chain
from backupkeeper.manifests.mhl_model import CHAIN_NAME, MANIFEST_NS, ChainEntry, History
from backupkeeper.manifests.mhl_read import read_manifest
from backupkeeper.manifests.mhl_verify import Computed, verify_history
from backupkeeper.manifests.old_list import read_old_list
from tests.breaking.hostile import bounded
from tests.breaking.hostile_readers import AT
from tests.breaking.stories import IS_LONG
from tests.manifests.made_history import Folder, Tree

MANY: Final = 1_000_000 if IS_LONG else 10_000
MUCH: Final = 1 << (27 if IS_LONG else 22)
"""Bytes of something that says nothing."""
MEMORY: Final = (2 << 30) if IS_LONG else (300 << 20)
SECONDS: Final = 300 if IS_LONG else 6
HEAD: Final = f'<hashlist xmlns="{MANIFEST_NS}" version="2.0">'.encode()
PROCESS: Final = b"<processinfo><process>in-place</process></processinfo>"
XXH: Final = digest_of(Format.XXH128, [b"x"])


def whole(*parts: bytes) -> bytes:
    return b"".join((HEAD, PROCESS, *parts, b"</hashlist>"))


def file(path: str, more: str = "") -> bytes:
    digest = f'<xxh128 action="original">{XXH}</xxh128>'
    return f"<hash><path>{path}</path>{digest}{more}</hash>".encode()


def hashes(*parts: bytes) -> bytes:
    return whole(b"<hashes>", *parts, b"</hashes>")


def folder(path: str, was: str) -> bytes:
    return (
        f"<directoryhash><path>{path}</path><previousPath>{was}</previousPath></directoryhash>"
    ).encode()


def many(make: Callable[[int], bytes], count: int = MANY) -> bytes:
    return b"".join(map(make, range(count)))


def generations(*manifests: bytes) -> History:
    made = Folder({f"{n:06}.mhl": data for n, data in enumerate(manifests, 1)})
    entries = tuple(
        ChainEntry(number=n, name=name, c4=c4_of(data))
        for n, (name, data) in enumerate(made.files.items(), 1)
    )
    made.files[CHAIN_NAME] = write_chain(entries)
    return made.history()


def nested(depth: int) -> History:
    """Each history refers to all of those below it."""
    files: dict[str, bytes] = {}
    c4s: dict[str, str] = {}
    for level in range(depth, -1, -1):
        here = "x/" * level
        inner = [path for path in c4s if path.startswith(here)]
        links = "".join(
            f"<hashlistreference><path>{path.removeprefix(here)}</path><c4>{c4s[path]}</c4>"
            "</hashlistreference>"
            for path in inner
        )
        made = Folder()
        data = hashes(file("a")).replace(
            b"</hashlist>", f"<references>{links}</references></hashlist>".encode()
        )
        name = made.add_bytes("0001.mhl", data)
        files |= {f"{here}ascmhl/{one}": text for one, text in made.files.items()}
        c4s[f"{here}ascmhl/{name}"] = c4_of(data)
    return Tree(files).history()


def deep(number: int, depth: int) -> str:
    return f"{number:05}" + "/a" * depth


def bag(files: dict[str, bytes]) -> Any:
    given = {"bagit.txt": bagit_write.declaration(), "data/x": b"", **files}
    return read_bag({path: len(data) for path, data in given.items()}, given.__getitem__)


def oxums(_: int) -> bytes:
    return b"Payload-Oxum: 0.1\n"


LIST: Final = b"ab" * 16
MD5: Final = b"manifest-md5.txt"
HORRORS: Final[dict[str, Callable[[], object]]] = {
    # White space, and other things that say nothing.
    "white space in a text": lambda: read_manifest(hashes(file(" " * MUCH))),
    "white space between records": lambda: read_manifest(hashes(b" " * MUCH, file("a"))),
    "line ends between records": lambda: read_manifest(hashes(b"\n" * MUCH, file("a"))),
    "white space in a tag": lambda: read_manifest(hashes(b"<hash" + b" " * MUCH + b">")),
    "white space after all": lambda: read_chain(write_chain(()) + b" " * MUCH),
    "a long attribute": lambda: read_manifest(hashes(b'<path size="' + b"1" * MUCH + b'">')),
    "a long name": lambda: read_manifest(hashes(b"<" + b"a" * MUCH + b">")),
    "a long remark": lambda: read_manifest(hashes(b"<!--" + b"a" * MUCH + b"-->")),
    "a long text apart": lambda: read_manifest(hashes(b"<![CDATA[" + b"a" * MUCH + b"]]>")),
    "references to characters": lambda: read_manifest(hashes(file("&#65;" * (MUCH // 5)))),
    "a list of one line": lambda: read_list(LIST + b"  " + b"a/" * (MUCH // 2)),
    "a list of blanks": lambda: read_list(b" " * MUCH),
    "a list of brackets": lambda: read_list(b"MD5 (" + b") = a" * (MUCH // 5)),
    "an old list of line ends": lambda: read_old_list(b"\r\n" * (MUCH // 2), "A.md5"),
    "digits without end": lambda: read_old_list(b"0" * MUCH, "A.md5"),
    "a bag of one line": lambda: bag({"manifest-md5.txt": b"a" * MUCH}),
    "a bag of blanks": lambda: bag({"manifest-md5.txt": LIST + b" " * MUCH}),
    # Deep.
    "elements in elements": lambda: read_manifest(HEAD + b"<a>" * MANY),
    "names of names": lambda: read_manifest(
        HEAD + many(lambda n: b'<a xmlns:p%d="urn:%d">' % (n, n))
    ),
    "many attributes": lambda: read_manifest(HEAD + b"<a " + many(lambda n: b'a%d="" ' % n)),
    "paths of many folders": lambda: read_manifest(
        hashes(many(lambda n: file(deep(n, 2000)), MANY // 50))
    ),
    "faults of many folders": lambda: generations(
        hashes(
            many(lambda n: f"<hash><path>{deep(n, 2000)}</path></hash>".encode(), MANY // 50),
            b"<directoryhash><path>d</path><content><xxh128>" + XXH.encode(),
            b"</xxh128></content><structure><xxh128>" + XXH.encode(),
            b"</xxh128></structure></directoryhash>",
        )
    ),
    "brackets in a marker": lambda: decode_marker(b"[" * 16_000),
    "brackets in a note": lambda: read_note(b'{"version": 1, "uploads": ' + b"[" * 60_000),
    "brackets in a health log": lambda: understood(b"[" * (4 << 20), 0, AT),
    "tables in tables": lambda: parse_config("a" + ".a" * MANY, "x", home="/h", state_home="/s"),
    "histories in histories": lambda: nested(15),
    # Many.
    "many files": lambda: read_manifest(hashes(many(lambda n: file(f"d/{n}")))),
    "many faults": lambda: read_manifest(hashes(many(lambda n: file(f"../{n}")))),
    "many times the same file": lambda: read_manifest(hashes(many(lambda _: file("a")))),
    "many generations": lambda: generations(
        hashes(many(lambda n: file(f"d/{n}"), MANY)),
        *(hashes(file("a")) for _ in range(MANY // 20)),
    ),
    "a folder that many were": lambda: generations(
        hashes(many(lambda n: file(f"a/{n}"), MANY // 4)),
        hashes(many(lambda n: folder(f"b{n}", "a"), MANY // 4)),
    ),
    "others than are listed": lambda: verify_history(
        generations(hashes(many(lambda n: file(f"a/{n}"), 2 * MANY))),
        {f"b/{n}": Computed(size=1, digests={"xxh128": XXH}) for n in range(2 * MANY)},
    ),
    "many links in a chain": lambda: read_chain(
        write_chain(
            tuple(ChainEntry(number=n, name=f"{n}.mhl", c4=c4_of(b"")) for n in range(MANY // 20))
        )
    ),
    "a chain of one number": lambda: read_chain(
        write_chain((ChainEntry(number=7, name="1.mhl", c4=c4_of(b"")),) * (MANY // 20))
    ),
    "many patterns": lambda: generations(
        *[
            whole().replace(
                b"</process>",
                b"</process><ignore>%s</ignore>"
                % many(lambda n: b"<pattern>*x%d?</pattern>" % n, 5_000),
            )
        ]
        * (20 if IS_LONG else 4)
    ),
    "patterns that take long": lambda: generations(
        hashes(many(lambda n: file(f"{n}" + "a" * 200), 60)).replace(
            b"</process>",
            b"</process><ignore><pattern>*a*a*b</pattern><pattern>*a*a*c</pattern></ignore>",
        )
    ),
    "many lines": lambda: read_list(many(lambda n: LIST + b"  d/%d\n" % n)),
    "short lines": lambda: read_list(b"ab\n" * (MUCH // 3)),
    "short lines of a bag": lambda: bag({"manifest-md5.txt": b"ab\n" * (MUCH // 3)}),
    "faults of a bag": lambda: bag(
        {"manifest-md5.txt": LIST + b" data/x\n", "fetch.txt": b"ab\n" * MUCH}
    ),
    "many remarks": lambda: read_old_list(b"#\n" * MANY, "A.md5"),
    "many lines of a bag": lambda: bag(
        {"manifest-md5.txt": many(lambda n: LIST + b"  data/%d\n" % n)}
    ),
    "many lines of one entry": lambda: bag(
        {
            "manifest-md5.txt": LIST + b" data/x\n",
            "bag-info.txt": b"A: b\n" + b" more\n" * (20 * MANY),
        }
    ),
    "many sums of a bag": lambda: bag(
        {
            "manifest-md5.txt": LIST + b" data/x\n",
            "bag-info.txt": many(oxums, MANY),
            **{f"data/{n}": b"" for n in range(MANY)},
        }
    ),
    "many to fetch": lambda: bag(
        {"manifest-md5.txt": LIST + b" data/x\n", "fetch.txt": b"http://x - data/x\n" * MANY}
    ),
    "many keys": lambda: parse_config(
        "".join(f"a{n} = 1\n" for n in range(MANY)), "x", home="/h", state_home="/s"
    ),
    "many mounts": lambda: parse_mountinfo(b"1 2 8:1 / /m rw - ext4 /dev/sda1 rw\n" * MANY),
}


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.parametrize("horror", HORRORS)
def test_what_is_long_deep_or_many_is_read_or_refused_in_bounds(horror: str) -> None:
    def read() -> None:
        with suppress(BackupkeeperError):
            HORRORS[horror]()

    assert bounded(read, memory_bytes=MEMORY, seconds=SECONDS) == ""
