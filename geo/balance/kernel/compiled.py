"""Compile the functions of the kernel, and keep what was compiled for as long as no part of the kernel changes."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from hashlib import sha256
from importlib.resources import files
from typing import Any

from numba import njit

OUTSIDE = ("profile.py", "season.py")
"""Files of `geo` outside this folder from which the kernel takes constants."""


@lru_cache(maxsize=1)
def kernel_hash() -> str:
    """Return the SHA-256 of all source files that compiled code can come from."""
    inside = [file for file in files(__package__).iterdir() if file.name.endswith(".py")]
    outside = [files("geo") / name for name in OUTSIDE]
    digest = sha256()
    for file in sorted(inside + outside, key=lambda file: file.name):
        digest.update(file.name.encode() + b"\0" + file.read_bytes() + b"\0")
    return digest.hexdigest()


def compiled(**options: Any) -> Callable[[Callable], Any]:
    """Return a decorator that compiles a function of the kernel, or one that calls the kernel.

    Numba builds the code of a callee and its constants into the caller, but discards the stored code of a function
    only when the function's own file changes. Here it is discarded when any file of the kernel changes. Stale code is
    overwritten in place, so that old caches do not pile up. Numba still chooses the folder: ``__pycache__``, the
    user's cache where the package is read-only, or ``NUMBA_CACHE_DIR``.

    Parameters
    ----------
    **options
        Options of `numba.njit` other than ``cache`` and ``error_model``.
    """

    def decorate(function: Callable) -> Any:
        dispatcher = njit(cache=True, error_model="numpy", **options)(function)
        if dispatcher is not function:  # the compiler is switched off by NUMBA_DISABLE_JIT
            file = dispatcher._cache._cache_file
            file._source_stamp = (file._source_stamp, kernel_hash())
        return dispatcher

    return decorate
