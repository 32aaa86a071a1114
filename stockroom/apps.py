from collections.abc import Collection

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


class StockroomConfig(AppConfig):
    name = "stockroom"

    def ready(self) -> None:
        from catalog.loading import first_years_changed
        from stockroom.export import archives  # noqa: F401 -- importing makes its jobs known
        from stockroom.ledger import receivers  # noqa: F401 -- importing connects them
        from stockroom.photographs import storing  # noqa: F401 -- importing makes its jobs known
        from stockroom.receiving import list_job  # noqa: F401 -- importing makes its jobs known
        from stockroom.site import logins  # noqa: F401 -- importing connects them

        first_years_changed.connect(assess_dates_again, dispatch_uid="dates")
        post_migrate.connect(make_roles, dispatch_uid="roles")
