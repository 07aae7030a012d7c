"""Fill the templates of pages and layers, and name the scripts that a page may run."""

from __future__ import annotations

import base64
import hashlib
from functools import cache

import jinja2


def template(name: str, package: str = "pipelines.show") -> jinja2.Template:
    """Return one file of the folder ``templates`` of a package; every value that is put in is escaped."""
    return _environment(package).get_template(name)


@cache
def _environment(package: str) -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader(package),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def script_hash(script: str) -> str:
    """Return the hash by which the policy of a page allows one script: an injected one does not run."""
    return f"sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}"
