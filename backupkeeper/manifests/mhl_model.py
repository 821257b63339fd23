"""What stands in an ASC MHL manifest, as frozen values; the same for writing and for reading.

Promises:
1. Nothing here does I/O. Paths are relative to the scope, PEP 383 text, without a trailing slash;
   digests are canonical (``formats``); times are aware and in UTC; sizes are bytes.
2. Wherever a manifest lies or breaks a rule, that is a ``Fault``: a value, one for each.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from backupkeeper.manifests.directory_hashes import DirectoryHash
from backupkeeper.manifests.formats import Format

MANIFEST_NS = "urn:ASC:MHL:v2.0"
CHAIN_NS = "urn:ASC:MHL:DIRECTORY:v2.0"
OUR_NS = "urn:backupkeeper:manifest:1"
"""Namespace of what we keep under ``metadata``: BLAKE3, and files that XML can't name."""
FOLDER = "ascmhl"
"""The folder of a history, in the root of its scope."""
TOOL = "backupkeeper"
CHAIN_NAME = "ascmhl_chain.xml"


class Action(StrEnum):
    """How a hash relates to those before it (STANDARDS section 1.9)."""

    ORIGINAL = "original"
    VERIFIED = "verified"
    FAILED = "failed"


class Process(StrEnum):
    """How the hashes came to be (STANDARDS section 1.10)."""

    IN_PLACE = "in-place"
    TRANSFER = "transfer"
    FLATTEN = "flatten"


class FaultKind(StrEnum):
    """What is wrong, named so that a person can be told."""

    CHAIN_MISSING = "chain missing"
    CHAIN_BROKEN = "chain broken"
    SEQUENCE = "sequence broken"
    MANIFEST_MISSING = "manifest missing"
    MANIFEST_ALTERED = "manifest altered"
    MANIFEST_UNLISTED = "manifest not in the chain"
    MANIFEST_BROKEN = "manifest broken"
    DUPLICATE_PATH = "path recorded twice"
    UNSAFE_PATH = "unsafe path"
    UNKNOWN_FORMAT = "unknown hash format"
    BAD_HASH = "not a hash of its format"
    NO_HASH = "no usable hash"
    NO_ACTION = "hash without an action"
    BAD_VALUE = "value not understood"
    IGNORED_RECORD = "record matches an ignore pattern"
    BAD_PATTERN = "ignore pattern not usable"
    IGNORE_SHRUNK = "ignore pattern taken back"
    CONTRADICTION = "hash differs from an earlier generation"
    UNKNOWN_PREVIOUS = "previous path not known"
    DIRECTORY_HASH = "directory hash differs"
    REFERENCE_MISSING = "referenced manifest missing"
    REFERENCE_ALTERED = "referenced manifest altered"


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """One thing that is wrong. ``path`` is the file, folder or manifest it is about."""

    kind: FaultKind
    path: str
    message: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Author:
    """A person who answers for the manifest."""

    name: str
    email: str | None = None
    phone: str | None = None
    role: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Creator:
    """Who and what made the manifest."""

    hostname: str
    tool: str
    tool_version: str | None = None
    authors: tuple[Author, ...] = ()
    location: str | None = None
    comment: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ManifestHash:
    """One digest of a file. ``action`` is None only where a foreign manifest names none."""

    format: Format
    text: str
    action: Action | None
    hashed_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ManifestFile:
    """One file to be recorded.

    ``hashes`` are digests by format, all from one read, so they share one ``action`` (§6.5.1);
    for ``failed`` they are what was computed. ``blake3`` is 64 hex digits where it is known.
    """

    path: str
    size: int | None
    mtime_ns: int | None
    hashes: Mapping[str, str] = field(hash=False)
    action: Action
    blake3: str | None = None
    hashed_at: datetime | None = None
    previous_path: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadFile:
    """One file as a manifest records it: every hash with its own action."""

    path: str
    size: int | None
    mtime_ns: int | None
    hashes: tuple[ManifestHash, ...]
    blake3: str | None = None
    previous_path: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ManifestFolder:
    """The directory hashes of one folder; the scope itself has the path ``""``."""

    path: str
    hashes: Mapping[Format, DirectoryHash] = field(hash=False)
    previous_path: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Reference:
    """A manifest of a nested history. ``path`` is relative to this manifest's scope."""

    path: str
    c4: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Generation:
    """A manifest to be written.

    ``started_at`` is when the operation began; ``folders`` are the folders of the scope that hold
    no file (naming the others too is harmless). ``whole``: every file of the scope is here, or
    named in ``not_hashed`` (in scope, but this operation has no hash of it: no folder above it
    gets a directory hash). ``ignore``: the lines of former generations, then ours; the defaults
    come by themselves. Empty texts are left out.
    """

    number: int
    folder_name: str
    started_at: datetime
    process: Process
    hostname: str
    tool_version: str
    files: tuple[ManifestFile, ...]
    whole: bool
    folders: tuple[str, ...] = ()
    ignore: tuple[str, ...] = ()
    not_hashed: tuple[str, ...] = ()
    author: str = ""
    location: str = ""
    comment: str = ""
    references: tuple[Reference, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Manifest:
    """A manifest as it was read. ``files`` holds those that XML can't name too.

    ``apart`` are the paths that stand under our own ``metadata`` and not among the hashes.
    """

    process: Process | None
    creator: Creator
    created_at: datetime | None
    files: tuple[ReadFile, ...]
    folders: tuple[ManifestFolder, ...]
    root: ManifestFolder | None
    ignore: tuple[str, ...]
    references: tuple[Reference, ...]
    faults: tuple[Fault, ...]
    apart: frozenset[str] = frozenset()


@dataclass(frozen=True, kw_only=True, slots=True)
class ChainEntry:
    """One manifest: its place in the order, bare file name and C4 of its bytes."""

    number: int
    name: str
    c4: str


@dataclass(frozen=True, kw_only=True, slots=True)
class History:
    """All generations of one scope, merged.

    Attributes:
        chain: the sound entries of the chain.
        manifests: those that are as the chain says, by file name, in order.
        reference: by path the digests (by format) that later ones are compared with.
        sizes: by path, where a size was recorded.
        blake3: by path, where one was recorded.
        failed: paths whose latest record is ``failed``.
        recorded: every path that any generation has a record of, former names too.
        folders: the latest directory hashes by folder, the scope itself under ``""``.
        ignore: every ignore line of every generation.
        unlisted: names of manifests without an entry in the chain.
        nested: histories below, by folder, where a reader was given.
        faults: everything that is wrong with the history itself.
    """

    chain: tuple[ChainEntry, ...]
    manifests: Mapping[str, Manifest] = field(hash=False)
    reference: Mapping[str, Mapping[str, str]] = field(hash=False)
    sizes: Mapping[str, int] = field(hash=False)
    blake3: Mapping[str, str] = field(hash=False)
    failed: frozenset[str]
    recorded: frozenset[str]
    folders: Mapping[str, Mapping[Format, DirectoryHash]] = field(hash=False)
    ignore: tuple[str, ...]
    unlisted: tuple[str, ...]
    nested: Mapping[str, "History"] = field(hash=False)
    faults: tuple[Fault, ...]
