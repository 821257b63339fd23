"""A store that answers with anything: other bytes, headers, status lines, and words for deeds not done.

The strict store does what is asked; what it says of it is then spoilt on the way, answer by answer. Nothing
that a store says may end the program otherwise than in an error of its own, nor make a proof of what is not there.
"""

import copy
import itertools
import shutil
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pytest
from blake3 import blake3
from hypothesis import strategies as st

from backupkeeper.core.model import PlaceKind, Role
from backupkeeper.core.policy import copies_of
from tests.breaking.hostile import tried
from tests.breaking.mutating import HORRORS, mutated
from tests.breaking.store import Store
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip
from tests.world import strict_store as store_module
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store
from tests.world.strict_talk import Answer, Asked

pytest_plugins = ["tests.real.store_fixtures"]

CARD: Final = {"DCIM/A.MP4": clip(1, 9_000_000), "DCIM/B.XML": b"<clip/>", "EMPTY.DAT": b""}
POLICY: Final = "distinct_devices = false"
COMMANDS: Final = (
    ("upload", "--now"),
    ("upload", "--now"),
    ("verify", "Off site"),
    ("place", "check", "Off site"),
    ("place", "check", "Off site", "--lifecycle-rule"),
    ("repair", "Off site"),
    ("restore", SHOOT, "--to", "{root}/to", "--from", "Off site", "--yes"),
    ("drill", SHOOT, "--to", "{root}", "--from", "Off site", "--yes"),
    ("catalog", "merge", "Off site"),
    ("rebuild", "--merge", "--from", "{location}", "--endpoint", "{url}"),
    ("adopt", "Off site", "--dry-run"),
    ("place", "cost", "Off site"),
    ("may-wipe", "{root}/card"),
)
LOOKS: Final = (("gaps",), ("status",), ("report",), ("place", "list"))
HEADERS: Final = (
    *(
        "ETag",
        "Content-Length",
        "Content-Range",
        "Content-Type",
        "Last-Modified",
        "Date",
        "Location",
    ),
    *("x-amz-version-id", "x-amz-storage-class", "x-amz-checksum-sha256", "x-amz-restore"),
    *(
        "Transfer-Encoding",
        "Content-Encoding",
        "x-amz-object-lock-mode",
        "Retry-After",
        "Connection",
    ),
)
VALUES: Final = (
    *(word.decode("latin-1").replace("\r", " ").replace("\n", " ")[:900] for word in HORRORS),
    *('""', '"' + "0" * 32 + '"', '"x-2"', "bytes 0-0/1", "chunked", "gzip", "GLACIER"),
    *(
        "http://127.0.0.1:9/",
        "Thu, 01 Jan 1970 00:00:00 GMT",
        "close",
        "STANDARD",
        "application/xml",
    ),
)
STATUSES: Final = (
    200,
    201,
    204,
    206,
    301,
    307,
    304,
    400,
    401,
    403,
    404,
    405,
    409,
    411,
    412,
    416,
    429,
    500,
    501,
    503,
    599,
)
RAW: Final = (
    b'HTTP/1.1 200 OK\r\nETag: "00"\r\nContent-Length: 5\r\n\r\nhello',
    b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n0\r\n\r\n",
    b"HTTP/1.1 200 OK\r\nContent-Length: 99999999999\r\n\r\nhello",
    b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 503 Slow Down\r\nContent-Length: 0\r\n\r\n",
    b"220 mail.boat.example ESMTP\r\n",
)


@dataclass(frozen=True)
class Spoil:
    """What becomes of one answer: ``kind`` says which of the others is meant."""

    kind: str
    data: bytes = b""
    header: str = ""
    value: str = ""
    status: int = 200


@dataclass
class Way:
    """Between store and program. Answers are counted from when a command begins."""

    spoils: dict[int, Spoil]
    seen: list[bytes]
    count: int = 0

    def next(self) -> Spoil | None:
        with _LOCK:
            self.count += 1
            return self.spoils.get(self.count - 1)


_LOCK: Final = threading.Lock()
_HERE: Final = threading.local()


def _say_spoilt(handler: Any, answer: Answer, spoil: Spoil) -> None:
    handler.close_connection = True  # who waits for more than there is hears its end
    if spoil.kind == "raw":
        handler.wfile.write(spoil.data)
        return
    status = spoil.status if spoil.kind == "status" else answer.status
    body = spoil.data if spoil.kind == "body" else answer.body
    headers = {"Content-Length": str(len(body)), **answer.headers}
    if spoil.kind == "header":
        headers = {one: value for one, value in headers.items() if one != spoil.header}
        headers |= {spoil.header: spoil.value} if spoil.value else {}
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name, value)
    handler.end_headers()
    if handler.command != "HEAD":
        handler.wfile.write(body)


@contextmanager
def spoilt(way: Way, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Answers of any strict store go this way."""
    real_to, real_say = store_module.answer_to, store_module._Handler._answer

    def answer_to(world: World, asked: Asked) -> Answer:
        _HERE.spoil = way.next()
        if _HERE.spoil is not None and _HERE.spoil.kind == "swallowed":
            return Answer(body=_HERE.spoil.data, headers={"ETag": f'"{"a" * 32}"'})
        answer = real_to(world, asked)
        if answer.body.startswith(b"<"):
            way.seen.append(answer.body)
        return answer

    def say(handler: Any, answer: Answer) -> None:
        spoil: Spoil | None = getattr(_HERE, "spoil", None)
        _HERE.spoil = None
        if spoil is None or spoil.kind == "swallowed":
            real_say(handler, answer)
            return
        _say_spoilt(handler, answer, spoil)

    with monkeypatch.context() as patch:
        patch.setattr(store_module, "answer_to", answer_to)
        patch.setattr(store_module._Handler, "_answer", say)
        yield


class Ground:
    """Two drives and a bucket; the roll is in the bucket, or is yet to be sent."""

    def __init__(self, root: Path, store: Store) -> None:
        self.root, self.store, self._saved = root / "yard", store, root / "saved"
        self.root.mkdir()
        yard = self.yard
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                store.location, role=Role.CLOUD, name="Off site", endpoint=store.url, profile=None
            )
        assert offloaded(yard, yard.card("card", CARD)).code == 0
        self._states = [self._state("unsent")]
        assert typed(yard, "upload", "--now").code == 0
        self._states.append(self._state("sent"))

    @property
    def yard(self) -> Yard:
        return yard_of_today(self.root, POLICY)

    def _state(self, name: str) -> tuple[Path, Any, Any]:
        saved = self._saved / name
        shutil.copytree(self.root, saved)
        bucket = self.store.bucket
        return saved, copy.deepcopy(bucket.objects), copy.deepcopy(bucket.uploads)

    def put_back(self, is_sent: bool) -> Yard:
        saved, objects, uploads = self._states[is_sent]
        shutil.rmtree(self.root)
        shutil.copytree(saved, self.root)
        self.store.bucket.objects = copy.deepcopy(objects)
        self.store.bucket.uploads = copy.deepcopy(uploads)
        return self.yard

    def words(self, command: Sequence[str]) -> list[str]:
        given = {"root": self.root, "location": self.store.location, "url": self.store.url}
        return [one.format(**given) for one in command]

    def check_beliefs(self, yard: Yard, what: object) -> None:
        """Each proven copy is there, with its bytes: on its drive, or as the newest object of its key."""
        objects = self.store.objects()
        with yard.keeper() as keeper:
            catalog, policy = keeper.context.catalog, keeper.context.config.policy
            places = {place.id: place for place in catalog.places()}
            facts = (fact for head in catalog.rolls() for fact in catalog.facts_of_roll(head.id))
            now = keeper.context.clock.now()
            for group in copies_of(facts, places, policy, now).values():
                for one in group:
                    if one.state != "proven":
                        continue
                    if places[one.place].kind is PlaceKind.BUCKET:
                        found = objects.get(one.path)
                        data = found.data if found is not None else None
                    else:
                        path = Path(places[one.place].location, one.path)
                        data = path.read_bytes() if path.is_file() else None
                    assert data is not None, (what, one.path)
                    assert blake3(data).hexdigest() == one.content, (what, one.path)


def spoils(seen: Sequence[bytes]) -> st.SearchStrategy[Spoil]:
    bodies = mutated([*seen, b"<Error><Code>SlowDown</Code></Error>", b"x" * 70_000])
    return st.one_of(
        st.builds(Spoil, kind=st.just("body"), data=bodies),
        st.builds(Spoil, kind=st.just("raw"), data=mutated(RAW) | bodies),
        st.builds(Spoil, kind=st.just("status"), status=st.sampled_from(STATUSES)),
        st.builds(
            Spoil, kind=st.just("header"), header=st.sampled_from(HEADERS),
            value=st.sampled_from(VALUES) | st.just(""),
        ),
        st.builds(Spoil, kind=st.just("swallowed"), data=bodies | st.just(b"")),
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_whatever_a_store_answers_nothing_is_believed_that_is_not_so(
    tmp_path: Path, credentials: pytest.MonkeyPatch, one_loader: None, at_once: None
) -> None:
    world = World()
    seen: list[bytes] = []
    with strict_store(world) as url:
        with spoilt(Way({}, seen), credentials):
            ground = Ground(tmp_path, Store(world, url, "yard"))
            typed(ground.yard, "place", "check", "Off site")
        kinds = {body[:200]: body for body in seen}

        def check(example: tuple[bool, dict[int, Spoil], list[Sequence[str]]]) -> None:
            is_sent, spoil, commands = example
            yard = ground.put_back(is_sent)
            for command in commands:
                with spoilt(Way(spoil, []), credentials):
                    typed(yard, *ground.words(command))
                ground.check_beliefs(yard, (command, spoil))
            for command in LOOKS:
                typed(yard, *command)

        examples = st.tuples(
            st.booleans(),
            st.dictionaries(
                st.integers(0, 40),
                spoils(tuple(itertools.islice(kinds.values(), 40))),
                min_size=2,
                max_size=8,
            ),
            st.lists(st.sampled_from(COMMANDS), min_size=1, max_size=2),
        )
        tried(
            "a store's answers",
            examples,
            check,
            few=5,
            share=0.02,
            again="store_answers",
            shrinks=False,
        )
