"""The base of every table of a profile, and the kinds of value its keys hold.

Kinds are strict, since pydantic would else take "8" for 8 and true for 1.
"""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Iterable
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

if TYPE_CHECKING:
    from pydantic import GetJsonSchemaHandler, ValidationInfo
    from pydantic.json_schema import JsonSchemaValue
    from pydantic_core import CoreSchema

Number = Annotated[float, Field(strict=True, ge=-1e9, le=1e9)]
Positive = Annotated[float, Field(strict=True, gt=0, le=1e9)]
Accel = Annotated[float, Field(strict=True, ge=1, le=1e9)]
"""mm/s2; a print with less takes years."""
NotNegative = Annotated[float, Field(strict=True, ge=0, le=1e9)]
Hertz = Annotated[float, Field(strict=True, ge=0.1, le=10_000)]
Damping = Annotated[float, Field(strict=True, ge=0.001, le=0.99)]
Count = Annotated[int, Field(strict=True, ge=1, le=1_000_000)]
Milliseconds = Annotated[int, Field(strict=True, ge=0, le=60_000)]
Flag = Annotated[bool, Field(strict=True)]


def _rises(pair: tuple[float, float]) -> tuple[float, float]:
    if not pair[0] < pair[1]:
        raise PydanticCustomError("not_rising", "lowest, then highest")
    return pair


Range = Annotated[tuple[Number, Number], AfterValidator(_rises)]
"""Lowest, highest."""


class Record(BaseModel):
    """A frozen table of the profile; an unknown key is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    @classmethod
    @cache
    def meanings(cls) -> dict[str, str]:
        """Field name -> the text under it in the source, read only when a page asks for it."""
        (table,) = ast.parse(textwrap.dedent(inspect.getsource(cls))).body
        assert isinstance(table, ast.ClassDef)
        return {
            key.target.id: inspect.cleandoc(text.value.value)
            for key, text in pairwise(table.body)
            if isinstance(key, ast.AnnAssign)
            and isinstance(key.target, ast.Name)
            and isinstance(text, ast.Expr)
            and isinstance(text.value, ast.Constant)
            and isinstance(text.value.value, str)
        }

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """The meanings in the schema too."""
        schema = handler(core_schema)
        properties = handler.resolve_ref_schema(schema)["properties"]
        for name, text in cls.meanings().items():
            properties[cls.model_fields[name].alias or name]["description"] = text
        return schema


_Table = TypeVar("_Table", bound=Record)


def default_table(table: type[_Table], **values: Any) -> _Table:
    """A table of default values, taken as sound (a test checks them): checking them here
    would cost every start of the program."""
    return table.model_construct(**values)


class FaultsError(ValueError):
    """Several faults at once, each worded "table.key: what was found; what to do"."""

    def __init__(self, texts: Iterable[str]) -> None:
        self.texts = tuple(texts)
        super().__init__("\n".join(self.texts))

    @classmethod
    def unless_none(cls, texts: Iterable[str]) -> None:
        """Raise when there is a fault."""
        found = tuple(texts)
        if found:
            raise cls(found)


def registered(name: str, info: ValidationInfo, kind: str) -> str:
    """One of the names that the validation's context lists for a kind."""
    known = (info.context or {}).get(kind)
    if known is not None and name not in known:
        expected = ", ".join(f"'{one}'" for one in known.choices)
        raise PydanticCustomError("literal_error", "unknown", {"expected": expected})
    return name


def choose_one(table: Record, *keys_and_advice: str) -> None:
    """Of several keys at most one may be given."""
    *keys, advice = keys_and_advice
    given = [key for key in keys if getattr(table, key) is not None]
    if len(given) > 1:
        raise ValueError(f"{given[1]}: {given[0]} is set too; {advice}")
