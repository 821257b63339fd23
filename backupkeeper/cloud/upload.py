"""One file on its way into a bucket: in one piece or in parts, never over another.

Promises:
1. Every piece travels with the signed hash of its body, the ``x-amz-checksum-*`` that this store was
   seen to enforce, if any, and Content-MD5 but where that is left out (``cloud.travelling``).
2. The key is seen to be free, or to hold the very object that is to be replaced, right before the
   new one comes into being, and the store is asked to see to it itself where it was seen to. Where
   it was not, a race can't be excluded, and ``Sent`` says so.
3. An answer that got lost is made up for by looking: an object counts as ours only if it carries
   the ticket of this upload.
4. What was begun and not finished stays where it is remembered (``ports.bucket.Remembering``), and
   is gone on with the next time: parts that are there are compared, never believed. It is removed
   where its key was taken by another object or the store has no use for it any more. Without a
   memory it is removed whatever interrupts it, also after Ctrl-C. Only an upload whose id was lost
   on its way here may stay unknown; it holds nothing. What another machine began is gone on with by
   the same rule, and never removed.
5. At most ``at_once`` parts travel and one more is held in memory, and no thread is left.
"""

from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace as changed
from datetime import datetime
from threading import Event
from typing import Any

from backupkeeper.cloud.abandon import abandon
from backupkeeper.cloud.causes import Cause
from backupkeeper.cloud.checks import EXTRAS, MD5, Part, etag_of_parts, gathered
from backupkeeper.cloud.client import TICKET, Head, Store, version_of
from backupkeeper.cloud.conditions import Replacing
from backupkeeper.cloud.errors import (
    LIBRARY_ERRORS,
    Where,
    failure,
)
from backupkeeper.cloud.gate import Gate
from backupkeeper.cloud.in_parts import InParts
from backupkeeper.cloud.listed_parts import fitting_parts, furthest
from backupkeeper.cloud.lost_answers import Asked, arrived_anyway
from backupkeeper.cloud.shelves import see_class
from backupkeeper.cloud.travelling import Travelling
from backupkeeper.core.errors import (
    AttestationRefusedError,
    BackupkeeperError,
    BucketUnreachableError,
    NameTakenError,
    SourceChangedError,
    UploadLostError,
    UsageError,
)
from backupkeeper.core.model import Blake3
from backupkeeper.core.parts import part_count
from backupkeeper.core.uploads import Begun, Listed, can_go_on, can_take_up, shown_by_list
from backupkeeper.ports.bucket import Capabilities, ObjectEntry, Remembering, Sent

_NO_USE = (NameTakenError, UploadLostError, UsageError)
"""After these an upload in parts is not gone on with."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TakenUp:
    """An upload under way: what is there of it, and whether another machine began it."""

    begun: Begun
    there: Mapping[int, Listed] = field(default_factory=dict)
    theirs: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Upload:
    """One file to be sent.

    ``part`` are the bytes of a part, ``at_once`` how many may travel at once, ``ticket`` is a
    random id.
    """

    store: Store
    path: str
    size: int
    part: int
    can: Capabilities
    at_once: int
    ticket: str
    metadata: dict[str, str]
    content: Blake3
    now: Callable[[], datetime]
    gate: Gate
    """Lets parts pass."""
    replacing: ObjectEntry | None = None
    """The object that must be there, and is replaced."""
    heeded: Replacing = field(default_factory=Replacing)
    """How the store is asked to replace no other one."""
    lock: dict[str, Any] = field(default_factory=dict)
    """boto3's parameters for how long the store keeps it (``cloud.keeping``)."""
    memory: Remembering | None = None
    storage_class: str = ""
    passed: tuple[str, ...] | None = None
    """Checks which the parts that are there already have passed; None: there are none."""

    def send(self, blocks: Iterator[memoryview], *, replace: bool = False) -> Sent:
        """Send the file.

        Args:
            blocks: Its blocks in order.
            replace: Put it over whatever stands there (small files of our own making only).

        Returns:
            The object's entry and the checks that would have refused wrong bytes.

        Raises:
            NameTakenError: An object stands there, or another one than the one to be replaced.
            AttestationRefusedError: The store says that wrong bytes arrived, or keeps others.
            SourceChangedError: There were not ``size`` bytes, or nothing is there to be replaced.
            UploadLostError: The store has lost the upload; sending again begins a new one.
            BucketUnreachableError: The store could not be asked, or did not do it.
        """
        begun = None if self.memory is None else self.memory.begun()
        if begun is not None:
            return self._go_on(begun, blocks)
        in_parts = part_count(self.size, self.part) > 1
        others = self.memory.others() if in_parts and self.memory is not None else ()
        if others and (sent := self._go_on_for(others, blocks)) is not None:
            return sent
        old = None if replace else self._seen_ready()
        if in_parts:
            return self._in_parts(blocks, old)
        asked = {} if replace else self._condition(in_parts=False)
        (part,) = self._gathered(blocks, Event())
        etag, version = self._whole(part, old, asked)
        entry = self._confirmed(etag, version, old)
        return Sent(entry=entry, attested_by=self._checks.enforced, race_excluded=bool(asked))

    def _gathered(
        self, blocks: Iterator[memoryview], stop: Event, md5_of: Container[int] | None = None
    ) -> Iterator[Part]:
        to = {"size": self.size, "part": self.part}
        extra = self._checks.extra
        return gathered(self.path, blocks, **to, extra=extra, stop=stop, md5_of=md5_of)

    @property
    def _checks(self) -> Travelling:
        in_parts = part_count(self.size, self.part) > 1
        return Travelling(can=self.can, in_parts=in_parts, passed=self.passed)

    @property
    def _parts(self) -> InParts:
        return InParts(
            store=self.store,
            path=self.path,
            at_once=self.at_once,
            extra=self._checks.extra,
            etag_is_md5=self.can.etag_is_md5,
            gate=self.gate,
        )

    def _go_on(self, begun: Begun, blocks: Iterator[memoryview]) -> Sent:
        """Go on with an upload that was begun before, as far as that is possible."""
        there = self.store.head(self.path)
        if there is not None and there.ticket == begun.ticket:
            return self._came_into_being_unseen(begun, there, blocks)
        if there is not None:
            error = NameTakenError(self.path)
            self._give_up(begun, error)
            raise error
        mine = self._of(begun)
        if can_go_on(begun, size=self.size, check=self._checks.extra):
            listed = fitting_parts(self.store, self.path, begun, size=self.size)
            if listed is not None:
                taken = TakenUp(begun=begun, there=listed)
                return mine._in_parts(blocks, None, taken)  # noqa: SLF001 - one of us
        self._give_up(begun, None)
        return self._in_parts(blocks, None)

    def _go_on_for(self, others: Sequence[Begun], blocks: Iterator[memoryview]) -> Sent | None:
        """Go on with an upload that another machine is said to have begun; None: with none of them.

        It may be at work on it too: then both send the same, and find the object that one makes.
        """
        there = self.store.head(self.path)
        if there is not None:
            known = [one for one in others if one.ticket == there.ticket]
            if known and can_take_up(known[0], size=self.size, check=known[0].check):
                begun = changed(known[0], enforced=(MD5,))  # its ETag says that
                return self._came_into_being_unseen(begun, there, blocks, theirs=True)
            raise NameTakenError(self.path)
        found = furthest(self.store, self.path, others, size=self.size, check=self._checks.extra)
        if found is None:
            return None
        begun, listed = found
        shown = shown_by_list(
            self._checks.possible,
            listed.values(),
            md5=MD5,
            etag_is_md5=self.can.etag_is_md5,
            check=(self._checks.extra, EXTRAS[self._checks.extra]) if self._checks.extra else None,
        )
        if self._checks.possible and not shown:
            return None  # nothing would be proven by sending: sooner all of it anew
        begun = changed(begun, enforced=shown)
        taken = TakenUp(begun=begun, there=listed, theirs=True)
        return self._of(begun)._in_parts(blocks, None, taken)  # noqa: SLF001 - one of us

    def _of(self, begun: Begun) -> "Upload":
        """The same, as it was begun."""
        size = begun.part_bytes
        return changed(self, ticket=begun.ticket, part=size, passed=begun.enforced)

    def _came_into_being_unseen(
        self, begun: Begun, there: Head, blocks: Iterator[memoryview], *, theirs: bool = False
    ) -> Sent:
        """Our object stands there and nobody knew: compare it by its ETag, which can be computed."""
        if not self.can.etag_is_md5:
            self._forget(begun)
            raise NameTakenError(self.path)
        mine = self._of(begun)
        md5s = [part.md5 or "" for part in mine._gathered(blocks, Event())]  # noqa: SLF001 - one of us
        if there.entry.size != self.size or there.entry.etag != etag_of_parts(md5s):
            self._forget(begun)
            raise NameTakenError(self.path) if theirs else AttestationRefusedError(self.path)
        checks = mine._both(begun)  # noqa: SLF001 - one of us
        return Sent(entry=there.entry, attested_by=checks, found=True)

    def _both(self, begun: Begun) -> tuple[str, ...]:
        """Checks that were enforced when parts were sent, then and now."""
        return tuple(name for name in self._checks.enforced if name in begun.enforced)

    def _forget(self, begun: Begun) -> None:
        if self.memory is not None:
            self.memory.forget(begun)

    def _give_up(self, begun: Begun, error: BackupkeeperError | None) -> None:
        abandon(self.store, self.path, begun.upload, error)
        self._forget(begun)

    @property
    def _where(self) -> Where:
        return self.store.where

    @property
    def _named(self) -> dict[str, str]:
        return self.metadata | {TICKET: self.ticket}

    @property
    def _asked(self) -> dict[str, Any]:
        """What the store is asked for about the object to be."""
        return self.lock | ({"StorageClass": self.storage_class} if self.storage_class else {})

    def _seen_ready(self) -> Head | None:
        """See that the key is free, or what is to be replaced: then what is there."""
        there = self.store.head(self.path)
        if self.replacing is None:
            if there is not None:
                raise NameTakenError(self.path)
            return None
        if there is None:
            raise SourceChangedError(self.path, how="is not in the bucket any more")
        if not there.entry.is_still(self.replacing):
            raise NameTakenError(self.path)
        return there

    def _must_still_be(self, old: Head | None) -> None:
        # The ticket too: an object of the same bytes has the same ETag (rot does not change it).
        if self._seen_ready() != old:
            raise NameTakenError(self.path)

    def _condition(self, *, in_parts: bool) -> dict[str, str]:
        """What the store is asked to see to by itself, where it was seen to heed it."""
        if self.replacing is not None:
            return self.heeded.condition(self.replacing.etag, in_parts=in_parts)
        honoured = self.can.conditional_complete if in_parts else self.can.conditional_put
        return {"IfNoneMatch": "*"} if honoured else {}

    def _whole(
        self, part: Part, old: Head | None, condition: dict[str, str]
    ) -> tuple[str | None, str | None]:
        if old is not None:
            self._must_still_be(old)
        asked: dict[str, Any] = self.store.at(self.path) | part.checks | condition | self._asked
        try:
            answer = self.store.client.put_object(Body=part.body, Metadata=self._named, **asked)
        except LIBRARY_ERRORS as error:
            return part.md5, self._arrived_anyway(error, old, in_parts=False)
        self._parts.compare(part, answer)
        return part.md5, version_of(dict(answer))

    def _in_parts(
        self,
        blocks: Iterator[memoryview],
        old: Head | None,
        taken_up: TakenUp | None = None,
    ) -> Sent:
        condition = self._condition(in_parts=True)
        stop = Event()
        taken = taken_up or TakenUp(begun=self._begin())
        begun = taken.begun
        by_md5 = self._parts.compared_by_md5(taken.there)
        try:
            sent = self._parts.send(
                begun.upload,
                self._gathered(blocks, stop, by_md5 if self._checks.without_md5 else None),
                count=part_count(self.size, self.part),
                part_bytes=self.part,
                stop=stop,
                there=taken.there,
                theirs=taken.theirs,
            )
            # The object must be made of what the answers to the parts spoke of.
            etag = etag_of_parts(etag for _, etag in sent) if self.can.etag_is_md5 else None
            if old is not None or not condition:
                self._must_still_be(old)
            version = self._complete(begun.upload, [named for named, _ in sent], old, condition)
        except BaseException as error:
            # KeyboardInterrupt included: what nobody would remember is not left behind.
            self._ended_badly(taken, error)
            raise
        entry = self._confirmed(etag, version, old)
        return Sent(entry=entry, attested_by=self._both(begun), race_excluded=bool(condition))

    def _ended_badly(self, taken: TakenUp, error: BaseException) -> None:
        if self.memory is not None and not isinstance(error, _NO_USE):
            return  # it is gone on with
        lost = self.memory is not None and isinstance(error, UploadLostError)
        if lost and self._is_made_of(taken.begun):
            return  # by another machine that went on with it too: seen when it is sent again
        if not taken.theirs:
            abandon(self.store, self.path, taken.begun.upload, error)
        self._forget(taken.begun)

    def _is_made_of(self, begun: Begun) -> bool:
        try:
            head = self.store.head(self.path)
        except BucketUnreachableError:
            return False
        return head is not None and head.ticket == begun.ticket

    def _begin(self) -> Begun:
        try:
            upload = self._parts.begin(self._named, self._asked)
        except BackupkeeperError as error:
            see_class(self.store, self.path, self.storage_class, error.__cause__ or error)
            raise
        begun = Begun(
            key=self.path,
            content=self.content,
            upload=upload,
            part_bytes=self.part,
            check=self._checks.extra,
            enforced=self._checks.enforced,
            ticket=self.ticket,
            begun_at=self.now(),
        )
        if self.memory is not None:
            try:
                self.memory.remember(begun)
            except BaseException as error:
                abandon(self.store, self.path, upload, error)
                raise
        return begun

    def _complete(
        self,
        upload: str,
        parts: list[dict[str, Any]],
        old: Head | None,
        condition: dict[str, str],
    ) -> str | None:
        try:
            return version_of(self._parts.complete(upload, parts, condition))
        except LIBRARY_ERRORS as error:
            return self._arrived_anyway(error, old, in_parts=True)

    def _arrived_anyway(self, error: Exception, old: Head | None, *, in_parts: bool) -> str | None:
        asked = Asked(
            store=self.store,
            path=self.path,
            ticket=self.ticket,
            storage_class=self.storage_class,
            in_parts=in_parts,
        )
        return arrived_anyway(asked, error, old)

    def _confirmed(self, etag: str | None, version: str | None, old: Head | None) -> ObjectEntry:
        """Look at the object that came into being; it must be ours, whole."""
        head = self.store.head(self.path)
        if head is None or head == old:
            raise failure(
                Cause.BROKEN_STORE,
                self._where,
                path=self.path,
                detail=f"it took {self.path} and does not have it",
            )
        if head.ticket is not None and head.ticket != self.ticket:
            raise NameTakenError(self.path)
        if version is not None and head.entry.version != version:
            raise NameTakenError(self.path)
        is_other = self.can.etag_is_md5 and head.entry.etag != etag
        if is_other or head.entry.size != self.size:
            raise AttestationRefusedError(self.path)
        return head.entry
