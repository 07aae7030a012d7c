"""Faults of a study file for its user: the line, the key, its value, and which values are allowed."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from geo.errors import StudyError
from pipelines.study.words import did_you_mean, load_catalogue

Model = TypeVar("Model", bound=BaseModel)
_SHOWN_LETTERS = 60
_HEAD = re.compile(r"\s*\[+\s*([^\]]+?)\s*\]+")
_ITEM = re.compile(r"\s*([\w.\"'-]+)\s*=")
_TYPES = {"string": "text", "integer": "whole", "number": "number", "boolean": "yes_no", "object": "table"}
"""Our word for each type of a JSON schema."""


def words(key: str, **values: object) -> str:
    """Return a text of the section ``[fault]`` of the catalogue."""
    return load_catalogue().t(f"fault.{key}", **values)


def read_checked(path: Path, model: type[Model], kind: str, start: str) -> tuple[Model, str]:
    """Read a TOML file and check it against its model; returns the checked value and the text.

    Messages call the file a `kind` file (``study`` or ``region``) and send a user without one to `start`.

    Raises
    ------
    StudyError
        With the fault of the syntax, or with every faulty key: line, key, what is allowed.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise StudyError(
            f"There is no {kind} file here.", str(path), f"Check the path, or start from {start}."
        ) from None
    except (UnicodeDecodeError, OSError):
        raise StudyError(
            f"The {kind} file cannot be read as text.",
            str(path),
            "Give a file that may be read, saved as UTF-8 text.",
        ) from None
    try:
        return model.model_validate(tomllib.loads(text)), text
    except tomllib.TOMLDecodeError as error:
        place = f"{path}: {_toml_fault(path.name, text, error)}"
        raise StudyError(f"The {kind} file is not valid TOML.", place, words("toml.fix")) from None
    except ValidationError as error:
        faults: dict[tuple[str, ...], str] = {}
        for detail in error.errors():
            keys = _shown_keys(detail["loc"])
            faults.setdefault(keys, f"{placed(path.name, text, keys)}: {_fault(keys, detail, model)}")
        place = "\n         ".join([str(path), *faults.values()])
        raise StudyError(f"The {kind} file has faults.", place, "Correct the lines above.") from None


def toml_text(value: object) -> str:
    """Return a value as it is written in TOML, cut when it is long."""
    if isinstance(value, list):
        text = "[" + ", ".join(map(toml_text, value)) + "]"
    elif isinstance(value, Mapping):
        text = "{ " + ", ".join(f"{k} = {toml_text(v)}" for k, v in value.items()) + " }" if value else "{}"
    else:
        text = json.dumps(value, ensure_ascii=False) if isinstance(value, str | bool) else str(value)
    return _cut(text)


def _cut(text: str) -> str:
    return text if len(text) <= _SHOWN_LETTERS else text[: _SHOWN_LETTERS - 4] + " ..."


def _key_lines(text: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield the 1-based line of each table and each key of TOML text, with its name from the top of the file."""
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        found = _HEAD.match(line) or _ITEM.match(line)
        if found:
            name = tuple(part.strip(" \"'") for part in found[1].split("."))
            if found.re is _HEAD:
                table = name
            yield number, name if found.re is _HEAD else table + name


def line_of(text: str, keys: Sequence[str]) -> int | None:
    """Return the 1-based line of a key in TOML text, or of its table; None when neither is there."""
    found = [(len(name), -number) for number, name in _key_lines(text) if name == tuple(keys[: len(name)])]
    return -max(found)[1] if found else None


def placed(file: str, text: str, keys: Sequence[str]) -> str:
    """Return ``file, line n`` of a key, or the file alone where the key has no line."""
    number = line_of(text, keys)
    return words("line", file=file, line=number) if number else file


def _toml_fault(file: str, text: str, error: tomllib.TOMLDecodeError) -> str:
    """Return the line on which TOML text breaks, the reader's message, and where a doubled key came first."""
    lines = text.splitlines() or [""]
    message, _, position = str(error).partition(" (at ")
    line = re.match(r"line (\d+)", position)
    number = min(int(line[1]) if line else len(lines), len(lines))
    fault = f"{words('line', file=file, line=number)}: {message}: {_cut(lines[number - 1].strip())}"
    if message.startswith("Cannot"):
        known = list(_key_lines("\n".join(lines[:number])))
        first = next(n for n, name in known if name == known[-1][1])
        fault += "" if first == number else f". {words('toml.first', line=first)}"
    return fault


def _shown_keys(loc: Sequence[object]) -> tuple[str, ...]:
    """Return the keys of a fault, without the place inside a list."""
    inner = next((n for n, part in enumerate(loc) if isinstance(part, int) or part == "[key]"), len(loc))
    return tuple(map(str, loc[:inner]))


def _fault(keys: tuple[str, ...], error: Any, model: type[BaseModel]) -> str:
    name = ".".join(keys)
    if error["type"] == "extra_forbidden" or "[key]" in error["loc"]:
        return _no_such_key(keys, model)
    if error["type"] == "missing":
        return words("missing_table" if len(keys) == 1 else "missing", name=name)
    return f"{name} = {toml_text(error['input'])}: {_what_is_wrong(error, _schema_of(keys, model))}"


def _what_is_wrong(error: Any, schema: Mapping[str, Any]) -> str:
    kind = str(error["type"])
    if kind == "value_error":
        return str(error["ctx"]["error"])
    if kind == "literal_error":
        near = did_you_mean(str(error["input"]), schema["enum"])
        return words("one_of", allowed=", ".join(f'"{name}"' for name in schema["enum"])) + near
    if kind == "string_too_short":
        return words("empty")
    if kind == "string_too_long":
        return words("too_long", letters=error["ctx"]["max_length"])
    if kind.startswith(("greater_than", "less_than")):
        if "exclusiveMinimum" in schema:
            return words("above_to", low=schema["exclusiveMinimum"], high=schema["maximum"])
        key = "from_to" if "maximum" in schema else "at_least"
        return words(key, low=schema["minimum"], high=schema.get("maximum"))
    return words(_TYPES.get(schema.get("type", ""), "unfit"))


def _no_such_key(keys: tuple[str, ...], model: type[BaseModel]) -> str:
    """Say that a key is unknown, which one may be meant, in which table it belongs, and what is allowed."""
    *table, name = keys
    allowed = _allowed_keys(table, model)
    fault = words("no_such_table" if len(keys) == 1 else "no_such_key", name=".".join(keys))
    near = did_you_mean(name, allowed)
    homes = [home for home in model.model_fields if name in _allowed_keys([home], model)] if not near else []
    near = near or (" " + words("belongs", table=f"[{homes[0]}]") if len(homes) == 1 else "")
    return f"{fault}{near} {words('allowed', names=', '.join(allowed))}"


def _allowed_keys(keys: Sequence[str], model: type[BaseModel]) -> list[str]:
    """Return the keys that a table may hold."""
    schema = _schema_of(keys, model)
    return sorted(schema.get("properties") or schema.get("propertyNames", {}).get("enum", ()))


def _schema_of(keys: Sequence[str], model: type[BaseModel]) -> dict[str, Any]:
    """Return the JSON schema of a key or a table of the file; empty where anything may be written."""
    whole = model.model_json_schema()
    found: Any = whole
    for key in keys:
        found = found.get("properties", {}).get(key) or found.get("additionalProperties") or {}
        if not isinstance(found, dict):
            return {}
        found = (found.get("anyOf") or found.get("allOf") or [found])[0]
        if "$ref" in found:
            found = whole["$defs"][found["$ref"].rpartition("/")[2]]
    return dict(found)
