"""The base of every table of a profile, and the kinds of number their keys hold."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

Range = Annotated[tuple[float, float], Field(description="lowest, highest")]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class Record(BaseModel):
    """A frozen table of the profile; a key nobody knows is a fault."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True
    )

    @model_validator(mode="before")
    @classmethod
    def _no_bool_for_a_number(cls, raw: Any) -> Any:
        """TOML's true is not 1: pydantic would take it for one."""
        if isinstance(raw, dict):
            for key, value in raw.items():
                field = cls.model_fields.get(key)
                if (
                    isinstance(value, bool)
                    and field is not None
                    and "bool" not in str(field.annotation)
                ):
                    raise ValueError(f"{key}: {str(value).lower()} is not a number or a text")
        return raw
