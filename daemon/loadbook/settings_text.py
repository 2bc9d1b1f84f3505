"""The settings written out: the commented file ``config/loadbook.toml`` and the README's table, from the one table of
settings. Pure: gives text.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from loadbook.errors import InputError
from loadbook.settings import Settings, parse_settings

HEAD = """\
# Loadbook's settings. Every setting stands here with its default, commented out: take the # away to change one.
# Units are the last part of a name: _s seconds, _v volts, _hz hertz, _bd baud. Paths go from this file's folder.
# `loadbook settings --check FILE` says in one line what is wrong with a settings file.
"""


def _model_of(annotation: Any) -> tuple[type[BaseModel] | None, bool]:
    """The table behind an annotation, and whether there may be several of it."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    for inner in get_args(annotation):
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            return inner, get_origin(annotation) is tuple
    return None, False


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return repr(value)


def _value(field: FieldInfo) -> str:
    if not field.is_required():
        return _toml(field.get_default(call_default_factory=True))
    return _toml((field.examples or [_first_choice(field) or ""])[0])


def _first_choice(field: FieldInfo) -> Any:
    return get_args(field.annotation)[0] if get_origin(field.annotation) is Literal else None


def limits(field: FieldInfo) -> str:
    """What a setting may be: ``one of N, E, O`` or ``0.05 to 60``; empty where anything goes."""
    if get_origin(field.annotation) is Literal:
        return "one of " + ", ".join(str(choice) for choice in get_args(field.annotation))
    bounds: dict[str, float] = {}
    for rule in field.metadata:
        for name in ("ge", "gt", "le", "lt"):
            if (bound := getattr(rule, name, None)) is not None:
                bounds[name] = bound
    text = {name: f"{bound:,.12g}".replace(",", "") for name, bound in bounds.items()}
    low = text.get("ge") or (f"above {text['gt']}" if "gt" in text else "")
    high = text.get("le") or (f"below {text['lt']}" if "lt" in text else "")
    if low and high:
        return f"{low} to {high}"
    return f"at least {low}" if "ge" in bounds else low or (f"at most {high}" if "le" in bounds else high)


def _help(field: FieldInfo) -> str:
    text = (field.description or "").rstrip(".")
    may_be = limits(field)
    told = may_be.startswith("one of") and all(str(choice) in text for choice in get_args(field.annotation))
    if may_be and not told:
        text += f" ({may_be})"
    return text + ("; must be given" if field.is_required() else "")


def rows(model: type[BaseModel] = Settings, prefix: str = "") -> Iterator[tuple[str, str, str]]:
    """Every setting: (name as in ``site.time_zone`` or ``line[].port``, default as TOML, help)."""
    for name, field in model.model_fields.items():
        key = prefix + (field.alias or name)
        inner, several = _model_of(field.annotation)
        if inner is None:
            yield key, "" if field.is_required() else _value(field), _help(field)
        else:
            yield from rows(inner, f"{key}[]." if several else f"{key}.")


def _lines(model: type[BaseModel], path: str, chosen: Mapping[str, str]) -> Iterator[str]:
    tables = []
    for name, field in model.model_fields.items():
        key = field.alias or name
        inner, several = _model_of(field.annotation)
        if inner is not None:
            tables.append((f"{path}.{key}" if path else key, inner, several))
            continue
        yield f"# {_help(field)}"
        mine = chosen.get(f"{path}.{key}" if path else key)
        yield f"#{key} = {_value(field)}" if mine is None else f"{key} = {mine}"
    for table, inner, several in tables:
        yield ""
        doc = " ".join((inner.__doc__ or "").split())
        if doc:
            yield f"# {doc}"
        yield f"#[[{table}]]" if several else f"[{table}]"
        yield from _lines(inner, table, {} if several else chosen)


def settings_file(chosen: Mapping[str, str] | None = None) -> str:
    """The text of ``config/loadbook.toml``; with ``chosen`` settings (``{"broker.host": '"127.0.0.1"'}``, the values as
    TOML) set instead of commented out. Raises InputError for a setting there is not, or a value that does not fit.
    """
    chosen = chosen or {}
    known = {key for key, _, _ in rows() if "[]" not in key}
    for key in chosen:
        if key not in known:
            raise InputError(f"{key}: no such setting; `loadbook settings` prints them all")
    text = HEAD + "\n" + "\n".join(_lines(Settings, "", chosen)) + "\n"
    parse_settings(text, "the settings")
    return text


def settings_table() -> str:
    """The same as a Markdown table, for the README."""
    lines = ["| setting | default | what it is |", "| --- | --- | --- |"]
    for key, default, text in rows():
        escaped = text.replace("|", "\\|")
        lines.append(f"| `{key}` | {f'`{default}`' if default else ''} | {escaped} |")
    return "\n".join(lines) + "\n"
