"""Every word that a user reads, looked up by a dotted key in ``shared/text_en.toml``."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, ClassVar

from geo.errors import StudyError
from pipelines.study.house import shared_toml

_FILE = "text_en.toml"


@dataclass(frozen=True)
class Catalogue:
    """The texts of the program.

    Texts come back plain: whoever puts them on a page escapes them there, values included.

    Attributes
    ----------
    entries : mapping of str to str or tuple of str
        Dotted key to text, or to a list of texts such as the names of the months.
    """

    entries: Mapping[str, str | tuple[str, ...]]
    language: ClassVar[str] = "en"
    """For the ``lang`` attribute of a page."""

    def t(self, key: str, **values: object) -> str:
        """Return the text of a key with its ``{placeholders}`` filled.

        Raises
        ------
        StudyError
            When the key is unknown or a placeholder has no value; both are named.
        """
        entry = self.entries.get(key)
        if not isinstance(entry, str):
            raise StudyError(f"There is no text '{key}'.", _FILE, "Add the key to the file.")
        try:
            return entry.format_map(values)
        except (KeyError, ValueError, IndexError) as error:
            what = f"The text '{key}' cannot be filled in: {error!r}."
            raise StudyError(what, _FILE, "Correct the text, or pass the value.") from None

    def items(self, key: str) -> tuple[str, ...]:
        """Return a list of texts, such as ``common.months``."""
        entry = self.entries.get(key)
        if not isinstance(entry, tuple):
            raise StudyError(f"There is no list of texts '{key}'.", _FILE, "Add the key to the file.")
        return entry

    def under(self, prefix: str) -> dict[str, str]:
        """Return every text below a prefix, key without the prefix; for scripts that need their words as data."""
        head = prefix + "."
        return {k[len(head) :]: v for k, v in self.entries.items() if k.startswith(head) and isinstance(v, str)}


@cache
def load_catalogue() -> Catalogue:
    """Read the texts; the words of the zones lie beside their colours, in ``zones.toml``."""
    zones = shared_toml("zones.toml").items()
    words = {key: {part: row[part] for part in ("label", "plain")} for key, row in zones}
    return Catalogue(_flat({"zones": words}) | _flat(shared_toml(_FILE)))


def _flat(table: Mapping[str, Any], prefix: str = "") -> dict[str, str | tuple[str, ...]]:
    """Turn nested tables into dotted keys."""
    flat: dict[str, str | tuple[str, ...]] = {}
    for name, value in table.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{prefix}{name}.")
        else:
            flat[f"{prefix}{name}"] = tuple(value) if isinstance(value, list) else str(value)
    return flat


def did_you_mean(name: str, known: Iterable[str], most: int = 1) -> str:
    """Return the known names nearest to a misspelt one as a question with a space before it; "" when none is near."""
    near = difflib.get_close_matches(name, list(known), most)
    return " " + load_catalogue().t("fault.did_you_mean", name=", ".join(near)) if near else ""
