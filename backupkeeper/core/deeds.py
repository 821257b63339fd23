"""What the daemon sees at one instant, and what it should do next, as frozen values.

``core.planner`` turns a ``View`` into a ``Plan``; the loop (``daemon.loop``) makes views out of
facts and carries plans out. Nothing here does I/O or reads a clock.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from backupkeeper.core.model import Place, PlaceId, Role, RollHead, RollId

Needed = tuple[frozenset[PlaceId], ...]
"""For the hurt blocks of a file: the places of which one at least must be here, for each of them."""


class DeedKind(StrEnum):
    """What can be done by itself, in the order of urgency (DESIGN section 8)."""

    OFFLOAD = "offload"
    """A card onto the drives that are here."""
    HEAR = "hear"
    """What other machines left at one place, in snapshots of their catalogs, taken over."""
    MIRROR = "mirror"
    """One roll from a drive to a drive."""
    REPAIR = "repair"
    """What one drive has damaged of a roll, from other copies."""
    ADOPT = "adopt"
    """Files that appeared on a drive, in a roll's folder that no roll knows, taken in where they are."""
    LOOK = "look"
    """Folders of a drive in which something changed: is anything new or other than it should be?"""
    JUDGE = "judge"
    """The verdict on a card: may it be wiped?"""
    POSTERS = "posters"
    """Small pictures of one roll's clips, from one drive: it makes way for all but uploads."""
    UPLOAD = "upload"
    """One roll into a bucket, or its objects there looked at or fetched back."""
    PROVE = "prove"
    """One roll on one drive read again."""
    DRILL = "drill"
    """One shoot brought back from a bucket into the scratch folder, compared, removed again."""
    THIN = "thin"
    """Old facts that say what those before and after them say, let go from the catalog."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Deed:
    """One thing to do, whole: what a worker is told.

    ``place`` is where it writes, or, for ``prove``, ``look`` and ``drill``, what it reads; ``source`` the drive
    that it reads from (``mirror``, ``upload``; None for an upload that needs no drive); ``onto`` the
    drives that an offload writes to. ``card`` is the token of the card's mount. ``budget_s`` ends a
    proof after so many seconds of reading (None: no bound).
    """

    kind: DeedKind
    why: str
    """One sentence for a person."""
    size_bytes: int = 0
    files: int = 0
    place: PlaceId | None = None
    source: PlaceId | None = None
    onto: tuple[PlaceId, ...] = ()
    sources: tuple[PlaceId, ...] = ()
    """Drives and buckets that a repair may read from."""
    roll: RollId | None = None
    folder: str = ""
    """The roll's folder (for a person, and what ``adopt`` takes in)."""
    folders: tuple[str, ...] = ()
    """What ``look`` looks at."""
    card: str | None = None
    shoot: str = ""
    source_name: str = ""
    """The camera or recorder of a card (``offload``)."""
    budget_s: float | None = None
    before: datetime | None = None
    """What was proven before is proven again (``prove``; None: what the policy calls old)."""
    asked: bool = False
    """A person waits for it (``judge``)."""

    @property
    def key(self) -> str:
        """What makes it the same deed, whenever it is planned."""
        parts = (self.kind, self.place or "", self.roll or "", self.card or "", self.folder)
        return "|".join(parts)

    @property
    def places(self) -> tuple[PlaceId, ...]:
        """Every place that it uses."""
        ends = [place for place in (self.place, self.source) if place is not None]
        return tuple(dict.fromkeys((*ends, *self.onto, *self.sources)))


@dataclass(frozen=True, kw_only=True, slots=True)
class DriveHere:
    """A drive or folder place that is here now. ``token`` names this very mount."""

    place: PlaceId
    token: str
    point: str
    device: str
    """The physical device; ``one+two`` where it rests on several (see ``core.policy``)."""
    free_bytes: int
    read_only: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class CardHere:
    """A card that is in a reader now. ``token`` names this very mount of it.

    ``source`` is the name of the rule that it answers to (None: none, or more than one; ``trouble``
    says which). ``shoot`` is where its recordings belong (None: no date could be had). ``taken`` says
    that an offload of this mount finished; ``folders`` are the rolls that its files lie in then.
    """

    token: str
    point: str
    device: str
    label: str
    source: str | None
    auto_offload: bool
    shoot: str | None
    size_bytes: int
    file_count: int
    trouble: str = ""
    warnings: tuple[str, ...] = ()
    """For the person: such as that it is mounted writable."""
    taken: bool = False
    folders: tuple[str, ...] = ()
    judged_at: datetime | None = None
    """When the last verdict on this mount was given (None: never)."""
    may_wipe: bool | None = None
    """What it was."""
    limits: tuple[str, ...] | None = None
    """Sentences that belong to a yes; None: not known, for it was given before the daemon started."""
    withdrawn: bool = False
    """The last verdict was yes, and something that it rested on is not so any more."""
    asked: bool = False
    """A person waits for a verdict on it, whatever it will be."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Want:
    """What one place could be given of one roll, so that a gap closes.

    ``sources`` says for each drive (here or not) how many of these files have a readable copy there.
    """

    files: int
    size_bytes: int
    sources: Mapping[PlaceId, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """How one roll stands at one place: number and bytes of its files by what they need.

    ``unproven`` are there and only want reading (``written`` or ``due``) and their role lacks a
    proof; ``ageing`` are those that should be read again some night: proven, but not for much
    longer, or due where another place fills the role. ``vain`` says why reading others again now, in
    this mount, would prove nothing (empty: there are none such).
    """

    files: int
    size_bytes: int
    unproven_files: int = 0
    unproven_bytes: int = 0
    never_proven: bool = False
    """Some of the unproven were never read since they were written."""
    ageing_files: int = 0
    ageing_bytes: int = 0
    damaged_files: int = 0
    missing_files: int = 0
    oldest_proof: datetime | None = None
    vain: str = ""
    neighbours: bool = False
    """Some of the unproven are proven, and lie beside others that were damaged since."""
    before: datetime | None = None
    """What was proven before is meant by ``unproven`` and ``ageing`` too, whatever the policy says."""
    mendable: Mapping[Needed, tuple[int, int]] = field(default_factory=dict)
    """Damaged files that are mended without asking: what they need -> how many, and their bytes."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RollNeed:
    """One roll that has a gap, or a proof that is ageing, or something bad about it.

    ``fewest`` is the smallest number of roles that any of its files is proven in.
    """

    roll: RollHead
    gaps: tuple[Role, ...]
    fewest: int
    wants: Mapping[PlaceId, Want]
    at: Mapping[PlaceId, Standing]
    same_device: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Running:
    """A deed under way. ``held`` says that it waits, its device left alone, until it may go on.

    ``held_since`` is when that began; ``stopping`` says that it was asked to end.
    """

    deed: Deed
    since: datetime
    held: bool = False
    held_since: datetime | None = None
    stopping: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Setback:
    """A run of failures, without a success between, of one place (``subject``) in this mount.

    ``spread`` (0 to 1) keeps machines that failed together from trying again together.
    """

    count: int
    last_at: datetime
    message: str
    first_at: datetime | None = None
    spread: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Hours:
    """What the schedule allows at this instant.

    ``proof_s``: seconds of proving left to spend now, on each drive; ``changes_at``: when this
    answer is outdated by time alone. ``no_upload`` says why no upload may go on (empty where they
    may), ``upload_limit`` how many bytes a second all of them may send (None: any number).
    """

    may_upload: bool = True
    no_upload: str = ""
    upload_limit: int | None = None
    proof_s: float = 0.0
    changes_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Changed:
    """Folders of a drive in which files changed, and have been quiet since for long enough."""

    place: PlaceId
    folders: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class DrillDue:
    """A restore drill that is due, and whose turn it is. ``place`` is the bucket to take from.

    ``why_not`` says why it is not made by itself (empty: it is), ``at`` when that ends by itself.
    """

    place: PlaceId
    shoot: str
    size_bytes: int = 0
    files: int = 0
    why_not: str = ""
    at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Strange:
    """A folder that is laid out like a roll's and that no roll knows, with files in it."""

    place: PlaceId
    folder: str
    size_bytes: int
    files: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Pictureless:
    """A new roll whose clips have no posters yet. ``places``: where it was brought to."""

    folder: str
    places: tuple[PlaceId, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Unlisted:
    """A roll whose files are all proven in a bucket, and whose manifest is not known to stand there."""

    roll: RollHead
    place: PlaceId


@dataclass(frozen=True, kw_only=True, slots=True)
class View:
    """Everything that a plan follows from."""

    now: datetime
    places: Mapping[PlaceId, Place]
    drives: Mapping[PlaceId, DriveHere]
    cards: tuple[CardHere, ...] = ()
    needs: tuple[RollNeed, ...] = ()
    unlisted: tuple[Unlisted, ...] = ()
    changed: tuple[Changed, ...] = ()
    strange: tuple[Strange, ...] = ()
    drill: DrillDue | None = None
    running: tuple[Running, ...] = ()
    setbacks: Mapping[str, Setback] = field(default_factory=dict)
    """By place id; by a card's token; by ``Deed.key`` for what failed by itself."""
    lent: Mapping[PlaceId, str] = field(default_factory=dict)
    """Places that another program of ours uses or asked for, and which (a sentence)."""
    naming: str = ""
    """Which other program of ours gives names to rolls now (a sentence): one at a time may."""
    busy: Mapping[str, str] = field(default_factory=dict)
    """Devices that the person works on now, and why that is believed."""
    hours: Hours = field(default_factory=Hours)
    doubted: frozenset[PlaceId] = frozenset()
    """Drives that were put in doubt as a whole in this very mount: left alone until plugged in again."""
    unheard: tuple[PlaceId, ...] = ()
    """Places where other machines may have left news since these were last looked for."""
    refused: Mapping[tuple[PlaceId, str], str] = field(default_factory=dict)
    """Other machines (by their catalog's id) whose news at a place could not be believed, and why."""
    worn: Mapping[PlaceId, str] = field(default_factory=dict)
    """Drives that should be replaced, and why."""
    pictureless: tuple[Pictureless, ...] = ()
    thinning_due: bool = False
    """Whether it is long ago that old facts were looked through for what may go."""
    auto_repair: bool = True
    """Whether damaged copies on drives are mended without asking."""
    paused: bool = False
    """The person asked for peace: nothing starts and what can be held is held."""
    wipe_needs: tuple[Role, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """What would be done, and what it waits for (a sentence).

    ``full`` names a drive that has no room for it; ``person`` says that only a person can end the
    waiting (plug something in, make room).
    """

    deed: Deed
    why: str
    full: PlaceId | None = None
    person: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """What to do now. ``hold`` names every running deed that should wait; all others go on."""

    start: tuple[Deed, ...] = ()
    stop: tuple[str, ...] = ()
    """Keys of running deeds to end: something more urgent needs their device."""
    hold: frozenset[str] = frozenset()
    waiting: tuple[Waiting, ...] = ()
    wake_at: datetime | None = None
    """When something will be different by time alone."""
