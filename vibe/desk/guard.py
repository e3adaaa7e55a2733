"""Who may speak to the desk, and what a page of it may do.

The desk listens on this machine alone, but so does every page that a browser on it has open: a page of another site can
send requests here, or have its own name point here. So each request must name this address (``Host``), carry the cookie
that only the printed link gives, and, where it changes something, come from a page of the desk (``Origin``) and carry
the token of its session. What is sent is counted while it comes. All answers say what a browser may do with them.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from threading import Lock
from typing import Any
from urllib.parse import parse_qs

from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

UPLOAD_BYTES = 512 * 1024 * 1024
"""Most that one request may bring where files are taken in; a round of captures is some 100 MB."""
FORM_BYTES = 1024 * 1024
"""Most that any other form may bring: words that people type."""
NEVER_CHANGES = ("GET", "HEAD")
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "media-src 'self' blob:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    # Nothing of an address goes elsewhere. With "no-referrer" browsers send forms with the origin "null" (the Fetch
    # standard on the Origin header, from memory; seen in Chromium).
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class TooMuchError(Exception):
    """A request brought more than it may."""


@dataclass(eq=False)
class Keys:
    """The secrets of one start of the desk: the key of the link, which works once, and the sessions that it began."""

    port: int
    key: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    _secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    _sessions: set[str] = field(default_factory=set)
    _lock: Lock = field(default_factory=Lock)
    _used: bool = False

    @property
    def cookie(self) -> str:
        """Name of the cookie; by port, for cookies do not tell ports apart."""
        return f"vibe_{self.port}"

    def begin(self, key: str) -> str | None:
        """A new session for who has the key; None where it is wrong or was used."""
        with self._lock:
            if self._used or not hmac.compare_digest(key.encode(), self.key.encode()):
                return None
            self._used = True
            session = secrets.token_urlsafe(32)
            self._sessions.add(session)
            return session

    def knows(self, session: str) -> bool:
        """Whether a session began here."""
        with self._lock:
            return session in self._sessions

    def token(self, session: str) -> str:
        """What forms of this session carry, and no other site can know."""
        return hmac.new(self._secret, session.encode(), "sha256").hexdigest()

    def fits(self, session: str, token: str) -> bool:
        """Whether a form's token is that of its session."""
        return hmac.compare_digest(self.token(session).encode(), token.encode())


@dataclass(frozen=True, slots=True, kw_only=True)
class Proxy:
    """A log-in in front of the desk that names the user: in which header, from which address, under which hosts."""

    header: str
    trusted: str
    hosts: tuple[str, ...] = ()


class Guard:
    """The desk's one door: ``app`` sees only requests that may be answered. ``scope["session"]`` is who asks."""

    def __init__(self, app: ASGIApp, *, keys: Keys, proxy: Proxy | None = None) -> None:
        self.app, self.keys, self.proxy = app, keys, proxy
        self.hosts = {f"127.0.0.1:{keys.port}", f"localhost:{keys.port}", *(proxy.hosts if proxy else ())}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        begun = False

        async def guarded_send(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message = {**message, "headers": _with_headers(message.get("headers", []))}
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, guarded_send)
            return
        try:
            await self.app(scope, _counted(receive, _most(scope)), guarded_send)
        except TooMuchError:
            if not begun:
                await too_much(scope)(scope, receive, guarded_send)
        except Exception as error:
            # Who asked has one sentence by now; who watches the terminal gets the same.
            report(error)

    def _refusal(self, scope: Scope) -> Response | None:
        """The answer to a request that goes no further; None where it may."""
        headers = _headers(scope)
        host = headers.get("host", "").lower()
        if host not in self.hosts:
            return PlainTextResponse("This address is not the desk's. Open the link that vibe printed.", 421)
        session = self._session(scope, headers)
        if scope["path"] == "/start" and scope["method"] in NEVER_CHANGES:
            return self._started(scope, session)
        if session is None:
            return PlainTextResponse("Open the link that vibe printed.", 403)
        if scope["method"] not in NEVER_CHANGES:
            origin = headers.get("origin", "")
            if origin.lower() not in (f"http://{host}", f"https://{host}") or (
                origin.lower().startswith("https://") and self.proxy is None
            ):
                return PlainTextResponse("This form does not come from a page of the desk.", 403)
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()) or int(length) > _most(scope):
            return too_much(scope)
        scope["session"] = session
        scope["token"] = self.keys.token(session)
        scope["user"] = self._user(scope, headers)
        return None

    def _started(self, scope: Scope, session: str | None) -> Response:
        key = parse_qs(scope["query_string"].decode("ascii", "replace")).get("key", [""])[0]
        begun = self.keys.begin(key)
        if begun is None:
            if session is not None:
                return RedirectResponse("/", 303)
            return PlainTextResponse("This link was used, or is of an earlier start. Start `vibe desk` again.", 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self.keys.cookie, begun, path="/", httponly=True, samesite="strict")
        return answer

    def _session(self, scope: Scope, headers: MutableMapping[str, str]) -> str | None:
        if self.proxy is not None and (name := self._user(scope, headers)):
            return f"proxy {name}"
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(headers.get("cookie", ""))
        except CookieError:
            return None
        held = jar.get(self.keys.cookie)
        return held.value if held is not None and self.keys.knows(held.value) else None

    def _user(self, scope: Scope, headers: MutableMapping[str, str]) -> str:
        """The name that a proxy gives; from any other address the header counts for nothing."""
        client = scope.get("client")
        if self.proxy is None or client is None or client[0] != self.proxy.trusted:
            return ""
        return headers.get(self.proxy.header.lower(), "").strip()


def report(error: Exception) -> None:
    """Say on the terminal that an answer failed; with VIBE_DEBUG=1 where."""
    import os
    import sys
    import traceback

    from vibe.core.errors import defect

    if os.environ.get("VIBE_DEBUG", "") not in ("", "0"):
        traceback.print_exception(error)
    sys.stderr.write(f"error: {defect(error)}\n")


def _headers(scope: Scope) -> MutableMapping[str, str]:
    """Headers by their lower-case names; one that comes twice where it must not counts as none."""
    found: dict[str, str] = {}
    for raw_name, raw in scope["headers"]:
        name = raw_name.decode("latin-1").lower()
        if name in found and name in ("host", "origin", "content-length"):
            found[name] = "given twice"
        elif name == "cookie" and name in found:
            found[name] += f"; {raw.decode('latin-1')}"
        else:
            found[name] = raw.decode("latin-1")
    return found


def _most(scope: Scope) -> int:
    return UPLOAD_BYTES if scope["path"] == "/import" else FORM_BYTES


def _counted(receive: Receive, most: int) -> Receive:
    """``receive`` that stops where a body without a stated length goes beyond ``most``."""
    seen = 0

    async def counting() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > most:
            raise TooMuchError
        return message

    return counting


def too_much(scope: Scope) -> Response:
    """The answer to a request that brings more than it may."""
    size = f"{_most(scope) // 1024**2} MB"
    return PlainTextResponse(f"More than {size} at once is not taken in: send fewer files.", 413)


def _with_headers(headers: Any) -> list[tuple[bytes, bytes]]:
    given = {name.lower() for name, _ in headers}
    own = dict(HEADERS) if b"cache-control" in given else {**HEADERS, "cache-control": "no-store"}
    added = [(name.encode(), value.encode()) for name, value in own.items() if name.encode() not in given]
    return [*headers, *added]
