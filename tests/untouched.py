"""Name the modules of which the chosen tests run nothing.

Call: ``python -m pytest -m "not slow" -n 0 --untouched``. It fails when there are any.
"""

from __future__ import annotations

import ast
import inspect
import sys
import threading
from pathlib import Path
from types import FrameType

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("geo", "pipelines")
COMPILED = ("compiled", "njit")
"""Decorators of functions that run as machine code, where no call is seen; their module has to be loaded."""

ON_IMPORT = ("geo/balance/kernel/compiled.py",)
"""Files whose functions are decorators that run while others are imported, before the tests: loaded is enough."""


def _has_plain_functions(file: Path) -> bool:
    if str(file.relative_to(ROOT)) in ON_IMPORT:
        return False
    return any(
        isinstance(node, ast.FunctionDef)
        and not any(word in ast.unparse(decorator) for decorator in node.decorator_list for word in COMPILED)
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
    )


class Untouched:
    """A plugin that sees every call of a function while tests run."""

    def __init__(self) -> None:
        self.called: set[str] = set()

    def _see(self, frame: FrameType, event: str, argument: object) -> None:
        # The body of a module or a class is code too; it runs on import, which touches nothing.
        if frame.f_code.co_flags & inspect.CO_OPTIMIZED:
            self.called.add(frame.f_code.co_filename)

    def pytest_runtestloop(self) -> None:
        """Start to look."""
        threading.settrace(self._see)
        sys.settrace(self._see)

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Stop, and fail when a module was not touched."""
        sys.settrace(None)
        threading.settrace(None)  # type: ignore[arg-type]
        if self.missing():
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """List the modules."""
        for name in self.missing():
            terminalreporter.write_line(f"no test ran anything in {name}", red=True)

    def missing(self) -> list[str]:
        """Return the files of the program of which nothing ran, or of which nothing is loaded."""
        loaded = {getattr(module, "__file__", None) for module in list(sys.modules.values())}
        return [
            str(file.relative_to(ROOT))
            for package in PACKAGES
            for file in sorted((ROOT / package).rglob("*.py"))
            if str(file) not in (self.called if _has_plain_functions(file) else loaded)
        ]
