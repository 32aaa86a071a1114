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


def look_at_stamps_again(sender: object, **kwargs: object) -> None:
    from stockroom.marks import looking

    looking.start()


def look_at_stamps_by_other_codes(sender: object, **kwargs: object) -> None:
    from stockroom.marks import looking

    looking.start_where_codes_changed()


def note_reference(sender: object, changes: Mapping[Any, Sequence[Any]], **kwargs: object) -> None:
    """A newer reference says otherwise of these types: one line in the daybook."""
    from stockroom.types.keeping import note_reference

    note_reference(changes)


class StockroomConfig(AppConfig):
    name = "stockroom"

    def ready(self) -> None:
        from catalog.loading import first_years_changed, names_changed, reference_loaded, types_changed
        from stockroom.export import archives  # noqa: F401 -- importing makes its jobs known
        from stockroom.ledger import receivers  # noqa: F401 -- importing connects them
        from stockroom.marks import looking  # noqa: F401 -- importing makes its jobs known
        from stockroom.photographs import storing  # noqa: F401 -- importing makes its jobs known
        from stockroom.receiving import list_job  # noqa: F401 -- importing makes its jobs known
        from stockroom.site import logins  # noqa: F401 -- importing connects them

        first_years_changed.connect(assess_dates_again, dispatch_uid="dates")
        names_changed.connect(look_at_stamps_again, dispatch_uid="names")
        reference_loaded.connect(look_at_stamps_by_other_codes, dispatch_uid="codes")
        types_changed.connect(note_reference, dispatch_uid="reference")
        post_migrate.connect(make_roles, dispatch_uid="roles")
