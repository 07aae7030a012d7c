"""The county map: one HTML file that opens from disk, with the map, the rules to try, and the field table."""

from __future__ import annotations

import base64
import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import folium
from folium.template import tojavascript
from markupsafe import Markup

from pipelines.run.result import StudyResult
from pipelines.show.county.page import CountyPage
from pipelines.show.page_templates import script_hash, template
from pipelines.study.staging import write_whole
from pipelines.study.words import load_catalogue

_ASSETS = files("pipelines.show") / "assets"
_LEAFLET = files("js_lib_leaflet") / "static" / "js_lib_leaflet"
_SCRIPTS = ("county_core", "county_rule", "county_layers", "county_canvas", "county_table", "county_events",
            "county_print", "county_app")  # fmt: skip


class CountyMap(folium.Map):
    """A folium map whose template is the whole page, with Leaflet in it.

    folium renders its own pieces as templates twice, so that braces in the name of a field would be run. This
    template is rendered once, and it escapes every value.
    """

    def __init__(self) -> None:
        super().__init__(
            location=[0, 0], tiles=None, prefer_canvas=True, zoom_start=9, zoom_snap=0.25, zoom_control="bottomright",
            fade_animation=False,
        )  # fmt: skip
        self._id = "county"

    def page(self, content: CountyPage, field_page_url: str) -> str:
        """Return the page as text."""
        return template("county.html.j2").render(
            content.content(),
            map=self,
            javascript=tojavascript,
            policy=_policy,
            styles=[Markup(leaflet_css()), _asset("county.css")],
            scripts=[Markup(leaflet_script()), *(_asset(f"{name}.js") for name in _SCRIPTS)],
            first=_data_block("county-data", content.data(field_page_url)),
            more=_data_block("county-more", content.more_data()),
        )


def _asset(name: str) -> Markup:
    return Markup((_ASSETS / name).read_text(encoding="utf-8"))


def leaflet_css() -> str:
    """Leaflet's style sheet from the installed package, its pictures in the sheet itself."""
    css = (_LEAFLET / "leaflet.css").read_text(encoding="utf-8")

    def inline(match: re.Match[str]) -> str:
        picture = base64.b64encode((_LEAFLET / match.group(1)).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{picture})"

    return re.sub(r"url\(([\w/.-]+\.png)\)", inline, css)


def leaflet_script() -> str:
    """Leaflet from the installed package, safe to put into a page."""
    script = (_LEAFLET / "leaflet.js").read_text(encoding="utf-8")
    return re.sub(r"//# sourceMappingURL=.*", "", script).replace("</script", "<\\/script")


def county_html(result: StudyResult, *, field_page_url: str = "fields/{field_id}.html") -> str:
    """Return the whole page as text. See `write_county_map`."""
    return CountyMap().page(CountyPage(result, load_catalogue()), field_page_url)


def write_county_map(result: StudyResult, path: Path, *, field_page_url: str = "fields/{field_id}.html") -> None:
    """Write the county map as one file that needs nothing else.

    Parameters
    ----------
    result : StudyResult
    path : Path
        The HTML file. It is written whole or not at all.
    field_page_url : str
        Where the page of a field is, seen from this file; ``{field_id}`` is replaced.

    Raises
    ------
    StudyError
        When the file cannot be written.
    """
    write_whole(path, county_html(result, field_page_url=field_page_url))


def _data_block(name: str, data: dict[str, Any]) -> Markup:
    """Return data for the script. "<" cannot occur in the block, so nothing in it can end it or start a tag."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
    return Markup(f'<script type="application/json" id="{name}">{text}</script>')


def _policy(scripts: list[str]) -> str:
    """Allow exactly the scripts of this page."""
    allowed = " ".join(f"'{script_hash(text)}'" for text in scripts)
    return (
        f"default-src 'none'; img-src data: blob:; style-src 'unsafe-inline'; script-src {allowed}; "
        "base-uri 'none'; form-action 'none'"
    )
