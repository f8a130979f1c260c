"""What every record of people is built from: the base class and its field types.

Comes in: nothing. Goes out: :class:`Record` and annotated types. Must not: name a record.
"""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

Text = Annotated[str, Meta(min_length=1, max_length=200)]
Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]


class Record(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, omit_defaults=True):
    """Base of every record: frozen, unknown keys refused."""
