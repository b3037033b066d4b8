"""etcd over its HTTP gateway: what a fleet needs of it, and nothing more.

In: keys and values as bytes. Out: its answers, or StoreError in one line. Works with etcd 3.4 and 3.5.
A request goes to the endpoint that answered last; where that one fails, to the next, until its deadline.
All waiting is asyncio's: nothing here blocks the loop.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import ssl
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import aiohttp
from attrs import field, frozen
from yarl import URL

from portress.fleet.express import Express
from portress.fleet.reading import in_parts, lines
from portress.fleet.wire import (
    Change,
    Clock,
    Compacted,
    Entry,
    NoLease,
    Refused,
    StoreError,
    StoreFull,
    entry_of,
    leads,
    moment,
    parsed,
    plain,
    put_of,
    text_of,
    trouble,
    until_after,
)

DEADLINE: Final = 2.0  # seconds for one request, over all endpoints
PATIENCE: Final = 0.8  # seconds until another endpoint is tried
PART_PATIENCE: Final = 2.0  # seconds until another endpoint is tried for a part of very many
MANY: Final = 100  # changes in one transaction; etcd's own limit is 128 (--max-txn-ops)
TRANSACTION: Final = "/v3/kv/txn"
STATUS: Final = "/v3/maintenance/status"
_JSON: Final = {"Content-Type": "application/json"}
_TOKEN_GONE: Final = ("invalid auth token", "user name is empty", "revision of auth store is old")


@frozen
class Access:
    """How the store is reached: URLs, the authority's certificate, one's own, and a user, if it has roles."""

    urls: tuple[str, ...]
    ca: Path | None = None
    cert: Path | None = None
    key: Path | None = None
    user: str | None = None
    password: str | None = field(default=None, repr=False)

    def stamp(self) -> tuple[object, ...]:
        """Changes when one of the files does. Raises OSError."""
        files = (file for file in (self.ca, self.cert, self.key) if file is not None)
        return tuple((about.st_mtime_ns, about.st_ino) for about in (file.stat() for file in files))

    def context(self) -> ssl.SSLContext | None:
        """The TLS context; None where no URL wants one. Raises OSError for files that cannot be used."""
        if not any(url.startswith("https:") for url in self.urls):
            return None
        context = ssl.create_default_context(cafile=None if self.ca is None else str(self.ca))
        if self.cert is not None:
            context.load_cert_chain(str(self.cert), None if self.key is None else str(self.key))
        return context


class Store:
    """A connection to the store. Use as an async context manager. `unix` is this host's clock."""

    def __init__(
        self, access: Access, deadline: float = DEADLINE, unix: Callable[[], float] = time.time
    ) -> None:
        self.revision = 0  # the highest the store has named
        self.clock = Clock()
        self.endpoint = 0  # of `access.urls`, the one that answered last
        self.watched = 0  # the one at which changes are listened to
        self.settled: tuple[int, int] | None = None  # `standing`, when the leader was sought last
        self._term = 0
        self._access = access
        self._deadline = deadline
        self._unix = unix
        self._token: str | None = None
        self._express = Express()
        self._session: aiohttp.ClientSession | None = None
        self._ssl: ssl.SSLContext | None = None
        self._stamp: tuple[object, ...] | None = None  # of the certificates' files, as they were read

    async def __aenter__(self) -> Store:
        self._session = aiohttp.ClientSession(
            connector=aiohttp.TCPConnector(limit=0, keepalive_timeout=60), cookie_jar=aiohttp.DummyCookieJar()
        )
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._session is not None:
            self._express.close()
            await self._session.close()
            self._session = None

    def _tls(self) -> dict[str, Any]:
        """What a request needs for TLS, by the certificates' files as they are now. Raises StoreError.

        Without a context nothing: what aiohttp takes for "check as usual" is None in Debian 12, True in 13.
        """
        try:
            stamp = self._access.stamp()
            if stamp != self._stamp:
                self._ssl = self._access.context()
                self._stamp = stamp
        except OSError as error:
            name = f"{error.filename}: " if error.filename else ""
            raise StoreError(f"certificates: {name}{error.strerror or error}") from None
        return {} if self._ssl is None else {"ssl": self._ssl}

    # Requests

    async def _ask(
        self, path: str, body: dict[str, Any], deadline: float | None = None, patience: float = 0.0
    ) -> dict[str, Any]:
        """The answer, from whichever endpoint gives one in time. Raises StoreError.

        `patience`: how long (s) one has, where that is more than usual.
        """
        end = time.monotonic() + (deadline or self._deadline)
        patience = max(patience, self._patience())
        trouble: StoreError | None = None
        tried = 0
        while (left := end - time.monotonic()) > 0 or tried == 0:
            number = (self.endpoint + tried) % len(self._access.urls)
            if tried >= len(self._access.urls):
                await asyncio.sleep(min(0.05 * tried, max(left, 0)))
            try:
                async with asyncio.timeout(max(0.01, min(left, patience))):
                    answer = await self._once(number, path, body)
            except (StoreFull, Compacted, Refused, NoLease):
                raise
            except StoreError as error:
                trouble = error
            except TimeoutError:
                trouble = StoreError(f"{self._access.urls[number]}: no answer")
            else:
                self.endpoint = number
                return answer
            tried += 1
        raise trouble or StoreError("no answer")

    def _patience(self) -> float:
        """Seconds until another endpoint is tried: more where the store has to look at a password first,
        which is slow by design, and no fewer than there are where there is no other endpoint."""
        if len(self._access.urls) == 1:
            return self._deadline
        return PATIENCE if self._access.user is None or self._token is not None else 2 * PATIENCE

    async def _once(self, number: int, path: str, body: dict[str, Any], again: bool = True) -> dict[str, Any]:
        url = self._access.urls[number]
        headers = await self._headers(number)
        assert self._session is not None
        sent = self._unix()
        data, tls = json.dumps(body).encode(), self._tls()
        try:
            if path == TRANSACTION and not self._express.busy:
                found, date = await self._express.post(url, path, headers, data, tls.get("ssl"))
            else:
                async with self._session.post(
                    _parsed_url(url + path), data=data, headers=headers, **tls
                ) as response:
                    found, date = await response.read(), response.headers.get("Date", "")
        except (aiohttp.ClientError, OSError) as error:
            raise StoreError(f"{url}: {plain(error)}") from None
        text = found.decode(errors="replace")
        if date:
            self.clock.heard(moment(date), sent, self._unix())
        answer = parsed(url, text)
        message = str(answer.get("message") or answer.get("error") or "")
        if message and again and self._access.user and any(word in message for word in _TOKEN_GONE):
            self._token = None
            return await self._once(number, path, body, again=False)
        if message:
            raise trouble(url, message)
        self._note(answer)
        return answer

    async def _headers(self, number: int) -> dict[str, str]:
        if self._access.user is None:
            return _JSON
        if self._token is None:
            body = {"name": self._access.user, "password": self._access.password or ""}
            assert self._session is not None
            url = self._access.urls[number]
            try:
                async with self._session.post(
                    url + "/v3/auth/authenticate", json=body, **self._tls()
                ) as reply:
                    answer = parsed(url, await reply.text())
            except (aiohttp.ClientError, OSError) as error:
                raise StoreError(f"{url}: {plain(error)}") from None
            if "token" not in answer:
                raise trouble(url, str(answer.get("message") or answer.get("error") or "no token"))
            self._token = str(answer["token"])
        return {**_JSON, "Authorization": self._token}

    def _note(self, answer: dict[str, Any]) -> None:
        header = answer.get("header") or answer.get("result", {}).get("header") or {}
        self.revision = max(self.revision, int(header.get("revision", 0)))
        self._term = max(self._term, int(header.get("raft_term", 0)))

    # What a fleet asks

    async def claim(self, key: bytes, value: bytes, lease: int | None = None) -> Entry | None:
        """Put `value` where there is nothing yet, atomically: None if so, else what was there first."""
        body = {
            "compare": [{"target": "CREATE", "key": text_of(key), "create_revision": "0"}],
            "success": [{"request_put": put_of(key, value, lease)}],
            "failure": [{"request_range": {"key": text_of(key)}}],
        }
        answer = await self._ask(TRANSACTION, body)
        if answer.get("succeeded"):
            return None
        found = answer["responses"][0]["response_range"].get("kvs", [])
        if not found:  # gone between the comparison and the look: cannot be in one transaction
            raise StoreError("the store contradicts itself")
        there = entry_of(found[0])
        # An attempt before this one may have come through, though its answer was lost.
        return None if there.value == value else there

    async def put(self, changes: Sequence[tuple[bytes, bytes, int | None]]) -> int:
        """Put keys, values and leases, at most MANY, in one transaction; its revision."""
        body = {"success": [{"request_put": put_of(*one)} for one in changes]}
        answer = await self._ask(TRANSACTION, body)
        return int(answer["header"]["revision"])

    async def put_unless_changed(
        self, changes: Sequence[tuple[bytes, bytes, int | None]], revision: int
    ) -> int:
        """The same, unless one of the keys was changed after `revision`: then the revision of that change.

        0 when it is done.
        """
        keys = [text_of(key) for key, _, _ in changes]
        body = {
            "compare": [
                {"target": "MOD", "result": "LESS", "key": key, "mod_revision": str(revision + 1)}
                for key in keys
            ],
            "success": [{"request_put": put_of(*one)} for one in changes],
            "failure": [{"request_range": {"key": key, "keys_only": True}} for key in keys],
        }
        answer = await self._ask(TRANSACTION, body)
        if answer.get("succeeded"):
            return 0
        found = [one["response_range"].get("kvs", []) for one in answer["responses"]]
        return max(int(kv["mod_revision"]) for kvs in found for kv in kvs)

    async def may_write(self, key: bytes) -> None:
        """Raises Refused where nothing may be put at `key`, at which nothing is; nothing is put there."""
        body = {
            "compare": [
                {"target": "CREATE", "result": "GREATER", "key": text_of(key), "create_revision": "0"}
            ],
            "success": [{"request_put": put_of(key, b"", None)}],
        }
        await self._ask(TRANSACTION, body)

    async def delete(self, keys: Iterable[bytes]) -> None:
        """Delete keys, in one transaction; one that is not there is no error."""
        body = {"success": [{"request_delete_range": {"key": text_of(key)}} for key in keys]}
        await self._ask(TRANSACTION, body)

    async def get(self, key: bytes) -> Entry | None:
        """What stands at a key."""
        answer = await self._ask("/v3/kv/range", {"key": text_of(key)})
        found = answer.get("kvs", [])
        return entry_of(found[0]) if found else None

    async def now(self, key: bytes) -> int:
        """The store's revision, no older than any that it has named to anybody."""
        answer = await self._ask("/v3/kv/range", {"key": text_of(key), "count_only": True})
        return int(answer["header"]["revision"])

    async def read(self, prefix: bytes, cuts: Sequence[bytes] = ()) -> AsyncIterator[tuple[int, list[Entry]]]:
        """All that begins with `prefix`, as it was at one revision: (revision, some entries), in parts, in
        the order of the keys. Raises StoreError; Compacted where the store forgets that revision meanwhile.

        `cuts`: keys, in order, that part it into some of much the same size, to be read side by side.
        """

        def ask(body: dict[str, Any]) -> Awaitable[dict[str, Any]]:
            return self._ask("/v3/kv/range", body, max(self._deadline, 10.0), PART_PATIENCE)

        revision = await self.now(prefix)
        async for entries in in_parts(ask, revision, prefix, cuts):
            yield revision, entries

    async def grant(self, seconds: int) -> int:
        """A lease of so many seconds; its number."""
        return int((await self._ask("/v3/lease/grant", {"TTL": str(max(1, seconds))}))["ID"])

    async def keep(self, lease: int) -> bool:
        """Have a lease last its full time from now on; False if it is gone."""
        answer = await self._ask("/v3/lease/keepalive", {"ID": str(lease)})
        return int(answer.get("result", {}).get("TTL", 0)) > 0

    async def revoke(self, lease: int) -> None:
        """End a lease, and with it what was put under it."""
        await self._ask("/v3/lease/revoke", {"ID": str(lease)})

    async def members(self) -> list[str]:
        """The names of the store's own members."""
        answer = await self._ask("/v3/cluster/member/list", {})
        return [str(one.get("name", "?")) for one in answer.get("members", [])]

    async def seek_leader(self) -> None:
        """Ask the member that leads from now on, if it answers: another one hands changes on to it."""
        for number in (self.endpoint, *range(len(self._access.urls))):
            with contextlib.suppress(StoreError, TimeoutError):
                async with asyncio.timeout(PATIENCE):
                    if leads(await self._once(number, STATUS, {})):
                        self.endpoint = number
                        break
        self.settled = self.standing

    @property
    def standing(self) -> tuple[int, int]:
        """The endpoint asked, and the store's term: each of its leaders begins another."""
        return self.endpoint, self._term

    async def watch(self, prefix: bytes, revision: int) -> AsyncIterator[tuple[int, list[Change]]]:
        """Every change at keys with `prefix` from `revision` on, as (revision, changes), while it lasts.

        Raises Compacted where the store has forgotten that revision, StoreError when the stream ends.
        The first pair comes, without changes, once the watch is set up.
        """
        wanted = {
            "key": text_of(prefix),
            "range_end": text_of(until_after(prefix)),
            "start_revision": str(revision),
        }
        url = self._access.urls[self.endpoint % len(self._access.urls)]
        assert self._session is not None
        self.watched = self.endpoint
        timeout = aiohttp.ClientTimeout(total=None, sock_connect=self._deadline)
        try:
            async with self._session.post(
                f"{url}/v3/watch",
                json={"create_request": wanted},
                headers=await self._headers(self.endpoint % len(self._access.urls)),
                timeout=timeout,
                **self._tls(),
            ) as response:
                async for line in lines(response.content.iter_any()):
                    yield self._watched(url, line)
        except (aiohttp.ClientError, OSError) as error:
            raise StoreError(f"{url}: {plain(error)}") from None
        raise StoreError(f"{url}: the watch ended")

    def _watched(self, url: str, line: bytes) -> tuple[int, list[Change]]:
        answer = parsed(url, line.decode())
        if "error" in answer:
            raise trouble(url, str(answer["error"].get("message", answer["error"])))
        result = answer["result"]
        if int(result.get("compact_revision", 0)):
            raise Compacted(f"{url}: revision compacted")
        if result.get("canceled"):
            raise trouble(url, str(result.get("cancel_reason", "the watch was cancelled")))
        self._note(result)
        changes = [
            Change(
                base64.b64decode(event["kv"]["key"]),
                None if event.get("type") == "DELETE" else base64.b64decode(event["kv"].get("value", "")),
                int(event["kv"]["mod_revision"]),
            )
            for event in result.get("events", [])
        ]
        return int(result.get("header", {}).get("revision", 0)), changes


@lru_cache(maxsize=256)
def _parsed_url(text: str) -> URL:
    """Parsed once: that takes longer than the rest of a request's making."""
    return URL(text)
