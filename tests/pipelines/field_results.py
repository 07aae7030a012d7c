"""Read a field page as a browser would."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "link", "br", "img", "input", "hr"}


class Page(HTMLParser):
    """What a browser would make of a page: tags with attributes, and the visible text by element."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[tuple[str, ...], str]] = []
        self._open: list[tuple[str, str]] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        named = dict(attrs)
        self.tags.append((tag, named))
        if tag not in VOID:
            self._open.append((tag, named.get("class") or ""))

    def handle_endtag(self, tag):
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data):
        path = tuple(f"{tag}.{name}" if name else tag for tag, name in self._open)
        if data.strip():
            self.texts.append((path, data.strip()))

    def text(self, inside: str = "") -> str:
        """Visible text below an element (``section.answer``), one space between parts."""
        kept = [t for path, t in self.texts if not {"script", "style", "title", "desc"} & set(path)]
        if inside:
            kept = [t for path, t in self.texts if inside in path]
        return " ".join(" ".join(kept).split())

    def clauses(self) -> dict[str, list[str]]:
        """What the page says of each cover under "What limits it?"."""
        said: dict[str, list[str]] = {}
        for path, text in self.texts:
            if "section.answer" in path and path[-2:] == ("li", "b"):
                said[text] = []
            elif "section.answer" in path and path[-2:] == ("li", "span"):
                said[list(said)[-1]].append(text)
        return said
