"""Every reader of what comes from outside, with real examples of what it reads.

A check takes bytes; what the reader answers is held to what its callers rely on.
"""

import base64
import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from backupkeeper.actions import health
from backupkeeper.actions.card_look import CardLook
from backupkeeper.cards.clips import _understood as clip_answer
from backupkeeper.catalog.foreign_rows import event_is_fine
from backupkeeper.cloud.keys import key_of, path_of
from backupkeeper.config import parse_config
from backupkeeper.core import bucket_findings, drilling, hearing, moving
from backupkeeper.core.age import is_recipient, plain_bytes
from backupkeeper.core.clip_harm import PICTURE, ClipHarm, StreamHarm
from backupkeeper.core.deeds import Deed, DeedKind
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import Event, EventKind, PlaceId, Role
from backupkeeper.core.posters import Poster, decode_poster, encode_poster
from backupkeeper.core.snapshots import snapshot_name
from backupkeeper.core.upload_notes import read_note, written_note
from backupkeeper.daemon import errand, sights
from backupkeeper.drives.marker import Marker, decode_marker, encode_marker
from backupkeeper.drives.mount_table import parse_mountinfo
from backupkeeper.drives.smart_answer import understood
from backupkeeper.manifests import bagit_write
from backupkeeper.manifests.bagit_read import read_bag
from backupkeeper.manifests.checksum_list import read_list, write_list
from backupkeeper.manifests.formats import Format
from backupkeeper.manifests.mhl_chain import read_chain
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import CHAIN_NAME, Action, Reference
from backupkeeper.manifests.mhl_read import read_manifest
from backupkeeper.manifests.mhl_write import build_manifest
from backupkeeper.manifests.names import impossible_path, unsafe_path
from backupkeeper.manifests.old_list import read_old_list
from backupkeeper.report.clips import clip_json, clip_words
from backupkeeper.transfer import age
from tests.breaking.hostile import in_plain_words
from tests.core.made_findings import GOOD as FOUND
from tests.core.test_upload_notes import CATALOG, NOTED, NOW
from tests.drives.smart_said import NVME, SCSI, SCSI_FAILING
from tests.manifests.made_history import ROLL, Folder, made_file, made_generation

Check = Callable[[bytes], None]
AT: Final = datetime(2026, 6, 12, 18, 0, tzinfo=UTC)
PATHS: Final = ("DCIM/A 1.MP4", "DCIM/odd é\udcff.MP4", "new\nline", "back\\slash", "data/x")
KEY: Final = age.new_identity()
MOST_READ: Final = 10**15
"""More bytes than any file that is read here could be told to have."""


def text_of(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")


# Manifests and lists.


def _history() -> Folder:
    folder = Folder()
    folder.add(made_generation(ROLL, folders=("EMPTY",), ignore=("*.tmp",), comment="a <b> & c"))
    files = [made_file(path, data, action=Action.VERIFIED) for path, data in ROLL.items()]
    files.append(made_file("odd\x01name", b"x", formats=Format))
    files.append(made_file("DCIM/NEW.MOV", b"y", previous_path="DCIM/INDEX.XML"))
    below = Reference(path="DCIM/ascmhl/0001.mhl", c4="c4" + "1" * 88)
    folder.add(made_generation(files, number=2, whole=False, references=(below,)))
    return folder


HISTORY: Final = _history()
MANIFESTS: Final = tuple(data for name, data in HISTORY.files.items() if name != CHAIN_NAME)


def manifest(data: bytes) -> None:
    read = read_manifest(data)
    for file in read.files:
        assert file.hashes
        assert unsafe_path(file.path) is None or file.path in read.apart
        assert impossible_path(file.path) is None
        assert file.previous_path is None or impossible_path(file.previous_path) is None
    for folder in read.folders:
        assert unsafe_path(folder.path) is None
    for one in read.references:
        assert unsafe_path(one.path) is None


def chain(data: bytes) -> None:
    read = read_chain(data)
    assert len({entry.name for entry in read.entries}) == len(read.entries)
    for entry in read.entries:
        assert "/" not in entry.name
        assert unsafe_path(entry.name) is None


def history(data: bytes) -> None:
    """A manifest that somebody wrote anew, with its chain; then one that was hurt, without."""
    folder = Folder()
    folder.add_bytes("0001.mhl", data)
    found = read_history(folder.files, folder.read)
    assert found is not None
    assert all(impossible_path(path) is None for path in found.reference)
    for name, good in HISTORY.files.items():
        hurt = HISTORY.files | {name: data}
        read = read_history(hurt, hurt.__getitem__)
        if data != good and name != CHAIN_NAME:
            assert read is not None
            assert name not in read.manifests
            assert read.faults


def listed(data: bytes) -> None:
    read = read_list(data)
    assert all(impossible_path(path) is None for _, path in read)
    assert len({path for _, path in read}) == len(read)


def old_list(data: bytes) -> None:
    for name in ("A.md5", "B3SUMS", "DCIM.sha1", "x.sha256", "roll.xxh64"):
        with suppress(BackupkeeperError):
            assert all(impossible_path(path) is None for path in read_old_list(data, name).said)


DIGEST: Final = {kind: digits * "0" for kind, digits in (("md5", 32), ("sha512", 128))}
BAG: Final = {
    "bagit.txt": bagit_write.declaration(),
    "bag-info.txt": bagit_write.info([("Payload-Oxum", "5.1"), ("Contact", "the yard\n é")]),
    "manifest-md5.txt": bagit_write.manifest({"data/x": DIGEST["md5"], "data/é 1%": "a" * 32}),
    "manifest-sha512.txt": bagit_write.manifest({"data/x": DIGEST["sha512"]}),
    "tagmanifest-md5.txt": bagit_write.manifest({"bagit.txt": DIGEST["md5"]}),
    "fetch.txt": b"https://boat.example/x 5 data/x\n",
    "data/x": b"hello",
}


def bag(data: bytes) -> None:
    for path in BAG:
        files = BAG | {path: data}
        with suppress(BackupkeeperError):
            read = read_bag({one: len(text) for one, text in files.items()}, files.__getitem__)
            assert all(unsafe_path(one) is None for one in (*read.said, *read.missing))
            assert set(read.said) <= set(files)


# What lies at a place, or is said by a system.


def marker(data: bytes) -> None:
    read = decode_marker(data)
    assert read.name.isprintable()
    assert decode_marker(encode_marker(read)) == read


def note(data: bytes) -> None:
    assert all(0 < one.size <= MOST_READ for one in read_note(data))


def config(data: bytes) -> None:
    parse_config(text_of(data), "config.toml", home="/home/me", state_home="/home/me/state")


def smart(data: bytes) -> None:
    for status in (0, 4, 64):
        answer = understood(data, status, AT)
        assert (answer.signs is None) == bool(answer.why_not)
        if answer.signs is not None:
            assert all(
                one.isprintable() for one in (*answer.signs.critical, *answer.signs.warnings)
            )


def mounts(data: bytes) -> None:
    assert all(line.mount_id >= 0 for line in parse_mountinfo(data))


def names(data: bytes) -> None:
    """Keys of objects and names of snapshots, as a listing gives them."""
    for text in {text_of(data), data.decode("utf-8", "replace")}:
        path = path_of(text)
        assert path is None or key_of(path) == text
        found = snapshot_name(text)
        assert found is None or found.text == text
        is_recipient(text)


# What is encrypted.


def encrypted(data: bytes) -> None:
    with suppress(BackupkeeperError):
        assert 0 <= plain_bytes(data[:4096], len(data)) <= len(data)
    read = age.decrypted(data, [KEY], "CLIP")
    assert read in {b"the hull on its stocks", b"x" * 70_000}


def identities(data: bytes) -> None:
    assert age.identities_from(data, "key.txt")


# What our own processes say, having looked at hostile things; and what a catalog tells of events.


def worker(data: bytes) -> None:
    for read in (errand.decode_word, errand.decode_errand):
        with suppress(BackupkeeperError):
            read(data)
    errand.line_told(text_of(data))


def sight(data: bytes) -> None:
    for read in (sights.decode_sight, CardLook.from_json):
        with suppress(BackupkeeperError):
            read(text_of(data))


def clip(data: bytes) -> None:
    harm = clip_answer(data)
    if harm is not None:
        clip_words(harm)
        json.dumps(clip_json(harm), allow_nan=False)


def poster(data: bytes) -> None:
    read = decode_poster(data, "ab" * 32)
    assert read is None or decode_poster(encode_poster(read), "ab" * 32) == read


def event(data: bytes) -> None:
    at = int(AT.timestamp()) * 1_000_000
    text = text_of(data)
    for kind in EventKind:
        if event_is_fine(kind.value, b"subject", at, data):
            drilling.drilled_of(Event(at=AT, kind=kind, subject="subject", detail=text))
            moving.from_detail("Main", text)
            hearing.heard_from(text)
            health._signs(text)
    bucket_findings.decoded(text)


@dataclass(frozen=True)
class Reader:
    """One of them: real examples, what is checked, how many examples in the short form."""

    examples: Sequence[bytes]
    check: Check
    few: int = 60

    def __call__(self, data: bytes) -> None:
        """Only an error of ours, in plain words, or a right answer."""
        came: BackupkeeperError | None = None
        try:
            self.check(data)
        except BackupkeeperError as error:
            came = error
        assert came is None or in_plain_words(came), str(came)


_LOOK: Final = CardLook(
    point="/media/me/CARD",
    token="1 2",
    device="disk",
    label="WIDE",
    fs_type="exfat",
    source="Wide",
    auto_offload=True,
    shoot="260612 Boatyard",
    file_count=3,
    size_bytes=9,
    new_files=1,
    new_bytes=3,
    folders=("a", "b"),
)
_HARM: Final = ClipHarm(
    streams=(StreamHarm(kind=PICTURE, number=1, spans=((1.5, 2.25), (7.0, 8.0))),),
    index=((0, 8),),
    opened=True,
    padding=((90, 99),),
    why="",
    sure=True,
)
_POSTER: Final = Poster(
    content="ab" * 32,
    jpeg=b"\xff\xd8\xff\xe0 a small one \xff\xd9",
    width=1920,
    height=1080,
    seconds=12.5,
    frames_per_second=25.0,
    coding="H.264",
)
_DEED: Final = Deed(kind=DeedKind.MIRROR, why="a gap", size_bytes=5, files=1, folders=("x",))
_ERRAND: Final = errand.Errand(deed=_DEED, point="/media/me/CARD", mounts=("1 2",), line=1.5e6)
_MARKER: Final = Marker(
    id=PlaceId("7f5c2a5e-9d0f-4d9e-9a2a-3f0a0f7f0001"), name="Main", role=Role.PRIMARY, created=AT
)
_EVENTS: Final = (
    b'{"signs": {"at": "2026-06-12T18:00:00+00:00", "critical": [], "warnings": ["hot"], "hours": 3}}',
    b'{"was": "a/b", "now": "c/d", "files": 3, "bytes": 900}',
    b'{"taken": {"0123": "name"}, "refused": {"name": "why"}}',
    b'{"round": 1, "result": "whole", "place": "x", "files": 3, "size_bytes": 9, "folder": "f"}',
    bucket_findings.encoded(FOUND).encode(),
    *(b"5 1.5", b"12.5", b"900", b"active", b'["main", "travel"]'),
)
_LISTS: Final = (
    write_list([("ab" * 16, path) for path in PATHS]),
    write_list([("0c" * 20, path) for path in PATHS], escape_cr=True),
    b"MD5 (DCIM/A 1.MP4) = " + b"ab" * 16 + b"\nSHA256 (x) = " + b"ab" * 32 + b"\n",
    b"; made by hand\r\n" + b"ab" * 8 + b" *A.MOV\r\n" + b"cd" * 8 + b" *B.MOV\r\n",
    b"ab" * 32 + b"\n",
)
_MOUNTS: Final = Path("/proc/self/mountinfo")
_NAME: Final = f"20260612T180000Z-{'0a' * 16}-{'ab' * 32}.sqlite.zst"
_EXAMPLE: Final = Path(__file__).parents[2] / "config.example.toml"

READERS: Final = {
    "a manifest": Reader((*MANIFESTS, build_manifest(made_generation(ROLL))[0]), manifest, 120),
    "a chain": Reader((HISTORY.files[CHAIN_NAME],), chain),
    "a history": Reader(tuple(HISTORY.files.values()), history),
    "a checksum list": Reader(_LISTS, listed),
    "an old list": Reader(_LISTS, old_list),
    "a bag": Reader(tuple(BAG.values()), bag),
    "a marker": Reader((encode_marker(_MARKER),), marker),
    "a note on uploads": Reader((written_note(CATALOG, [NOTED, NOTED], NOW),), note),
    "a configuration": Reader((_EXAMPLE.read_bytes(), b'[policy]\nroles = ["primary"]\n'), config),
    "a health log": Reader(
        tuple(json.dumps(one).encode() for one in (NVME, SCSI, SCSI_FAILING)), smart
    ),
    "a mount table": Reader(
        (b"36 35 98:0 / /m\\040 rw master:1 - ext3 /dev/root rw\n", _MOUNTS.read_bytes()[:2000]),
        mounts,
    ),
    "a name": Reader(
        (_NAME.encode(), b"260612 Boatyard/A%201%FF.MP4", KEY.recipient.encode()), names
    ),
    "an encrypted file": Reader(
        tuple(
            age.encrypted(one, [KEY.recipient])
            for one in (b"the hull on its stocks", b"x" * 70_000)
        ),
        encrypted,
        30,
    ),
    "a file of keys": Reader((b"# a key\n" + b"AGE-SECRET-KEY-1" + b"Q" * 58,), identities),
    "a worker": Reader(
        (
            errand.encode_errand(_ERRAND),
            errand.encode_word(
                errand.Finished(said="done", troubles=(("a", "b", "c"),), free=(("x", 1),))
            ),
            errand.encode_word(errand.Failed(error="x", message="m", advice="", process=3)),
            errand.line_command(1e6).encode(),
        ),
        worker,
    ),
    "a sight": Reader(
        (
            sights.encode_sight(
                sights.Sight(kind=sights.SightKind.CARD, token="1", point="/x")
            ).encode(),
            _LOOK.to_json().encode(),
        ),
        sight,
    ),
    "a reader of clips": Reader((json.dumps(asdict(_HARM)).encode(),), clip),
    "a poster": Reader((encode_poster(_POSTER), base64.b64encode(b"\xff\xd8\xff")), poster),
    "an event": Reader(_EVENTS, event),
}
