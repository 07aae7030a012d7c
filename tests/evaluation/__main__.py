"""Compare the model with trials and measurements, and rewrite the pages that show it: python -m tests.evaluation."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rich.console import Console
from rich.progress import Progress, TaskID

from geo.errors import StudyError
from tests.evaluation.evaluate import run_evaluation

DOCS = Path(__file__).resolve().parents[2] / "docs"


def main() -> None:
    """Run the evaluation with a line of progress for each part, and name what was written."""
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation", description=__doc__)
    parser.add_argument(
        "--out",
        type=Path,
        default=DOCS,
        metavar="FOLDER",
        help="write evaluation.md, sensitivity.md and evaluation/*.svg here instead of into docs/",
    )
    out: Path = parser.parse_args().out
    with Progress(console=Console(stderr=True)) as progress:
        lines: dict[str, TaskID] = {}

        def report(part: str, done: int, total: int) -> None:
            if part not in lines:
                lines[part] = progress.add_task(part)
            progress.update(lines[part], completed=done, total=total)

        try:
            result = run_evaluation(out, report)
        except StudyError as error:
            sys.exit(str(error))
    inside = int(result.table["passes"].sum())
    print(f"{inside} of {len(result.table)} figures lie inside their band; {len(result.files)} files are in {out}")


if __name__ == "__main__":
    main()
