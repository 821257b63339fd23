"""What a deed came to, as plain values: actions make them, reports put them into words."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from backupkeeper.core.bucket_advice import BucketAdvice
from backupkeeper.core.bucket_findings import Findings
from backupkeeper.core.clip_harm import ClipHarm
from backupkeeper.core.model import (
    Blake3,
    CopyState,
    Fact,
    Place,
    PlaceId,
    Role,
    RollHead,
    Standing,
    Way,
)
from backupkeeper.core.moving import Moved
from backupkeeper.core.snapshots import SnapshotNote


@dataclass(frozen=True, kw_only=True, slots=True)
class Trouble:
    """Something that went wrong with one path (or with a whole place: ``path`` empty)."""

    place: str
    """Name of the place, or ``card``."""
    path: str
    message: str


@dataclass(frozen=True, kw_only=True, slots=True)
class OffloadOutcome:
    """What an offload did. ``roll`` is None where the card held nothing new."""

    card: str
    folder: str | None
    roll: RollHead | None
    sealed: bool
    new_files: int
    new_bytes: int
    known_files: int
    """Files that were proven on every mounted drive before, recognised by content."""
    resumed_files: int
    """Files of this roll that an interrupted offload had already brought over."""
    places: tuple[str, ...]
    proven_at: Mapping[str, int]
    """Name of the place -> how many of the card's files are proven there now."""
    not_cold: Mapping[str, str]
    """Name of the place -> why its copies could not be read cold, so that they are not proven."""
    left_out: tuple[tuple[str, str], ...]
    specials: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    troubles: tuple[Trouble, ...]
    renamed: tuple[tuple[str, str], ...] = ()
    """Paths that a file system could not hold as they are -> what they became there."""
    folders: tuple[str, ...] = ()
    """Folders of all rolls that the card's files lie in now, the new one and earlier ones."""
    unwritten: tuple[str, ...] = ()
    """Sentences: manifests that are not there, and why."""
    seconds: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class MirrorOutcome:
    """What ``mirror`` brought where. Counts are files and bytes over all places."""

    copied_files: int
    copied_bytes: int
    rolls: tuple[tuple[str, str], ...]
    """(roll's folder, name of the place) for every roll completed there."""
    waiting: tuple[str, ...]
    """Sentences: what could not be done now, and what it waits for."""
    troubles: tuple[Trouble, ...]
    not_cold: Mapping[str, str] = field(default_factory=dict)
    moved: tuple[Moved, ...] = ()
    """What a person had moved on a drive: found there by its bytes, and not copied."""


@dataclass(frozen=True, kw_only=True, slots=True)
class UploadOutcome:
    """What ``upload`` sent. ``fetched_back`` tells that, and why, everything was downloaded again."""

    bucket: str
    sent_files: int
    sent_bytes: int
    looked_at: int
    """Objects that were there already, with the right size, and were looked at or fetched back."""
    fetched_back: str | None
    waiting: tuple[str, ...]
    troubles: tuple[Trouble, ...]
    listed: int = 0
    """Rolls whose files were all there before, and whose manifest stands there only now."""
    warnings: tuple[str, ...] = ()
    """Sentences about the bucket that fail nothing."""


class Finding(StrEnum):
    """What ``verify`` found about one copy."""

    MATCHES = "matches"
    DAMAGED = "damaged"
    CHANGED = "changed"
    MISSING = "missing"
    UNREADABLE = "unreadable"
    CUT_OFF = "cut off"
    UNSTABLE = "unstable"
    NOT_AS_LISTED = "not as listed"
    """Not what the manifest beside it says; whether it was edited or is damaged can't be told."""
    UNKNOWN = "unknown"
    """A file in a roll's folder that no roll knows."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Checked:
    """One copy after ``verify`` read it."""

    place: str
    path: str
    finding: Finding
    size: int
    cold: bool
    evidence: str = ""
    damage: tuple[tuple[int, int], ...] = ()
    note: str = ""
    clip: ClipHarm | None = None
    """Which seconds of a clip that is, where it could be understood."""


@dataclass(frozen=True, kw_only=True, slots=True)
class VerifyOutcome:
    """What ``verify`` found. ``matching`` is counted, everything else is listed in ``checked``."""

    what: str
    matching_files: int
    matching_bytes: int
    not_cold: Mapping[str, str]
    """Place -> why its reads don't count as proof, and what would make them count."""
    checked: tuple[Checked, ...]
    manifests: tuple[str, ...]
    """Generations written, by path."""
    manifest_faults: tuple[Trouble, ...]
    troubles: tuple[Trouble, ...]
    skipped: tuple[str, ...] = ()
    """Sentences: places that are not here, so were not read."""
    seconds: float = 0.0
    begun_files: int = 0
    """Large files of which only a beginning was read: it matched, and the next reading goes on there."""
    read_bytes: int = 0
    """What was read from drives by this very run (a file that was taken up was read before in part)."""
    moved: tuple[Moved, ...] = ()
    """What a person had moved on a drive, found there by its bytes; it counts among what matches."""

    @property
    def all_well(self) -> bool:
        """Whether everything asked for was read and matched."""
        return not (self.checked or self.troubles or self.manifest_faults or self.not_cold)


class Answer(StrEnum):
    """The verdict's one word."""

    YES = "yes"
    NO = "no"


class ReasonCode(StrEnum):
    """Why not. Stable: scripts read them."""

    NOTHING_TO_JUDGE = "nothing-to-judge"
    NO_ROLE_ASKED = "no-role-asked"
    CARD_UNREADABLE = "card-unreadable"
    NOT_A_FILE = "not-a-file"
    NEVER_OFFLOADED = "never-offloaded"
    OFFLOAD_UNFINISHED = "offload-unfinished"
    NO_COPY = "no-copy"
    NOT_PROVEN = "not-proven"
    PROOF_TOO_OLD = "proof-too-old"
    DAMAGED = "damaged"
    MISSING = "missing"
    OUT_OF_REACH = "out-of-reach"
    SAME_DEVICE = "same-device"


@dataclass(frozen=True, kw_only=True, slots=True)
class Reason:
    """One reason against, with every path that it speaks of."""

    code: ReasonCode
    role: Role | None
    paths: tuple[str, ...]
    detail: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class RoleProof:
    """Best copy of one file in one role."""

    state: CopyState
    place: PlaceId | None = None
    proof: Way | None = None
    at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class JudgedFile:
    """One file of the card with its best copy in every role."""

    path: str
    size: int
    content: Blake3 | None
    roles: Mapping[Role, RoleProof]


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """The answer to "may I wipe this card?", about these bytes at this time.

    ``asked`` are the roles that policy asks for; ``still_missing`` the roles that it does not ask
    for and that lack a proof of some file (said in the same breath as a yes).
    """

    card: str
    at: datetime
    answer: Answer
    asked: tuple[Role, ...]
    reasons: tuple[Reason, ...]
    files: tuple[JudgedFile, ...]
    still_missing: Mapping[Role, int]
    left_out: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def may_wipe(self) -> bool:
        """Whether the answer is yes."""
        return self.answer is Answer.YES


@dataclass(frozen=True, kw_only=True, slots=True)
class RoleCover:
    """How one roll stands in one role: the worst of its files' best copies."""

    state: CopyState
    places: tuple[str, ...]
    """Names of the active places of this role where at least one of its files stands."""
    counts: Mapping[CopyState, int]
    oldest_proof: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class RollCover:
    """One roll against all roles."""

    roll: RollHead
    roles: Mapping[Role, RoleCover]
    gaps: tuple[Role, ...]
    bytes_at_risk: int
    """Bytes of the files that have a gap."""
    fewest: int
    """The smallest number of roles in which any of its files is proven."""
    same_device: bool = False
    """Whether a proven copy does not count, its device being another role's too, or not known."""


@dataclass(frozen=True, kw_only=True, slots=True)
class GapReport:
    """All rolls against all roles, worst first, and what was begun but never finished."""

    at: datetime
    rolls: tuple[RollCover, ...]
    unfinished: tuple[str, ...] = ()
    """Folders of rolls that were begun and not sealed."""
    places: tuple[Place, ...] = ()
    notes: tuple[str, ...] = ()
    """Sentences to be told quietly: buckets that were not checked for long, and what is wrong there."""
    snapshots: tuple[SnapshotNote, ...] = ()
    """How each place stands with snapshots of the catalog."""
    may_share: bool = False
    """Whether the person lets copies of several roles stand on one physical device."""

    @property
    def with_gaps(self) -> tuple[RollCover, ...]:
        """The rolls that have a gap."""
        return tuple(cover for cover in self.rolls if cover.gaps)


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaceReport:
    """A place with what can be seen of it now."""

    place: Place
    connected: bool
    files_held: int
    bytes_held: int
    free_bytes: int | None
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaceBack:
    """A place that counts again; what it holds by the facts, all unproven.

    ``was``: lost or retired; active: it had lost its marker. ``marked_at``: where that was written anew.
    """

    place: Place
    was: Standing
    files: int
    size_bytes: int
    marked_at: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaceRenamed:
    """A place with its new name. ``marker_waits``: why its marker can't tell it yet (empty: it does)."""

    place: Place
    was: str
    marker_waits: str


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaceCheck:
    """What a bucket was seen to do, and what that means, what matters most first."""

    place: Place
    at: datetime
    findings: Findings
    advice: tuple[BucketAdvice, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class AdoptOutcome:
    """What became of a folder that was taken in where it is.

    ``roll`` is the roll that its files are (one of another folder where the same files were known
    already). ``files`` and ``size_bytes`` are what was taken in; ``proven`` how many of these files
    were read back from the medium, ``not_cold`` why the others don't count as proven.
    """

    place: str
    folder: str
    roll: RollHead
    files: int
    size_bytes: int
    proven: int
    not_cold: str = ""
    left_out: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    confirmed: int = 0
    """Files of which manifests or checksum lists that lay there already said the very same."""
    not_there: tuple[str, ...] = ()
    """Files that a checksum list names and that are not there."""
    read_bytes: int = 0
    """What was read by this very call; what an interrupted one read already is not in it."""
    seconds: float = 0.0


Facts = tuple[Fact, ...]
