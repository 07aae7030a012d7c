"""One published study for all readers."""

from __future__ import annotations

import pytest

from pipelines.show.layers.export import publish_layers
from tests.builders import tiny_result
from tests.sharing import made_once


@pytest.fixture(scope="session")
def study():
    """A finished study on a grid that is large enough to have overviews."""
    return tiny_result(columns=1100, rows=700)


@pytest.fixture(scope="session")
def published(study, run_folder):
    def make(home):
        publish_layers(study, home / "out")
        return home / "out"

    return made_once(run_folder / "handoff", make)
