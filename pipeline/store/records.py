"""What a load asks the warehouse for: rows that stand, the last day, and the records to calculate with."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import duckdb

from pipeline.store.warehouse import query, read_tables, typed
from schemas import BASE_TABLES, Tables

# The tables that grow by the week, as a calculation reads them.
RECENT = {
    "reading": """select * from reading where day >= $since and {where} union all
        select r.* from reading r join (select tank, parameter, max("at") as latest from reading
        where day < $since and {where} group by tank, parameter) l
        on r.tank = l.tank and r.parameter = l.parameter and r."at" = l.latest""",
    "visit": """select * from visit where day >= $since and {where} union all
        select v.* from visit v
        join (select tank, max("at") as latest from visit where day < $since and {where} group by tank) l
        on v.tank = l.tank and v."at" = l.latest""",
    "water_change": "select * from water_change where day >= $since and {where}",
}


def rows_standing(con: duckdb.DuckDBPyConnection, large: float) -> Tables:
    """Where each row of a visit sheet belongs, and the water changes of more than the share `large`."""
    return {
        "sheet_row": query(con, "select file, line, day from sheet_row"),
        "water_change": query(
            con, "select file, line, tank, day, fraction from water_change where fraction > $large", large=large
        ),
    }


def waits_for_a_day(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether a row is held that was of a day to come."""
    return bool(query(con, "select count(*)::bigint as n from held where fault = 'future'").item())


def last_day(con: duckdb.DuckDBPyConnection, today: dt.date) -> dt.date | None:
    """The last day in the logs, up to the day of loading."""
    found = query(
        con,
        """select max(day) as day from (select max(day) as day from visit_row where day <= $today
           union all select max(date) from service where date <= $today
           union all select max(date) from event where date <= $today)""",
        today=today,
    ).item()
    return found if isinstance(found, dt.date) else None


def read_standing(con: duckdb.DuckDBPyConnection) -> Tables:
    """The checked tables but for visits, readings and changes."""
    return read_tables(con, [name for name in BASE_TABLES if name not in RECENT])


def read_recent(
    con: duckdb.DuckDBPyConnection,
    since: dt.date,
    tanks: Sequence[str] | None = None,
    parameter: str | None = None,
) -> Tables:
    """Visits, readings and changes for calculation: since a day, and the last visit and readings before it; of some tanks
    where given, and the readings of one parameter."""
    given: dict[str, object] = {"since": since}
    where = "true"
    if tanks is not None:
        where, given["tanks"] = "tank in (select unnest($tanks::varchar[]))", list(tanks)
    of_readings = where if parameter is None else f"{where} and parameter = $parameter"
    found = {}
    for name, sql in RECENT.items():
        more = {"parameter": parameter} if parameter is not None and name == "reading" else {}
        ready = sql.format(where=of_readings if name == "reading" else where)
        found[name] = typed(name, query(con, ready, **given, **more))
    return found
