"""Who may ask the live page for anything: an ASGI wrapper that everything passes through.

Promises:
1. Only requests that name this very server (``Host``) get an answer: a foreign page that has a name
   of its own point here (DNS rebinding) learns nothing.
2. Only who knows the token gets more than "not here"; it stands in the path and is compared in
   constant time. Cookies are neither set nor read, so no browser sends anything along by itself.
3. What changes anything must come from this page itself: ``Origin`` must be its own, and where the
   browser says where a request comes from (``Sec-Fetch-Site``), that too (W3C Fetch Metadata). From
   elsewhere one may only be led to the page itself, as a whole: who is led reads it, who leads does not.
4. Every answer forbids frames, caches, referrers, sniffing and all that the page does not need
   (Content Security Policy level 3).
"""

import hmac
import re
from base64 import b64encode
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from hashlib import sha256
from typing import Any, Final

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY_BYTES: Final = 4096
_READS: Final = frozenset({"GET", "HEAD"})
_POLICY: Final = (
    "default-src 'none'; script-src 'self'; connect-src 'self'; img-src data:; style-src {style}; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_STYLE: Final = re.compile(r"<style>(.*?)</style>", re.DOTALL)
_ALWAYS: Final = (
    (b"cache-control", b"no-store"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
)
LOST: Final = (
    "This page is not here (any more). Each run of the daemon has an address of its own: to get it, "
    "type: backupkeeper page\n"
)


def policy_for(page: str) -> str:
    """The Content-Security-Policy of a page: its own styles, by their hash, and no others."""
    hashes = [
        f"'sha256-{b64encode(sha256(style.encode()).digest()).decode()}'"
        for style in _STYLE.findall(page)
    ]
    return _POLICY.format(style=" ".join(hashes) or "'none'")


class Guard:
    """Wraps an app.

    Args:
        app: what answers who may ask; it sees paths without the token.
        token: what a path must begin with.
        hosts: the ways of naming this server, with its port.
    """

    def __init__(self, app: App, *, token: str, hosts: Iterable[str]) -> None:
        self._app = app
        self._token = token.encode("ascii")
        self._hosts = frozenset(hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return  # neither web sockets nor a life cycle: there is nothing for them
        refused = self._refused(scope)
        guarded = _with_headers(send)
        if refused is None:
            if scope["method"] in _READS and str(scope["path"]).count("/") == 1:
                await _led_on(guarded, self._token)
                return
            await self._app({**scope, "path": self._inner(scope)}, receive, guarded)
            return
        status, words = refused
        body = words.encode()
        headers = [(b"content-type", b"text/plain; charset=utf-8"), _length(body)]
        await guarded({"type": "http.response.start", "status": status, "headers": headers})
        await guarded({"type": "http.response.body", "body": body})

    def _inner(self, scope: Scope) -> str:
        return "/" + str(scope["path"]).removeprefix("/").partition("/")[2]

    def _is_led(self, scope: Scope) -> bool:
        """Whether a browser goes to the page in a window of its own, as from our file that leads here."""
        headers = scope["headers"]
        how = _only(headers, b"sec-fetch-mode"), _only(headers, b"sec-fetch-dest")
        return how == ("navigate", "document") and self._inner(scope) == "/"

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        """Status and words of a refusal; None: it may pass."""
        headers = scope["headers"]
        host = _only(headers, b"host")
        if host not in self._hosts:
            return 421, "This server has no such name.\n"
        first = str(scope["path"]).removeprefix("/").partition("/")[0]
        if not hmac.compare_digest(first.encode("utf-8", "surrogatepass"), self._token):
            return 404, LOST
        site = _only(headers, b"sec-fetch-site")
        if scope["method"] in _READS:
            # none: typed, or a bookmark
            is_ours = site in {"", "same-origin", "none"} or self._is_led(scope)
            return None if is_ours else (403, "Another page may not ask here.\n")
        return _unfit(scope, host, site)


async def _led_on(send: Send, token: bytes) -> None:
    """From the address without its last slash, where the page's own script would not be found."""
    headers = [(b"location", b"/" + token + b"/"), _length(b"")]
    await send({"type": "http.response.start", "status": 307, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


def _unfit(scope: Scope, host: str, site: str) -> tuple[int, str] | None:
    """Why what would change something may not pass."""
    if scope["method"] != "POST":
        return 405, "That is nothing that can be asked here.\n"
    headers = scope["headers"]
    if _only(headers, b"origin") != f"http://{host}" or site not in {"", "same-origin"}:
        return 403, "Another page may not ask for this.\n"
    length = _only(headers, b"content-length")
    if not length.isascii() or not length.isdigit() or int(length) > MOST_BODY_BYTES:
        return 413, "That is too long.\n"
    return None


def _only(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> str:
    """The one value of a header; '' where it is missing, and what matches nothing where it is twice."""
    found = [value for key, value in headers if key.lower() == name]
    if len(found) > 1:
        return "\0"
    return found[0].decode("latin-1") if found else ""


def _length(body: bytes) -> tuple[bytes, bytes]:
    return b"content-length", str(len(body)).encode()


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", ()))
            if not any(key.lower() == b"content-security-policy" for key, _ in headers):
                headers.append((b"content-security-policy", policy_for("").encode()))
            message = {**message, "headers": [*headers, *_ALWAYS]}
        await send(message)

    return sending
