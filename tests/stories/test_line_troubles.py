"""What is wrong with the line is known for what it is, waited out or told, and never believed.

A real upload meets real sockets that misbehave; what the daemon makes of the end is its own code:
aftermath, memory, patience, wishes, status.
"""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from backupkeeper.actions.survey import survey
from backupkeeper.cloud.bucket import open_bucket
from backupkeeper.cloud.tuning import Tuning
from backupkeeper.core.deeds import Deed, DeedKind, DriveHere, Setback, View
from backupkeeper.core.errors import BackupkeeperError, BucketShutError, LineDownError
from backupkeeper.core.matters import Matter, Patience, matters
from backupkeeper.core.model import Role
from backupkeeper.core.patience import line_of, shut_of, until
from backupkeeper.core.planner import plan
from backupkeeper.core.wishes import wishes
from backupkeeper.daemon.aftermath import Aftermath, Around, aftermath
from backupkeeper.daemon.answers import _down, _failing
from backupkeeper.daemon.doing import do
from backupkeeper.daemon.errand import Failed, Finished
from backupkeeper.daemon.memory import Memory
from tests.real.store import free_ports
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, clip
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

MINUTE = timedelta(minutes=1)
ENFORCED = frozenset({"content-md5", "x-amz-content-sha256"})
LOGIN = b"<!DOCTYPE html><html><body>Welcome aboard. Please log in.</body></html>"


@dataclass
class Answer:
    """What a door says to everybody."""

    status: int
    body: bytes = b""
    headers: tuple[tuple[str, str], ...] = ()


@contextmanager
def door(answer: Answer) -> Iterator[str]:
    """A server that says the same to everything."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def handle_one_request(self) -> None:
            with suppress(OSError):
                super().handle_one_request()

        def _say(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", 0)))
            self.send_response_only(answer.status)
            for name, value in answer.headers:
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(answer.body)))
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(answer.body)

        do_GET = do_PUT = do_POST = do_HEAD = do_DELETE = _say  # noqa: N815 - http.server's names

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextmanager
def silence() -> Iterator[str]:
    """A connection that opens, and then nothing: the other end is gone and nobody said so."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"


@contextmanager
def nobody() -> Iterator[str]:
    yield f"http://127.0.0.1:{free_ports(1)}"


@contextmanager
def no_name() -> Iterator[str]:
    """RFC 6761, section 6.4: no name ends in .invalid."""
    yield "http://store.invalid"


def refusal(status: int, code: str, **headers: str) -> Answer:
    body = f"<Error><Code>{code}</Code><Message>no</Message></Error>".encode()
    told = (("Content-Type", "application/xml"), ("x-amz-request-id", "1"), *headers.items())
    return Answer(status, body, told)


HTML = (("Content-Type", "text/html"),)
LINE_IS_DOWN: dict[str, tuple[Callable[[], AbstractContextManager[str]], str]] = {
    "nobody answers": (nobody, "Nothing answers"),
    "the name is not found": (no_name, "can't be found"),
    "a socket that is open at one end only": (silence, "took too long"),
    "a login page that says 200": (lambda: door(Answer(200, LOGIN, HTML)), "no object store"),
    "a login page without a kind": (lambda: door(Answer(200, LOGIN)), "no object store"),
    "a redirect to a login page": (
        lambda: door(Answer(302, b"", (("Location", "http://login.example/"),))),
        "no object store",
    ),
    "a login page that says what it is": (lambda: door(Answer(511, LOGIN, HTML)), "no object store"),
}  # fmt: skip
WANTS_A_PERSON: dict[str, tuple[Callable[[], AbstractContextManager[str]], str]] = {
    "credentials that ran out": (lambda: door(refusal(400, "ExpiredToken")), "have run out"),
    "credentials that are wrong": (
        lambda: door(refusal(403, "SignatureDoesNotMatch")),
        "does not accept the credentials",
    ),
    "no more room": (lambda: door(refusal(403, "QuotaExceeded")), "takes no more"),
}


class LineYard(ScopedYard):
    """A yard with a good bucket, and a line to it that can be bent elsewhere."""

    rules: Rules

    def worker(self, deed: Deed, endpoint: str | None = None) -> Finished | Failed:
        """Do it as a worker does, perhaps over another line."""
        with self.context() as context:

            def bent(place: object, *, hurried: bool = False) -> object:
                return open_bucket(
                    "s3://yard/footage",
                    endpoint=endpoint,
                    profile=None,
                    clock=context.clock,
                    entropy=context.entropy,
                    tuning=Tuning(connect_timeout=1.0, read_timeout=0.3, attempts=2),
                )

            there = context if endpoint is None else replace(context, open_bucket=bent)  # type: ignore[arg-type]  # as loosely typed as the port is strict
            try:
                return do(there, deed, QUIET)
            except BackupkeeperError as error:
                return Failed(
                    error=type(error).__name__, message=error.message, advice=error.advice
                )

    def view(self, setbacks: dict[str, Setback] | None = None) -> View:
        with self.context() as context:
            drives = {
                place: DriveHere(
                    place=place,
                    token=name,
                    point=str(self.root / name),
                    device=f"disk of {name}",
                    free_bytes=10**12,
                )
                for name in ("Main", "Travel")
                for place in [self.place(name)]
            }
            known = setbacks
            if known is None:
                memory = Memory(context.catalog, context.clock, "chance")
                known = dict(memory.setbacks(context.clock.now()))
            return View(
                now=context.clock.now(),
                places={place.id: place for place in context.catalog.places()},
                drives=drives,
                needs=survey(context, {}),
                setbacks=known,
            )

    def upload_deed(self) -> Deed:
        (deed,) = [one for one in plan(self.view({})).start if one.kind is DeedKind.UPLOAD]
        return deed

    def ended(self, deed: Deed, came: Finished | Failed) -> Aftermath:
        view = self.view({})
        after = aftermath(
            deed,
            came,
            Around(places=view.places, drives=view.drives, is_gone=False, was_asked_to_stop=False),
        )
        with self.context() as context:
            Memory(context.catalog, context.clock, "chance").remember(after, context.clock.now())
        return after

    def believed(self) -> int:
        """Number of facts about the bucket."""
        return len(self.facts("Off site"))


@pytest.fixture
def yard(
    tmp_path: Path, credentials: object, at_once: object, one_loader: object
) -> Iterator[LineYard]:
    rules = Rules(refuses_on_put=ENFORCED, refuses_on_part=ENFORCED)
    with refusing_store(rules) as url:
        yard = LineYard(tmp_path, policy="distinct_devices = false")
        yard.rules = rules
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
            )
        card = yard.card("card", {"DCIM/A001.MP4": clip(1), "DCIM/A001.XML": b"<clip/>"})
        assert yard.offload(card).sealed
        yield yard


@pytest.mark.parametrize("trouble", LINE_IS_DOWN)
def test_a_line_that_is_down_is_waited_out_and_nobody_is_blamed(
    yard: LineYard, trouble: str
) -> None:
    opens, words = LINE_IS_DOWN[trouble]
    deed, objects = yard.upload_deed(), dict(yard.rules.objects)
    with ExitStack() as stack:
        endpoint = stack.enter_context(opens())
        came = yard.worker(deed, endpoint)
        assert isinstance(came, Failed)
        assert (came.error, words in came.message) == (LineDownError.__name__, True), came
    assert (yard.believed(), yard.rules.objects) == (0, objects)
    after = yard.ended(deed, came)
    assert not after.is_trouble
    ((subject, _),) = after.failed
    assert line_of(subject) == deed.place
    view = yard.view()
    (waiting,) = [one for one in plan(view).waiting if one.deed.key == deed.key]
    assert waiting.why.startswith("The line is down: ")
    assert not waiting.person
    assert list(_failing(view)) == []
    (said,) = _down(view, view.now.tzinfo)  # type: ignore[arg-type]  # UTC
    assert said.startswith("The line is down since 18:00; next try 18:01.")
    assert [one.id for one in told(view) if "shut" in one.id or "failing" in one.id] == []
    # The line is back: it is tried by itself, and then nothing is remembered of it.
    yard.clock.at += 2 * MINUTE
    assert deed.key in {one.key for one in plan(yard.view()).start}
    came = yard.worker(deed)
    assert isinstance(came, Finished)
    yard.ended(deed, came)
    assert yard.view().setbacks == {}
    assert {copy.state.value for copy in yard.copies("Off site").values()} == {"proven"}


def told(view: View) -> tuple[Matter, ...]:
    return matters(view, plan(view), seen={}, patience=Patience(), commands={})


@pytest.mark.parametrize("trouble", WANTS_A_PERSON)
def test_what_a_person_must_see_to_is_told_at_once_with_what_to_do(
    yard: LineYard, trouble: str
) -> None:
    opens, words = WANTS_A_PERSON[trouble]
    deed = yard.upload_deed()
    with ExitStack() as stack:
        came = yard.worker(deed, stack.enter_context(opens()))
    assert isinstance(came, Failed)
    assert (came.error, words in came.message) == (BucketShutError.__name__, True), came
    after = yard.ended(deed, came)
    assert after.is_trouble
    ((subject, _),) = after.failed
    assert shut_of(subject) == deed.place
    view = yard.view()
    (matter,) = [one for one in told(view) if one.id.startswith("shut|")]
    assert matter.subject == "Off site takes no uploads until you do something"
    assert came.advice in matter.body
    (said,) = _failing(view)
    assert said.startswith("Off site failed once, tried again at")
    assert yard.believed() == 0


def test_a_clock_that_is_wrong_is_told_with_by_how_much(yard: LineYard) -> None:
    theirs = yard.clock.at - timedelta(hours=3)
    answer = refusal(403, "RequestTimeTooSkewed", Date=format_datetime(theirs, usegmt=True))
    with door(answer) as endpoint:
        came = yard.worker(yard.upload_deed(), endpoint)
    assert isinstance(came, Failed)
    assert "too far apart (this machine is 3 h ahead)" in came.message


def test_a_store_that_is_busy_is_the_store_s_matter(yard: LineYard) -> None:
    deed = yard.upload_deed()
    with door(refusal(503, "SlowDown")) as endpoint:
        came = yard.worker(deed, endpoint)
    assert isinstance(came, Failed)
    assert came.error == "BucketUnreachableError"
    ((subject, _),) = yard.ended(deed, came).failed
    assert subject == deed.place


def test_each_try_waits_longer_and_a_login_page_in_the_midst_is_no_proof(yard: LineYard) -> None:
    deed, waits = yard.upload_deed(), []
    with door(Answer(200, LOGIN, HTML)) as endpoint:
        for _ in range(7):
            yard.ended(deed, yard.worker(deed, endpoint))
            view = yard.view()
            ((subject, setback),) = view.setbacks.items()
            waits.append((until(setback, subject) - view.now) / MINUTE)
            yard.clock.at += timedelta(hours=1)
            assert {one.deed.key for one in wishes(yard.view()).ready} >= {deed.key}
    assert [int(wait) for wait in waits[:3]] == sorted(int(wait) for wait in waits[:3])
    for number, wait in enumerate(waits):
        plain = min(2**number, 15)
        assert plain * 0.98 <= wait <= plain * 1.25
    assert len({wait / min(2**n, 15) for n, wait in enumerate(waits)}) == len(waits), "by chance"
    assert yard.believed() == 0
