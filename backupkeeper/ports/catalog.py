"""The catalog: facts in, facts out. It decides nothing."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from backupkeeper.core.age import Encrypted
from backupkeeper.core.covers import FileGroup
from backupkeeper.core.model import (
    Blake3,
    Content,
    Event,
    EventKind,
    Fact,
    Place,
    PlaceId,
    Roll,
    RollFile,
    RollHead,
    RollId,
    Standing,
    Xxh128,
)
from backupkeeper.core.policy import Policy
from backupkeeper.core.sampling import Drawn, Turn
from backupkeeper.core.scrub import Load
from backupkeeper.core.standing import Scale, Tallies
from backupkeeper.core.sums import RollSums
from backupkeeper.core.uploads import Begun
from backupkeeper.ports.outbox import Outbox


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenRoll:
    """A roll that was begun and not sealed: where its files go, and those that are known so far."""

    shoot: str
    source: str
    name: str
    folder: str
    begun_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Thinned:
    """One step of thinning: how many copies were looked at, how many facts went."""

    copies: int
    facts: int


class EncryptedRows(Protocol):
    """How files stand encrypted, as far as it is known. All errors leave as ``CatalogError``."""

    def put_encrypted(self, found: Iterable[Encrypted]) -> None:
        """Remember, durably, how files stand encrypted at a place; known ones are no error."""
        ...

    def encrypted_at(self, place: PlaceId, path: str) -> tuple[Encrypted, ...]:
        """How a file stands encrypted at a place, the latest first; nothing: not encrypted by us."""
        ...

    def encrypted_as(self, place: PlaceId, key: str) -> tuple[Encrypted, ...]:
        """What stands encrypted under a key, the latest first."""
        ...

    def encrypted_below(self, place: PlaceId, start: str) -> Iterator[Encrypted]:
        """All whose path starts with a text, by path."""
        ...

    def has_encrypted(self, place: PlaceId) -> bool:
        """Whether anything was ever sent encrypted to a place."""
        ...


class Catalog(EncryptedRows, Outbox, Protocol):
    """What every part may ask of the catalog. All errors leave as ``CatalogError``.

    Facts are never changed, and none goes but by ``thin_facts``: "every fact" is every one that stays.
    """

    def places(self) -> tuple[Place, ...]:
        """All places, oldest first, lost and retired ones too."""
        ...

    def put_place(self, place: Place) -> None:
        """Add a place, or update the one with its id. A second place of one name is a UsageError."""
        ...

    def stand(self, place: PlaceId, standing: Standing) -> datetime:
        """Remember how a person says that a place stands, as the last word on it; when that was.

        What ``put_place`` says of a place's standing counts only until the first such word.
        """
        ...

    def record(
        self,
        *,
        contents: Iterable[Content] = (),
        facts: Iterable[Fact] = (),
        taken: tuple[OpenRoll, Sequence[RollFile]] | None = None,
    ) -> None:
        """Add all of this in one durable transaction; what is there already is no error.

        ``taken`` are files that now belong to an open roll (begun here if it is new).
        """
        ...

    def open_rolls(self) -> tuple[OpenRoll, ...]:
        """Rolls begun and not sealed."""
        ...

    def taken(self, folder: str) -> tuple[RollFile, ...]:
        """Files recorded so far for the open roll with this folder."""
        ...

    def seal(self, roll: Roll) -> None:
        """Close a roll: head, files, empty folders, what was left out. Idempotent by id."""
        ...

    def rolls(self) -> tuple[RollHead, ...]:
        """All sealed rolls, by shoot, source and name."""
        ...

    def roll(self, roll_id: RollId) -> Roll:
        """One sealed roll, whole, files sorted by path."""
        ...

    def contents(self, names: Iterable[Blake3]) -> Mapping[Blake3, Content]:
        """The known ones among these contents."""
        ...

    def sealed_among(self, contents: Iterable[Blake3]) -> frozenset[Blake3]:
        """Those of these contents that belong to at least one sealed roll."""
        ...

    def rolls_with(self, contents: Iterable[Blake3]) -> frozenset[RollId]:
        """Sealed rolls that hold at least one of these contents."""
        ...

    def homes_of(self, contents: Iterable[Blake3]) -> Mapping[Blake3, Sequence[tuple[str, str]]]:
        """Where sealed rolls have these contents: a roll's folder, and a file's path in it."""
        ...

    def contents_like(self, size: int, xxh128: Xxh128) -> Sequence[Content]:
        """Contents of this size with this hash. Walks over all: for what is asked seldom."""
        ...

    def holdings(self, place: PlaceId) -> tuple[int, int]:
        """How many copies, and bytes, the newest facts show to be at a place."""
        ...

    def facts_of(self, contents: Iterable[Blake3]) -> Iterator[Fact]:
        """Every fact about any copy of these contents, in no order."""
        ...

    def facts_of_roll(self, roll_id: RollId) -> Iterator[Fact]:
        """Every fact about any copy of the contents of one roll, in no order."""
        ...

    def facts_at(
        self, place: PlaceId, *, below: str = "", since: datetime | None = None
    ) -> Iterator[Fact]:
        """Every fact (since then) about copies at a place whose path is ``below`` or lies below it."""
        ...

    def facts_around_harm(self, place: PlaceId, since: datetime) -> Iterator[Fact]:
        """Every fact about the copies at a place that were found damaged since then."""
        ...

    def rolls_harmed(self, since: datetime) -> frozenset[RollId]:
        """Sealed rolls with a file of which any copy was found damaged since then."""
        ...

    def proof_ages(self, place: PlaceId) -> Sequence[Load]:
        """When what a drive holds was last proven, in steps of minutes (the end of each), oldest first.

        Copies of which anything bad was seen since are left out.
        """
        ...

    def tallies(self, now: datetime, edges: Sequence[timedelta], scale: Scale | None) -> Tallies:
        """Counts over all copies: proofs by place, by age (bins end at ``edges``), over time.

        ``scale`` None: nothing is counted over time.
        """
        ...

    def file_groups(self, policy: Policy, now: datetime) -> Mapping[RollId, Sequence[FileGroup]]:
        """The files of every roll that has any, counted by where their copies stand."""
        ...

    def roll_sums(self) -> Mapping[RollId, RollSums]:
        """What the facts about each sealed roll come to, in the order of the rolls' names.

        Of one moment. As long as a roll's stamp stands nothing new is known of it.
        """
        ...

    def drawn(
        self, rolls: Iterable[RollSums], turns: Sequence[Turn]
    ) -> Mapping[RollId, Sequence[Drawn]]:
        """Files of rolls that have their turn to be fetched back, all these turns in one."""
        ...

    def each_file(self, one: RollSums) -> RollSums:
        """The same roll's sums with a group for each file."""
        ...

    def files_of(self, roll_id: RollId, paths: Iterable[str]) -> tuple[RollFile, ...]:
        """Files of a sealed roll that have these paths, by path."""
        ...

    def not_plainly_proven(self, place: PlaceId, since: datetime) -> frozenset[RollId]:
        """Rolls with a file that has no proof at this place since then, or anything bad there.

        A quick sieve in SQL, erring only towards naming too many: core decides on these alone.
        """
        ...

    def unsent(self, roll_id: RollId, place: PlaceId) -> Sequence[RollFile]:
        """Files of a sealed roll that a place may lack: all others have a copy there, of whatever state.

        They are those of which no copy is known at the file's very path in the roll's folder, or
        one that was ever found missing.
        """
        ...

    def uploads(self, place: PlaceId) -> tuple[Begun, ...]:
        """Uploads in parts to a bucket that were begun and not ended, oldest first."""
        ...

    def upload_begun(self, place: PlaceId, begun: Begun) -> None:
        """Remember an upload durably; what is there already is no error."""
        ...

    def upload_ended(self, place: PlaceId, begun: Begun) -> None:
        """Forget an upload, however it ended; one that is not known is no error."""

    def readable_at(self, place: PlaceId) -> tuple[int, int]:
        """Files, and bytes, that stand at a place as they are: whoever has access reads them."""
        ...

    def note(self, events: Iterable[Event]) -> None:
        """Remember events, in one durable transaction; what is there already is no error."""
        ...

    def events(
        self,
        kinds: Iterable[EventKind],
        *,
        since: datetime | None = None,
        subject: str | None = None,
    ) -> Iterator[Event]:
        """Events of these kinds (of one subject, if it is named) since then, oldest first.

        Those of one moment come in the order of the kinds that were named.
        """
        ...

    def latest(self, kind: EventKind) -> Mapping[str, Event]:
        """The newest event of a kind for each subject."""
        ...

    def thin(self, before: datetime, kinds: Iterable[EventKind]) -> None:
        """Forget events of these kinds that are older, but never the newest of a subject."""
        ...

    def thin_facts(self, now: datetime) -> Iterator[Thinned]:
        """Let go the facts that ``core.thinning`` names, step by step, each a durable one of its own.

        Stopped, or killed, between two of them, it goes on where it was when it is begun anew.
        """
        ...

    def change_mark(self) -> tuple[int, int]:
        """Something that is another whenever anything was written, by whatever program. Cheap.

        But for events that were noted or thinned through this very object: those are known here.
        """
        ...

    def transaction(self) -> AbstractContextManager[None]:
        """Join several calls into one durable step."""
        ...

    def close(self) -> None:
        """Release the files."""
        ...
