"""How a single value of a file is read: the piece that joins a reading function to pydantic.

A reading function takes the value as written and what surrounds the file, and returns the value
as the model holds it, or raises `wrong(...)`. The same leaf carries its JSON Schema.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationInfo
from pydantic_core import PydanticCustomError, core_schema

from routerd.server.rigfiles.problems import MISTAKE, Remedy

WRONG = "wrong"


class Ends(NamedTuple):
    """Which ends of a device have a port."""

    has_input: bool
    has_output: bool


@dataclass(slots=True)
class Surroundings:
    """What a value may be checked against.

    `devices` is None when rig.yaml could not be read, and device names are then taken on trust.
    """

    folder: Path
    devices: Mapping[str, Ends] | None = None
    dumps: dict[str, tuple[bytes, ...] | PydanticCustomError] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, repr=False)
class Advice:
    """What is wrong with a value and what would be right; no repr, as pydantic asks for it each time."""

    what: str
    remedy: Remedy


def wrong(what: str, remedy: Remedy) -> PydanticCustomError:
    """Return the error of a value; the key's name is put before `what` when it is reported."""
    return PydanticCustomError(WRONG, "wrong value", {"advice": Advice(what, remedy)})


@dataclass(frozen=True)
class Leaf:
    """Annotation of a field: its reading function and its JSON Schema."""

    read: Callable[[Any, Surroundings], Any]
    schema: dict[str, Any]

    def _validate(self, value: Any, info: ValidationInfo[Surroundings]) -> Any:
        return MISTAKE if value is MISTAKE else self.read(value, info.context)

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        """Let the reading function alone decide, whatever the annotated type."""
        return core_schema.with_info_plain_validator_function(self._validate)

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        """Return the JSON Schema that was given."""
        return dict(self.schema)
