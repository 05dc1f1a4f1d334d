"""The one way in which a name or a path becomes part of a query; everything else goes in as a parameter."""

from __future__ import annotations

from typing import Literal

from wearlab.errors import StoreError


def quoted(name: str, mark: Literal['"', "'"] = '"') -> str:
    """Return a name between quotes, so that nothing in it is read as SQL.

    `mark` : double quotes for tables and columns, single ones for the path of a file where DuckDB takes no parameter.

    Raises
    ------
    StoreError
        The name holds a NUL, at which DuckDB would end the query, or half of a sign.
    """
    if "\0" in name or any("\ud800" <= sign <= "\udfff" for sign in name):
        raise StoreError(f'"{name[:60]}" cannot be the name of a column, table or file: rename it')
    return mark + name.replace(mark, mark + mark) + mark
