"""The county map: one HTML file that opens from disk, with the map, the rules to try, and the field table."""

from __future__ import annotations

import base64
import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import folium
from branca.element import Figure
from folium.template import Template
from markupsafe import escape

from pipelines.run.result import StudyResult
from pipelines.show.county.page import CountyPage
from pipelines.show.page_templates import script_hash
from pipelines.study.staging import write_whole
from pipelines.study.words import load_catalogue

_ASSETS = files("pipelines.show") / "assets"
_LEAFLET = files("js_lib_leaflet") / "static" / "js_lib_leaflet"
_SCRIPTS = ("county_core", "county_rule", "county_layers", "county_canvas", "county_table", "county_events",
            "county_print", "county_app")  # fmt: skip
_POLICY = (
    "default-src 'none'; img-src data: blob:; style-src 'unsafe-inline'; script-src {hashes}; "
    "base-uri 'none'; form-action 'none'"
)
_EARLY = 'document.documentElement.classList.add("js");'


class PageFigure(Figure):
    """A figure with a language, and nothing fetched from anywhere."""

    _template = Template(
        '<!DOCTYPE html>\n<html lang="{{ this.language }}">\n<head>{{ this.header.render(**kwargs) }}</head>\n'
        "<body>\n{{ this.html.render(**kwargs) }}\n{{ this.script.render(**kwargs) }}</body>\n</html>\n"
    )

    def __init__(self, language: str) -> None:
        super().__init__()
        self.language = language


class OfflineMap(folium.Map):
    """A folium map whose Leaflet stands in the page itself.

    folium renders every piece of a page as a template once more, so nothing that came from a user may pass through
    it. The page is built with marks (``slot``), and the marks are replaced after folium is done.
    """

    default_js: list[tuple[str, str]] = []
    default_css: list[tuple[str, str]] = []
    _template = Template(
        """
        {% macro header(this, kwargs) %}
        <meta name="viewport" content="width=device-width, initial-scale=1">
        {{ this.slot("head") }}
        {% endmacro %}
        {% macro html(this, kwargs) %}{{ this.slot("body") }}{% endmacro %}
        {% macro script(this, kwargs) %}
        {{ this.slot("scripts") }}
        <script>
        var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, {
            center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }}, ...{{ this.options|tojavascript }}
        });
        {%- if this.zoom_control_position %}
        L.control.zoom({ position: {{ this.zoom_control|tojson }} }).addTo({{ this.get_name() }});
        {%- endif %}
        {{ this.slot("start") }}
        </script>
        {{ this.slot("more") }}
        {% endmacro %}
        """
    )

    def __init__(self, language: str, **options: Any) -> None:
        super().__init__(location=[0, 0], tiles=None, prefer_canvas=True, **options)
        self._id = "county"
        PageFigure(language).add_child(self)

    @staticmethod
    def slot(name: str) -> str:
        """Return the mark of a place that is filled after folium has rendered the page."""
        return f"<!--@@{name}@@-->"

    def shell(self) -> str:
        """Render the page with its places still empty."""
        return self.get_root().render()


def fill(shell: str, **parts: str) -> str:
    """Fill the places of a page, each once and without looking into what was filled in; others stay empty."""
    return re.sub(r"<!--@@(\w+)@@-->", lambda mark: parts.get(mark.group(1), ""), shell)


def leaflet_css() -> str:
    """Leaflet's style sheet from the installed package, its pictures in the sheet itself."""
    css = (_LEAFLET / "leaflet.css").read_text(encoding="utf-8")

    def inline(match: re.Match[str]) -> str:
        picture = base64.b64encode((_LEAFLET / match.group(1)).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{picture})"

    return re.sub(r"url\(([\w/.-]+\.png)\)", inline, css)


def leaflet_script() -> str:
    """Leaflet from the installed package, safe to stand in a page."""
    script = (_LEAFLET / "leaflet.js").read_text(encoding="utf-8")
    return re.sub(r"//# sourceMappingURL=.*", "", script).replace("</script", "<\\/script")


def county_html(result: StudyResult, *, field_page_url: str = "fields/{field_id}.html") -> str:
    """Return the whole page as text. See `write_county_map`."""
    catalogue = load_catalogue()
    county = OfflineMap(
        catalogue.language, zoom_start=9, zoom_snap=0.25, zoom_control="bottomright", fade_animation=False
    )
    content = CountyPage(result, catalogue)
    first = _data_block("county-data", content.data(field_page_url))
    more = _data_block("county-more", content.more_data()) + content.field_table()
    texts = [leaflet_script(), *((_ASSETS / f"{name}.js").read_text(encoding="utf-8") for name in _SCRIPTS)]
    scripts = "".join(f"<script>{text}</script>" for text in texts)
    early, start = f"<script>{_EARLY}</script>", f"SF.start({county.get_name()});"
    shell = county.shell()
    code = re.findall(r"<script>(.*?)</script>", fill(shell, head=early, scripts=scripts, start=start), re.DOTALL)
    title = catalogue.t("county.title", study=str(result.settings.get("name", "")))
    head = (
        f'<meta http-equiv="Content-Security-Policy" content="{_policy(code)}"><title>{escape(title)}</title>'
        f"<style>{leaflet_css()}</style><style>{(_ASSETS / 'county.css').read_text(encoding='utf-8')}</style>{early}"
    )
    body = content.body(county.get_name())
    return fill(shell, head=head, body=body, scripts=first + scripts, start=start, more=more)


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


def _data_block(name: str, data: dict[str, Any]) -> str:
    """Return data for the script. "<" cannot occur in the block, so nothing in it can end it or start a tag."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
    return f'<script type="application/json" id="{name}">{text}</script>'


def _policy(scripts: list[str]) -> str:
    """Allow exactly the scripts of this page."""
    return _POLICY.format(hashes=" ".join(f"'{script_hash(text)}'" for text in scripts))
