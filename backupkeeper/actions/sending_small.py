"""Small files on their way into a bucket, many at a time.

Promises:
1. Drives are read one file after another, by the calling thread, each block compared with its block
   map; only requests to the store run side by side. Not more than ``HELD_BYTES`` of files, and not
   more files than ``most``, are on their way at once.
2. A fact is recorded only after the store's answer was compared, by ``Bucket.send``; some at a time,
   durably. Whatever ends the work, what had arrived by then is recorded and nothing else.
3. All that is not plain (a copy that can't be used, a key that is taken, bytes that were refused) is
   left to be done one after another, where it is told and recorded as ever.
4. No thread is left, but for those whose answers a person who stops the work does not wait for.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.fetching import fetch_back
from backupkeeper.actions.one_roll import RollNow
from backupkeeper.actions.recording import record_seen
from backupkeeper.actions.sending import Errand, Sending, sent_fact, sources_of, take_class, tell
from backupkeeper.cloud.crew import Crew
from backupkeeper.core.errors import (
    BackupkeeperError,
    DeviceError,
    MismatchError,
    OutOfReachError,
)
from backupkeeper.core.model import BLOCK_BYTES, Blake3, Content, Fact, Result
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.parts import HELD_BYTES, small_at_once
from backupkeeper.ports.bucket import Sent
from backupkeeper.ports.progress import Progress, Quiet
from backupkeeper.transfer.coldread import checked_blocks

SMALL_BYTES: Final = BLOCK_BYTES
"""A file up to this size is small: it is one block, and held in memory while it travels."""
FACTS_AT_ONCE: Final = 64
"""So many facts are recorded in one step,"""
SECONDS_AT_MOST: Final = 1.0
"""and none waits longer than this for others."""


def are_small(todo: Sequence[Errand]) -> list[Errand]:
    """Those that can travel side by side; none where there is nothing to gain."""
    small = [one for one in todo if one.wants_sending and one.file.size <= SMALL_BYTES]
    return small if len(small) > 1 else []


def send_small(
    context: Context,
    run: Sending,
    now: RollNow,
    todo: Sequence[Errand],
    contents: Mapping[Blake3, Content],
    progress: Progress,
) -> list[Errand]:
    """Send small files side by side.

    Returns:
        Those that are left to be done one after another, in order.

    Raises:
        OutOfReachError: the bucket or a drive is gone; what arrived is recorded.
    """
    crowd = _Crowd(context, run, progress)
    try:
        for errand in todo:
            progress.file(errand.file.path)
            content = contents[errand.file.content]
            crowd.make_room(content.size)
            crowd.begin(errand, content, _read(context, run, errand, now, content))
        crowd.wait()
    except BaseException as error:
        crowd.close(hurries=isinstance(error, KeyboardInterrupt))
        raise
    crowd.close(hurries=False)
    left = set(crowd.left)
    return [one for one in todo if one.key in left]


def _read(
    context: Context, run: Sending, errand: Errand, now: RollNow, content: Content
) -> bytes | None:
    """The file's right bytes from the best copy; None where that can't be used."""
    for drive, copy in sources_of(run, errand, now):
        try:
            drive.guard()
            path = drive.absolute(copy.path)
            return b"".join(checked_blocks(context.files, path, content, drive.cold))
        except OutOfReachError:
            drive.guard()
            raise
        except (DeviceError, MismatchError):
            return None
    return None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Arrived:
    """What one file came to. ``fetched``: it was also fetched back."""

    sent: Sent
    facts: tuple[Fact, ...]
    fetched: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class _Travelling:
    errand: Errand
    content: Content
    future: Future[_Arrived]


def _has_arrived(future: Future[_Arrived]) -> bool:
    return future.done() and not future.cancelled() and future.exception() is None


class _Crowd:
    """Files on their way, and facts that wait to be recorded; for one thread."""

    def __init__(self, context: Context, run: Sending, progress: Progress) -> None:
        self._context = context
        self._run = run
        self._progress = progress
        self._most = small_at_once(context.config.upload.parallel_parts)
        self._crew = Crew(self._most, "small part")
        self._flying: deque[_Travelling] = deque()
        self._held = 0
        self._facts: list[Fact] = []
        self._recorded_at = context.clock.monotonic()
        self.left: list[str] = []

    def make_room(self, size: int) -> None:
        """Wait until so many bytes more may be held."""
        while self._flying and (
            self._flying[0].future.done()
            or len(self._flying) >= self._most
            or self._held + size > HELD_BYTES
        ):
            self._settle(self._flying.popleft())

    def wait(self) -> None:
        """Until nothing is on its way, not even an empty file, which holds no byte."""
        while self._flying:
            self._settle(self._flying.popleft())

    def begin(self, errand: Errand, content: Content, data: bytes | None) -> None:
        """Send one file; without ``data`` it is left for later."""
        if data is None:
            self.left.append(errand.key)
            return
        self._held += content.size
        future = self._crew.submit(self._travel, errand.key, content, data)
        self._flying.append(_Travelling(errand=errand, content=content, future=future))

    def close(self, *, hurries: bool) -> None:
        """Wait for what is on its way, begin nothing more, and record what arrived.

        ``hurries``: what does not answer soon is not waited for. It may arrive all the same; then its
        object is found the next time.
        """
        for one in self._flying:
            one.future.cancel()
        self._crew.close(hurries=hurries)
        for one in self._flying:
            if _has_arrived(one.future):
                self._take_in(one, one.future.result())
        self._flying.clear()
        self._record()

    def _travel(self, key: str, content: Content, data: bytes) -> _Arrived:
        """In a thread of its own: send, and fetch back where the store attests nothing."""
        context, run = self._context, self._run
        blocks = iter([memoryview(data)] if data else [])
        sent = run.bucket.send(key, content, blocks, storage_class=run.storage_class)
        attested_by = ", ".join(sent.attested_by)
        facts = [sent_fact(context, run.place, key, content, sent.entry, attested_by)]
        if not attested_by:
            facts.append(fetch_back(context, run.bucket, run.place, key, content, Quiet()))
        return _Arrived(sent=sent, facts=tuple(facts), fetched=len(facts) > 1)

    def _settle(self, one: _Travelling) -> None:
        try:
            arrived = one.future.result()
        except OutOfReachError:
            raise
        except BackupkeeperError:
            self.left.append(one.errand.key)
            self._held -= one.content.size
            return
        self._take_in(one, arrived)
        waited = self._context.clock.monotonic() - self._recorded_at
        if len(self._facts) >= FACTS_AT_ONCE or waited >= SECONDS_AT_MOST:
            self._record()
        times = 2 if arrived.fetched else 1
        self._progress.advance(times * one.content.size, files=1)

    def _take_in(self, one: _Travelling, arrived: _Arrived) -> None:
        run, key = self._run, one.errand.key
        self._held -= one.content.size
        self._facts.extend(arrived.facts)
        take_class(run, arrived.sent)
        run.sent_files += 1
        run.sent_bytes += one.content.size
        run.fetched += arrived.fetched
        run.wanted.discard((key, one.content.blake3))
        if arrived.sent.unlocked:
            message = arrived.sent.unlocked
            run.troubles.append(Trouble(place=run.place.name, path=key, message=message))

    def _record(self) -> None:
        good = [fact for fact in self._facts if fact.result is Result.MATCHES]
        bad = [fact for fact in self._facts if fact.result is not Result.MATCHES]
        with self._context.catalog.transaction():
            self._context.catalog.record(facts=good)
            record_seen(self._context, bad)
        for fact in bad:
            tell(self._run, fact.path, f"is {fact.result}")
        self._facts.clear()
        self._recorded_at = self._context.clock.monotonic()
