"""TOML text into a checked pydantic model, with errors of one line that name the file and the key.

Pure: takes text. Both the settings file and machine files, and every other TOML a user writes, come through here.
"""

from __future__ import annotations

import tomllib
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from loadbook.errors import InputError

ModelT = TypeVar("ModelT", bound=BaseModel)


class Strict(BaseModel):
    """A table of a TOML file: unknown keys are refused, values do not change once read."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def key_of(location: tuple[int | str, ...]) -> str:
    """A pydantic location as the user wrote it: ``("component", 1, "rated_w")`` is ``component[2].rated_w``."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else str(part)
    return text or "the file"


def _explain(model: type[BaseModel], error: Any) -> str:
    kind, key = error["type"], key_of(error["loc"])
    if kind == "extra_forbidden":
        return f"{key}: no such key; take it out or mend its name"
    if kind == "missing":
        return f"{key}: is missing; add it"
    message = str(error["msg"]).removeprefix("Value error, ")
    value = error.get("input")
    shown = "" if isinstance(value, dict | list) or kind == "value_error" else f" (it is {value!r})"
    return f"{key}: {message[0].lower()}{message[1:]}{shown}"


def parse_table(data: Any, model: type[ModelT], name: str) -> ModelT:
    """A checked ``model`` from already parsed TOML. Raises InputError of one line, naming ``name`` and the key."""
    try:
        return model.model_validate(data)
    except ValidationError as bad:
        # A misspelt key is one that is missing as well: the misspelling is what the user can see.
        errors = sorted(bad.errors(include_url=False), key=lambda e: e["type"] != "extra_forbidden")
        more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
        raise InputError(f"{name}: {_explain(model, errors[0])}{more}") from None


def parse_toml(text: str, model: type[ModelT], name: str) -> ModelT:
    """A checked ``model`` from TOML text. Raises InputError of one line, naming ``name``, and the line or key."""
    try:
        data = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as bad:
        raise InputError(f"{name}: not valid TOML: {bad}") from None
    return parse_table(data, model, name)
