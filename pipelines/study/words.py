"""Every word that a user reads: one catalogue file a language, looked up by a dotted key."""

from __future__ import annotations

import difflib
import string
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from geo.errors import StudyError
from pipelines.study.house import shared_dir

_FORMATTER = string.Formatter()


@dataclass(frozen=True)
class Catalogue:
    """The words of one language.

    Texts come back plain: whoever puts them on a page escapes them there, values included.

    Attributes
    ----------
    language : str
        Language tag of the file (``en``), for the ``lang`` attribute of a page.
    entries : mapping of str to str or tuple of str
        Dotted key to text, or to a list of texts such as the names of the months.
    source : str
        Name of the file, for messages.
    """

    language: str
    entries: Mapping[str, str | tuple[str, ...]]
    source: str = ""

    def t(self, key: str, **values: object) -> str:
        """Return the text of a key with its ``{placeholders}`` filled.

        Raises
        ------
        StudyError
            When the key is unknown or a placeholder has no value; both are named.
        """
        entry = self._find(key)
        if not isinstance(entry, str):
            raise StudyError(f"The text '{key}' is a list.", self.source, "Use Catalogue.items for lists.")
        try:
            return entry.format_map(values) if values or "{" in entry or "}" in entry else entry
        except KeyError as error:
            raise StudyError(
                f"The text '{key}' needs a value for {{{error.args[0]}}}.", self.source, "Pass it or mend the text."
            ) from None
        except (ValueError, IndexError) as error:
            raise StudyError(f"The text '{key}' has a broken placeholder: {error}.", self.source) from None

    def items(self, key: str) -> tuple[str, ...]:
        """Return a list of texts, such as ``common.months``."""
        entry = self._find(key)
        if isinstance(entry, str):
            raise StudyError(f"The text '{key}' is one text and no list.", self.source, "Use Catalogue.t.")
        return entry

    def has(self, key: str) -> bool:
        """Tell whether the catalogue holds the key."""
        return key in self.entries

    def under(self, prefix: str) -> dict[str, str]:
        """Return every text below a prefix, key without the prefix; for scripts that need their words as data."""
        head = prefix + "."
        return {k[len(head) :]: v for k, v in self.entries.items() if k.startswith(head) and isinstance(v, str)}

    def _find(self, key: str) -> str | tuple[str, ...]:
        try:
            return self.entries[key]
        except KeyError:
            raise StudyError(
                f"The text catalogue has no text '{key}'.", self.source, f"Add the key '{key}' to {self.source}."
            ) from None


def placeholders(text: str) -> set[str]:
    """Return the names of the ``{placeholders}`` of a text."""
    return {name for _, name, _, _ in _FORMATTER.parse(text) if name is not None}


def flatten(table: Mapping[str, Any], prefix: str = "") -> dict[str, str | tuple[str, ...]]:
    """Turn nested tables into dotted keys; every leaf must be a text or a list of texts."""
    flat: dict[str, str | tuple[str, ...]] = {}
    for name, value in table.items():
        key = f"{prefix}{name}"
        if isinstance(value, Mapping):
            flat |= flatten(value, f"{key}.")
        elif isinstance(value, str):
            flat[key] = value
        elif isinstance(value, list) and all(isinstance(v, str) for v in value):
            flat[key] = tuple(value)
        else:
            raise StudyError(f"The text '{key}' is neither a text nor a list of texts.", "text catalogue")
    return flat


def _read(path: Path) -> dict[str, str | tuple[str, ...]]:
    try:
        return flatten(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError:
        known = ", ".join(sorted(p.stem.removeprefix("text_") for p in path.parent.glob("text_*.toml")))
        raise StudyError("There is no text catalogue for this language.", path.name, f"Known: {known}.") from None
    except tomllib.TOMLDecodeError as error:
        raise StudyError(f"The text catalogue cannot be read: {error}.", path.name, "Mend the file.") from None


def _english(folder: Path) -> dict[str, str | tuple[str, ...]]:
    """English: the words of the zones stand beside their colours, in zones.toml."""
    zones = tomllib.loads((folder / "zones.toml").read_text(encoding="utf-8"))
    words = {f"zones.{key}.{part}": str(row[part]) for key, row in zones.items() for part in ("label", "plain")}
    return words | _read(folder / "text_en.toml")


@lru_cache(maxsize=8)
def _load(language: str, folder: Path) -> Catalogue:
    english = _english(folder)
    if language == "en":
        return Catalogue("en", MappingProxyType(english), "text_en.toml")
    name = f"text_{language}.toml"
    entries = _read(folder / name)
    missing = sorted(set(english) - set(entries))
    if missing:
        raise StudyError(f"The translation lacks {len(missing)} texts: {', '.join(missing[:8])}.", name, "Add them.")
    for key, text in english.items():
        other = entries[key]
        if isinstance(text, str) != isinstance(other, str) or (not isinstance(text, str) and len(text) != len(other)):
            raise StudyError(f"The text '{key}' must have the same form as in English.", name, "Mend it.")
        if isinstance(text, str) and isinstance(other, str) and not placeholders(other) <= placeholders(text):
            extra = ", ".join(sorted(placeholders(other) - placeholders(text)))
            raise StudyError(
                f"The text '{key}' uses unknown values: {extra}.", name, "Use those of the English text."
            )
    return Catalogue(language, MappingProxyType(entries), name)


def load_catalogue(language: str = "en", folder: Path | None = None) -> Catalogue:
    """Read the catalogue of a language from ``shared/text_<language>.toml``.

    A translation is one file with every key of the English one and, in its table ``zones``, the ``label`` and the
    ``plain`` sentence of each zone.

    Raises
    ------
    StudyError
        When there is no such file, a text is missing, or a placeholder is unknown.
    """
    if not language.replace("-", "").isalnum():
        raise StudyError("The language tag is not valid.", language, "Use a tag such as 'en'.")
    return _load(language, folder or shared_dir())


def did_you_mean(name: str, known: Iterable[str], most: int = 1) -> str:
    """Return the known names nearest to a misspelt one as a question with a space before it; "" when none is near."""
    near = difflib.get_close_matches(name, list(known), most)
    return " " + load_catalogue().t("fault.did_you_mean", name=", ".join(near)) if near else ""
