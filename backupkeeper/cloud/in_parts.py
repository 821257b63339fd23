"""An upload in parts, request by request: begun, sent, completed.

Promises:
1. A part that the store lists is not sent again only where ``core.uploads.arrived`` says so.
2. The answer to every part is compared with all that is known of what was sent: the check that
   travelled with it where the store tells it, and MD5 where that is known and ETags are MD5. Over a
   part that another machine sent nothing else is ever sent.
3. However sending ends, at most ``at_once`` parts travel while one more is made ready
   (``core.parts.parts_held``): none waits for another, and memory stays bounded. No thread is left,
   but for one whose answer a person who stops the work does not wait for (``cloud.crew``).
"""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from threading import Event, Semaphore
from typing import Any, NoReturn, TypeAlias

from backupkeeper.cloud.checks import EXTRAS, Part, looks_like_md5
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.crew import Crew
from backupkeeper.cloud.gate import Gate
from backupkeeper.core.errors import AttestationRefusedError, UploadLostError
from backupkeeper.core.parts import parts_at_once, parts_held
from backupkeeper.core.uploads import Listed, arrived

Done: TypeAlias = tuple[dict[str, Any], str]
"""A part as complete names it, and its ETag without quotes."""


@dataclass(frozen=True, kw_only=True, slots=True)
class InParts:
    """What the requests of one file's upload share. ``extra``: the ``x-amz-checksum-*`` sent along."""

    store: Store
    path: str
    at_once: int
    extra: str | None
    etag_is_md5: bool
    gate: Gate

    def begin(self, metadata: Mapping[str, str], asked: Mapping[str, Any]) -> str:
        """Begin an upload; its id. ``asked`` are boto3's parameters for the object to be."""
        more: dict[str, Any] = dict(asked)
        if self.extra:
            more["ChecksumAlgorithm"] = self.extra.upper()
        if self.extra == "crc64nvme":
            more["ChecksumType"] = "FULL_OBJECT"
        with self.store.asking(self.path):
            answer = self.store.client.create_multipart_upload(
                **self.store.at(self.path), Metadata=metadata, **more
            )
        if not (upload := answer.get("UploadId")):
            raise self.store.no_store("an upload without an id")
        return upload

    def send(
        self,
        upload: str,
        parts: Iterator[Part],
        *,
        count: int,
        part_bytes: int,
        stop: Event,
        there: Mapping[int, Listed],
        theirs: bool = False,
    ) -> list[Done]:
        """Send all parts, or find them there.

        Args:
            upload: Its id.
            parts: The parts in order.
            count: How many there are.
            part_bytes: Bytes of every part but the last.
            stop: Set here to stop the sending of bodies.
            there: Parts that the store says it has.
            theirs: Another machine began it: nothing is sent over a part that is there.

        Raises:
            UploadLostError: It is theirs, and holds something else than this file.
        """
        at_once = parts_at_once(part_bytes, most=self.at_once)
        room = Semaphore(parts_held(part_bytes, at_once=at_once))
        sent: list[Done] = []
        flying: deque[Future[Done]] = deque()
        crew = Crew(at_once, "part")
        try:
            for _ in range(count):
                room.acquire()  # a part that is gathered is held: not before there is room
                while flying and flying[0].done():
                    sent.append(flying.popleft().result())
                if any(_has_failed(future) for future in flying):
                    break  # those before it may still arrive; then its failure is told
                part = next(parts)
                known = self._known(part, there.get(part.number))
                if known is None and theirs and part.number in there:
                    self._must_not_be_sent_over()
                flying.append(known or crew.submit(self._send_part, upload, part))
                flying[-1].add_done_callback(lambda _: room.release())
                del part
            else:
                next(parts, None)  # sees that there are no more bytes than announced
            sent.extend(future.result() for future in flying)
        except BaseException as error:
            stop.set()
            for future in flying:
                future.cancel()
            crew.close(hurries=isinstance(error, KeyboardInterrupt))
            raise
        crew.close(hurries=False)
        return sent

    def _known(self, part: Part, listed: Listed | None) -> Future[Done] | None:
        size = part.body.getbuffer().nbytes
        if listed is None or not arrived(
            listed, size=size, md5=part.md5, checks=part.checks, check=self._parameter
        ):
            return None
        if self.etag_is_md5 and not looks_like_md5(listed.etag):
            return None
        done: Future[Done] = Future()
        done.set_result((self._named(part, f'"{listed.etag}"'), listed.etag))
        return done

    @property
    def _parameter(self) -> str | None:
        return EXTRAS[self.extra] if self.extra else None

    def compared_by_md5(self, there: Mapping[int, Listed]) -> set[int]:
        """Which of the parts that the store says it has can be compared by their MD5 only."""
        return {number for number, one in there.items() if self._parameter not in one.checks}

    def _must_not_be_sent_over(self) -> NoReturn:
        raise UploadLostError(f"An upload of {self.path} from elsewhere holds other bytes.")

    def _named(self, part: Part, etag: str) -> dict[str, Any]:
        named: dict[str, Any] = {"PartNumber": part.number, "ETag": etag}
        if self.extra:
            named[EXTRAS[self.extra]] = part.checks[EXTRAS[self.extra]]
        return named

    def _send_part(self, upload: str, part: Part) -> Done:
        asked: dict[str, Any] = self.store.at(self.path) | part.checks
        with self.gate.passing(part.body.getbuffer().nbytes), self.store.asking(self.path):
            answer = dict(
                self.store.client.upload_part(
                    UploadId=upload, PartNumber=part.number, Body=part.body, **asked
                )
            )
        etag = self.compare(part, answer)
        return self._named(part, str(answer["ETag"])), etag

    def compare(self, part: Part, answer: Mapping[str, Any]) -> str:
        """Compare an answer with what was sent; its ETag without quotes.

        Raises:
            AttestationRefusedError: It is none to these bytes.
        """
        etag = self.store.etag(dict(answer))
        sent = part.checks.get(self._parameter or "")
        fits = answer.get(self._parameter or "", sent) == sent
        if self.etag_is_md5:
            fits &= looks_like_md5(etag) if part.md5 is None else etag == part.md5
        if not fits:
            raise AttestationRefusedError(self.path)
        return etag

    def complete(
        self, upload: str, parts: Sequence[Mapping[str, Any]], condition: Mapping[str, str]
    ) -> dict[str, Any]:
        """Make the object of the parts; what boto3 raises leaves as it is."""
        asked: dict[str, Any] = self.store.at(self.path) | dict(condition)
        asked["MultipartUpload"] = {"Parts": parts}
        return dict(self.store.client.complete_multipart_upload(UploadId=upload, **asked))


def _has_failed(future: Future[Done]) -> bool:
    return future.done() and future.exception() is not None
