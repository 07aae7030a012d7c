"""Faults of a study file in our own words: the line, the key, what stands there and what may stand there."""

from __future__ import annotations

import datetime
import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import annotated_types
from pydantic import BaseModel

from pipelines.study.words import load_catalogue

_SHOWN_LETTERS = 60
_POSITION = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)")
# What the TOML reader says, and our words for it; the first that fits counts.
_TOML_WORDS = (
    ("Cannot overwrite", "twice"),
    ("Cannot declare", "twice"),
    ("Cannot redefine", "twice"),
    ("Cannot mutate", "twice"),
    ("Expected '='", "no_equals"),
    ("Unterminated string", "open_text"),
    ("Unescaped '\\'", "backslash"),
    ("Invalid hex value", "backslash"),
    ("Unclosed array", "open_list"),
    ("Unclosed inline table", "open_table"),
    ("at the end of a table declaration", "open_head"),
    ("Invalid date", "date"),
    ("Expected newline", "rest_of_line"),
    ("Invalid value", "value"),
    ("Illegal character", "open_text"),
)
# Kinds of fault of the validation, by what the value should have been.
_KINDS: Mapping[str, str] = {
    "string_type": "text", "int_type": "whole", "int_parsing": "whole", "int_from_float": "whole",
    "float_type": "number", "float_parsing": "number", "finite_number": "number", "bool_type": "yes_no",
    "bool_parsing": "yes_no", "dict_type": "table", "model_type": "table", "model_attributes_type": "table",
    "string_too_short": "empty",
}  # fmt: skip


def words(key: str, **values: object) -> str:
    """Return a text of the section ``[fault]`` of the catalogue."""
    return load_catalogue().t(f"fault.{key}", **values)


def did_you_mean(name: str, allowed: Iterable[str]) -> str:
    """Return the nearest allowed name as a question with a space before it, or nothing."""
    near = difflib.get_close_matches(name, list(allowed), n=1)
    return " " + words("did_you_mean", name=near[0]) if near else ""


def toml_text(value: object) -> str:
    """Return a value as it is written in TOML, cut when it is long."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(toml_text(v) for v in value) + "]"
    elif isinstance(value, Mapping):
        text = "{ " + ", ".join(f"{k} = {toml_text(v)}" for k, v in value.items()) + " }" if value else "{}"
    elif isinstance(value, datetime.date | datetime.time):
        text = value.isoformat()
    else:
        text = str(value)
    return text if len(text) <= _SHOWN_LETTERS else text[: _SHOWN_LETTERS - 4] + " ..."


def line_of(text: str, keys: Sequence[str]) -> int | None:
    """Return the 1-based line of a key in TOML text, or of its table; None when neither is there."""
    keys = tuple(keys)
    table: tuple[str, ...] = ()
    best = None
    for number, line in enumerate(text.splitlines(), start=1):
        head = re.match(r"^\s*\[+\s*([^\]]+?)\s*\]+", line)
        if head:
            table = tuple(part.strip().strip("\"'") for part in head[1].split("."))
            if keys[: len(table)] == table:
                best = number
            continue
        item = re.match(r"^\s*([\w.\"'-]+)\s*=", line)
        if item:
            full = (*table, *(part.strip("\"'") for part in item[1].split(".")))
            if keys[: len(full)] == full:
                return number
    return best


def placed(file: str, text: str, keys: Sequence[str]) -> str:
    """Return ``file, line n`` of a key, or the file alone where the key has no line."""
    number = line_of(text, keys)
    return words("line", file=file, line=number) if number else file


def toml_fault(file: str, text: str, error: tomllib.TOMLDecodeError) -> str:
    """Return where TOML text breaks and how, in one line."""
    message = str(error)
    found = _POSITION.search(message)
    lines = text.splitlines() or [""]
    number = int(found[1]) if found and found[1] else len(lines)
    shown = lines[min(number, len(lines)) - 1].strip()
    key = next((ours for theirs, ours in _TOML_WORDS if theirs in message), "unclear")
    told = words(f"toml.{key}", line=_cut(shown))
    if key == "twice":
        first = _first_place(lines, number)
        told += " " + words("toml.first", line=first) if first else ""
    return f"{words('line', file=file, line=number)}: {told}"


def _cut(text: str) -> str:
    return text if len(text) <= _SHOWN_LETTERS else text[: _SHOWN_LETTERS - 4] + " ..."


def _first_place(lines: list[str], number: int) -> int | None:
    """Return the line on which the key or the table of a line stands for the first time."""
    again = lines[min(number, len(lines)) - 1]
    head = re.match(r"^\s*\[+\s*([^\]]+?)\s*\]+", again)
    before = "\n".join(lines[: number - 1])
    if head:
        return line_of(before, [part.strip().strip("\"'") for part in head[1].split(".")])
    item = re.match(r"^\s*([\w.\"'-]+)\s*=", again)
    tables = [m[1] for m in re.finditer(r"^\s*\[+\s*([^\]\n]+?)\s*\]+", before, re.MULTILINE)]
    if not item:
        return None
    table = [part.strip() for part in tables[-1].split(".")] if tables else []
    return line_of(before, [*table, *item[1].split(".")])


def study_faults(file: str, text: str, errors: Sequence[Any], model: type[BaseModel]) -> list[str]:
    """Return one line for each faulty key.

    Parameters
    ----------
    file : str
        Name of the file.
    text : str
        What it holds.
    errors : sequence of pydantic error details
    model : BaseModel type
        Of the whole file.
    """
    told: dict[tuple[str, ...], str] = {}
    for error in errors:
        keys = _shown_keys(error["loc"])
        told.setdefault(keys, f"{placed(file, text, keys)}: {_fault(keys, error, model)}")
    return list(told.values())


def _shown_keys(loc: Sequence[object]) -> tuple[str, ...]:
    """Return the keys of a fault, without the place inside a list."""
    keys: list[str] = []
    for part in loc:
        if isinstance(part, int) or str(part) == "[key]":
            break
        keys.append(str(part))
    return tuple(keys)


def _fault(keys: tuple[str, ...], error: Any, model: type[BaseModel]) -> str:
    name = ".".join(keys)
    kind = str(error["type"])
    if kind == "extra_forbidden" or "[key]" in error["loc"]:
        return _no_such_key(keys, model)
    if kind == "missing":
        return words("missing_table" if len(keys) == 1 else "missing", name=name)
    return f"{name} = {toml_text(error['input'])}: {_what_is_wrong(keys, error, model)}"


def _what_is_wrong(keys: tuple[str, ...], error: Any, model: type[BaseModel]) -> str:
    kind = str(error["type"])
    if kind == "value_error":
        return str(error["ctx"]["error"])
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", str(error["ctx"]["expected"]))
        near = did_you_mean(str(error["input"]), allowed)
        return words("one_of", allowed=", ".join(f'"{a}"' for a in allowed)) + near
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        return _range(keys, model)
    if kind == "string_too_long":
        return words("too_long", letters=error["ctx"]["max_length"])
    return words(_KINDS.get(kind, "unfit"))


def _range(keys: tuple[str, ...], model: type[BaseModel]) -> str:
    """Return the range that a number must lie in, from the constraints of its field."""
    table, name = _model_at(keys[:-1], model), keys[-1]
    low = high = above = None
    for rule in table.model_fields[name].metadata if table is not None and name in table.model_fields else ():
        if isinstance(rule, annotated_types.Ge):
            low = rule.ge
        elif isinstance(rule, annotated_types.Gt):
            above = rule.gt
        elif isinstance(rule, annotated_types.Le):
            high = rule.le
    if above is not None:
        return words("above_to", low=above, high=high)
    return words("at_least", low=low) if high is None else words("from_to", low=low, high=high)


def _no_such_key(keys: tuple[str, ...], model: type[BaseModel]) -> str:
    """Say that a key is unknown, which one may be meant, in which table it belongs, and what is allowed."""
    name = keys[-1]
    allowed = allowed_keys(keys[:-1], model)
    told = words("no_such_table" if len(keys) == 1 else "no_such_key", name=".".join(keys))
    near = did_you_mean(name, allowed)
    homes = [t for t in model.model_fields if name in allowed_keys((t,), model)] if not near else []
    told += near or (" " + words("belongs", table=f"[{homes[0]}]") if len(homes) == 1 else "")
    return f"{told} {words('allowed', names=', '.join(allowed))}"


def allowed_keys(keys: tuple[str, ...], model: type[BaseModel]) -> list[str]:
    """Return the keys that a table may hold."""
    if keys == ("mixes",):
        kinds = model.model_fields["mixes"].annotation
        return sorted(kinds.__args__[0].__args__)  # type: ignore[union-attr]
    table = _model_at(keys, model)
    return [] if table is None else sorted(table.model_fields)


def _model_at(keys: tuple[str, ...], model: type[BaseModel]) -> type[BaseModel] | None:
    """Return the model of a table: the file itself, one of its tables, or one of a table of tables."""
    found: type[BaseModel] | None = model
    for key in keys:
        if found is None:
            return None
        field = found.model_fields.get(key)
        if field is None:
            return found if found is not model else None  # a name in a table of tables
        kinds: list[Any] = [field.annotation, *getattr(field.annotation, "__args__", ())]
        found = next((k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)), None)
    return found
