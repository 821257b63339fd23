"""A small object store on loopback that refuses wrong checksums: our own, for tests.

Neither the real server nor the mock at hand refuses a wrong ``x-amz-checksum-*`` (SEEN section 1).
This one does, for exactly the checks that it is told, on an upload in one piece, on a part, or
both. It checks no signature. How the checks are computed is written here a second time, on
purpose, with the standard library (CRC-64/NVME bit by bit).
"""

import hashlib
import threading
import zlib
from base64 import b64encode
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, quote, unquote, urlsplit
from xml.sax.saxutils import escape


def _crc64(data: bytes) -> bytes:
    value = (1 << 64) - 1
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0x9A6C9329AC4BC9B5 if value & 1 else 0)
    return (value ^ ((1 << 64) - 1)).to_bytes(8, "big")


CHECKS: dict[str, tuple[str, Callable[[bytes], str]]] = {
    "content-md5": ("Content-MD5", lambda data: b64encode(hashlib.md5(data).digest()).decode()),
    "x-amz-content-sha256": ("x-amz-content-sha256", lambda d: hashlib.sha256(d).hexdigest()),
    "sha256": (
        "x-amz-checksum-sha256",
        lambda data: b64encode(hashlib.sha256(data).digest()).decode(),
    ),
    "crc32": (
        "x-amz-checksum-crc32",
        lambda data: b64encode(zlib.crc32(data).to_bytes(4, "big")).decode(),
    ),
    "crc64nvme": ("x-amz-checksum-crc64nvme", lambda data: b64encode(_crc64(data)).decode()),
}


_TOLD = {"sha256": "ChecksumSHA256", "crc32": "ChecksumCRC32", "crc64nvme": "ChecksumCRC64NVME"}


@dataclass(kw_only=True)
class Rules:
    """What the store refuses, and how it differs from others."""

    refuses_on_put: frozenset[str] = frozenset()
    refuses_on_part: frozenset[str] = frozenset()
    turns_down: frozenset[str] = frozenset()
    """Checks that it does not know, right or wrong: 501; ``storage-class``: all classes, 400."""
    answer_instead: str | None = None
    """An error code given to every wrong check, in place of BadDigest."""
    opaque_etags: bool = False
    honours_conditions: bool = False
    heeds_if_match: frozenset[str] = frozenset()
    """Where ``If-Match`` is heeded: ``put``, ``complete``."""
    knows_quotes: bool = True
    """Whether an ETag in ``If-Match`` is written in quotes, else without."""
    never_deletes: bool = False
    is_public: bool = False
    """Whether objects are read by those who send no signature."""
    lists_checks: frozenset[str] = frozenset()
    """Checks whose values are told of each part in a list of parts."""
    is_busy: bool = False
    """Whether nothing is given: 503."""
    hashes_up_to: int | None = None
    """Bytes up to which the signed hash of a body is looked at; None: of all."""
    has_lock: bool | None = None
    """What is said of object lock; None: nothing that anybody understands."""
    objects: dict[str, tuple[bytes, str, dict[str, str]]] = field(default_factory=dict)
    uploads: dict[str, tuple[str, dict[int, bytes], dict[str, str]]] = field(default_factory=dict)
    seen: list[tuple[str, str, dict[str, str]]] = field(default_factory=list)
    """Method, path with query, and headers of every request."""


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, rules: Rules) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.rules = rules


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    @property
    def rules(self) -> Rules:
        assert isinstance(self.server, _Server)
        return self.server.rules

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base's name
        pass

    def _answer(self, status: int, body: str | bytes = b"", **headers: str) -> None:
        data = body.encode() if isinstance(body, str) else body
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        if "Content_Length" not in headers:
            self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        if self.command != "HEAD":
            with suppress(ConnectionError):  # who asked hung up
                self.wfile.write(data)

    def _error(self, status: int, code: str) -> None:
        self._answer(status, f"<Error><Code>{code}</Code><Message>no</Message></Error>")

    def _take(self) -> tuple[str, dict[str, str], bytes]:
        self.rules.seen.append((self.command, self.path, dict(self.headers)))
        address = urlsplit(self.path)
        query = {
            name: values[0]
            for name, values in parse_qs(address.query, keep_blank_values=True).items()
        }
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        return unquote(address.path).lstrip("/"), query, body

    def _wrong(self, body: bytes, refused: frozenset[str]) -> bool:
        for name, (header, compute) in CHECKS.items():
            said = self.headers.get(header)
            if said is None:
                continue
            if name in self.rules.turns_down:
                self._error(501, "NotImplemented")
                return True
            most = self.rules.hashes_up_to
            if name == "x-amz-content-sha256" and most is not None and len(body) > most:
                continue
            if name in refused and said != compute(body):
                self._error(400, self.rules.answer_instead or "BadDigest")
                return True
        return False

    def _has_no_such_class(self) -> bool:
        asked = self.headers.get("x-amz-storage-class")
        if asked is None or "storage-class" not in self.rules.turns_down:
            return False
        self._error(400, "InvalidStorageClass")
        return True

    def _etag(self, data: bytes) -> str:
        digest = hashlib.md5(data, usedforsecurity=False).hexdigest()
        return f'"{digest[::-1]}"' if self.rules.opaque_etags else f'"{digest}"'

    def _metadata(self) -> dict[str, str]:
        return {
            name: value
            for name, value in self.headers.items()
            if name.lower().startswith("x-amz-meta-")
        }

    def _taken(self, key: str) -> bool:
        wanted = self.rules.honours_conditions and self.headers.get("If-None-Match") == "*"
        if wanted and key in self.rules.objects:
            self._error(412, "PreconditionFailed")
            return True
        return self._is_another(key, "put" if self.command == "PUT" else "complete")

    def _is_another(self, key: str, how: str) -> bool:
        wanted = self.headers.get("If-Match")
        if wanted is None or how not in self.rules.heeds_if_match:
            return False
        if key not in self.rules.objects:
            self._error(404, "NoSuchKey")
            return True
        etag = self.rules.objects[key][1]
        if wanted != (etag if self.rules.knows_quotes else etag.strip('"')):
            self._error(412, "PreconditionFailed")
            return True
        return False

    def do_PUT(self) -> None:
        key, query, body = self._take()
        if "partNumber" in query:
            if query["uploadId"] not in self.rules.uploads:
                self._error(404, "NoSuchUpload")
            elif not self._wrong(body, self.rules.refuses_on_part):
                self.rules.uploads[query["uploadId"]][1][int(query["partNumber"])] = body
                self._answer(200, ETag=self._etag(body))
        elif not (
            self._has_no_such_class()
            or self._wrong(body, self.rules.refuses_on_put)
            or self._taken(key)
        ):
            self.rules.objects[key] = (body, self._etag(body), self._metadata())
            self._answer(200, ETag=self._etag(body))

    def do_POST(self) -> None:
        key, query, _ = self._take()
        if "uploads" in query:
            if self._has_no_such_class():
                return
            upload = f"upload-{len(self.rules.seen)}"
            self.rules.uploads[upload] = (key, {}, self._metadata())
            self._answer(
                200,
                "<InitiateMultipartUploadResult>"
                f"<UploadId>{upload}</UploadId></InitiateMultipartUploadResult>",
            )
        elif query["uploadId"] not in self.rules.uploads:
            self._error(404, "NoSuchUpload")
        elif not self._taken(key):
            _, parts, metadata = self.rules.uploads.pop(query["uploadId"])
            sent = [parts[number] for number in sorted(parts)]
            digests = b"".join(hashlib.md5(part).digest() for part in sent)
            etag = f'"{hashlib.md5(digests).hexdigest()}-{len(sent)}"'
            self.rules.objects[key] = (b"".join(sent), etag, metadata)
            self._answer(
                200,
                f"<CompleteMultipartUploadResult><ETag>{escape(etag)}</ETag></"
                "CompleteMultipartUploadResult>",
            )

    def do_DELETE(self) -> None:
        key, query, _ = self._take()
        if self.rules.never_deletes:
            self._error(403, "AccessDenied")
            return
        if "uploadId" in query:
            self.rules.uploads.pop(query["uploadId"], None)
        else:
            self.rules.objects.pop(key, None)
        self._answer(204)

    def do_HEAD(self) -> None:
        key, _, _ = self._take()
        if "/" not in key.strip("/"):
            self._answer(200)
        elif key not in self.rules.objects:
            self._answer(404)
        else:
            data, etag, metadata = self.rules.objects[key]
            self._answer(
                200,
                ETag=etag,
                Content_Length=str(len(data)),
                **{name.replace("-", "_"): value for name, value in metadata.items()},
            )

    def _list_parts(self, query: dict[str, str]) -> None:
        if query["uploadId"] not in self.rules.uploads:
            self._error(404, "NoSuchUpload")
            return
        _, parts, _ = self.rules.uploads[query["uploadId"]]
        told = "".join(
            f"<Part><PartNumber>{number}</PartNumber><ETag>{escape(self._etag(part))}</ETag>"
            f"<Size>{len(part)}</Size>"
            + "".join(
                f"<{_TOLD[name]}>{CHECKS[name][1](part)}</{_TOLD[name]}>"
                for name in sorted(self.rules.lists_checks)
            )
            + "</Part>"
            for number, part in sorted(parts.items())
        )
        self._answer(
            200,
            f"<ListPartsResult><IsTruncated>false</IsTruncated>{told}</ListPartsResult>",
        )

    def _listing(self, bucket: str, prefix: str) -> str:
        entries = [
            f"<Contents><Key>{quote(key.removeprefix(bucket))}</Key><ETag>{escape(etag)}</ETag>"
            f"<Size>{len(data)}</Size></Contents>"
            for key, (data, etag, _) in sorted(self.rules.objects.items())
            if key.startswith(bucket + prefix)
        ]
        said = "<EncodingType>url</EncodingType><IsTruncated>false</IsTruncated>"
        return f"<ListBucketResult>{said}{''.join(entries)}</ListBucketResult>"

    def _tell_of_lock(self) -> None:
        if self.rules.has_lock:
            said = "<ObjectLockEnabled>Enabled</ObjectLockEnabled>"
            self._answer(200, f"<ObjectLockConfiguration>{said}</ObjectLockConfiguration>")
        else:
            self._error(404, "ObjectLockConfigurationNotFoundError")

    def do_GET(self) -> None:
        key, query, _ = self._take()
        if self.rules.is_busy:
            self._error(503, "SlowDown")
            return
        if not self.rules.is_public and "Authorization" not in self.headers:
            self._error(403, "AccessDenied")
        elif "object-lock" in query and self.rules.has_lock is not None:
            self._tell_of_lock()
        elif "uploadId" in query:
            self._list_parts(query)
        elif "list-type" in query:
            self._answer(200, self._listing(f"{key.rstrip('/')}/", query.get("prefix", "")))
        elif key in self.rules.objects:
            data, etag, _ = self.rules.objects[key]
            self._answer(200, data, ETag=etag)
        else:
            self._error(404, "NoSuchKey")


@contextmanager
def refusing_store(rules: Rules) -> Iterator[str]:
    """Run the store on a free port of the loopback; yields its address."""
    server = _Server(rules)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
