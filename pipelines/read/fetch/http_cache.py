"""Ask public services politely: cached, resumable, with retries, and every reply checked before it is kept."""

from __future__ import annotations

import email.utils
import hashlib
import json
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

import pooch
import requests
import tenacity

from geo.errors import StudyError
from pipelines.study.house import version

Check = Callable[[bytes, str], None]

_TRANSIENT = frozenset({408, 425, 429, 500, 502, 503, 504})
_LONGEST_WAIT = 300.0


class Transient(Exception):
    """A failure that may pass: busy server, lost connection, cut reply."""

    def __init__(self, what: str, wait: float | None = None) -> None:
        self.wait = wait
        super().__init__(what)


class TooMuch(Exception):
    """The service did not manage the request (time-out, too many rows): ask for less."""


@dataclass(frozen=True, slots=True)
class Reply:
    """One reply in the cache.

    Attributes
    ----------
    path : Path
        The body.
    url : str
        What was asked (address with query).
    sha256 : str
        Hash of the body.
    size : int
        Size of the body.
    fetched : str
        Time of the request, ISO 8601, UTC.
    cached : bool
        True when nothing was sent this time.
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


@dataclass(frozen=True, slots=True)
class Question:
    """One request.

    Attributes
    ----------
    method, url, params, payload
        What is sent; the payload goes as JSON.
    check : callable
        Called with body and content type; raises `Transient` (try again), `TooMuch` (ask for less) or `StudyError`.
    pause : float, optional
        Shortest time since the last request to this host, seconds.
    """

    method: str
    url: str
    check: Check
    params: Mapping[str, str] | None = None
    payload: Mapping[str, str] | None = None
    pause: float | None = None

    @property
    def address(self) -> str:
        """The URL with its parameters."""
        return requests.Request(self.method, self.url, params=self.params).prepare().url or self.url

    @property
    def key(self) -> str:
        """The name under which the reply is kept."""
        text = json.dumps([self.method, self.address, dict(self.payload) if self.payload else None], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:32]


class PoliteSession:
    """HTTP with a cache on disk.

    A reply is kept under the hash of its request, whole or not at all, so that an interrupted run asks only for
    what is missing. A kept reply is used again only when its own hash still fits.

    Parameters
    ----------
    folder : Path
        The cache.
    attempts : int
        Tries for one request.
    timeout : tuple of float
        Seconds to connect, seconds between two bytes.
    seconds_between : float
        Shortest time between two requests to one host.
    first_wait : float
        Seconds before the second try; doubles each time. A ``Retry-After`` header counts more.
    sleep, clock : callable
        Replaced in tests.
    """

    def __init__(
        self,
        folder: Path,
        *,
        attempts: int = 6,
        timeout: tuple[float, float] = (15.0, 120.0),
        seconds_between: float = 1.0,
        first_wait: float = 2.0,
        sleep: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder = folder
        self.attempts = attempts
        self.timeout = timeout
        self.seconds_between = seconds_between
        self.first_wait = first_wait
        self.replies: list[Reply] = []
        self.sent = 0
        self._sleep = sleep
        self._clock = clock
        self._last: dict[str, float] = {}
        self._session = requests.Session()
        self._session.headers["User-Agent"] = (
            f"springfill/{version()} (cover crop water maps; python-requests/{requests.__version__})"
        )

    def get(self, url: str, params: Mapping[str, str], check: Check, pause: float | None = None) -> Reply:
        """Return the reply to a GET request, from the cache or the network (see `ask`)."""
        return self.ask(Question("GET", url, check, params=params, pause=pause))

    def post(self, url: str, payload: Mapping[str, str], check: Check, pause: float | None = None) -> Reply:
        """Return the reply to a POST request with a JSON body, from the cache or the network (see `ask`)."""
        return self.ask(Question("POST", url, check, payload=payload, pause=pause))

    def has(self, url: str, params: Mapping[str, str]) -> bool:
        """Return whether the reply to a GET request is in the cache."""
        return self._kept(Question("GET", url, _accept, params=params).key) is not None

    def ask(self, question: Question) -> Reply:
        """Return the reply to one request.

        Raises
        ------
        StudyError
            When the service refuses, or still fails after the last try.
        TooMuch
            From the check of the question.
        """
        kept = self._kept(question.key)
        if kept is not None:
            self.replies.append(kept)
            return kept
        retrying = tenacity.Retrying(
            stop=tenacity.stop_after_attempt(self.attempts),
            wait=self._wait,
            retry=tenacity.retry_if_exception_type(Transient),
            sleep=self._sleep,
            reraise=True,
        )
        try:
            body = retrying(self._once, question)
        except Transient as error:
            raise StudyError(
                f"The service did not answer after {self.attempts} tries ({error}).",
                _shown(question.address),
                "Check the connection and run fetch again: what has arrived is kept.",
            ) from None
        reply = self._keep(question.key, question.address, body)
        self.replies.append(reply)
        return reply

    def _wait(self, state: tenacity.RetryCallState) -> float:
        failure = state.outcome.exception() if state.outcome else None
        asked = failure.wait if isinstance(failure, Transient) else None
        backoff = self.first_wait * 2.0 ** (state.attempt_number - 1)
        return min(max(asked or 0.0, backoff), _LONGEST_WAIT)

    def _once(self, question: Question) -> bytes:
        self._hold(question.url, self.seconds_between if question.pause is None else question.pause)
        self.sent += 1
        try:
            answer = self._session.request(
                question.method, question.url, params=question.params, json=question.payload, timeout=self.timeout
            )
            body = answer.content
        except (requests.ConnectionError, requests.Timeout, requests.exceptions.ChunkedEncodingError) as error:
            raise Transient(f"{type(error).__name__}") from None
        finally:
            self._last[urlsplit(question.url).netloc] = self._clock()
        if answer.status_code in _TRANSIENT:
            raise Transient(f"status {answer.status_code}", _retry_after(answer.headers.get("Retry-After")))
        length = answer.headers.get("Content-Length")
        if length and "Content-Encoding" not in answer.headers and len(body) != int(length):
            raise Transient(f"the reply was cut: {len(body)} of {length} bytes")
        if answer.status_code == 413:
            raise TooMuch(f"status {answer.status_code}")
        if answer.status_code >= 400:
            text = body[:300].decode("utf-8", errors="replace").strip()
            if _says_too_much(text):
                raise TooMuch(text)
            raise StudyError(
                f"The service refused the request with status {answer.status_code}: {text}",
                _shown(answer.url),
                "Check the study area; if it is right, the service may have changed: get the layer by hand.",
            )
        question.check(body, answer.headers.get("Content-Type", ""))
        return body

    def _hold(self, url: str, pause: float) -> None:
        last = self._last.get(urlsplit(url).netloc)
        if last is not None:
            left = pause - (self._clock() - last)
            if left > 0:
                self._sleep(left)

    def _kept(self, key: str) -> Reply | None:
        body, note = self.folder / f"{key}.body", self.folder / f"{key}.json"
        if not (body.is_file() and note.is_file()):
            return None
        try:
            record = json.loads(note.read_text(encoding="utf-8"))
            same = pooch.file_hash(str(body)) == record["sha256"]
        except (ValueError, KeyError, OSError):
            return None
        if not same:
            return None
        return Reply(body, record["url"], record["sha256"], record["size"], record["fetched"], True)

    def _keep(self, key: str, address: str, body: bytes) -> Reply:
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / f"{key}.body"
        write_whole(path, body)
        stamp = datetime.now(UTC).isoformat(timespec="seconds")
        reply = Reply(path, address, hashlib.sha256(body).hexdigest(), len(body), stamp, False)
        record = {k: v for k, v in asdict(reply).items() if k not in ("path", "cached")}
        write_whole(self.folder / f"{key}.json", json.dumps(record, indent=1).encode())
        return reply


def write_whole(path: Path, body: bytes) -> None:
    """Write a file whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{path.name}.part")
    part.write_bytes(body)
    os.replace(part, path)


def _accept(body: bytes, kind: str) -> None:
    """Take any reply."""


def _retry_after(value: str | None) -> float | None:
    """Return the seconds of a Retry-After header, which is a number of seconds or an HTTP date."""
    if not value:
        return None
    try:
        return max(0.0, float(value))
    except ValueError:
        pass
    try:
        when = email.utils.parsedate_to_datetime(value)
    except (TypeError, ValueError):
        return None
    return max(0.0, (when - datetime.now(UTC)).total_seconds())


def _says_too_much(text: str) -> bool:
    low = text.lower()
    return any(
        words in low for words in ("too large", "too much", "too big", "timed out", "maximum allowed", "exceeds")
    )


def _shown(address: str) -> str:
    return address if len(address) <= 200 else f"{address[:200]}..."
