from collections.abc import Collection, Mapping, Sequence
from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_migrate


def make_roles(sender: AppConfig, using: str, **kwargs: object) -> None:
    """The roles exist wherever the tables do."""
    from django.contrib.auth.models import Group

    from stockroom.site.people import Role

    for role in Role:
        Group.objects.using(using).get_or_create(name=role.value)


def assess_dates_again(sender: object, types: Collection[int], **kwargs: object) -> None:
    from stockroom.marks.identity import years_changed

    years_changed(types)


def note_reference(sender: object, changes: Mapping[Any, Sequence[Any]], **kwargs: object) -> None:
    """A newer reference says otherwise of these types: one line in the daybook."""
    from stockroom.types.keeping import note_reference

    note_reference(changes)


class StockroomConfig(AppConfig):
    name = "stockroom"

    def ready(self) -> None:
        from catalog.loading import first_years_changed, types_changed
        from stockroom.export import archives  # noqa: F401 -- importing makes its jobs known
        from stockroom.ledger import receivers  # noqa: F401 -- importing connects them
        from stockroom.photographs import storing  # noqa: F401 -- importing makes its jobs known
        from stockroom.receiving import list_job  # noqa: F401 -- importing makes its jobs known
        from stockroom.site import logins  # noqa: F401 -- importing connects them

        first_years_changed.connect(assess_dates_again, dispatch_uid="dates")
        types_changed.connect(note_reference, dispatch_uid="reference")
        post_migrate.connect(make_roles, dispatch_uid="roles")
