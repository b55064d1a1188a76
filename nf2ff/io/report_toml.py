"""What a report says besides its figures: `report_template` explains the form."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Self

from pydantic import Field, field_validator, model_validator

from nf2ff.io.safe import PathLike
from nf2ff.io.toml import Table, list_of_tables, number, read_toml, template, text_key
from nf2ff.messages.input_error import InputError

#: Largest description [bytes], letters of a text, entries of a list.
MAX_BYTES, MAX_TEXT, MAX_ENTRIES = 2**20, 4000, 200


def _text() -> Any:
    return Field("", description=f"a text of at most {MAX_TEXT} characters", max_length=MAX_TEXT)


class _Dated(Table):
    """A table in which a TOML date may stand for a text."""

    @field_validator("*", mode="before")
    @classmethod
    def _as_text(cls, value: Any) -> Any:
        return value.isoformat() if isinstance(value, datetime.date | datetime.time) else value


class LaboratoryTable(_Dated):
    """The table [laboratory]."""

    name: str = _text()
    address: str = _text()
    place: str = _text()
    accreditation: str = _text()


class ClientTable(_Dated):
    """The table [client]."""

    name: str = _text()
    contact: str = _text()


class ItemTable(_Dated):
    """The table [item]."""

    description: str = _text()
    identification: str = _text()
    condition: str = _text()
    received: str = _text()


class MeasurementTable(_Dated):
    """The table [measurement]."""

    method: str = _text()
    started: str = _text()
    ended: str = _text()
    environment: str = _text()
    equipment: list[Annotated[str, Field(max_length=MAX_TEXT)]] = Field(
        default=[], description=f"a list of at most {MAX_ENTRIES} texts", max_length=MAX_ENTRIES
    )
    sampling: str = _text()
    deviations: str = _text()
    from_others: str = _text()
    from_client: str = _text()


class AuthorisedTable(_Dated):
    """The table [authorised]."""

    name: str = _text()
    function: str = _text()


class LimitTable(Table):
    """A table [[limit]]: what a figure may be at most or at least, and the guard band."""

    name: str = text_key("a name", "", most=200)
    figure: str = text_key("the name of a figure, such as eirp", most=60)
    most: float | None = number(-1e9, 1e9)
    least: float | None = number(-1e9, 1e9)
    guard: float | None = Field(None, description="a factor from 0 to 10", ge=0, le=10)
    guard_band: float | None = number(0, 1e9)
    from_ghz: float | None = number(-1e9, 1e9)
    to_ghz: float | None = number(-1e9, 1e9)

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        if (self.most is None) == (self.least is None):
            raise InputError("has neither most nor least, or both", "give one; of two limits make two tables")
        if self.guard is not None and self.guard_band is not None:
            raise InputError("has guard and guard_band", "give one of them")
        return self


class ReportMeta(_Dated):
    """The keys of such a file; a text that is empty is not supplied."""

    title: str = _text()
    number: str = Field(default="", description="a text of at most 100 characters", max_length=100)
    issued: str = _text()
    opinions: str = _text()
    laboratory: LaboratoryTable = LaboratoryTable()
    client: ClientTable = ClientTable()
    item: ItemTable = ItemTable()
    measurement: MeasurementTable = MeasurementTable()
    authorised: AuthorisedTable = AuthorisedTable()
    limit: list[LimitTable] = list_of_tables("limit", MAX_ENTRIES)


def report_template() -> str:
    """A description to be filled in.

    Returns
    -------
    str
        TOML that `read_report_meta` reads.
    """
    return template("report")


def read_report_meta(path: PathLike) -> ReportMeta:
    """Read what a report says besides its figures.

    Parameters
    ----------
    path : path
        TOML file, as `report_template` explains.

    Returns
    -------
    ReportMeta
        Its keys.

    Raises
    ------
    ValueError
        One line that names file, table, key, value and what is expected.
    """
    return read_toml(path, ReportMeta, limit=MAX_BYTES)
