"""Name the tables of the store. All of them are filled from journals and can be made anew."""

from __future__ import annotations

__all__ = ["amendments", "characteristics", "findings", "metadata", "runs", "shelf_events"]

from sqlalchemy import Boolean, Column, Float, ForeignKey, Integer, MetaData, String, Table

metadata = MetaData()

runs = Table(
    "runs",
    metadata,
    Column("run", String, primary_key=True),
    Column("job", String, nullable=False),
    Column("journal", String, nullable=False),
    Column("opened_utc", String, nullable=False),
    Column("status", String),
    Column("reason", String),
    Column("bench", String),
    Column("who", String),
    Column("specimen", String),
    Column("type", String),
    Column("donor", String),
    Column("lot", String),
    Column("customer_job", String),
    Column("simulated", Boolean, nullable=False, default=False),
    Column("disposition", String),
    Column("measured", String),
    Column("judged", String),
)

characteristics = Table(
    "characteristics",
    metadata,
    Column("run", ForeignKey("runs.run", ondelete="CASCADE"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("name", String, nullable=False),
    Column("value", Float),
    Column("unit", String),
    Column("expanded_uncertainty", Float),
    Column("verdict", String),
)

findings = Table(
    "findings",
    metadata,
    Column("run", ForeignKey("runs.run", ondelete="CASCADE"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("fault", String, nullable=False),
    Column("path", String),
    Column("grade", String),
    Column("probability", Float),
)

# No foreign key: an amendment may be ingested before the run that it strikes.
amendments = Table(
    "amendments",
    metadata,
    Column("amendment", String, primary_key=True),
    Column("run", String, nullable=False, index=True),
    Column("utc", String, nullable=False),
    Column("what", String, nullable=False),
    Column("who", String, nullable=False),
    Column("why", String, nullable=False),
)

# One journal holds one event of the shelf; what they make of a part is worked out when asked.
shelf_events = Table(
    "shelf_events",
    metadata,
    Column("run", ForeignKey("runs.run", ondelete="CASCADE"), primary_key=True),
    Column("utc", String, nullable=False),
    Column("what", String, nullable=False),
    Column("who", String, nullable=False),
    Column("specimen", String, index=True),
    Column("why", String),
    Column("reserved_for", String),
    Column("board", String, index=True),
    Column("serial", String),
    Column("rail", String),
    Column("phase", String),
    Column("designator", String),
    Column("outcome", String),
    Column("anyway", Boolean, nullable=False, default=False),
)
