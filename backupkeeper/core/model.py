"""The nouns: places, shoots, rolls, files, copies and facts, as frozen values.

Promises:
1. Nothing here does I/O or reads a clock; every value is frozen.
2. A path is text with ``/`` between its parts; bytes that are not UTF-8 are carried as
   surrogate escapes (PEP 383), so ``os.fsencode`` gives the very bytes of the card back.
3. Times are aware and in UTC. Sizes are bytes. Digests are lower-case hex.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import NewType

PlaceId = NewType("PlaceId", str)
"""A random UUID in text form, written on the place."""
RollId = NewType("RollId", str)
"""BLAKE3 over the sorted paths and file digests of the roll (see ``core.naming.roll_id``)."""
Blake3 = NewType("Blake3", str)
"""64 hex digits: what a file's content is called everywhere in this program."""
Xxh128 = NewType("Xxh128", str)
"""32 hex digits, canonical (high half first), as ASC MHL writes it."""

BLOCK_BYTES = 4 * 1024 * 1024
"""One entry of a block map covers this many bytes; the last block may be shorter."""
BLOCK_DIGEST_BYTES = 16
"""Raw XXH3-128 digest of one block."""


class Role(StrEnum):
    """What a place is for."""

    PRIMARY = "primary"
    SECONDARY = "secondary"
    CLOUD = "cloud"


class PlaceKind(StrEnum):
    """What a place is made of."""

    DRIVE = "drive"
    """A mounted file system of its own."""
    FOLDER = "folder"
    """A folder on some file system, taken only when the person said so."""
    BUCKET = "bucket"
    """A bucket of an S3-compatible object store, with a prefix."""


class Standing(StrEnum):
    """Whether a place still counts."""

    ACTIVE = "active"
    LOST = "lost"
    RETIRED = "retired"


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """Where a copy can live.

    ``location`` is the folder where a drive was last seen, or ``s3://bucket/prefix``.
    ``device`` names the physical device (disk serial, or the bucket's address): two places
    with the same device count as one for the policy. ``fs_uuid`` tells a clone from its model.
    """

    id: PlaceId
    name: str
    role: Role
    kind: PlaceKind
    created_at: datetime
    location: str
    standing: Standing = Standing.ACTIVE
    fs_uuid: str | None = None
    label: str | None = None
    size_bytes: int | None = None
    device: str | None = None
    spins: bool | None = None
    endpoint: str | None = None
    profile: str | None = None
    counts_from: datetime | None = None
    """When it last came back after it was lost or retired: proofs from before count no more."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Content:
    """The bytes of a file, by what they hash to.

    ``block_map`` is the raw XXH3-128 digest (16 bytes, canonical) of each ``BLOCK_BYTES`` block
    in order; it is empty for an empty file.
    """

    blake3: Blake3
    xxh128: Xxh128
    size: int
    block_map: bytes = field(repr=False)
    digests: Mapping[str, str] = field(default_factory=dict, hash=False)
    """Further digests by their ASC MHL element name (``md5``, ``c4`` ...), where asked for."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RollFile:
    """One file of a roll: its path below the roll's folder and the content that it must have."""

    path: str
    content: Blake3
    size: int
    mtime_ns: int


@dataclass(frozen=True, kw_only=True, slots=True)
class RollHead:
    """A roll without its list of files. ``folder`` is relative to the root of any place."""

    id: RollId
    shoot: str
    source: str
    name: str
    folder: str
    sealed_at: datetime
    file_count: int
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Roll:
    """What was taken off one card in one go. Never altered afterwards.

    ``folders`` are the folders of the card that hold no file (kept too); ``left_out`` the
    entries that were not taken, each with the reason.
    """

    head: RollHead
    files: tuple[RollFile, ...]
    folders: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()


class Way(StrEnum):
    """How something came to be known about a copy."""

    WRITTEN = "written"
    """It was written; nothing was read back. Never a proof."""
    READBACK = "readback"
    """All bytes were read from the medium right after writing."""
    REHASH = "rehash"
    """All bytes were read from the medium later."""
    ATTESTED = "attested"
    """On arrival the object store checked the bytes and is known to refuse wrong ones."""
    DOWNLOADED = "downloaded"
    """All bytes were fetched back from the object store and hashed."""
    LOOKED = "looked"
    """Only the entry was looked at: presence, size, version. Reads no byte."""
    PART = "part"
    """A beginning of it was read from the medium and matched. Never a proof; ``damage`` is what is
    still to be read then, and a later reading may go on there (``core.parts_read``)."""


class Result(StrEnum):
    """What was found."""

    MATCHES = "matches"
    DAMAGED = "damaged"
    """Other bytes, while size and time stand as they were: rot, not an edit."""
    CHANGED = "changed"
    """Other bytes and another size or time: somebody edited it."""
    MISSING = "missing"
    UNREADABLE = "unreadable"
    """The device would not give some of its bytes."""
    CUT_OFF = "cut off"
    """It ends too early; whole blocks that are left of it are right."""
    UNSTABLE = "unstable"
    """Read three times it was never right, and never the same: cable, memory or controller."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """Something observed about one copy at one time.

    ``path`` is relative to the root (or prefix) of the place. ``content`` is what the copy should
    be. ``cold`` says whether the bytes came from the medium; ``evidence`` how that is known.
    ``damage`` are half-open byte ranges; ``version`` what tells an object from a later one
    under its key (version id or ETag); ``mount`` names the
    mount during which it was observed (``boot id:mount id``).
    """

    at: datetime
    place: PlaceId
    path: str
    content: Blake3
    way: Way
    result: Result
    cold: bool = False
    evidence: str = ""
    damage: tuple[tuple[int, int], ...] = ()
    version: str | None = None
    mount: str | None = None
    note: str = ""

    @property
    def is_proof(self) -> bool:
        """Whether all bytes were compared with the medium's (or refused-when-wrong) and matched."""
        if self.result is not Result.MATCHES:
            return False
        if self.way is Way.ATTESTED or self.way is Way.DOWNLOADED:
            return True
        return self.cold and (self.way is Way.READBACK or self.way is Way.REHASH)


class CopyState(StrEnum):
    """State of a copy, best first."""

    PROVEN = "proven"
    DUE = "due"
    WRITTEN = "written"
    DAMAGED = "damaged"
    MISSING = "missing"
    OUT_OF_REACH = "out of reach"
    ABSENT = "absent"


@dataclass(frozen=True, kw_only=True, slots=True)
class Copy:
    """One file at one place, with its state as policy and now make it."""

    place: PlaceId
    path: str
    content: Blake3
    state: CopyState
    proof: Fact | None = None
    """The proof that counts, where there is one (``proven`` and ``due``)."""
    latest: Fact | None = None
    trouble: Fact | None = None
    """The newest fact that said that its bytes were wrong, whether it was mended since or not."""
    sampled_at: datetime | None = None
    """When it was last fetched back whole, and matched."""
    harmed_at: datetime | None = None
    """When rot was last newly found in it till now, whether it was mended since or not."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CardEntry:
    """A regular file found on a card. ``path`` is relative to the card's root."""

    path: str
    size: int
    mtime_ns: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CardListing:
    """Everything found on a card, in the order of the directory tree.

    ``empty_folders`` hold no file; ``left_out`` is system litter (path, why); ``specials`` are
    entries that are no regular file nor folder (path, what it is); ``unreadable`` are entries that
    could not be looked at (path, error); ``warnings`` are for the person to read.
    """

    root: str
    files: tuple[CardEntry, ...]
    empty_folders: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    specials: tuple[tuple[str, str], ...] = ()
    unreadable: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class CardFile:
    """A file of a card after all its bytes were read now: its content, or why there is none."""

    path: str
    size: int
    content: Blake3 | None
    error: str | None = None
    xxh128: Xxh128 | None = None


class EventKind(StrEnum):
    """What the daemon remembers besides facts about copies, so that it survives a restart."""

    SEEN = "seen"
    """A place was here: subject its id, detail the mount's token."""
    TOLD = "told"
    """The person was told: subject the matter, detail the sentence."""
    RAN = "ran"
    """Something on the timetable was done: subject its name."""
    FAILED = "failed"
    """A deed failed: subject place id, card's token or deed's key; detail the sentence."""
    WORKED = "worked"
    """A deed of that subject came through: what failed before no longer counts."""
    CARD_TAKEN = "card taken"
    """A card's offload finished: subject its mount's token, detail the rolls' folders as JSON.

    An empty detail, here and in the next kind: it was unmounted since."""
    CARD_JUDGED = "card judged"
    """A verdict on a card: subject its mount's token, detail ``yes``, ``no`` or ``not yet`` (a no to
    somebody who asked before the card's turn came)."""
    AWAY = "away"
    """The daemon did not run, or slept: subject "from", detail the beginning (ISO), at the end."""
    PROOF_TIME = "proof time"
    """Seconds spent proving: subject the place's id, detail the number."""
    MOVED = "moved"
    """Bytes moved: subject the place's id, detail ``bytes seconds``. Rates come from these."""
    HEALTH = "health"
    """What a drive says of itself: subject the place's id, detail JSON (``actions.health``)."""
    DRILLED = "drilled"
    """A restore drill was made: subject the shoot, detail JSON (``core.drilling``)."""
    CHECKED = "checked"
    """What a bucket was seen to do: subject the place's id, detail ``core.bucket_findings``' text.

    An empty detail: it did something else since, so that counts no more."""
    LISTED = "listed"
    """A roll's manifest and chain stand in a bucket: subject the place's and the roll's id, detail
    the roll's folder."""
    CLASS_SEEN = "class seen"
    """Objects came into being for which a storage class was asked: subject the place's id and that
    class, detail the class in which they stand instead (empty: they stand in it)."""
    KEYS_SHOWN = "keys shown"
    """Somebody showed that they can decrypt: subject what (``actions.encrypting``), detail the
    recipients whose key was there, one a line."""
    SNAPSHOT = "snapshot"
    """A place got a snapshot of the catalog: subject its id, detail JSON (``actions.snapshots``)."""
    ROOM = "room"
    """How much is free on a drive: subject its place's id, detail the number of bytes."""
    POSTERS = "posters"
    """Posters of a new roll are wanted: subject its folder, detail the ids of places as JSON.

    An empty detail: they were made, as far as they could be."""
    DOUBTED = "doubted"
    """So much was bad at once that a drive is in doubt: subject its place's id, detail the mount."""
    STOOD = "stood"
    """A person said how a place stands: subject its id, detail a ``Standing``. The one kind that
    verdicts look at (``Place.standing`` and ``Place.counts_from`` are made of it)."""
    RENAMED = "renamed"
    """A place's marker still tells its old name: subject its id, detail that name.

    An empty detail: it tells the new one."""
    FOUND_AGAIN = "found again"
    """Files that a person moved at a place: subject its id, detail JSON (``core.moving``)."""
    HEARD = "heard"
    """Other machines' snapshots at a place were looked at: subject its id, detail ``core.hearing``'s."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Event:
    """Something that happened, but not to a copy. But for ``STOOD`` never the ground of a verdict."""

    at: datetime
    kind: EventKind
    subject: str
    detail: str = ""
