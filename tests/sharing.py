"""What the workers of one test run share: slow values that one of them makes, and code that one of them compiles."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

from filelock import FileLock


def made_once(home: Path, make: Callable[[Path], Any]) -> Any:
    """Return what `make` gives for the folder `home`, where it may leave files too; only the first caller makes it.

    The others wait and read the value back, so it has to be one that can be pickled.
    """
    kept = home / "value.pickle"
    with FileLock(f"{home}.lock"):
        if not kept.exists():
            home.mkdir(exist_ok=True)
            kept.write_bytes(pickle.dumps(make(home)))
        return pickle.loads(kept.read_bytes())


def compile_one_at_a_time(lock_file: Path) -> None:
    """Let one process of this run compile at a time, so that the others find its code in the cache of Numba."""
    from numba.core.dispatcher import Dispatcher

    lock, compile_now = FileLock(lock_file), Dispatcher.compile

    def compile_in_turn(self: Dispatcher, signature: Any) -> Any:
        with lock:
            return compile_now(self, signature)

    Dispatcher.compile = compile_in_turn
