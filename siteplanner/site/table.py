"""What every table of the site file is made of."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Metres = Annotated[float, Field(ge=0, le=10_000)]
Share = Annotated[float, Field(ge=0, le=1)]


class Table(BaseModel):
    """A table of the site file: unknown words are refused, values do not change."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True
    )
