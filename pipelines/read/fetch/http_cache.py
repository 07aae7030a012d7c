"""Ask public services politely: cached, resumable, with retries, and every reply checked before it is kept."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import requests
import tenacity
from urllib3.exceptions import InvalidHeader
from urllib3.util import Retry

from geo.errors import StudyError
from pipelines.study.house import version
from pipelines.study.staging import write_whole

Check = Callable[[bytes, str], Any]
"""Called with body and content type; raises `Transient` (try again), `TooMuch` (ask for less) or `StudyError`."""
Progress = Callable[[str, int, int], None]
"""Called with a sentence, steps done and steps in all."""

_TRANSIENT = frozenset({408, 425, 429, 500, 502, 503, 504})
_ATTEMPTS = 6
_BACKOFF = tenacity.wait_exponential(multiplier=2.0, max=300.0)  # seconds: 2, 4, 8, ...
_TOO_MUCH = ("too large", "too much", "too big", "timed out", "timeout", "maximum", "exceeds")


class Transient(Exception):
    """A failure that may pass: busy server, lost connection, cut reply. `wait_s` is what the server asks for."""

    def __init__(self, what: str, wait_s: float = 0.0) -> None:
        self.wait_s = wait_s
        super().__init__(what)


class TooMuch(Exception):
    """The service did not manage the request (time-out, too many rows): ask for less."""


def quiet(sentence: str, done: int, steps: int) -> None:
    """Show no progress."""


@dataclass(frozen=True, slots=True)
class Reply:
    """One reply in the cache: path, hash and size of its body, the address with its query, and the time (UTC).

    `cached` is true when nothing was sent this time.
    """

    path: Path
    url: str
    sha256: str
    size: int
    fetched: str
    cached: bool

    def body(self) -> bytes:
        """Return the body."""
        return self.path.read_bytes()


class PoliteSession:
    """HTTP with a cache on disk.

    A reply is kept under the hash of its request, whole or not at all, so that an interrupted run asks only for
    what is missing. A kept reply is used again only when its own hash still fits. `timeout` are the seconds to
    connect and the seconds between two bytes; `sleep` and `clock` are replaced in tests.
    """

    def __init__(
        self,
        folder: Path,
        *,
        timeout: tuple[float, float] = (15.0, 120.0),
        sleep: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder = folder
        self.timeout = timeout
        self.replies: list[Reply] = []
        self.sent = 0
        self._sleep = sleep
        self._clock = clock
        self._last: dict[str, float] = {}
        self._session = requests.Session()
        self._session.headers["User-Agent"] = (
            f"springfill/{version()} (cover crop water maps; python-requests/{requests.__version__})"
        )

    def get(self, url: str, params: Mapping[str, str], check: Check, pause_s: float) -> Reply:
        """Return the reply to a GET request, from the cache or the network.

        `pause_s` is the shortest time since the last request to this host.

        Raises
        ------
        StudyError
            When the service refuses, or still fails after the last try.
        TooMuch
            From the check, or from a refusal that says so.
        """
        return self._ask("GET", url, check, pause_s, params=params)

    def post(self, url: str, payload: Mapping[str, str], check: Check, pause_s: float) -> Reply:
        """Return the reply to a POST request with a JSON body (see `get`)."""
        return self._ask("POST", url, check, pause_s, json=payload)

    def has(self, url: str, params: Mapping[str, str]) -> bool:
        """Return whether the reply to a GET request is in the cache."""
        return self._kept(_key("GET", _address(url, params), None)) is not None

    def _ask(self, method: str, url: str, check: Check, pause_s: float, **content: Mapping[str, str]) -> Reply:
        address = _address(url, content.get("params"))
        key = _key(method, address, content.get("json"))
        reply = self._kept(key)
        if reply is None:
            retrying = tenacity.Retrying(
                stop=tenacity.stop_after_attempt(_ATTEMPTS),
                wait=_wait,
                retry=tenacity.retry_if_exception_type(Transient),
                sleep=self._sleep,
                reraise=True,
            )
            try:
                body = retrying(self._once, method, url, check, pause_s, content)
            except Transient as error:
                raise StudyError(
                    f"The service did not answer after {_ATTEMPTS} tries ({error}).",
                    _shown(address),
                    "Check the connection and run fetch again: what has arrived is kept.",
                ) from None
            reply = self._keep(key, address, body)
        self.replies.append(reply)
        return reply

    def _once(self, method: str, url: str, check: Check, pause_s: float, content: dict[str, Any]) -> bytes:
        host = urlsplit(url).netloc
        if host in self._last and (left := self._last[host] + pause_s - self._clock()) > 0:
            self._sleep(left)
        self.sent += 1
        try:
            # The body is read inside this call; urllib3 raises where it is shorter than announced.
            answer = self._session.request(method, url, timeout=self.timeout, **content)
        except (requests.ConnectionError, requests.Timeout, requests.exceptions.ChunkedEncodingError) as error:
            raise Transient(type(error).__name__) from None
        finally:
            self._last[host] = self._clock()
        if answer.status_code in _TRANSIENT:
            raise Transient(f"status {answer.status_code}", _asked_wait_s(answer))
        if answer.status_code >= 400:
            text = answer.content[:300].decode("utf-8", errors="replace").strip()
            if answer.status_code == 413 or says_too_much(text):
                raise TooMuch(text or f"status {answer.status_code}")
            raise StudyError(
                f"The service refused the request with status {answer.status_code}: {text}",
                _shown(answer.url),
                "Check the study area; if it is right, the service may have changed: get the layer by hand.",
            )
        check(answer.content, answer.headers.get("Content-Type", ""))
        return answer.content

    def _kept(self, key: str) -> Reply | None:
        path = self.folder / f"{key}.body"
        try:
            record = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
            whole = sha256(path.read_bytes()).hexdigest() == record["sha256"]
            return Reply(path, **record, cached=True) if whole else None
        except (ValueError, KeyError, TypeError, OSError):
            return None

    def _keep(self, key: str, address: str, body: bytes) -> Reply:
        path = self.folder / f"{key}.body"
        write_whole(path, body)
        stamp = datetime.now(UTC).isoformat(timespec="seconds")
        reply = Reply(path, address, sha256(body).hexdigest(), len(body), stamp, False)
        record = {k: v for k, v in asdict(reply).items() if k not in ("path", "cached")}
        write_whole(path.with_suffix(".json"), json.dumps(record, indent=1).encode())
        return reply


def says_too_much(text: str) -> bool:
    """Return whether a service says, in its own words, that it did not manage the request."""
    return any(words in text.lower() for words in _TOO_MUCH)


def _address(url: str, params: Mapping[str, str] | None) -> str:
    return requests.Request("GET", url, params=params).prepare().url or url


def _key(method: str, address: str, payload: Mapping[str, str] | None) -> str:
    """Return the name under which a reply is kept."""
    text = json.dumps([method, address, payload], sort_keys=True)
    return sha256(text.encode()).hexdigest()[:32]


def _wait(state: tenacity.RetryCallState) -> float:
    """Return the pause before the next try: the longer of the back-off and what the server asks for."""
    failure = state.outcome.exception() if state.outcome else None
    asked_s = failure.wait_s if isinstance(failure, Transient) else 0.0
    return max(_BACKOFF(state), min(asked_s, _BACKOFF.max))


def _asked_wait_s(answer: requests.Response) -> float:
    """Return the seconds of a Retry-After header, which holds a number of seconds or an HTTP date."""
    try:
        return Retry().parse_retry_after(answer.headers.get("Retry-After", "0"))
    except InvalidHeader:
        return 0.0


def _shown(address: str) -> str:
    return address if len(address) <= 200 else f"{address[:200]}..."
