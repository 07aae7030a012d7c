"""Take the pictures of the README from a finished run of the demo.

    python docs/pictures/shoot.py RESULT_DIR [FIELD_ID]

Needs Playwright and a Chromium (its own, the one of the system, or CHROMIUM_PATH). The network is off: what the
pictures show is what a phone without signal shows. Pictures are cut to a palette, so that each stays below 200 kB.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

HERE = Path(__file__).resolve().parent
MOST_BYTES = 200_000
NAMES = ("chromium", "chromium-browser", "google-chrome")


def shoot(result: Path, field_id: str) -> list[Path]:
    """Write ``county.png``, ``field.png`` and ``phone.png`` beside this script."""
    found = os.environ.get("CHROMIUM_PATH") or next((p for n in NAMES if (p := shutil.which(n))), None)
    field = result / "fields" / f"{field_id}.html"
    made = []
    with sync_playwright() as runner:
        browser = runner.chromium.launch(executable_path=found, args=["--no-sandbox"])
        for name, page_file, width, height, phone in (
            ("county.png", result / "index.html", 1240, 1060, False),
            ("field.png", field, 1000, 1040, False),
            ("phone.png", field, 390, 780, True),
        ):
            context = browser.new_context(offline=True, viewport={"width": width, "height": height}, is_mobile=phone)
            page = context.new_page()
            page.goto(page_file.resolve().as_uri())
            page.wait_for_timeout(1500)
            made.append(_save(page, HERE / name))
            context.close()
        browser.close()
    return made


def _save(page: Any, path: Path) -> Path:
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    for colours in (256, 128, 64, 32):
        stream = io.BytesIO()
        picture.quantize(colours, dither=Image.Dither.NONE).save(stream, "PNG", optimize=True)
        if len(stream.getvalue()) < MOST_BYTES:
            break
    path.write_bytes(stream.getvalue())
    return path


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    for file in shoot(Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "LK-0305"):
        sys.stdout.write(f"{file} {file.stat().st_size // 1000} kB\n")
