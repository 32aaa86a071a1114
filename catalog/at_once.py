"""A new shop needs none of the steps by which the tables became what they are.

Applied one after another the landed migrations take a quarter of a minute, most of it for Django's picture of every
model at every step. `MadeAtOnce` follows their changes without that picture, then creates the tables of the last step.
It stands in a migration that replaces them: a shop that has applied some of them goes on with the rest, one by one.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from django.db.migrations import Migration
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState


class MadeAtOnce(Operation):
    """The tables of an app as its migrations of these names, in their order, leave them; no rows, no triggers."""

    reduces_to_sql = True

    def __init__(self, names: list[str]) -> None:
        self.names = names

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        state.__dict__.pop("apps", None)  # the picture, which would be drawn anew after each step
        for name in self.names:
            migration: type[Migration] = import_module(f"{app_label}.migrations.{name}").Migration
            for operation in migration.operations:
                operation.state_forwards(app_label, state)

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        for model in self._models(app_label, to_state):
            schema_editor.create_model(model)

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        for model in reversed(self._models(app_label, from_state)):
            schema_editor.delete_model(model)

    def describe(self) -> str:
        return f"Make at once what {len(self.names)} migrations make"

    @staticmethod
    def _models(app_label: str, state: ProjectState) -> list[Any]:
        return [state.apps.get_model(app, name) for app, name in state.models if app == app_label]
