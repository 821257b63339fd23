"""A small object store on loopback that does what S3's documents say, strictly: our own, for tests.

Neither the real server nor the mock at hand refuses a wrong ``x-amz-checksum-*`` (SEEN section 1).
This one does, of all ten kinds, on put, on part and on complete; it checks signatures, honours
conditions on put and complete, keeps versions, locks them, pages its listings. What it was not
taught it answers with 501, never with a guess. What each rule rests on stands beside it: STANDARDS
section 7, or "from memory".
"""

import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import ClassVar, Final
from urllib.parse import parse_qsl, unquote, urlsplit

from tests.world import strict_listing, strict_objects, strict_uploads
from tests.world.strict_buckets import bucket_call
from tests.world.strict_rules import World
from tests.world.strict_signing import body_and_trailers, check_signature
from tests.world.strict_talk import Answer, Asked, RefusedError

Deed = Callable[[World, Asked], Answer]
_UPLOADS: Final[dict[tuple[str, str], Deed]] = {
    ("POST", "uploads"): strict_uploads.begin,
    ("PUT", "uploadId"): strict_uploads.put_part,
    ("POST", "uploadId"): strict_uploads.complete,
    ("DELETE", "uploadId"): strict_uploads.abort,
    ("GET", "uploadId"): strict_uploads.list_parts,
    ("GET", "retention"): strict_objects.retention,
    ("PUT", "retention"): strict_objects.retention,
}
_OBJECTS: Final[dict[str, Deed]] = {
    "PUT": strict_objects.put_object,
    "GET": strict_objects.get_object,
    "HEAD": strict_objects.get_object,
    "DELETE": strict_objects.delete_object,
}
_LISTINGS: Final[dict[str, Deed]] = {
    "list-type": strict_listing.list_objects,
    "versions": strict_listing.list_versions,
    "uploads": strict_uploads.list_uploads,
}
_PLAIN: Final = {"versionId", "partNumber", "x-id", "uploadId"}
"""What may stand in the query of a call on an object and name no other call."""


def _deed(asked: Asked) -> Deed:
    """Which call a request is."""
    if not asked.bucket:
        raise RefusedError(501, "NotImplemented", "the list of buckets")
    if not asked.key:
        listings = [_LISTINGS[name] for name in _LISTINGS if name in asked.query]
        return listings[0] if listings and asked.method == "GET" else bucket_call
    is_copy = asked.header("x-amz-copy-source") is not None
    for (method, name), deed in _UPLOADS.items():
        if method == asked.method and name in asked.query:
            is_part = deed is strict_uploads.put_part
            return strict_uploads.copy_part if is_copy and is_part else deed
    if asked.method not in _OBJECTS or set(asked.query) - _PLAIN:
        raise RefusedError(501, "NotImplemented", f"{asked.method} {sorted(asked.query)}")
    return strict_objects.copy_object if is_copy else _OBJECTS[asked.method]


def answer_to(world: World, asked: Asked) -> Answer:
    """What the store answers; refusals are answers too."""
    try:
        deed = _deed(asked)
        with world.lock:
            return deed(world, asked)
    except RefusedError as refused:
        return refused.answer()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 128

    def __init__(self, world: World) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.world = world

    def handle_error(self, request: object, client_address: object) -> None:
        """Who asked hung up: nothing to tell. All else is answered in the handler."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    timeout: ClassVar[float | None] = 60

    @property
    def world(self) -> World:
        assert isinstance(self.server, _Server)
        return self.server.world

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base's name
        pass

    def _answer(self, answer: Answer) -> None:
        self.send_response(answer.status)
        for name, value in answer.headers.items():
            self.send_header(name, value)
        self.send_header("x-amz-request-id", self.world.new_id())
        if answer.status not in {204, 304}:
            self.send_header("Content-Length", str(len(answer.body)))
        with suppress(OSError):  # who asked hung up
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(answer.body)

    def _take(self) -> Asked:
        headers = {name.lower(): value for name, value in self.headers.items()}
        check_signature(
            self.command,
            self.path,
            headers,
            secrets=self.world.rules.secrets,
            now=datetime.now(UTC),
        )
        body, trailers = body_and_trailers(self._body(headers), headers)
        address = urlsplit(self.path)
        bucket, _, key = unquote(address.path).lstrip("/").partition("/")
        return Asked(
            method=self.command,
            bucket=bucket,
            key=key,
            query=dict(parse_qsl(address.query, keep_blank_values=True)),
            headers=headers | trailers,
            body=body,
        )

    def _body(self, headers: dict[str, str]) -> bytes:
        if headers.get("transfer-encoding", "").lower() == "chunked":
            return b"".join(iter(self._chunk, b""))
        said = headers.get("content-length")
        if said is None and self.command == "PUT":
            raise RefusedError(411, "MissingContentLength")
        body = self.rfile.read(int(said or 0))
        if len(body) != int(said or 0):
            raise RefusedError(400, "IncompleteBody")
        return body

    def _chunk(self) -> bytes:
        """One piece of a body that says its length piece by piece (RFC 9112 section 7.1)."""
        size = int(self.rfile.readline().partition(b";")[0], 16)
        piece = self.rfile.read(size)
        if len(piece) != size or self.rfile.readline() != b"\r\n":
            raise RefusedError(400, "IncompleteBody")
        return piece

    def _serve(self) -> None:
        try:
            asked = self._take()
        except RefusedError as refused:
            # The body may not have been read: the connection is of no more use.
            self.close_connection = True
            self._answer(refused.answer())
            return
        except ValueError:  # a request that is none: its numbers are no numbers
            self.close_connection = True
            self._answer(RefusedError(400, "InvalidArgument").answer())
            return
        self._answer(answer_to(self.world, asked))

    do_GET = do_HEAD = do_PUT = do_POST = do_DELETE = _serve  # noqa: N815 - the base's names


@contextmanager
def strict_store(world: World, *, certificate: str | None = None) -> Iterator[str]:
    """Run the store on a free port of the loopback.

    Args:
        world: What it holds; looked at and changed by tests as they like.
        certificate: A file with certificate and key; then it speaks TLS.

    Yields:
        Its address.
    """
    server = _Server(world)
    scheme = "http"
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate)
        # The handshake is made in the request's own thread, at its first reading.
        server.socket = context.wrap_socket(
            server.socket, server_side=True, do_handshake_on_connect=False
        )
        scheme = "https"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"{scheme}://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
