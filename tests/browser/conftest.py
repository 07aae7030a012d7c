"""A real browser without a network: every page is opened from disk, and every request it makes is written down."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

playwright_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

_NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")


def find_chromium() -> str | None:
    """Return the browser of the system, or the one named by CHROMIUM_PATH."""
    named = os.environ.get("CHROMIUM_PATH")
    return named or next((path for name in _NAMES if (path := shutil.which(name))), None)


def chart_faults(page: Any, least: float) -> list[str]:
    """Return the texts of charts whose letters are below `least` pixels, or which the edge of the screen cuts off."""
    return page.evaluate(
        """(least) => [...document.querySelectorAll('svg.chart text')].filter(text => {
            const box = text.getBoundingClientRect(), matrix = text.getScreenCTM();
            const letters = parseFloat(getComputedStyle(text).fontSize) * Math.hypot(matrix.a, matrix.b);
            return letters < least || box.left < 0 || box.right > innerWidth;
        }).map(text => text.textContent)""",
        least,
    )


@dataclass
class Opened:
    """A page and what happened while it was open."""

    page: Any
    requests: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    console: list[str] = field(default_factory=list)

    def assert_quiet(self) -> None:
        """No request to anywhere, no error, no warning of a blocked script."""
        assert self.requests == []
        assert self.errors == []
        assert self.console == []


def _is_complaint(message: Any) -> bool:
    # A hint about speed that comes from tests which read the canvas back.
    return message.type in ("error", "warning") and "willReadFrequently" not in message.text


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Headless Chromium of the system; tests skip without one."""
    path = find_chromium()
    if path is None:
        pytest.skip("no Chromium on this machine (set CHROMIUM_PATH)")
    with playwright_api.sync_playwright() as runner:
        opened = runner.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Opened]]:
    """Open a file in a fresh profile with the network off; options go to the browser context."""
    contexts = []

    def opener(path: Path, *, wait: str | None = None, **options: Any) -> Opened:
        options.setdefault("viewport", {"width": 1280, "height": 900})
        context = browser.new_context(offline=True, **options)
        contexts.append(context)
        opened = Opened(context.new_page())
        own = path.resolve().as_uri()

        def guard(route: Any) -> None:
            url = route.request.url
            if url.split("#")[0] == own or url.startswith(("data:", "blob:")):
                route.continue_()
            else:
                opened.requests.append(url)
                route.abort()

        context.route("**/*", guard)
        opened.page.on("pageerror", lambda error: opened.errors.append(str(error)))
        opened.page.on("console", lambda m: opened.console.append(m.text) if _is_complaint(m) else None)
        opened.page.on("dialog", lambda dialog: (opened.errors.append("dialog " + dialog.message), dialog.dismiss()))
        opened.page.goto(own)
        if wait:
            opened.page.wait_for_selector(wait, state="attached")
        return opened

    yield opener
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def county() -> Any:
    """An invented county of 300 fields whose zones come from the rule."""
    from tests.browser.invented_county import invented_county

    return invented_county(fields=300, side=400, map_units=30, cells=16, seed=11)


@pytest.fixture(scope="session")
def county_file(county: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its county page."""
    from pipelines.show.county.map import write_county_map

    path = tmp_path_factory.mktemp("county") / "index.html"
    write_county_map(county, path)
    return path
