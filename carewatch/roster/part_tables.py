"""The tables `[[part]]` and `[[revision]]` of a fleet file as they are written."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from carewatch.roster.parts import PartKind
from carewatch.roster.tables import Table
from carewatch.roster.words import Id, Ids, LocalDate, Name, Sentence, SideKey, member_of

HIGHEST_PRICE = 100_000
MOST_SPARES = 1000

PartWord = Annotated[PartKind, member_of(PartKind)]
Spares = Annotated[int, Field(ge=0, le=MOST_SPARES)]


class PartTable(Table):
    """`[[part]]`"""

    id: Id = Field(examples=["valve-kit"], description="short, in small letters; the logbook refers to it")
    name: Name = Field(examples=["Valve kit"], description="as people call it")
    replaces: list[PartWord] = Field(
        min_length=1, max_length=len(PartKind), examples=[["plunger", "seal"]], description="what it renews"
    )
    sides: list[SideKey] = Field(default=[], max_length=10)
    number: Name | None = None
    price: float | None = Field(default=None, ge=0, le=HIGHEST_PRICE)
    pack_of: int = Field(default=1, ge=1, le=MOST_SPARES)
    is_sold: bool = True
    min_stock: Spares = 0
    min_stock_of: dict[Id, Spares] = Field(default={}, max_length=1000)
    comes_with: Ids = Field(default=[])


class RevisionTable(Table):
    """`[[revision]]`"""

    id: Id = Field(examples=["seal-2"], description="short, in small letters; the logbook refers to it")
    name: Name = Field(examples=["Seals, second make"], description="as people call it")
    of: PartWord = Field(examples=["seal"], description="what kind of part it is")
    tell_apart: Sentence = Field(examples=["green ring; the first make is black"], description="how to see which it is")
    retrofit: bool = False
    machines: Ids = Field(default=[])
    sides: list[SideKey] = Field(default=[], max_length=10)
    part: Id | None = None
    paid_by: Name | None = None
    paid_until: LocalDate | None = None
