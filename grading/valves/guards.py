"""What the database itself refuses of a valve that is written off: to be set aside, listed, or put in a set; and to
write off one that is.

Triggers, for a constraint sees one table only. They are put there after every `migrate` and taken away before it: on
SQLite a migration that changes a table makes it anew, which loses its triggers, and stumbles over those of others.
On PostgreSQL the trigger holds the valve while it looks, so that nobody writes it off at the same moment.
"""

from __future__ import annotations

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate, pre_migrate

PROMISES = ("stockroom_allocation", "stockroom_listedvalve", "grading_member")
PROMISED = " OR ".join(f"EXISTS (SELECT 1 FROM {table} WHERE valve_id = NEW.id AND live)" for table in PROMISES)
WRITTEN_OFF, IS_PROMISED = (
    "a valve that is written off is promised to nobody",
    "a valve that is promised is not written off",
)

SQLITE_PROMISE = """CREATE TRIGGER IF NOT EXISTS {name} BEFORE {verb} ON {table}
    WHEN NEW.live AND EXISTS (SELECT 1 FROM stockroom_valve WHERE id = NEW.valve_id AND written_off <> '')
    BEGIN SELECT RAISE(ABORT, '{why}'); END"""
SQLITE_VALVE = """CREATE TRIGGER IF NOT EXISTS {name} BEFORE UPDATE OF written_off ON stockroom_valve
    WHEN NEW.written_off <> '' AND ({promised})
    BEGIN SELECT RAISE(ABORT, '{why}'); END"""

POSTGRESQL_PROMISE = """CREATE OR REPLACE FUNCTION valve_is_not_written_off() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        PERFORM 1 FROM stockroom_valve WHERE id = NEW.valve_id FOR NO KEY UPDATE;
        IF EXISTS (SELECT 1 FROM stockroom_valve WHERE id = NEW.valve_id AND written_off <> '') THEN
            RAISE EXCEPTION '{why}' USING ERRCODE = 'integrity_constraint_violation';
        END IF;
        RETURN NEW;
    END $$"""
POSTGRESQL_VALVE = """CREATE OR REPLACE FUNCTION valve_is_not_promised() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF {promised} THEN
            RAISE EXCEPTION '{why}' USING ERRCODE = 'integrity_constraint_violation';
        END IF;
        RETURN NEW;
    END $$"""
POSTGRESQL_TRIGGER = """CREATE OR REPLACE TRIGGER {name} BEFORE {verb} ON {table}
    FOR EACH ROW WHEN ({when}) EXECUTE FUNCTION {function}()"""


def _sqlite() -> dict[str, str]:
    """Each trigger by its name."""
    found = {}
    for table in PROMISES:
        for verb, short in (("INSERT", "new"), ("UPDATE OF live, valve_id", "again")):
            name = f"{table}_not_written_off_{short}"
            found[name] = SQLITE_PROMISE.format(name=name, verb=verb, table=table, why=WRITTEN_OFF)
    name = "stockroom_valve_not_promised"
    found[name] = SQLITE_VALVE.format(name=name, promised=PROMISED, why=IS_PROMISED)
    return found


def _postgresql() -> list[str]:
    promise = "valve_is_not_written_off"
    triggers = [
        POSTGRESQL_TRIGGER.format(
            name=promise, verb="INSERT OR UPDATE OF live, valve_id", table=table, when="NEW.live", function=promise
        )
        for table in PROMISES
    ]
    valve = "valve_is_not_promised"
    of_valve = POSTGRESQL_TRIGGER.format(
        name=valve,
        verb="UPDATE OF written_off",
        table="stockroom_valve",
        when="NEW.written_off <> ''",
        function=valve,
    )
    functions = [
        POSTGRESQL_PROMISE.format(why=WRITTEN_OFF),
        POSTGRESQL_VALVE.format(promised=PROMISED, why=IS_PROMISED),
    ]
    return [*functions, *triggers, of_valve]


def put_up(using: str = "default", **kwargs: object) -> None:
    with connections[using].cursor() as cursor:
        there = set(connections[using].introspection.table_names(cursor))
        if {*PROMISES, "stockroom_valve"} <= there:  # a migration may stop half-way
            for statement in _sqlite().values() if connections[using].vendor == "sqlite" else _postgresql():
                cursor.execute(statement)


def take_down(using: str = "default", **kwargs: object) -> None:
    if connections[using].vendor == "sqlite":
        with connections[using].cursor() as cursor:
            for name in _sqlite():
                cursor.execute(f"DROP TRIGGER IF EXISTS {name}")


def watch(app: AppConfig) -> None:
    pre_migrate.connect(take_down, sender=app, dispatch_uid="guards")
    post_migrate.connect(put_up, sender=app, dispatch_uid="guards")
