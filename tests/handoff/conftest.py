"""One published study for all readers."""

from __future__ import annotations

import pytest

from pipelines.show.layers.export import publish_layers
from tests.builders import tiny_result


@pytest.fixture(scope="session")
def study():
    """A finished study on a grid that is large enough to have overviews."""
    return tiny_result(columns=1100, rows=700)


@pytest.fixture(scope="session")
def published(study, tmp_path_factory):
    folder = tmp_path_factory.mktemp("published") / "out"
    publish_layers(study, folder)
    return folder
